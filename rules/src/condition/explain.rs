//! A condition in words for whoever wrote it: the whole tree with current values and how far each
//! is from its limit. What its truth rests on, in short and for anybody, stands in
//! [`because`](super::because).

use super::evaluate::lapsed_since;
use super::evaluate::slack;
use super::scale::show_of;
use super::{
    Comparison, Condition, Formula, HeldSince, Lapse, Present, Test, Truth, Window, World, in_words,
};
use crate::forecast::wording;
use crate::ids::SensorId;
use crate::reading::Value;
use crate::site::{Sensor, Site};
use crate::time::Span;
use crate::units::Dimension;
use crate::words;

/// One line of an explanation.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reason {
    /// How deep it stands in the tree; 0 is the condition itself.
    pub depth: usize,
    /// `lagoon water < 22 °C: false: 24.6 °C, 2.6 °C above the limit`
    pub text: String,
    /// What this part says.
    pub truth: Truth,
}

impl Condition {
    /// The tree with current values: what is true, false or unknown, and why.
    pub fn explain<W: World>(
        &self,
        site: &dyn Site,
        present: &Present<'_, W>,
        hold: HeldSince,
    ) -> Vec<Reason> {
        let mut reasons = Vec::new();
        self.reasons(&ExplainedPart { site, present, hold }, 0, true, &mut reasons);
        for reason in &mut reasons {
            reason.text = words::for_people_in(&reason.text);
        }
        reasons
    }

    fn reasons<W: World>(
        &self,
        told: &ExplainedPart<'_, W>,
        depth: usize,
        upright: bool,
        into: &mut Vec<Reason>,
    ) {
        let truth = self.judge(told.present, told.hold, upright).truth;
        let text = match self {
            Self::All(_) => format!("all of these: {truth}"),
            Self::Any(_) => format!("at least one of these: {truth}"),
            Self::Not(_) => format!("not: {truth}"),
            Self::Says(test, written) => {
                let written = in_words(written, told.site);
                match told.why(test, upright) {
                    why if why.is_empty() => format!("{written}: {truth}"),
                    why => format!("{written}: {truth}: {why}"),
                }
            }
        };
        into.push(Reason { depth, text, truth });
        match self {
            Self::All(parts) | Self::Any(parts) => {
                parts.iter().for_each(|part| part.reasons(told, depth + 1, upright, into));
            }
            Self::Not(inner) => inner.reasons(told, depth + 1, !upright, into),
            Self::Says(test, _) => {
                // What is remembered is judged as it was taken in: without a deadband.
                let told = ExplainedPart { hold: None, ..*told };
                match test {
                    Test::HasBeen { what, .. } | Test::After { what, .. } => {
                        what.reasons(&told, depth + 1, true, into);
                    }
                    Test::Then { first, second, .. } => {
                        first.reasons(&told, depth + 1, true, into);
                        second.reasons(&told, depth + 1, true, into);
                    }
                    _ => {}
                }
            }
        }
    }
}

/// All that the words are made from.
pub(super) struct ExplainedPart<'a, W> {
    pub(super) site: &'a dyn Site,
    pub(super) present: &'a Present<'a, W>,
    pub(super) hold: HeldSince,
}

impl<W> Clone for ExplainedPart<'_, W> {
    fn clone(&self) -> Self {
        *self
    }
}

impl<W> Copy for ExplainedPart<'_, W> {}

impl<W: World> ExplainedPart<'_, W> {
    /// Why a single statement says what it says.
    pub(super) fn why(&self, test: &Test, upright: bool) -> String {
        let now = self.present.now;
        match test {
            Test::Compare { left, order, right, dimension } => {
                self.distance(left, *order, right, *dimension, upright)
            }
            Test::Range { value, low, high, outside, dimension } => {
                self.distances(value, [low, high], *dimension, upright != *outside)
            }
            Test::Is(id, _) => self.reading(*id),
            Test::Lapse(lapse, id, _) => match (lapse, lapsed_since(self.present.world, *lapse, *id)) {
                (Lapse::Silent, Some(then)) => format!("last heard {} ago", now - then),
                (Lapse::Frozen, Some(then)) => format!("unmoved for {}", now - then),
                (Lapse::NotGood, Some(then)) => {
                    format!("last good reading {} ago; now {}", now - then, self.reading(*id))
                }
                (Lapse::Silent | Lapse::Frozen | Lapse::NotGood, None) => self.reading(*id),
            },
            Test::Commanded(id, _) => match self.present.world.commanded(*id) {
                Some(true) => "switched on by the watch".to_owned(),
                Some(false) => "switched off by the watch".to_owned(),
                None => "not in the hand of the watch".to_owned(),
            },
            Test::Time(_) => self.local("%H:%M"),
            Test::Day(_) => self.local("%A"),
            Test::HasBeen { slot, .. } => {
                let past = self.present.memory.past(*slot);
                match past.and_then(|past| past.true_for(now)) {
                    Some(span) => format!("so for {span}, as far as was seen"),
                    None => "not so now".to_owned(),
                }
            }
            Test::After { slot, .. } => came(self.present.memory.past(*slot).and_then(|past| past.came(now))),
            Test::Then { slot, .. } => match self.present.memory.order(*slot) {
                Some(order) => {
                    let (first, second) = order.came(now);
                    format!("the first {}, the second {}", came(first), came(second))
                }
                None => String::new(),
            },
            Test::Until(foretold) => match self.present.world.foretell(&foretold.asked) {
                Ok(estimate) => {
                    let rests_on = wording::rests_on(&estimate);
                    format!("{}; {rests_on}", foretold.asked.words(self.site, &Ok(estimate)))
                }
                Err(reason) => reason.to_string(),
            },
            Test::Shows(tank, sign, _) => match self.present.world.shows(*tank, *sign) {
                Ok(true) => sign.to_string(),
                Ok(false) => "nothing of the kind".to_owned(),
                Err(reason) => reason.to_string(),
            },
            Test::Holds { holding, .. } => match self.present.world.coldest_room(holding) {
                Ok(coldest) => format!(
                    "down to a room of {}; {}",
                    wording::value(coldest.range, "degC"),
                    wording::rests_on(&coldest)
                ),
                Err(reason) => reason.to_string(),
            },
            Test::Blind(_) => String::new(),
        }
    }

    /// Each sensor and each window of a formula with its value.
    fn terms(&self, formula: &Formula) -> Vec<String> {
        match formula {
            Formula::Constant(_) => Vec::new(),
            Formula::Sensor(id) => {
                let name = &self.site.sensor(*id).name;
                let name = self.site.spoken(name).unwrap_or_else(|| name.clone());
                vec![format!("{name} {}", self.reading(*id))]
            }
            Formula::Sum(left, right) | Formula::Difference(left, right) | Formula::Ratio(left, right) => {
                let mut found = self.terms(left);
                found.extend(self.terms(right));
                found
            }
            Formula::Scaled(_, inner) => self.terms(inner),
            Formula::Window(window) => {
                vec![format!("{} {}", in_words(&window.text, self.site), self.window(window, formula))]
            }
        }
    }

    /// What a window comes to, and how much of it was seen if that matters.
    pub(super) fn window(&self, window: &Window, formula: &Formula) -> String {
        let bounds = formula.bounds(self.present);
        let like = self.like(formula);
        let dimension = window.dimension;
        let seen = self.present.memory.window(window.slot).map_or(0.0, |kept| kept.seen());
        let some = format!("seen for {:.0} % of it", (seen * 100.0).floor());
        match bounds.known() {
            Some(value) => show_of(formula, value, dimension, like),
            None if bounds.low.is_finite() && bounds.low > 0.0 => {
                format!("at least {}, {some}", show_of(formula, bounds.low, dimension, like))
            }
            None => format!("unknown ({some})"),
        }
    }

    /// `23.1 degC`, `off`, `unknown (stale for 5 min)`.
    pub(super) fn reading(&self, id: SensorId) -> String {
        let sensor = self.site.sensor(id);
        match self.present.world.value(id) {
            Some(Value::Number(value)) => sensor.scale.show(value),
            Some(Value::Word(word)) => said(sensor, word).to_owned(),
            None => match self.present.world.doubt(id) {
                Some(why) => format!("unknown ({why})"),
                None => "unknown".to_owned(),
            },
        }
    }

    fn local(&self, format: &str) -> String {
        match self.present.world.local(self.present.now) {
            Some(local) => format!("it is {}", local.strftime(format)),
            None => "the clock has not been set since the start".to_owned(),
        }
    }

    /// The parts of formulas that are not known.
    fn missing(&self, formulas: &[&Formula]) -> String {
        let unknown = |formula: &&Formula| formula.bounds(self.present).known().is_none();
        let terms = formulas.iter().copied().filter(|f| unknown(f)).flat_map(|f| self.terms(f));
        let mut terms: Vec<_> =
            terms.filter(|term| term.contains("unknown") || term.contains("seen")).collect();
        terms.dedup();
        terms.join(", ")
    }

    /// How a comparison stands: the values and how far they are from each other.
    fn distance(
        &self,
        left: &Formula,
        order: Comparison,
        right: &Formula,
        of: Dimension,
        upright: bool,
    ) -> String {
        let bounds = |formula: &Formula| formula.bounds(self.present).known();
        let (Some(first), Some(second)) = (bounds(left), bounds(right)) else {
            return self.missing(&[left, right]);
        };
        let like = self.like(left).or_else(|| self.like(right));
        let moved = order.relaxed(slack(self.hold, of), upright);
        let held = if moved == 0.0 { "" } else { " that the deadband holds" };
        // Seen from the side that varies; a limit on the left is the same limit.
        let (value, limit, limit_varies) = match (left, right) {
            (Formula::Constant(_), _) => (second, first - moved, false),
            (_, Formula::Constant(_)) => (first, second + moved, false),
            _ => (first, second + moved, true),
        };
        let side = if value < limit { "below" } else { "above" };
        let varying = if matches!(left, Formula::Constant(_)) { right } else { left };
        let show = |base: f64, of: Dimension| show_of(varying, base, of, like);
        let gap = show((value - limit).abs(), of.difference());
        let value = show(value, of);
        match (limit_varies, gap.starts_with("0 ") || gap == "0") {
            (true, _) => format!("{value} against {}, {gap} {side}", show(limit, of)),
            (false, true) => format!("{value}, at the limit{held}"),
            (false, false) => format!("{value}, {gap} {side} the limit{held}"),
        }
    }

    /// How a value lies to a range.
    fn distances(&self, value: &Formula, ends: [&Formula; 2], of: Dimension, upright: bool) -> String {
        let known = |formula: &Formula| formula.bounds(self.present).known();
        let (Some(at), Some(low), Some(high)) = (known(value), known(ends[0]), known(ends[1])) else {
            return self.missing(&[value, ends[0], ends[1]]);
        };
        let slack = slack(self.hold, of);
        let (low, high) = (
            low + Comparison::AtLeast.relaxed(slack, upright),
            high + Comparison::AtMost.relaxed(slack, upright),
        );
        let held = if slack == 0.0 { "" } else { " that the deadband holds" };
        let like = [value, ends[0], ends[1]].into_iter().find_map(|formula| self.like(formula));
        let gap = |by: f64| show_of(value, by, of.difference(), like);
        let shown = show_of(value, at, of, like);
        if at < low {
            format!("{shown}, {} below the range{held}", gap(low - at))
        } else if at > high {
            format!("{shown}, {} above the range{held}", gap(at - high))
        } else {
            format!("{shown}, inside the range{held} by {}", gap((at - low).min(high - at)))
        }
    }

    /// The first sensor in a formula, for its unit.
    pub(super) fn like(&self, formula: &Formula) -> Option<&Sensor> {
        formula.in_order().first().map(|id| self.site.sensor(*id))
    }
}

fn came(ago: Option<Span>) -> String {
    ago.map_or_else(|| "not seen to come true".to_owned(), |ago| format!("came true {ago} ago"))
}

fn said(sensor: &Sensor, word: u16) -> &str {
    sensor.words().get(usize::from(word)).map_or("an undeclared word", |word| &word.name)
}
