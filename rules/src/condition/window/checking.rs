//! Windows, checked: what they look at, how long they are, what comes out of them. Each place
//! that looks back gets the next slot of the condition's memory, and none stands in another.

use super::{LONGEST_LAG, bytes};
use crate::condition::ast::RELATION;
use crate::condition::ast::quantity as written_span;
use crate::condition::check::{Checker, ComparedPart};
use crate::condition::term::Term;
use crate::condition::{Aggregate, Formula, Operand, Window, Written};
use crate::diagnostic::Finding;
use crate::site::Sensor;
use crate::time::Span;
use crate::units::Dimension;

/// A window's formula, and what it looks at.
pub(in crate::condition) struct CheckedWindow<'s> {
    pub(in crate::condition) formula: Formula,
    pub(in crate::condition) dimension: Dimension,
    /// Of what it looks at.
    pub(in crate::condition) of: Dimension,
    pub(in crate::condition) like: Option<&'s Sensor>,
    pub(in crate::condition) range: Option<(f64, f64)>,
}

impl<'s> Checker<'s> {
    /// A stretch of the past and what is made of it.
    pub(in crate::condition) fn window(
        &mut self,
        whole: &ComparedPart,
        what: Aggregate,
        of: &ComparedPart,
        over: &ComparedPart,
        lag: Option<&ComparedPart>,
    ) -> Option<CheckedWindow<'s>> {
        let text = match lag {
            Some(lag) => format!("{what} of {} over {}, lagged {}", of.it, over.it, lag.it),
            None => format!("{what} of {} over {}", of.it, over.it),
        };
        self.looking_back(whole, |checker, slot| {
            let operand = checker.operand(what, of);
            let span = checker.duration(over, "a window has a length");
            let back = match lag {
                Some(lag) => Some(checker.duration(lag, "a lag has a length")?),
                None => Some(Span::ZERO),
            };
            let ((operand, dimension, range, like), over_span, back) = (operand?, span?, back?);
            if back > over_span.times(LONGEST_LAG) {
                let title = format!("a window can end at most {LONGEST_LAG} of its lengths ago");
                let longest = written_span(over_span.times(LONGEST_LAG));
                let label = format!("at most `{longest}` for a window of {}", over.it);
                let help = "look back over a longer window: its memory is bounded";
                let place = lag.map_or(whole.span.clone(), |lag| lag.span.clone());
                return checker.note(Finding::error(place, title, label).help(help));
            }
            if let Some(sensor) = like.filter(|sensor| over_span <= sensor.every) {
                let title = format!("`{}` reports only every {}", sensor.name, sensor.every);
                let label = "no more than one report lies in this window";
                return checker.note(Finding::error(over.span.clone(), title, label));
            }
            debug_assert!(bytes(over_span, back) < 1 << 20, "a window's memory is bounded");
            let made = what.dimension(dimension);
            let window = Window {
                slot,
                text: text.into(),
                of: operand,
                what,
                dimension: made,
                over: over_span,
                lag: back,
            };
            let range = what.range(range, over_span);
            let formula = Formula::Window(Box::new(window));
            Some(CheckedWindow { formula, dimension: made, of: dimension, like, range })
        })
    }

    /// What a window looks at: its dimension, its range, a sensor in it.
    fn operand(&mut self, what: Aggregate, of: &ComparedPart) -> Option<LookedAt<'s>> {
        let wants_truth =
            matches!(what, Aggregate::Duty | Aggregate::Changes | Aggregate::Spells | Aggregate::Longest);
        if let (Aggregate::Changes, Written::Name(name)) = (what, &of.it)
            && let (id, sensor) = self.sensor(name, &of.span)?
            && sensor.measure.words
        {
            return Some((Operand::Word(id), Dimension::NUMBER, None, Some(sensor)));
        }
        let truth = wants_truth || (what == Aggregate::Total && of.it.is_condition());
        if truth {
            if !of.it.is_condition() {
                let title = format!("the {what} is that of a condition");
                let label = format!("`{}` is a value", of.it);
                let help = format!("for instance `{what} of ({} > …) over …`", of.it);
                return self.note(Finding::error(of.span.clone(), title, label).help(help));
            }
            let condition = self.condition(of)?;
            return Some((Operand::Truth(condition), Dimension::NUMBER, Some((0.0, 1.0)), None));
        }
        match self.term(of)? {
            Term::Typed(typed) if what == Aggregate::Total && typed.dimension.is_point() => {
                let title = format!("the total of {} means nothing", typed.dimension.words());
                let label = "the zero of its scale is arbitrary";
                self.note(Finding::error(of.span.clone(), title, label).help("take its mean"))
            }
            Term::Typed(typed) => {
                Some((Operand::Value(typed.formula), typed.dimension, typed.range, typed.like))
            }
            Term::Literal(_) => {
                let title = format!("`{}` never changes", of.it);
                self.note(Finding::error(of.span.clone(), title, "a sensor is wanted here"))
            }
        }
    }
}

type LookedAt<'s> = (Operand, Dimension, Option<(f64, f64)>, Option<&'s Sensor>);

impl Aggregate {
    /// Of what comes out, if this goes in.
    fn dimension(self, of: Dimension) -> Dimension {
        match self {
            Self::Mean | Self::Median | Self::Lowest | Self::Highest => of,
            Self::Swing => of.difference(),
            Self::Slope => of.difference().per(Dimension::TIME),
            Self::Total => of.difference().times(Dimension::TIME),
            Self::Duty | Self::Changes | Self::Spells => Dimension::NUMBER,
            Self::Longest => Dimension::TIME,
        }
    }

    /// The values that can come out, if these can go in.
    fn range(self, of: Option<(f64, f64)>, over: Span) -> Option<(f64, f64)> {
        let seconds = over.as_seconds();
        match self {
            Self::Mean | Self::Median | Self::Lowest | Self::Highest => of,
            Self::Swing => of.map(|(low, high)| (0.0, high - low)),
            Self::Slope => None,
            Self::Total => of.map(|(low, high)| ((low * seconds).min(0.0), high * seconds)),
            Self::Duty => Some((0.0, 1.0)),
            Self::Changes | Self::Spells => Some((0.0, f64::INFINITY)),
            Self::Longest => Some((0.0, seconds)),
        }
    }
}

impl Written {
    /// Whether it is true or false, and not a value.
    fn is_condition(&self) -> bool {
        self.level() <= RELATION
    }
}
