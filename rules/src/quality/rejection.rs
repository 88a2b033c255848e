//! What speaks against a reading, exactly, and in words for people.

use super::Quality;
use crate::reading::BadReading;
use crate::time::Span;
use crate::units::Scale;

/// What exactly speaks against a reading. Numbers are in base units.
#[derive(Clone, Debug, PartialEq)]
pub enum Rejection {
    /// What a probe says when it has nothing to say.
    Sentinel {
        /// The value.
        value: f64,
    },
    /// Outside the plausible range.
    Implausible {
        /// The value.
        value: f64,
        /// Lowest believable.
        low: f64,
        /// Highest believable.
        high: f64,
    },
    /// Further from what was measured before than the water can have come since.
    TooFast {
        /// The value.
        value: f64,
        /// The last good value.
        before: f64,
        /// Time between the two.
        within: Span,
        /// The fastest believable change, per second.
        limit: f64,
    },
    /// What was said before, if it is read in another unit than the declared one.
    OtherUnit {
        /// The value, read in the declared unit.
        value: f64,
        /// The last good value.
        before: f64,
        /// The other unit: `degF`.
        unit: &'static str,
    },
    /// Exactly unmoved.
    Frozen {
        /// The value; none if it is a word.
        value: Option<f64>,
        /// For how long.
        unmoved: Span,
        /// So long a row of equal readings is believed.
        limit: Span,
    },
    /// Not understood.
    Unreadable(BadReading),
    /// Kept by the broker.
    Retained,
    /// Queued while we were away.
    Backlog,
    /// By its own time too old when it came.
    TooOld {
        /// How old.
        age: Span,
        /// Older than this is stale.
        limit: Span,
    },
    /// Measured before the reading that is in force.
    Overtaken {
        /// By how much.
        by: Span,
    },
}

impl Rejection {
    /// The quality of a reading that this speaks against.
    pub fn quality(&self) -> Quality {
        match self {
            Self::Sentinel { .. }
            | Self::Implausible { .. }
            | Self::TooFast { .. }
            | Self::OtherUnit { .. }
            | Self::Frozen { .. }
            | Self::Unreadable(_) => Quality::Suspect,
            Self::Retained | Self::Backlog | Self::TooOld { .. } | Self::Overtaken { .. } => Quality::Old,
        }
    }

    /// In words, with numbers on the sensor's own scale.
    pub fn words(&self, scale: &Scale) -> String {
        match self {
            Self::Sentinel { value } => {
                format!("{} is what the probe says when it has nothing to say", scale.show(*value))
            }
            Self::Implausible { value, low, high } => format!(
                "{} is outside the plausible {} to {}",
                scale.show(*value),
                scale.show(*low),
                scale.show(*high)
            ),
            Self::TooFast { value, before, within, limit } => format!(
                "from {} to {} within {within}: faster than {}/min",
                scale.show(*before),
                scale.show(*value),
                scale.show_difference(limit * 60.0)
            ),
            Self::OtherUnit { value, before, unit } => format!(
                "from {} to {}: as if it were set to {unit} now",
                scale.show(*before),
                scale.show(*value)
            ),
            // Not "frozen": beside water that is ice.
            Self::Frozen { value, unmoved, limit } => {
                let said = value.map_or_else(|| "one word".to_owned(), |value| scale.show(value));
                // Since when it is not believed stands beside it, and is another time.
                format!("at exactly {said} for {unmoved}, and after {limit} that counts as stuck")
            }
            Self::Unreadable(bad) => bad.to_string(),
            Self::Retained => "kept by the broker: true once".to_owned(),
            Self::Backlog => "queued while nobody listened: true once".to_owned(),
            Self::TooOld { age, limit } => format!("measured {age} ago, longer than {limit}"),
            Self::Overtaken { by } => format!("measured {by} before the reading in force"),
        }
    }
}
