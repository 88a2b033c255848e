//! The types of formulas: what each part of a comparison measures, and which values believable
//! readings can make of it. A quantity such as `2 degF` has no type of its own until the other
//! side says whether a point of the scale is meant or a difference.

use super::check::{Checker, words};
use super::scale::{scale, show};
use super::window::{LONGEST_LAG, bytes};
use super::written::quantity as written_span;
use super::{Aggregate, Formula, Operand, Order, Window, Written};
use crate::plan::nearest::nearest_unit;
use crate::plan::{At, Finding, Sensor};
use crate::time::Span;
use crate::units::{Dimension, Quantity, Unit};

/// A formula whose type is known, or a quantity whose type the other side decides.
pub(super) enum Term<'s> {
    Typed(Typed<'s>),
    Literal(Quantity),
}

#[derive(Clone)]
pub(super) struct Typed<'s> {
    pub(super) formula: Formula,
    pub(super) dimension: Dimension,
    /// The lowest and highest value that believable readings can make of it.
    pub(super) range: Option<(f64, f64)>,
    /// A sensor in it, for its unit.
    pub(super) like: Option<&'s Sensor>,
}

/// A window's formula, and what it looks at.
pub(super) struct Past<'s> {
    pub(super) formula: Formula,
    pub(super) dimension: Dimension,
    /// Of what it looks at.
    pub(super) of: Dimension,
    pub(super) like: Option<&'s Sensor>,
    range: Option<(f64, f64)>,
}

type Part = At<Written>;

impl<'s> Checker<'s> {
    pub(super) fn term(&mut self, written: &Part) -> Option<Term<'s>> {
        match &written.it {
            Written::Name(name) => {
                let (id, sensor) = self.sensor(name, &written.span)?;
                if sensor.measure.words {
                    let title = format!("`{name}` says words, not numbers");
                    let help = format!("write `{name} is …` with one of its words: {}", words(sensor));
                    return self.note(
                        Finding::error(written.span.clone(), title, "a number is wanted here").help(help),
                    );
                }
                Some(Term::Typed(Typed {
                    formula: Formula::Sensor(id),
                    dimension: sensor.scale.unit.dimension,
                    range: sensor.plausible,
                    like: Some(sensor),
                }))
            }
            Written::Quantity { .. } => self.quantity(written).map(Term::Literal),
            Written::Volume(name) => {
                let tank = self.tank(name)?;
                let Some(volume) = tank.volume else {
                    let title = format!("`{}` declares no volume", name.it);
                    let help = "in its table: `volume = \"420 L\"`";
                    return self.note(
                        Finding::error(name.span.clone(), title, "how large it is is not known").help(help),
                    );
                };
                Some(Term::Typed(Typed {
                    formula: Formula::Constant(volume),
                    dimension: Dimension::VOLUME,
                    range: Some((volume, volume)),
                    like: None,
                }))
            }
            Written::Aggregate { what, of, over, lag } => {
                let past = self.window(written, *what, of, over, lag.as_deref())?;
                let Past { formula, dimension, range, like, .. } = past;
                Some(Term::Typed(Typed { formula, dimension, range, like }))
            }
            Written::Sum(left, right) => {
                let (first, second) = (self.term(left), self.term(right));
                self.sum(written, left, first?, right, second?).map(Term::Typed)
            }
            Written::Difference(left, right) => {
                let (first, second) = (self.term(left), self.term(right));
                self.difference(written, left, first?, right, second?).map(Term::Typed)
            }
            Written::Ratio(left, right) => {
                let (first, second) = (self.term(left), self.term(right));
                self.ratio(written, left, first?, right, second?).map(Term::Typed)
            }
            Written::All(_)
            | Written::Any(_)
            | Written::Not(_)
            | Written::Then { .. }
            | Written::After { .. }
            | Written::HasBeen { .. }
            | Written::Compare { .. }
            | Written::Range { .. }
            | Written::Baseline { .. }
            | Written::Moves { .. }
            | Written::Is { .. }
            | Written::Silent { .. }
            | Written::Frozen { .. }
            | Written::Commanded { .. }
            | Written::Photoperiod(_)
            | Written::Time { .. }
            | Written::Day(_) => {
                let title = format!("`{}` is a condition, not a value", written.it);
                let label = "a sensor's name or a quantity is wanted here";
                self.note(Finding::error(written.span.clone(), title, label))
            }
        }
    }

    /// A stretch of the past and what is made of it.
    pub(super) fn window(
        &mut self,
        whole: &Part,
        what: Aggregate,
        of: &Part,
        over: &Part,
        lag: Option<&Part>,
    ) -> Option<Past<'s>> {
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
            Some(Past { formula, dimension: made, of: dimension, like, range })
        })
    }

    /// What a window looks at: its dimension, its range, a sensor in it.
    fn operand(&mut self, what: Aggregate, of: &Part) -> Option<LookedAt<'s>> {
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

    fn sum(
        &mut self,
        whole: &Part,
        left: &Part,
        first: Term<'s>,
        right: &Part,
        second: Term<'s>,
    ) -> Option<Typed<'s>> {
        let (first, second) = match (first, second) {
            (Term::Typed(first), Term::Typed(second)) => (first, second),
            (Term::Typed(first), Term::Literal(quantity)) => {
                let Ok(base) = quantity.base(first.dimension.difference()) else {
                    return self.misfit("added to", left, &first, right, quantity);
                };
                let second = Typed { dimension: first.dimension.difference(), ..constant(base, &first) };
                (first, second)
            }
            (Term::Literal(quantity), Term::Typed(second)) => {
                let Ok(base) = quantity.base(second.dimension.difference()) else {
                    return self.misfit("added to", right, &second, left, quantity);
                };
                let first = Typed { dimension: second.dimension.difference(), ..constant(base, &second) };
                (first, second)
            }
            (Term::Literal(_), Term::Literal(_)) => return self.unchanging(whole),
        };
        if first.dimension.is_point() && second.dimension.is_point() {
            let title = "two temperatures can't be added".to_owned();
            let label = "the zero of their scale is arbitrary";
            let help = "a difference in K can be added to one; of two, take the difference";
            return self.note(Finding::error(whole.span.clone(), title, label).help(help));
        }
        if first.dimension.difference() != second.dimension.difference() {
            return self.clash("added to", left, first.dimension, right, second.dimension);
        }
        let dimension = if second.dimension.is_point() { second.dimension } else { first.dimension };
        let range = first.range.zip(second.range).map(|(a, b)| (a.0 + b.0, a.1 + b.1));
        let formula = Formula::Sum(Box::new(first.formula), Box::new(second.formula));
        Some(Typed { formula, dimension, range, like: first.like.or(second.like) })
    }

    fn difference(
        &mut self,
        whole: &Part,
        left: &Part,
        first: Term<'s>,
        right: &Part,
        second: Term<'s>,
    ) -> Option<Typed<'s>> {
        let (first, second, dimension) = match (first, second) {
            (Term::Typed(first), Term::Typed(second)) => {
                let dimension = if first.dimension == second.dimension {
                    first.dimension.difference()
                } else if first.dimension.difference() == second.dimension {
                    first.dimension
                } else {
                    return self.clash("reduced by", left, first.dimension, right, second.dimension);
                };
                (first, second, dimension)
            }
            (Term::Typed(first), Term::Literal(quantity)) => {
                // 1 K less than a temperature is a temperature; 1 degC less than one is how
                // far it is from that point of the scale.
                let (wanted, dimension) = match first.dimension {
                    of if quantity.unit.dimension == of => (of, of.difference()),
                    of => (of.difference(), of),
                };
                let Ok(base) = quantity.base(wanted) else {
                    return self.misfit("reduced by", left, &first, right, quantity);
                };
                let second = Typed { dimension: wanted, ..constant(base, &first) };
                (first, second, dimension)
            }
            (Term::Literal(quantity), Term::Typed(second)) => {
                let of = quantity.unit.dimension;
                let (wanted, dimension) = match second.dimension {
                    other if of != other && of.difference() == other => (of, of),
                    other => (other, other.difference()),
                };
                let Ok(base) = quantity.base(wanted) else {
                    return self.misfit("subtracted from", right, &second, left, quantity);
                };
                (Typed { dimension: wanted, ..constant(base, &second) }, second, dimension)
            }
            (Term::Literal(_), Term::Literal(_)) => return self.unchanging(whole),
        };
        let range = first.range.zip(second.range).map(|(a, b)| (a.0 - b.1, a.1 - b.0));
        let formula = Formula::Difference(Box::new(first.formula), Box::new(second.formula));
        Some(Typed { formula, dimension, range, like: first.like.or(second.like) })
    }

    fn ratio(
        &mut self,
        whole: &Part,
        left: &Part,
        first: Term<'s>,
        right: &Part,
        second: Term<'s>,
    ) -> Option<Typed<'s>> {
        // A quantity by itself: of a temperature scale only a difference can be meant.
        let literal = |quantity: Quantity| {
            let dimension = quantity.unit.dimension.difference();
            let base = quantity.base(dimension).ok()?;
            let formula = Formula::Constant(base);
            Some(Typed { formula, dimension, range: Some((base, base)), like: None })
        };
        let (first, second) = match (first, second) {
            (Term::Literal(_), Term::Literal(_)) => return self.unchanging(whole),
            (Term::Typed(first), Term::Typed(second)) => (first, second),
            (Term::Typed(first), Term::Literal(second)) => (first, literal(second)?),
            (Term::Literal(first), Term::Typed(second)) => (literal(first)?, second),
        };
        for (part, typed) in [(left, &first), (right, &second)] {
            if typed.dimension.is_point() {
                let title = format!("{} can't be divided", typed.dimension.words());
                let label = "the zero of its scale is arbitrary";
                let help = "a difference can: `(a - b) / 2 K`";
                return self.note(Finding::error(part.span.clone(), title, label).help(help));
            }
        }
        if second.formula == Formula::Constant(0.0) {
            return self.note(Finding::error(right.span.clone(), "nothing can be divided by 0", "always 0"));
        }
        let dimension = first.dimension.per(second.dimension);
        let range = first.range.zip(second.range).filter(|(_, by)| by.0 > 0.0 && by.1.is_finite());
        let range = range.map(|(a, b)| {
            let all = [a.0 / b.0, a.0 / b.1, a.1 / b.0, a.1 / b.1];
            (all.into_iter().fold(f64::INFINITY, f64::min), all.into_iter().fold(f64::NEG_INFINITY, f64::max))
        });
        let formula = Formula::Ratio(Box::new(first.formula), Box::new(second.formula));
        Some(Typed { formula, dimension, range, like: first.like.or(second.like) })
    }

    fn unchanging<T>(&mut self, whole: &Part) -> Option<T> {
        let label = "no sensor has a part in it";
        let title = format!("`{}` never changes", whole.it);
        self.note(Finding::error(whole.span.clone(), title, label).help("write its result"))
    }

    pub(super) fn unit(&mut self, written: &Part, number: f64, unit: &str) -> Option<Unit> {
        if let Some(known) = Unit::named(unit) {
            return Some(known);
        }
        let help = nearest_unit(unit).map(|unit| format!("did you mean `{number} {unit}`?"));
        let finding = Finding::error(written.span.clone(), format!("`{unit}` is not a unit"), "unknown unit");
        self.note(finding.maybe_help(help))
    }

    /// Two typed sides that don't go together.
    pub(super) fn clash<T>(
        &mut self,
        verb: &str,
        left: &Part,
        first: Dimension,
        right: &Part,
        second: Dimension,
    ) -> Option<T> {
        let title = format!("{} can't be {verb} {}", first.words(), second.words());
        let finding = Finding::error(right.span.clone(), title, format!("this is {}", second.words()));
        let finding = finding.also(left.span.clone(), format!("this is {}", first.words()));
        self.note(finding.maybe_help(points_and_differences(first, second)))
    }

    /// A typed side and a quantity that doesn't fit it.
    pub(super) fn misfit<T>(
        &mut self,
        verb: &str,
        typed: &Part,
        of: &Typed<'_>,
        literal: &Part,
        quantity: Quantity,
    ) -> Option<T> {
        let found = quantity.unit.dimension;
        let unit = scale(of.dimension, of.like).name;
        if found == Dimension::NUMBER && !unit.is_empty() {
            let title = format!("`{}` needs a unit", literal.it);
            let label = format!("a plain number beside {}", of.dimension.words());
            let help = format!("for instance `{} {unit}`", quantity.number);
            return self.note(Finding::error(literal.span.clone(), title, label).help(help));
        }
        self.clash(verb, typed, of.dimension, literal, found)
    }

    /// A comparison that believable readings can't change.
    pub(super) fn pointless<T>(
        &mut self,
        whole: &Part,
        always: bool,
        first: &Typed<'_>,
        second: &Typed<'_>,
    ) -> Option<T> {
        let says = if always { "is always true" } else { "can never be true" };
        let title = format!("`{}` {says}", whole.it);
        let varying = if matches!(first.formula, Formula::Constant(_)) { second } else { first };
        let show = |base: f64| show(base, varying.dimension, varying.like);
        let label = match (&varying.formula, varying.range) {
            (Formula::Sensor(_), Some((low, high))) => {
                format!("readings outside {} to {} are not believed", show(low), show(high))
            }
            (Formula::Difference(..), Some((low, high))) => {
                format!("believable readings differ by {} to {}", show(low), show(high))
            }
            (_, Some((low, f64::INFINITY))) => format!("it is never less than {}", show(low)),
            (_, Some((low, high))) => format!("it lies between {} and {}", show(low), show(high)),
            (_, None) => String::new(),
        };
        let finding = Finding::error(whole.span.clone(), title, label);
        let help = varying.like.map_or_else(
            || "move the limit".to_owned(),
            |sensor| format!("move the limit, or widen `plausible` of `{}`", sensor.name),
        );
        self.note(finding.help(help))
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
        match self {
            Self::Sum(..)
            | Self::Difference(..)
            | Self::Ratio(..)
            | Self::Aggregate { .. }
            | Self::Volume(_)
            | Self::Name(_)
            | Self::Quantity { .. } => false,
            Self::All(_)
            | Self::Any(_)
            | Self::Not(_)
            | Self::Then { .. }
            | Self::After { .. }
            | Self::HasBeen { .. }
            | Self::Compare { .. }
            | Self::Range { .. }
            | Self::Baseline { .. }
            | Self::Moves { .. }
            | Self::Is { .. }
            | Self::Silent { .. }
            | Self::Frozen { .. }
            | Self::Commanded { .. }
            | Self::Photoperiod(_)
            | Self::Time { .. }
            | Self::Day(_) => true,
        }
    }
}

/// A constant beside `other`, of its type.
pub(super) fn constant<'s>(base: f64, other: &Typed<'s>) -> Typed<'s> {
    Typed {
        formula: Formula::Constant(base),
        dimension: other.dimension,
        range: Some((base, base)),
        like: other.like,
    }
}

/// What the comparison says for every value in the ranges, if it says the same for all.
pub(super) fn decided(order: Order, left: (f64, f64), right: (f64, f64)) -> Option<bool> {
    match order {
        Order::Less if left.1 < right.0 => Some(true),
        Order::Less if left.0 >= right.1 => Some(false),
        Order::AtMost if left.1 <= right.0 => Some(true),
        Order::AtMost if left.0 > right.1 => Some(false),
        Order::Less | Order::AtMost => None,
        Order::Greater => decided(Order::Less, right, left),
        Order::AtLeast => decided(Order::AtMost, right, left),
    }
}

fn points_and_differences(first: Dimension, second: Dimension) -> Option<String> {
    (first.difference() == second.difference())
        .then(|| "degC and degF are points on a scale; a difference is written in K".to_owned())
}
