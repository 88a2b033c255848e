//! What flows into the engine: the start, the passing of time, messages, the way to the broker,
//! the fate of its own pages and commands, and what people say.

use super::operator::OperatorCommand;
use crate::ids::{By, SensorId, Seq};
use crate::plan::Part;
use crate::plan::ways::Way;
use crate::reading::{Arrival, Value};
use crate::record::{Outcome, SiteChange};
use crate::time::Span;
use std::borrow::Cow;
use std::sync::Arc;

/// What can happen.
#[derive(Clone, Debug)]
pub enum Input {
    /// The watch begins or goes on after a restart: first of all inputs.
    Started {
        /// Of the program.
        version: String,
        /// How long nobody watched, if that is known.
        gap: Option<Span>,
    },
    /// Time has passed. Any input says so too.
    Tick,
    /// A message from the broker.
    Message {
        /// Its topic.
        topic: String,
        /// Its payload, as it came.
        payload: Vec<u8>,
        /// Live, or old.
        delivery: Arrival,
    },
    /// A value that needs no reading of a payload: from the board itself, or from a story.
    Measured {
        /// The sensor's place in the plan.
        sensor: SensorId,
        /// What it says, in base units.
        value: Value,
        /// Live, or old.
        delivery: Arrival,
    },
    /// What a watched site said of itself with its last check-in, in words for pages.
    Noted {
        /// Its sensor's place in the plan.
        sensor: SensorId,
        /// What it said.
        words: Arc<str>,
        /// What may be the cause if nothing more is heard from it.
        likely: Cow<'static, str>,
    },
    /// Something from outside was not taken. The caller bounds how often.
    TurnedAway {
        /// What.
        what: String,
        /// Why.
        why: String,
        /// From where, as far as is known.
        by: By,
    },
    /// Who may check in here has changed.
    SiteChanged {
        /// The watched site's name.
        site: String,
        /// How.
        change: SiteChange,
        /// By whom.
        by: By,
    },
    /// A source answered for this sensor, but with nothing that can be believed.
    Missed {
        /// The sensor's place in the plan.
        sensor: SensorId,
        /// What it said instead of a value, in words.
        why: String,
    },
    /// The way to the broker changed.
    Link(Link),
    /// How a part of the agent itself is. Said when it is first known, and when it changes.
    Health {
        /// Which.
        part: Part,
        /// How it is.
        health: Health,
    },
    /// An attempt at a page ended. What it says of its channel comes before it, as
    /// [`Input::Health`].
    Delivered {
        /// The page.
        page: Seq,
        /// How.
        outcome: Outcome,
    },
    /// Pages name these ways to answer from now on: the page in the house opens late, or falls
    /// shut. What lasts does not change by it.
    Ways(Vec<Way>),
    /// What took a page has given it back since: it could not bring it on. What it says of its
    /// channel comes before it, as [`Input::Health`].
    Returned {
        /// The page.
        page: Seq,
        /// What it says.
        why: String,
    },
    /// A relay command reached the broker, or could not.
    Commanded {
        /// The switching.
        switching: Seq,
        /// Why not, if not.
        failed: Option<String>,
    },
    /// A person says something.
    Said {
        /// What.
        command: OperatorCommand,
        /// Who.
        by: By,
    },
    /// What somebody said can't be taken for a word: it is kept as refused.
    Unheeded {
        /// What was said.
        what: String,
        /// Why it is not taken.
        why: String,
        /// Who.
        by: By,
    },
    /// So many wrong codes came from this person by this way that more are not looked at. Said once
    /// for each such spell.
    Guessed {
        /// In whose name.
        by: By,
    },
    /// The watch ends in good order.
    Stopping {
        /// The reason.
        why: String,
    },
}

/// How a part of the agent is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Health {
    /// Nobody can tell: what is said of it stands until somebody can.
    Unknown,
    /// It works.
    Well,
    /// It does not.
    Fails {
        /// What was seen.
        why: String,
    },
}

/// The way to the broker.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Link {
    /// Connected, and our own message came back.
    Hears,
    /// Down, or connected but deaf.
    Lost {
        /// What was seen.
        why: String,
    },
}
