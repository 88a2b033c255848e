//! The alarm lifecycle of ANSI/ISA-18.2 and IEC 62682: which state an alarm is in, and which
//! state each event moves it to. The whole of it is one total table, [`State::after`]; nothing
//! else in the crate decides a move. Delays, deadbands and the truth of the condition stand
//! outside: by the time an event reaches the table, it has happened.

#[cfg(test)]
mod tests;

use crate::ids::{By, Seq};
use crate::time::{Moment, Span};
use serde::{Deserialize, Serialize};
use std::fmt;

/// Raised this often within [`CHATTER_WINDOW`] is chattering. The standard counts three in a
/// minute for an operator at a desk; a keeper's alarms have delays of minutes.
pub const CHATTER_RAISES: usize = 3;
/// See [`CHATTER_RAISES`]; also how long a chattering alarm must be quiet before it returns.
pub const CHATTER_WINDOW: Span = Span::minutes(30);

/// How much an alarm matters, by what follows if nobody acts and how soon.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Priority {
    /// Tomorrow will do.
    Low,
    /// Today.
    Medium,
    /// Within the hour.
    High,
    /// At once: animals die otherwise.
    Critical,
}

impl fmt::Display for Priority {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Low => "low",
            Self::Medium => "medium",
            Self::High => "high",
            Self::Critical => "critical",
        })
    }
}

/// The states of the standard.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum State {
    /// Nothing to report.
    #[default]
    Normal,
    /// Raised; nobody has answered.
    Unacknowledged,
    /// Raised; a person has answered.
    Acknowledged,
    /// Gone before anybody answered.
    ReturnedUnacknowledged,
    /// Gone before anybody answered, and waits for a reset.
    LatchedUnacknowledged,
    /// Gone and answered, and waits for a reset.
    LatchedAcknowledged,
    /// Put aside by a person, for a time.
    Shelved,
    /// Put aside by declared work.
    SuppressedByDesign,
    /// Put aside by a person until put back.
    OutOfService,
}

/// What can happen to an alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AlarmEvent {
    /// The condition held for the on-delay.
    Raise,
    /// The condition was false for the off-delay.
    Return {
        /// Whether the alarm latches.
        latching: bool,
    },
    /// A person answers.
    Acknowledge,
    /// A person resets a latch.
    Reset,
    /// A person puts it aside for a time.
    Shelve,
    /// The shelf ends: by time or by a person. If the condition holds it is raised afresh.
    Unshelve,
    /// Declared work begins.
    Suppress,
    /// The work ends.
    Unsuppress,
    /// A person takes it out of service.
    TakeOut,
    /// A person puts it back.
    PutBack,
}

impl State {
    /// The state after `event`; the same state where the standard knows no such move.
    pub fn after(self, event: AlarmEvent) -> State {
        use State::*;
        match (self, event) {
            // Out of service yields only to being put back, and wins over everything.
            (_, AlarmEvent::TakeOut) => OutOfService,
            (OutOfService, AlarmEvent::PutBack) => Normal,
            (OutOfService, _) => OutOfService,
            (state, AlarmEvent::PutBack) => state,

            // A shelf holds until it ends; a latch is reset before it can be put aside, so that
            // neither time nor work resets it.
            (Shelved, AlarmEvent::Unshelve) => Normal,
            (Shelved, _) => Shelved,
            (LatchedUnacknowledged | LatchedAcknowledged, AlarmEvent::Shelve | AlarmEvent::Suppress) => self,
            (_, AlarmEvent::Shelve) => Shelved,
            (state, AlarmEvent::Unshelve) => state,

            (SuppressedByDesign, AlarmEvent::Unsuppress) => Normal,
            (SuppressedByDesign, _) => SuppressedByDesign,
            (_, AlarmEvent::Suppress) => SuppressedByDesign,
            (state, AlarmEvent::Unsuppress) => state,

            // The upper half of the standard's diagram.
            (
                Normal | ReturnedUnacknowledged | LatchedUnacknowledged | LatchedAcknowledged,
                AlarmEvent::Raise,
            ) => Unacknowledged,
            (Unacknowledged | Acknowledged, AlarmEvent::Raise) => self,

            (Unacknowledged, AlarmEvent::Return { latching: false }) => ReturnedUnacknowledged,
            (Unacknowledged, AlarmEvent::Return { latching: true }) => LatchedUnacknowledged,
            (Acknowledged, AlarmEvent::Return { latching: false }) => Normal,
            (Acknowledged, AlarmEvent::Return { latching: true }) => LatchedAcknowledged,
            (
                Normal | ReturnedUnacknowledged | LatchedUnacknowledged | LatchedAcknowledged,
                AlarmEvent::Return { .. },
            ) => self,

            (Unacknowledged, AlarmEvent::Acknowledge) => Acknowledged,
            (ReturnedUnacknowledged, AlarmEvent::Acknowledge) => Normal,
            (LatchedUnacknowledged, AlarmEvent::Acknowledge) => LatchedAcknowledged,
            (Normal | Acknowledged | LatchedAcknowledged, AlarmEvent::Acknowledge) => self,

            (LatchedAcknowledged, AlarmEvent::Reset) => Normal,
            (
                Normal | Unacknowledged | Acknowledged | ReturnedUnacknowledged | LatchedUnacknowledged,
                AlarmEvent::Reset,
            ) => self,
        }
    }

    /// Whether the condition stands raised and is annunciated.
    pub fn is_standing(self) -> bool {
        matches!(self, Self::Unacknowledged | Self::Acknowledged)
    }

    /// Whether an episode is open: raised once, and not yet both gone and dealt with.
    pub fn is_open(self) -> bool {
        matches!(
            self,
            Self::Unacknowledged
                | Self::Acknowledged
                | Self::ReturnedUnacknowledged
                | Self::LatchedUnacknowledged
                | Self::LatchedAcknowledged
        )
    }

    /// Whether the alarm is put aside and can't be raised.
    pub fn is_aside(self) -> bool {
        matches!(self, Self::Shelved | Self::SuppressedByDesign | Self::OutOfService)
    }
}

impl fmt::Display for State {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Normal => "normal",
            Self::Unacknowledged => "unacknowledged",
            Self::Acknowledged => "acknowledged",
            Self::ReturnedUnacknowledged => "returned to normal, unacknowledged",
            Self::LatchedUnacknowledged => "latched, unacknowledged",
            Self::LatchedAcknowledged => "latched, acknowledged",
            Self::Shelved => "shelved",
            Self::SuppressedByDesign => "suppressed by design",
            Self::OutOfService => "out of service",
        })
    }
}

/// What lasts of an alarm over a restart: rebuilt from records.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct AlarmState {
    /// Where it is in the standard's diagram.
    pub state: State,
    /// The open episode.
    pub episode: Option<Box<Episode>>,
    /// Recent times of being raised, by record, the oldest first: no more than
    /// [`CHATTER_RAISES`].
    pub raises: Vec<(Seq, Moment)>,
    /// It keeps coming and going, as this record says.
    pub chattering: Option<Seq>,
    /// Why it is shelved or out of service.
    pub aside: Option<Box<Aside>>,
}

/// One run of an alarm, from raised to returned to normal and acknowledged.
#[derive(Clone, Debug, PartialEq)]
pub struct Episode {
    /// Its number.
    pub id: Seq,
    /// The short code that answers it.
    pub code: String,
    /// The tank or the site.
    pub place: String,
    /// As raised.
    pub priority: Priority,
    /// Since when its condition was true.
    pub onset: Moment,
    /// What it rested on, as last recorded.
    pub because: String,
    /// When it was (last) raised.
    pub raised: Moment,
    /// It got worse.
    pub worse: bool,
    /// A reading it needs is missing.
    pub blind: bool,
    /// The work that had paused it, and when that ended: it has not come back since.
    pub after_work: Option<(String, Moment)>,
}

/// An alarm put aside by a person.
#[derive(Clone, Debug, PartialEq)]
pub struct Aside {
    /// The record that did it.
    pub seq: Seq,
    /// Ends by itself then; stays until put back if none.
    pub until: Option<Moment>,
    /// Who.
    pub by: By,
    /// The reason given.
    pub why: String,
}

impl AlarmState {
    /// Moves by the table, and closes the episode when the alarm is normal or put aside.
    pub fn happen(&mut self, event: AlarmEvent) {
        self.state = self.state.after(event);
        if !self.state.is_open() {
            self.episode = None;
        }
    }

    /// Notes one more time of being raised.
    pub fn note_raise(&mut self, seq: Seq, at: Moment) {
        self.raises.retain(|(_, raise)| at - *raise < CHATTER_WINDOW);
        self.raises.push((seq, at));
        if self.raises.len() > CHATTER_RAISES {
            self.raises.remove(0);
        }
    }

    /// Every record that at `now` still matters to it.
    pub fn rests_on(&self, now: Moment) -> impl Iterator<Item = Seq> + '_ {
        let recent = self.raises.iter().filter(move |(_, at)| now - *at < CHATTER_WINDOW);
        let episode = self.episode.as_ref().map(|episode| episode.id);
        let aside = self.aside.as_ref().map(|aside| aside.seq);
        [episode, aside, self.chattering].into_iter().flatten().chain(recent.map(|(seq, _)| *seq))
    }
}
