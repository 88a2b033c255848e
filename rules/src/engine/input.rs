//! What flows into the engine: the start, the passing of time, messages, the way to the broker,
//! the fate of its own pages and commands, and what people say.

use crate::plan::SensorId;
use crate::reading::Value;
use crate::record::{By, Measured, Outcome, Seq, Verdict};
use crate::time::Span;

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
    /// A value that needs no reading of a payload: from the board itself, or from a story.
    Measured {
        /// The sensor's place in the plan.
        sensor: SensorId,
        /// What it says, in base units.
        value: Value,
        /// Live, or old.
        delivery: Delivery,
    },
    /// What a watched site said of itself with its last check-in, in words for pages.
    Noted {
        /// Its sensor's place in the plan.
        sensor: SensorId,
        /// What it said.
        words: String,
        /// What may be the cause if nothing more is heard from it.
        likely: String,
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
    /// A source answered for this sensor, but with nothing that can be believed.
    Missed {
        /// The sensor's place in the plan.
        sensor: SensorId,
        /// What it said instead of a value, in words.
        why: String,
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
    /// What somebody said can't be taken for a word: it is kept as refused.
    Unheeded {
        /// What was said.
        what: String,
        /// Why it is not taken.
        why: String,
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
    /// Says of an episode, over or not, whether it was right to ring.
    Mark {
        /// The episode.
        episode: Seq,
        /// What was found.
        verdict: Verdict,
        /// Why; may be empty.
        note: String,
    },
    /// Says beforehand that this site will be silent, so that its witness waits.
    PlanSilence {
        /// At most a day.
        length: Span,
        /// The reason.
        why: String,
    },
    /// Takes it back.
    EndSilence,
    /// Tests a call-out from end to end.
    Drill {
        /// The policy's name.
        callout: String,
    },
    /// Sends a test page to everyone, by every channel.
    TestPages,
    /// Says how an outage drill went.
    OutageDrilled {
        /// The alarm that it was about.
        alarm: String,
        /// What was waited for.
        steps: Vec<Measured>,
    },
}
