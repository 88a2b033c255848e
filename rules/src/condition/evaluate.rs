//! What a condition says of the world at a moment: true, false or unknown, and when time alone
//! may change that. Runs for every reading, so it allocates nothing but what a forecast rests on.

use super::{
    Bounds, Comparison, Condition, Foretold, Formula, Lapse, Memory, Operand, Test, Truth, Verdict, World,
    clock,
};
use crate::condition::query::UntilWhat;
use crate::ids::SensorId;
use crate::reading::Value;
use crate::time::{Moment, Span};
use crate::units::Dimension;
use std::fmt;

/// While an alarm stands: how far back inside its limits a value must come, and for which
/// quantity.
pub type HeldSince = Option<(Dimension, f64)>;

/// All that a condition is asked against.
pub struct Present<'a, W> {
    /// What sensors say.
    pub world: &'a W,
    /// What the condition remembers; an empty one for a condition that doesn't look back.
    pub memory: &'a Memory,
    /// When it is asked.
    pub now: Moment,
}

impl Truth {
    /// Kleene's conjunction: false wins over unknown.
    pub fn and(self, other: Truth) -> Truth {
        match (self, other) {
            (Truth::False, _) | (_, Truth::False) => Truth::False,
            (Truth::True, Truth::True) => Truth::True,
            (Truth::Unknown, _) | (_, Truth::Unknown) => Truth::Unknown,
        }
    }

    /// Kleene's disjunction: true wins over unknown.
    pub fn or(self, other: Truth) -> Truth {
        self.negated().and(other.negated()).negated()
    }

    /// Unknown stays unknown.
    pub fn negated(self) -> Truth {
        match self {
            Truth::True => Truth::False,
            Truth::False => Truth::True,
            Truth::Unknown => Truth::Unknown,
        }
    }
}

impl From<bool> for Truth {
    fn from(truth: bool) -> Truth {
        if truth { Truth::True } else { Truth::False }
    }
}

impl fmt::Display for Truth {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::True => "true",
            Self::False => "false",
            Self::Unknown => "unknown",
        })
    }
}

/// The slack that `hold` gives to comparisons of `dimension`.
pub(super) fn slack(hold: HeldSince, dimension: Dimension) -> f64 {
    match hold {
        Some((of, slack)) if of.difference() == dimension.difference() => slack,
        Some(_) | None => 0.0,
    }
}

impl Condition {
    /// What the condition says now. With `hold`, comparisons of that quantity stay true until
    /// the value is back by that much; what the condition remembers is not touched by it.
    pub fn evaluate<W: World>(&self, present: &Present<'_, W>, hold: HeldSince) -> Verdict {
        self.judge(present, hold, true)
    }

    /// `upright` is false under an odd number of `not`.
    pub(super) fn judge<W: World>(
        &self,
        present: &Present<'_, W>,
        hold: HeldSince,
        upright: bool,
    ) -> Verdict {
        let join = |parts: &[Condition], start: Truth, joined: fn(Truth, Truth) -> Truth| {
            parts.iter().fold(lasting(start), |so_far, part| {
                let next = part.judge(present, hold, upright);
                let until = sooner(so_far.until, next.until);
                Verdict { truth: joined(so_far.truth, next.truth), until }
            })
        };
        match self {
            Self::All(parts) => join(parts, Truth::True, Truth::and),
            Self::Any(parts) => join(parts, Truth::False, Truth::or),
            Self::Not(inner) => {
                let verdict = inner.judge(present, hold, !upright);
                Verdict { truth: verdict.truth.negated(), ..verdict }
            }
            Self::Says(test, _) => test.judge(present, hold, upright),
        }
    }
}

impl Test {
    fn judge<W: World>(&self, present: &Present<'_, W>, hold: HeldSince, upright: bool) -> Verdict {
        let Present { world, memory, now } = present;
        match self {
            Self::Compare { left, order, right, dimension } => {
                let shift = Bounds::exactly(order.relaxed(slack(hold, *dimension), upright));
                let truth = order.holds(left.bounds(present), right.bounds(present).plus(shift));
                Verdict { truth, until: sooner(left.until(present), right.until(present)) }
            }
            Self::Range { value, low, high, outside, dimension } => {
                let slack = slack(hold, *dimension);
                // Outside is what between is not, so a deadband works the other way round.
                let upright = upright != *outside;
                let end = |order: Comparison, end: &Formula| {
                    let shift = Bounds::exactly(order.relaxed(slack, upright));
                    order.holds(value.bounds(present), end.bounds(present).plus(shift))
                };
                let between = end(Comparison::AtLeast, low).and(end(Comparison::AtMost, high));
                let until = [value, low, high].into_iter().filter_map(|formula| formula.until(present)).min();
                Verdict { truth: if *outside { between.negated() } else { between }, until }
            }
            Self::Is(sensor, word) => match world.value(*sensor) {
                Some(Value::Word(said)) => lasting((said == *word).into()),
                Some(Value::Number(_)) | None => lasting(Truth::Unknown),
            },
            Self::Lapse(Lapse::Silent, sensor, length) => silent(*world, *sensor, *length, *now),
            Self::Lapse(lapse, sensor, length) => match lapsed_since(*world, *lapse, *sensor) {
                Some(then) => since(then, *length, *now),
                None => lasting(Truth::Unknown),
            },
            Self::Commanded(relay, on) => lasting((world.commanded(*relay) == Some(*on)).into()),
            Self::Time(hours) => clock::time(*hours, *now, world.local(*now)),
            Self::Day(days) => clock::day(*days, *now, world.local(*now)),
            Self::HasBeen { slot, what, length } => {
                let verdict = memory.past(*slot).map(|past| past.has_been(*length, *now));
                self.also(verdict, what.evaluate(present, None).until)
            }
            Self::After { slot, what, within } => {
                let verdict = memory.past(*slot).map(|past| past.came_within(*within, *now));
                self.also(verdict, what.evaluate(present, None).until)
            }
            Self::Then { slot, first, second, .. } => {
                let verdict = memory.order(*slot).map(|order| order.verdict());
                let until = |what: &Condition| what.evaluate(present, None).until;
                self.also(verdict, sooner(until(first), until(second)))
            }
            Self::Until(foretold) => foretold.judge(*world, *now),
            Self::Shows(tank, sign, _) => {
                lasting(world.shows(*tank, *sign).map_or(Truth::Unknown, Truth::from))
            }
            Self::Holds { holding, room, .. } => lasting(match world.coldest_room(holding) {
                Ok(coldest) if *room >= coldest.range.high => Truth::True,
                Ok(coldest) if *room < coldest.range.low => Truth::False,
                Ok(_) | Err(_) => Truth::Unknown,
            }),
            Self::Blind(sight) => lasting(world.blind(sight)),
        }
    }

    /// What the memory says, to be asked again when what it remembers may change by time alone.
    fn also(&self, verdict: Option<Verdict>, until: Option<Moment>) -> Verdict {
        let verdict = verdict.unwrap_or(lasting(Truth::Unknown));
        Verdict { until: sooner(verdict.until, until), ..verdict }
    }
}

/// What is counted down from an estimate moves by time alone, and is asked again after this. The
/// water's forecast moves by readings.
const ASKED_AGAIN: Span = Span::minutes(1);

impl Foretold {
    fn judge<W: World>(&self, world: &W, now: Moment) -> Verdict {
        let hours = self.within.as_seconds() / 3_600.0;
        let truth = match world.foretell(&self.asked) {
            Ok(estimate) if self.over => (estimate.range.low > hours).into(),
            // A guess is wide because little is known: it calls somebody only if even its late end
            // says so.
            Ok(estimate) if world.is_guess(&self.asked) => (estimate.range.high < hours).into(),
            Ok(estimate) => (estimate.range.low < hours).into(),
            Err(_) => Truth::Unknown,
        };
        let until = match self.asked.until {
            UntilWhat::Water(..) => None,
            UntilWhat::Oxygen(..) | UntilWhat::Battery(_) => Some(now + ASKED_AGAIN),
        };
        Verdict { truth, until }
    }
}

impl Formula {
    /// What is known of the number, base units.
    pub fn bounds<W: World>(&self, present: &Present<'_, W>) -> Bounds {
        match self {
            Self::Constant(value) => Bounds::exactly(*value),
            Self::Sensor(sensor) => Bounds::maybe(match present.world.value(*sensor) {
                Some(Value::Number(value)) => Some(value),
                Some(Value::Word(_)) | None => None,
            }),
            Self::Sum(left, right) => left.bounds(present).plus(right.bounds(present)),
            Self::Difference(left, right) => left.bounds(present).minus(right.bounds(present)),
            Self::Ratio(left, right) => left.bounds(present).by(right.bounds(present)),
            Self::Scaled(factor, inner) => inner.bounds(present).times(*factor),
            Self::Window(window) => {
                present.memory.window(window.slot).map_or(Bounds::UNKNOWN, |kept| kept.bounds(&window.of))
            }
        }
    }

    /// When a window in it moves on by time alone, or what it looks at does.
    fn until<W: World>(&self, present: &Present<'_, W>) -> Option<Moment> {
        match self {
            Self::Constant(_) | Self::Sensor(_) => None,
            Self::Sum(left, right) | Self::Difference(left, right) | Self::Ratio(left, right) => {
                sooner(left.until(present), right.until(present))
            }
            Self::Scaled(_, inner) => inner.until(present),
            Self::Window(window) => {
                let edge = present.memory.window(window.slot).map(|kept| kept.next_look());
                let of = match &window.of {
                    Operand::Truth(condition) => condition.evaluate(present, None).until,
                    Operand::Value(_) | Operand::Word(_) => None,
                };
                sooner(edge, of)
            }
        }
    }
}

/// Since when the sensor has lapsed in this way, as far as the present reading goes; none if nobody
/// can say.
pub(super) fn lapsed_since<W: World>(world: &W, lapse: Lapse, sensor: SensorId) -> Option<Moment> {
    match lapse {
        Lapse::Silent => Some(world.heard(sensor)),
        Lapse::Frozen => world.unmoved(sensor),
        Lapse::NotGood => Some(world.good(sensor)),
    }
}

/// Silence is known only of a time in which something would have been heard: while the broker is
/// away, and for so long after its return, nobody can say.
fn silent<W: World>(world: &W, sensor: SensorId, length: Span, now: Moment) -> Verdict {
    let verdict = since(world.heard(sensor), length, now);
    match (verdict.truth, world.listening(sensor)) {
        (Truth::True, None) => lasting(Truth::Unknown),
        (Truth::True, Some(listening)) if now - listening < length => {
            Verdict { truth: Truth::Unknown, until: Some(listening + length) }
        }
        (Truth::True | Truth::False | Truth::Unknown, _) => verdict,
    }
}

/// True from `length` after `then` on.
fn since(then: Moment, length: Span, now: Moment) -> Verdict {
    let due = then + length;
    if now >= due { lasting(Truth::True) } else { Verdict { truth: Truth::False, until: Some(due) } }
}

/// A verdict that only a new reading can change.
fn lasting(truth: Truth) -> Verdict {
    Verdict { truth, until: None }
}

fn sooner(a: Option<Moment>, b: Option<Moment>) -> Option<Moment> {
    match (a, b) {
        (Some(a), Some(b)) => Some(a.min(b)),
        (a, b) => a.or(b),
    }
}
