//! Rehearsals: a story told in lines of text, played through the real engine in virtual time
//! against a keeper's own plan, and what was expected of it compared with what came.
//!
//! ```text
//! # A power cut in the night, answered late.
//! start 2026-03-03 01:00
//!
//! at 5 min: mains is off
//! at 5 min: lagoon-return goes to 0 L/h over 20 s
//! at 30 min: ines answers
//! at 2 h: mains is on
//! end at 4 h
//!
//! from 5 min to 6 min: expect ines.push is paged about power-lost
//! from 31 min to 80 min: expect nobody is paged
//! at 7 min: expect return-stopped is unacknowledged
//! ```
//!
//! What a story does not mention is calm: every sensor reports, at its own pace, a value at
//! which nothing rings. A fortnight takes less than a second.

mod baseline;
mod parse;
mod play;
mod probe;

pub use play::{Miss, Played};
pub(crate) use probe::reach;
pub use probe::{Probe, probe};

use crate::engine::OperatorCommand;
use crate::plan::At;
use crate::plan::{RelayId, SensorId, Target};
use crate::reading::Value;
use crate::sim::ChannelRule;
use crate::time::Span;
use jiff::civil::DateTime;

/// A story that fits a plan: every name in it is known, every value has the right unit.
#[derive(Clone, Debug, PartialEq)]
pub struct Story {
    /// The first comment.
    pub title: String,
    /// Local time at which it begins.
    pub start: DateTime,
    /// How long it goes on.
    pub length: Span,
    /// What happens, in the order of time.
    pub deeds: Vec<(Span, Deed)>,
    /// What is expected.
    pub expectations: Vec<At<Expectation>>,
}

/// Something that happens.
#[derive(Clone, Debug, PartialEq)]
pub enum Deed {
    /// A sensor reports this from now on: in a step, or over a time, with noise of this size.
    Reports {
        /// The sensor.
        sensor: SensorId,
        /// What it comes to.
        value: Value,
        /// How long that takes.
        over: Span,
        /// Largest deviation, base units.
        noise: f64,
    },
    /// A sensor reports nothing from now on.
    Silent(SensorId),
    /// A sensor goes on reporting exactly what it says now.
    Frozen(SensorId),
    /// The broker can't be heard, or can again.
    Broker(bool),
    /// A channel does this with pages.
    Channel(Target, ChannelRule),
    /// A relay does what it is told, or doesn't.
    Obeys(RelayId, bool),
    /// A contact answers the latest page.
    Answers(String),
    /// A contact answers for this alarm, by its own code.
    AnswersFor(String, String),
    /// A contact says something else.
    Says(String, OperatorCommand),
    /// The board is away for so long; it may not know for how long.
    Restart {
        /// How long.
        away: Span,
        /// Whether the watch knows it afterwards.
        known: bool,
    },
}

/// Something that is expected.
#[derive(Clone, Debug, PartialEq)]
pub enum Expectation {
    /// Someone is paged in a stretch of time.
    Paged {
        /// The stretch.
        from: Span,
        /// Its end, included.
        to: Span,
        /// Who.
        target: Target,
        /// The leading alarm.
        about: Option<String>,
        /// Words in the page.
        saying: Option<String>,
        /// An all-clear, and not a call.
        all_clear: bool,
    },
    /// Someone, or nobody at all, is paged in a stretch of time.
    NotPaged {
        /// The stretch.
        from: Span,
        /// Its end, included.
        to: Span,
        /// Who; anybody if none.
        target: Option<Target>,
    },
    /// So many pages, to someone or in all, in a stretch of time.
    Count {
        /// The stretch.
        from: Span,
        /// Its end, included.
        to: Span,
        /// Who; all together if none.
        target: Option<Target>,
        /// How many.
        count: usize,
    },
    /// No page says these words in a stretch of time.
    NotSaid {
        /// The stretch.
        from: Span,
        /// Its end, included.
        to: Span,
        /// The words.
        words: String,
    },
    /// An alarm is in this state at this time, in the words of `status`.
    State {
        /// When.
        at: Span,
        /// The alarm.
        alarm: String,
        /// The state.
        state: String,
    },
}
