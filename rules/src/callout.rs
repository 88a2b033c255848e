//! A running call-out: who has been told what, who answered, what comes next and when. One
//! call-out covers all episodes of one cause. It starts when an episode is raised, is quiet
//! while an answer's lease runs, resumes when the lease runs out or things get worse, and
//! ends when nothing in it has stood for a while. Here are its state and its words; which record comes next is decided in `engine::callouts`, what has
//! become of its pages is known in `engine::delivery`.

mod answering;
pub mod apply;
pub mod bounds;
pub mod change;
mod climbing;
pub mod codes;
pub mod decide;
pub mod event;
pub mod facts;
pub mod headline;
pub mod kin;
pub mod ladder;
pub mod loss;
pub mod mass;
pub mod member;
pub mod quiet;
pub mod siren;
mod standing;
pub mod state;
pub mod table;
#[cfg(test)]
mod tests;

use crate::alarm::Priority;
use crate::ids::{By, Seq};
use crate::plan::Callout;
use crate::record::Purpose;
use crate::time::Moment;

/// A call-out in progress.
#[derive(Clone, Debug, PartialEq)]
pub struct Call {
    /// Its number.
    pub id: Seq,
    /// The policy's name.
    pub policy: String,
    /// `Call`, `Digest` (held until the morning, told once) or `Drill`.
    pub purpose: Purpose,
    /// Answers it as a whole.
    pub code: String,
    /// When its timeline began or began again.
    pub begun: Moment,
    /// What it waits for.
    pub phase: Phase,
    /// Nothing in it has stood since then.
    pub quiet_since: Option<Moment>,
    /// What it is about, in the order in which it joined.
    pub members: Vec<Member>,
    /// Every answer given.
    pub answers: Vec<(By, Moment)>,
    /// Over; stays only until its last pages are through.
    pub ended: bool,
}

/// What a call-out waits for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Phase {
    /// The time of a step.
    Calling {
        /// Its place; past the last means the last once more.
        step: usize,
        /// When it is taken.
        due: Moment,
    },
    /// The end of an answer's lease.
    Answered {
        /// When.
        until: Moment,
    },
    /// Everything has been told that is to be told.
    Told,
}

/// An episode in a call-out, with what its pages need to know of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Member {
    /// The alarm's name.
    pub alarm: String,
    /// The episode.
    pub episode: Seq,
    /// The tank or the site.
    pub place: String,
    /// When it was raised.
    pub priority: Priority,
    /// Since when its condition was true.
    pub onset: Moment,
    /// What it rests on, as last recorded.
    pub because: String,
    /// It stands, was put aside, or is over.
    pub fate: Fate,
    /// It got worse.
    pub worse: bool,
    /// It lost sight of a reading it needs.
    pub blind: bool,
}

/// What has become of an episode.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fate {
    /// The condition holds, as far as is known.
    Stands,
    /// Shelved, suppressed or out of service: nobody says that it is over.
    PutAside,
    /// Returned to normal, at this moment.
    Over(Moment),
}

impl Call {
    /// Whether any episode in it stands.
    pub fn stands(&self) -> bool {
        self.members.iter().any(|member| member.fate == Fate::Stands)
    }

    /// The episode that its pages lead with: of those that stand (of all, if none does), one
    /// that no other member explains, the worst first, then the oldest.
    pub fn leader(&self, explains: impl Fn(&str, &str) -> bool) -> Option<&Member> {
        let standing = self.stands();
        let candidates = || self.members.iter().filter(|m| !standing || m.fate == Fate::Stands);
        let explained = |m: &Member| candidates().any(|other| explains(&other.alarm, &m.alarm));
        candidates().min_by_key(|m| (explained(m), std::cmp::Reverse(m.priority), m.onset))
    }

    /// The worst priority in it.
    pub fn priority(&self) -> Priority {
        self.members.iter().map(|member| member.priority).max().unwrap_or(Priority::Low)
    }

    /// Whether it asks somebody to come just now.
    pub fn is_asking(&self) -> bool {
        !self.ended && self.quiet_since.is_none() && !matches!(self.phase, Phase::Answered { .. })
    }

    /// Whether all that it has to say is held until the morning.
    pub fn is_held(&self) -> bool {
        self.purpose == Purpose::Digest && matches!(self.phase, Phase::Calling { .. })
    }

    /// What the timeline waits for once step number `step` has been taken at `at`.
    pub fn after_step(&self, policy: &Callout, step: usize, at: Moment) -> Phase {
        if self.purpose == Purpose::Digest {
            return Phase::Told;
        }
        match policy.steps.get(step + 1) {
            Some(next) => Phase::Calling { step: step + 1, due: (self.begun + next.after).max(at) },
            None => Phase::Calling { step: step + 1, due: at + policy.again },
        }
    }
}
