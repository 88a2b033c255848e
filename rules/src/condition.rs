//! Conditions: expressions over readings that are true, false or unknown. Text comes in, is
//! parsed with its place kept, checked against the sensors it names (units like types), and
//! becomes a [`Condition`]; the engine asks it for a [`Verdict`] when a reading arrives or
//! time passes. Unknown is not false: it neither raises nor clears (Kleene's strong logic).
//!
//! A condition itself never changes. What it needs of the past is kept beside it in a
//! [`Memory`], which the engine feeds each time it asks.
//!
#![doc = include_str!("../../deploy/manual/conditions.md")]

mod arithmetic;
mod ast;
mod because;
mod bounds;
mod check;
mod clock;
mod crossing;
mod direction;
mod evaluate;
mod explain;
mod foretold;
mod grammar;
mod lexer;
mod memory;
mod moved;
mod names;
mod parser;
pub mod query;
mod relate;
mod rests_on;
mod scale;
mod scope;
mod term;
mod window;

pub use ast::Written;
pub use bounds::Bounds;
pub use clock::Days;
pub use evaluate::{HeldSince, Present};
pub use explain::Reason;
pub use foretold::{Supposed, WrittenSubject};
pub use grammar::{DEEPEST, LONGEST};
pub(crate) use lexer::{is_name, is_word};
pub use memory::Memory;
pub(crate) use memory::told_for;
pub(crate) use names::in_words;
pub use scope::Scope;
pub use window::{LONGEST_LAG, MISSING};

use crate::forecast::{CannotSay, Estimate};
use crate::ids::{RelayId, SensorId, TankId};
use crate::reading::Value;
use crate::site::{Hours, Part, Sight};
use crate::time::{Moment, Span};
use crate::units::Dimension;
use jiff::ZonedDateTime;
use query::{Holding, Question, Symptom};
use std::fmt;

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

/// A checked condition: names are indices, numbers are in base units, dimensions agree. Two are
/// equal if they say the same, however they were written.
#[derive(Clone, Debug)]
pub enum Condition {
    /// All hold.
    All(Vec<Condition>),
    /// At least one holds.
    Any(Vec<Condition>),
    /// It does not hold.
    Not(Box<Condition>),
    /// A single statement, and how the keeper wrote it.
    Says(Test, Box<str>),
}

impl fmt::Display for Condition {
    /// As it was written, but for parentheses.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let join = |f: &mut fmt::Formatter<'_>, parts: &[Condition], joint: &str| {
            for (at, part) in parts.iter().enumerate() {
                let joint = if at > 0 { joint } else { "" };
                write!(f, "{joint}({part})")?;
            }
            Ok(())
        };
        match self {
            Self::All(parts) => join(f, parts, " and "),
            Self::Any(parts) => join(f, parts, " or "),
            Self::Not(inner) => write!(f, "not ({inner})"),
            Self::Says(_, text) => f.write_str(text),
        }
    }
}

impl PartialEq for Condition {
    fn eq(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::All(parts), Self::All(others)) | (Self::Any(parts), Self::Any(others)) => parts == others,
            (Self::Not(inner), Self::Not(other)) => inner == other,
            (Self::Says(test, _), Self::Says(other, _)) => test == other,
            (Self::All(_) | Self::Any(_) | Self::Not(_) | Self::Says(..), _) => false,
        }
    }
}

/// A single statement about the present or the past.
#[derive(Clone, Debug, PartialEq)]
pub enum Test {
    /// One formula against another of the same dimension.
    Compare {
        /// Left of the sign.
        left: Formula,
        /// The sign.
        order: Comparison,
        /// Right of the sign.
        right: Formula,
        /// Of both sides, which are differences if either is.
        dimension: Dimension,
    },
    /// A formula within two others of the same dimension, ends included, or outside them.
    Range {
        /// What is compared.
        value: Formula,
        /// The lower end.
        low: Formula,
        /// The upper end.
        high: Formula,
        /// Whether it must lie outside.
        outside: bool,
        /// Of all three.
        dimension: Dimension,
    },
    /// The sensor says this word (its place in the mapping).
    Is(SensorId, u16),
    /// The sensor has said nothing of use, in this way, for this long.
    Lapse(Lapse, SensorId, Span),
    /// The watch itself has switched the relay, on or off, and holds it there.
    Commanded(RelayId, bool),
    /// The local time of day lies in this stretch.
    Time(Hours),
    /// The local day is one of these.
    Day(Days),
    /// It has been true for this long without a break.
    HasBeen {
        /// Its place in the memory.
        slot: usize,
        /// What.
        what: Box<Condition>,
        /// For how long.
        length: Span,
    },
    /// It came true no longer ago than this.
    After {
        /// Its place in the memory.
        slot: usize,
        /// What.
        what: Box<Condition>,
        /// How long that counts.
        within: Span,
    },
    /// The second is true, and came true no later than this after the first did.
    Then {
        /// Its place in the memory.
        slot: usize,
        /// What comes first.
        first: Box<Condition>,
        /// What follows.
        second: Box<Condition>,
        /// How soon.
        within: Span,
    },
    /// Something is soon to come.
    Until(Box<Foretold>),
    /// The tank's readings show this; with the sensors that it rests on.
    Shows(TankId, Symptom, Vec<SensorId>),
    /// The tank's heaters can hold a temperature.
    Holds {
        /// What, and on which heater.
        holding: Holding,
        /// In a room of this, degC.
        room: f64,
        /// The sensors that it rests on.
        rests_on: Vec<SensorId>,
    },
    /// Sight of this is lost. Not written by keepers: the plan adds such alarms.
    Blind(Sight),
}

/// A forecast against a duration. The early end of its range counts, on either side: what may come
/// within 6 h is `under 6 h`, and only what can't is `over` it.
#[derive(Clone, Debug, PartialEq)]
pub struct Foretold {
    /// Until when, supposing what.
    pub asked: Question,
    /// Later than this, instead of sooner.
    pub over: bool,
    /// How soon.
    pub within: Span,
    /// The sensors that it can't do without.
    pub rests_on: Vec<SensorId>,
}

/// A number worked out from readings.
#[derive(Clone, Debug, PartialEq)]
pub enum Formula {
    /// Given in the rule file, base units.
    Constant(f64),
    /// A sensor's reading.
    Sensor(SensorId),
    /// Both together.
    Sum(Box<Formula>, Box<Formula>),
    /// The first less the second.
    Difference(Box<Formula>, Box<Formula>),
    /// The first by the second.
    Ratio(Box<Formula>, Box<Formula>),
    /// So many times this.
    Scaled(f64, Box<Formula>),
    /// What a stretch of the past comes to.
    Window(Box<Window>),
}

/// A stretch of the past, and what is made of it. Equal if it says the same.
#[derive(Clone, Debug)]
pub struct Window {
    /// Its place in the memory.
    pub slot: usize,
    /// How the keeper wrote it.
    pub text: Box<str>,
    /// Of what.
    pub of: Operand,
    /// What is made of it.
    pub what: Aggregate,
    /// Of what comes out.
    pub dimension: Dimension,
    /// How long it is.
    pub over: Span,
    /// How long ago it ends.
    pub lag: Span,
}

impl PartialEq for Window {
    fn eq(&self, other: &Self) -> bool {
        let made = |window: &Self| (window.what, window.over, window.lag);
        made(self) == made(other) && self.of == other.of
    }
}

/// What a window looks at.
#[derive(Clone, Debug, PartialEq)]
pub enum Operand {
    /// A number.
    Value(Formula),
    /// A condition: 1 while true, 0 while false.
    Truth(Condition),
    /// A sensor's word, by its place in the mapping.
    Word(SensorId),
}

/// What is made of a window.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Aggregate {
    /// The mean over time.
    Mean,
    /// The middle of the means of the window's parts.
    Median,
    /// The lowest value in force at any time.
    Lowest,
    /// The highest.
    Highest,
    /// The highest less the lowest.
    Swing,
    /// Of the straight line through the means of the window's parts.
    Slope,
    /// The integral over time; of a condition, for how long it was true.
    Total,
    /// The share of the time for which a condition was true.
    Duty,
    /// How often it became something else.
    Changes,
    /// How many times on end a condition was true.
    Spells,
    /// The longest of these.
    Longest,
}

/// How two numbers compare.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Comparison {
    /// `<`
    Less,
    /// `<=`
    AtMost,
    /// `>`
    Greater,
    /// `>=`
    AtLeast,
}

/// A way in which a sensor says nothing of use.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lapse {
    /// Nothing at all is heard. A reading that can't be believed is heard all the same.
    Silent,
    /// It reports, and its value is exactly the same. Unknown while it is silent.
    Frozen,
    /// No reading could be believed, for whatever reason: silent, frozen, implausible, unreadable.
    NotGood,
}

impl fmt::Display for Lapse {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Silent => "silent",
            Self::Frozen => "frozen",
            Self::NotGood => "not good",
        })
    }
}

/// What a condition may ask of the world. The engine answers from its sensors.
pub trait World {
    /// The value in force: the last good reading, while it is fresh.
    fn value(&self, sensor: SensorId) -> Option<Value>;
    /// When anything live was last heard from the sensor; the start of the watch if never.
    fn heard(&self, sensor: SensorId) -> Moment;
    /// Since when anything that the sensor says has been heard without a break; none if it can't be
    /// heard now, because the broker is away.
    fn listening(&self, _sensor: SensorId) -> Option<Moment> {
        Some(Moment(i64::MIN))
    }
    /// When the sensor last said something that was believed; the start of the watch if never.
    fn good(&self, sensor: SensorId) -> Moment;
    /// Whether sight of this is lost, and nothing larger explains it.
    fn blind(&self, sight: &Sight) -> Truth;
    /// Since when the sensor, which still reports, has said exactly the same.
    fn unmoved(&self, _sensor: SensorId) -> Option<Moment> {
        None
    }
    /// What the watch has switched the relay to, while it holds it.
    fn commanded(&self, _relay: RelayId) -> Option<bool> {
        None
    }
    /// The local date and time at a moment, if the clock has been right since the start.
    fn local(&self, _at: Moment) -> Option<ZonedDateTime> {
        None
    }
    /// Whether the answer rests on what such tanks are like, and not on this one, whose model has
    /// not learned it.
    fn is_guess(&self, _asked: &Question) -> bool {
        false
    }

    /// How long until what is asked, h; why nobody can say, if so.
    fn foretell(&self, _asked: &Question) -> Result<Estimate, CannotSay> {
        Err(CannotSay::Missing("model of the tank"))
    }
    /// Whether a tank's readings show this.
    fn shows(&self, _tank: TankId, _sign: Symptom) -> Result<bool, CannotSay> {
        Err(CannotSay::Missing("model of the tank"))
    }
    /// How long ago the tank's water did what nothing of its own makes it do, and nobody had
    /// declared work on it.
    fn undeclared(&self, _tank: TankId) -> Option<Span> {
        None
    }
    /// The coldest room, degC, in which a temperature can be held.
    fn coldest_room(&self, _holding: &Holding) -> Result<Estimate, CannotSay> {
        Err(CannotSay::Missing("model of the tank"))
    }
    /// Why there is no value in force, if the world can say: `stale for 5 min`.
    fn doubt(&self, _sensor: SensorId) -> Option<String> {
        None
    }
    /// Why sight of this is lost, if the world can say.
    fn loss(&self, _sight: &Sight) -> Option<String> {
        None
    }
    /// What is wrong with a part of the agent, if anything is known to be.
    fn trouble(&self, _part: &Part) -> Option<String> {
        None
    }
}
