//! Conditions: expressions over readings that are true, false or unknown. Text comes in, is
//! parsed with its place kept, checked against the sensors it names (units like types), and
//! becomes a [`Condition`]; the engine asks it for a [`Verdict`] when a reading arrives or
//! time passes. Unknown is not false: it neither raises nor clears (Kleene's strong logic).

mod check;
mod evaluate;
mod explain;
mod parse;
mod term;
mod token;

pub use check::Scope;
pub use evaluate::Hold;
pub use explain::Reason;
pub use parse::{DEEPEST, LONGEST, Written};
pub(crate) use token::is_name;

use crate::plan::{SensorId, Sight};
use crate::reading::Value;
use crate::time::{Moment, Span};
use crate::units::Dimension;

/// Kleene's three values.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Truth {
    /// Known to hold.
    True,
    /// Known not to hold.
    False,
    /// Some reading it needs can't be believed or is missing.
    Unknown,
}

/// What a condition says at a moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Verdict {
    /// True, false or unknown.
    pub truth: Truth,
    /// When time alone may change the truth, without any new reading.
    pub until: Option<Moment>,
}

/// A checked condition: names are indices, numbers are in base units, dimensions agree.
#[derive(Clone, Debug, PartialEq)]
pub enum Condition {
    /// All hold.
    All(Vec<Condition>),
    /// At least one holds.
    Any(Vec<Condition>),
    /// It does not hold.
    Not(Box<Condition>),
    /// One formula against another of the same dimension.
    Compare {
        /// Left of the sign.
        left: Formula,
        /// The sign.
        order: Order,
        /// Right of the sign.
        right: Formula,
        /// Of both sides, which are differences if either is.
        dimension: Dimension,
    },
    /// The sensor says this word (its place in the mapping).
    Is(SensorId, u16),
    /// Nothing at all has been heard from the sensor for this long.
    Silent(SensorId, Span),
    /// Sight of this is lost. Not written by keepers: the plan adds such alarms.
    Blind(Sight),
}

/// A number worked out from readings.
#[derive(Clone, Debug, PartialEq)]
pub enum Formula {
    /// Given in the rule file, base units.
    Constant(f64),
    /// A sensor's reading.
    Sensor(SensorId),
    /// The first less the second.
    Difference(Box<Formula>, Box<Formula>),
}

/// How two numbers compare.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Order {
    /// `<`
    Less,
    /// `<=`
    AtMost,
    /// `>`
    Greater,
    /// `>=`
    AtLeast,
}

/// What a condition may ask of the world. The engine answers from its sensors.
pub trait World {
    /// The value in force: the last good reading, while it is fresh.
    fn value(&self, sensor: SensorId) -> Option<Value>;
    /// When anything live was last heard from the sensor; the start of the watch if never.
    fn heard(&self, sensor: SensorId) -> Moment;
    /// Whether sight of this is lost, and nothing larger explains it.
    fn blind(&self, sight: &Sight) -> Truth;
    /// Why there is no value in force, if the world can say: `stale for 5 min`.
    fn doubt(&self, _sensor: SensorId) -> Option<String> {
        None
    }
}
