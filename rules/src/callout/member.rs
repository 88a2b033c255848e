//! A member: an episode in a call-out with its rank and its ladder. Its standing decides whom the
//! call-out asks; what was listed only, told or answered decides what a later event means for it.

use crate::alarm::Priority;
use crate::record::{By, Farthest, Seq};
use crate::time::Moment;

/// What pages say of an episode, as its alarm's own records have it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Account {
    /// Since when its condition was true.
    pub onset: Moment,
    /// What it rests on, as last recorded.
    pub because: String,
    /// It lost sight of a reading it needs.
    pub blind: bool,
    /// How far its reading went and when, as recorded when it was over.
    pub farthest: Option<(Farthest, Moment)>,
}

/// An episode in a call-out.
#[derive(Clone, Debug, PartialEq)]
pub struct Member {
    /// The alarm's name: a call-out has one member of it, the latest episode.
    pub alarm: String,
    /// The episode.
    pub episode: Seq,
    /// The tank or the site, as pages say it.
    pub place: String,
    /// The alarm's priority when it was raised.
    pub rank: Priority,
    /// The `[callout.NAME]` that the alarm names.
    pub ladder: String,
    /// When it was raised, or raised again: the ladder of what is left counts from here.
    pub raised: Moment,
    /// What its condition is, as far as the call-out cares.
    pub condition: Condition,
    /// It returned, latched, and nobody has answered: it stands.
    pub latched: bool,
    /// Its stopgap took energy away, and a person must switch it back: it stands.
    pub awaits_hand: bool,
    /// It got worse.
    pub worse: bool,
    /// It stood when the last answer was given.
    pub answered: bool,
    /// It was listed by others' pages only, because something that explains it stood.
    pub listed: bool,
    /// When a page that asked for help first named it, since it was raised or got worse.
    pub told: Option<Moment>,
    /// Some page has said that it had ended.
    pub end_told: bool,
    /// It is a loss of sight, for which no siren sounds.
    pub sight: bool,
    /// It comes and goes: twice within three hours.
    pub flickers: bool,
    /// In a mass: answered for alone, by whom and until when.
    pub own_answer: Option<(By, Moment)>,
    /// What pages say of it.
    pub account: Account,
    /// It counts as raised anew then: its cause returned, and its own on-delay runs from that.
    pub anew: Option<Moment>,
}

/// What has become of an episode's condition.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Condition {
    /// It holds, as far as is known.
    Raised,
    /// It has gone, since then.
    Returned(Moment),
    /// Shelved, suppressed or out of service, by this person: nobody says that it is over.
    PutAside(By),
}

impl Member {
    /// Raised; or latched and not answered; or its stopgap waits for a person, whatever has become
    /// of the alarm.
    pub fn stands(&self) -> bool {
        match self.condition {
            Condition::Raised => true,
            Condition::Returned(_) => self.latched || self.awaits_hand,
            Condition::PutAside(_) => self.awaits_hand,
        }
    }

    /// Whether people are to be asked for it at `now`: it stands and was not answered for alone.
    pub fn calls(&self, now: Moment) -> bool {
        self.stands() && self.own_answer_until().is_none_or(|until| until <= now)
    }

    /// Until when it is answered for alone, if it was.
    pub fn own_answer_until(&self) -> Option<Moment> {
        self.own_answer.as_ref().map(|(_, until)| *until)
    }

    /// Who put its alarm aside, if somebody has.
    pub fn put_aside_by(&self) -> Option<&By> {
        match &self.condition {
            Condition::PutAside(by) => Some(by),
            Condition::Raised | Condition::Returned(_) => None,
        }
    }

    /// When its condition went, if it has.
    pub fn returned(&self) -> Option<Moment> {
        match self.condition {
            Condition::Returned(at) => Some(at),
            Condition::Raised | Condition::PutAside(_) => None,
        }
    }
}
