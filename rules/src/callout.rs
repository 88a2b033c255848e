//! A running call-out: who has been told what, who answered, what comes next and when. One call-out
//! is about one cause and follows its worst standing member: that one's ladder, rank and words.
//! What can happen to it is one closed list and what follows one total table ([`table`]); what it
//! comes to is decided ([`decide`]) apart from being applied ([`apply`]), so that a journal
//! restores it.
//!
//! The engine supplies the facts, records the changes and sends the pages. [`Call`] is what it
//! keeps: the call-out itself with its members, and who has answered.

// What is new has to be handled here.
#![warn(clippy::wildcard_enum_match_arm)]

pub mod ladder;

pub mod member;

pub mod members;

pub mod state;

pub mod facts;

pub mod table;

pub mod event;

pub mod decide;

mod standing;

mod answering;

mod climbing;

mod news;

mod repeat;

pub mod change;

pub mod apply;

pub mod bounds;

pub mod quiet;

pub mod kin;

pub mod mass;

pub mod codes;

pub mod headline;

pub mod siren;

pub mod loss;

#[cfg(test)]
mod tests;

use crate::alarm::Priority;
use crate::ids::{By, Seq};
use crate::record::{CallKind, HeldBy, Purpose};
use crate::time::Moment;
use member::Condition;
use state::{CallOut, Phase};

/// A call-out in progress, with what is said of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Call {
    /// The policy of the alarm that began it.
    pub policy: String,
    /// `Call`, `Digest` (begun to be held until the morning) or `Drill`.
    pub purpose: Purpose,
    /// Where it is, and all that it is restored by.
    pub core: CallOut,
    /// The latest answers.
    pub answers: Vec<(By, Moment)>,
    /// Steps that somebody has ticked, in order.
    pub ticks: Vec<Tick>,
    /// It is restored from a journal of before, which kept no changes of its own.
    pub older: bool,
}

/// A step that somebody has done.
#[derive(Clone, Debug, PartialEq)]
pub struct Tick {
    /// Its words.
    pub step: String,
    /// Who.
    pub by: By,
    /// When.
    pub at: Moment,
}

impl Call {
    /// One that has just begun.
    pub fn new(policy: String, purpose: Purpose, core: CallOut) -> Self {
        Self { policy, purpose, core, answers: Vec::new(), ticks: Vec::new(), older: true }
    }

    /// Its number.
    pub fn id(&self) -> Seq {
        self.core.id
    }

    /// Answers it as a whole.
    pub fn code(&self) -> &str {
        &self.core.code
    }

    /// Over; stays only until its last pages are through.
    pub fn ended(&self) -> bool {
        self.core.phase == Phase::Over
    }

    /// Who put aside the last of what stood, if a person did.
    pub fn put_aside_by(&self) -> Option<&By> {
        self.core.members.iter().rev().find_map(|member| match &member.condition {
            Condition::PutAside(by) => Some(by),
            Condition::Raised | Condition::Returned(_) => None,
        })
    }

    /// Whether anything in it stands.
    pub fn stands(&self) -> bool {
        self.core.stands()
    }

    /// The highest rank that is asked for; of all that was in it, if nothing stands.
    pub fn priority(&self) -> Priority {
        let members = &self.core.members;
        members.standing_rank().or(members.highest()).unwrap_or(Priority::Low)
    }

    /// Whether it asks somebody to come just now.
    pub fn is_asking(&self) -> bool {
        self.core.is_asking() || (self.core.kind == CallKind::Drill && !self.ended())
    }

    /// Whether somebody is being called: nobody takes care of it, and it does not wait for the
    /// morning.
    pub fn is_calling(&self) -> bool {
        !self.is_held() && self.core.settling.is_none() && self.core.answerer().is_none() && !self.ended()
    }

    /// Whether all that it has to say is held until the morning.
    pub fn is_held(&self) -> bool {
        matches!(self.core.phase, Phase::Held { by: HeldBy::Quiet, .. })
    }

    /// When the round of now began: with the call-out, or when the latest answer had run out.
    pub fn round(&self) -> Moment {
        match (&self.core.answer, self.core.answerer()) {
            (Some(answer), None) => answer.at,
            (_, _) => self.core.begun,
        }
    }
}
