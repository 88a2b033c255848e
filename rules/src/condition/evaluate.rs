//! What a condition says of the world at a moment: true, false or unknown, and when time alone
//! may change that. Runs for every reading, so it allocates nothing.

use super::{Condition, Formula, Order, Truth, Verdict, World};
use crate::plan::SensorId;
use crate::reading::Value;
use crate::time::Moment;
use crate::units::Dimension;
use std::collections::BTreeSet;
use std::fmt;

/// While an alarm stands: how far back inside its limits a value must come, and for which
/// quantity.
pub type Hold = Option<(Dimension, f64)>;

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

impl Order {
    pub(super) fn holds(self, left: f64, right: f64) -> bool {
        match self {
            Self::Less => left < right,
            Self::AtMost => left <= right,
            Self::Greater => left > right,
            Self::AtLeast => left >= right,
        }
    }

    /// How far the right side moves so that what is true stays true for `slack` longer, or,
    /// under a `not`, what is false stays false.
    pub(super) fn relaxed(self, slack: f64, upright: bool) -> f64 {
        match (self, upright) {
            (Self::Less | Self::AtMost, true) | (Self::Greater | Self::AtLeast, false) => slack,
            (Self::Less | Self::AtMost, false) | (Self::Greater | Self::AtLeast, true) => -slack,
        }
    }
}

/// The slack that `hold` gives to comparisons of `dimension`.
pub(super) fn slack(hold: Hold, dimension: Dimension) -> f64 {
    match hold {
        Some((of, slack)) if of.difference() == dimension.difference() => slack,
        Some(_) | None => 0.0,
    }
}

impl Condition {
    /// What the condition says now. With `hold`, comparisons of that quantity stay true until
    /// the value is back by that much.
    pub fn evaluate(&self, world: &impl World, now: Moment, hold: Hold) -> Verdict {
        self.judge(world, now, hold, true)
    }

    /// `upright` is false under an odd number of `not`.
    pub(super) fn judge(&self, world: &impl World, now: Moment, hold: Hold, upright: bool) -> Verdict {
        let join = |parts: &[Condition], start: Truth, joined: fn(Truth, Truth) -> Truth| {
            parts.iter().fold(lasting(start), |so_far, part| {
                let next = part.judge(world, now, hold, upright);
                let until = match (so_far.until, next.until) {
                    (Some(a), Some(b)) => Some(a.min(b)),
                    (a, b) => a.or(b),
                };
                Verdict { truth: joined(so_far.truth, next.truth), until }
            })
        };
        match self {
            Self::All(parts) => join(parts, Truth::True, Truth::and),
            Self::Any(parts) => join(parts, Truth::False, Truth::or),
            Self::Not(inner) => {
                let verdict = inner.judge(world, now, hold, !upright);
                Verdict { truth: verdict.truth.negated(), ..verdict }
            }
            Self::Compare { left, order, right, dimension } => {
                let (Some(left), Some(right)) = (left.value(world), right.value(world)) else {
                    return lasting(Truth::Unknown);
                };
                let right = right + order.relaxed(slack(hold, *dimension), upright);
                lasting(order.holds(left, right).into())
            }
            Self::Is(sensor, word) => match world.value(*sensor) {
                Some(Value::Word(said)) => lasting((said == *word).into()),
                Some(Value::Number(_)) | None => lasting(Truth::Unknown),
            },
            Self::Silent(sensor, length) => {
                let due = world.heard(*sensor) + *length;
                if now >= due {
                    lasting(Truth::True)
                } else {
                    Verdict { truth: Truth::False, until: Some(due) }
                }
            }
            Self::Blind(sight) => lasting(world.blind(sight)),
        }
    }

    /// Every sensor whose readings the condition needs.
    pub fn sensors(&self) -> BTreeSet<SensorId> {
        let mut found = BTreeSet::new();
        self.visit(&mut |part| match part {
            Self::Compare { left, right, .. } => {
                left.sensors(&mut found);
                right.sensors(&mut found);
            }
            Self::Is(sensor, _) | Self::Silent(sensor, _) => {
                found.insert(*sensor);
            }
            Self::All(_) | Self::Any(_) | Self::Not(_) | Self::Blind(_) => {}
        });
        found
    }

    /// Whether a deadband of this quantity would change anything.
    pub fn compares(&self, dimension: Dimension) -> bool {
        let mut found = false;
        self.visit(&mut |part| {
            if let Self::Compare { dimension: of, .. } = part {
                found |= of.difference() == dimension.difference();
            }
        });
        found
    }

    fn visit(&self, each: &mut impl FnMut(&Condition)) {
        each(self);
        match self {
            Self::All(parts) | Self::Any(parts) => parts.iter().for_each(|part| part.visit(each)),
            Self::Not(inner) => inner.visit(each),
            Self::Compare { .. } | Self::Is(..) | Self::Silent(..) | Self::Blind(_) => {}
        }
    }
}

impl Formula {
    /// Base units; nothing if a reading is missing.
    pub fn value(&self, world: &impl World) -> Option<f64> {
        match self {
            Self::Constant(value) => Some(*value),
            Self::Sensor(sensor) => match world.value(*sensor)? {
                Value::Number(value) => Some(value),
                Value::Word(_) => None,
            },
            Self::Difference(left, right) => Some(left.value(world)? - right.value(world)?),
        }
    }

    /// Adds every sensor in it.
    pub(super) fn sensors(&self, found: &mut BTreeSet<SensorId>) {
        match self {
            Self::Constant(_) => {}
            Self::Sensor(sensor) => {
                found.insert(*sensor);
            }
            Self::Difference(left, right) => {
                left.sensors(found);
                right.sensors(found);
            }
        }
    }
}

/// A verdict that only a new reading can change.
fn lasting(truth: Truth) -> Verdict {
    Verdict { truth, until: None }
}
