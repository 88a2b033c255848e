//! What it means that a value has crossed a limit: that something is wrong, that all is as it
//! should be, or neither. The tree of a condition flows in, and the words that stand beside a
//! reading flow out, so that a limit is said as what should be only where that is true.

use super::{Condition, Test};
use crate::ids::SensorId;
use crate::site::Site;
use std::cmp::Ordering;

impl Condition {
    /// Whether a part of what has to be true together is no fault by itself: a heater may draw what
    /// it likes unless the water stands, and of two limits neither alone is one.
    pub(super) fn is_circumstance(&self, part: &Condition, site: &dyn Site) -> bool {
        let drawn = |condition: &Condition| {
            let draws = |id: &SensorId| DRAWN.contains(&site.sensor(*id).measure.name);
            condition.sensors().iter().all(draws)
        };
        let limits = self.limits();
        let others = limits.iter().filter(|limit| !drawn(limit)).count();
        limits.len() > 1 && (others != 1 || drawn(part))
    }

    /// Every comparison in it.
    fn limits(&self) -> Vec<&Condition> {
        match self {
            Self::All(parts) | Self::Any(parts) => parts.iter().flat_map(Condition::limits).collect(),
            Self::Not(inner) => inner.limits(),
            Self::Says(Test::Compare { .. } | Test::Range { .. }, _) => vec![self],
            Self::Says(..) => Vec::new(),
        }
    }
}

/// What a device draws: that it is on or off, more often than a fault.
pub(super) const DRAWN: [&str; 2] = ["power", "current"];

/// What it means that a part of a condition is true.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Crossing {
    /// Something is wrong, so the opposite is what should be.
    Fault,
    /// All is as it should be: the condition denies it.
    Sound,
    /// Neither by itself.
    Circumstance,
    /// Only what is read counts.
    Unsaid,
}

impl Crossing {
    pub(super) fn denied(self) -> Self {
        match self {
            Self::Fault => Self::Sound,
            Self::Sound => Self::Fault,
            Self::Circumstance | Self::Unsaid => self,
        }
    }

    /// `, should be at least 24 °C`, by what it `should` do; and where that would say too much, how
    /// the value lies to it.
    pub(super) fn beside(self, should: &str, limit: &str, below: bool, value: Option<Ordering>) -> String {
        let how = match (self, value) {
            (Self::Fault, _) if below => format!("should {should} at least"),
            (Self::Sound, _) if !below => format!("should {should} at least"),
            (Self::Fault | Self::Sound, _) => format!("should {should} at most"),
            (Self::Circumstance, Some(Ordering::Less)) => "less than".to_owned(),
            (Self::Circumstance, Some(Ordering::Greater)) => "more than".to_owned(),
            (Self::Circumstance, Some(Ordering::Equal)) => "just".to_owned(),
            (Self::Circumstance, None) | (Self::Unsaid, _) => return String::new(),
        };
        format!(", {how} {limit}")
    }
}
