//! The engine: one value that owns all state, and one function that changes it. An [`Input`]
//! comes in with the time, a [`Turn`] goes out: records to be kept, effects to be run once the
//! records are safe, samples for the history. `step` cannot fail, since bad data are inputs
//! like any other, and an early wake-up changes nothing.

use crate::page::Page;
use crate::plan::Target;
use crate::quality::Quality;
use crate::reading::Value;
use crate::record::{By, Outcome, Record, Seq};
use crate::time::{Moment, Span};

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
        delivery: Delivery,
    },
    /// The way to the broker changed.
    Link(Link),
    /// An attempt at a page ended.
    Delivered {
        /// The page.
        page: Seq,
        /// How.
        outcome: Outcome,
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
        word: Word,
        /// Who.
        by: By,
    },
    /// The watch ends in good order.
    Stopping {
        /// The reason.
        why: String,
    },
}

/// How fresh a message is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Delivery {
    /// Sent just now.
    Live,
    /// Kept by the broker as the topic's last value: true once.
    Retained,
    /// Queued for us while we were away.
    Backlog,
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

/// What a person can say. Answers acknowledge; they never switch anything.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Word {
    /// Answers the call-out that this episode code belongs to.
    Acknowledge {
        /// The code on the page.
        code: String,
    },
    /// Resets a latched alarm.
    Reset {
        /// Its name.
        alarm: String,
    },
    /// Puts an alarm aside for a time.
    Shelve {
        /// Its name.
        alarm: String,
        /// At most a day.
        length: Span,
        /// The reason.
        why: String,
    },
    /// Takes it off the shelf.
    Unshelve {
        /// Its name.
        alarm: String,
    },
    /// Takes an alarm out of service.
    TakeOut {
        /// Its name.
        alarm: String,
        /// The reason.
        why: String,
    },
    /// Puts it back.
    PutBack {
        /// Its name.
        alarm: String,
    },
    /// Begins work on a tank.
    BeginWork {
        /// The tank.
        tank: String,
        /// The kind of work.
        work: String,
        /// The kind's longest if none.
        length: Option<Span>,
    },
    /// Ends it.
    EndWork {
        /// The tank.
        tank: String,
    },
    /// Tests a call-out from end to end.
    Drill {
        /// The policy's name.
        callout: String,
    },
}

/// What came of an input.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Turn {
    /// To be kept before any effect is run; in order.
    pub records: Vec<Record>,
    /// To be run once the records are safe.
    pub effects: Vec<Effect>,
    /// For the history: may be batched and thinned.
    pub samples: Vec<Sample>,
}

/// What the agent is to do. A new kind must break the build where it has to be handled.
#[derive(Clone, Debug, PartialEq)]
pub enum Effect {
    /// Send a page; report with [`Input::Delivered`].
    Send {
        /// To whom and how.
        target: Target,
        /// What.
        page: Box<Page>,
    },
    /// Give up on a page that is still being tried.
    Withdraw {
        /// The page.
        page: Seq,
    },
    /// Publish a relay command, never retained; report with [`Input::Commanded`].
    Command {
        /// The switching.
        switching: Seq,
        /// Where to.
        topic: String,
        /// What.
        payload: String,
    },
}

/// A reading for the history.
#[derive(Clone, Debug, PartialEq)]
pub struct Sample {
    /// The sensor's name.
    pub sensor: String,
    /// When it was measured.
    pub at: Moment,
    /// What it said, if it could be read: base units.
    pub value: Option<Value>,
    /// Whether it was believed.
    pub quality: Quality,
}
