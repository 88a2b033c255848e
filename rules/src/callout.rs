//! A running call-out: who has been told what, who answered, what comes next and when. One
//! call-out covers all episodes of one cause. It starts when an episode is raised, is quiet
//! while an answer's lease runs, resumes when the lease runs out or things get worse, and
//! ends when nothing in it has stood for a while. Here are its state and what each record
//! does to it; which record comes next is decided in `engine::calling`.

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
use crate::plan::{Callout, Target};
use crate::record::{By, Outcome, Purpose, Seq};
use crate::time::{Moment, Span};
use std::collections::BTreeSet;

/// How long a page is tried again when it is deferred.
pub const RETRY_FIRST: Span = Span::seconds(30);
/// The longest wait between two tries.
pub const RETRY_LONGEST: Span = Span::minutes(10);
/// Older pages are not tried again: longer than any outage that someone comes home from.
pub const RETRY_WITHIN: Span = Span::hours(7 * 24);

/// Said of a page that was given up because nobody needs it any more.
pub const GIVEN_UP: &str = "no longer needed";
/// Said of one that its channel had in hand by then.
pub const WITHDRAWN: &str = "withdrawn before it was sent";

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
    /// Every page planned for it.
    pub pages: Vec<Sent>,
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

/// A page of a call-out.
#[derive(Clone, Debug, PartialEq)]
pub struct Sent {
    /// Its number.
    pub id: Seq,
    /// To whom.
    pub target: Target,
    /// Why.
    pub purpose: Purpose,
    /// When it was planned.
    pub at: Moment,
    /// The step it belongs to, for those that a step planned.
    pub step: Option<u32>,
    /// How often it was deferred.
    pub deferred: u32,
    /// How many attempts broke off when it was on its way already.
    pub doubts: u32,
    /// How the last attempt ended.
    pub last: Option<Outcome>,
    /// Call-outs, over by then, that it tells of too.
    pub also: Vec<Seq>,
}

impl Sent {
    /// Neither accepted nor failed for good.
    pub fn is_pending(&self) -> bool {
        matches!(self.last, None | Some(Outcome::Deferred { .. }))
    }

    /// The wait before the next try: doubles from [`RETRY_FIRST`] to [`RETRY_LONGEST`].
    pub fn backoff(&self) -> Span {
        let doublings = self.deferred.saturating_sub(1).min(16);
        RETRY_FIRST.times(1 << doublings).min(RETRY_LONGEST)
    }
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

    /// Whether a page that has not got through is still of use: the newest to its target, and
    /// if it asks for someone, only while someone is being asked.
    pub fn wants(&self, page: &Sent) -> bool {
        let newest = !self.pages.iter().any(|other| other.target == page.target && other.id > page.id);
        let asking =
            !self.ended && self.quiet_since.is_none() && !matches!(self.phase, Phase::Answered { .. });
        newest
            && match page.purpose {
                Purpose::Call | Purpose::Drill => asking,
                Purpose::Digest | Purpose::Taken | Purpose::AllClear | Purpose::Notice => true,
            }
    }

    /// Everyone who has been asked, by whatever way, and whom the page may have reached.
    pub fn told(&self) -> BTreeSet<Target> {
        let asked = |sent: &&Sent| matches!(sent.purpose, Purpose::Call | Purpose::Drill | Purpose::Digest);
        let lost = |sent: &Sent| matches!(sent.last, Some(Outcome::Failed { .. })) && sent.doubts == 0;
        self.pages.iter().filter(asked).filter(|sent| !lost(sent)).map(|sent| sent.target.clone()).collect()
    }

    /// Everyone who was asked and has heard nothing, because their pages had to wait until it was
    /// over. Nobody, if someone answered: the others were not needed.
    pub fn missed(&self) -> BTreeSet<Target> {
        let told = self.told();
        let waited = |sent: &&Sent| match &sent.last {
            Some(Outcome::Failed { why }) => (sent.deferred > 0 && why == GIVEN_UP) || why == WITHDRAWN,
            Some(Outcome::Accepted { .. } | Outcome::Deferred { .. }) | None => false,
        };
        let asked = self.pages.iter().filter(|sent| sent.purpose == Purpose::Call && self.answers.is_empty());
        let missed = asked.filter(waited).map(|sent| sent.target.clone());
        missed.filter(|target| target.contact.is_some() && !told.contains(target)).collect()
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

    /// Whether every person that `step` asked is known not to have got it.
    pub fn step_failed(&self, step: u32) -> bool {
        let of_step =
            |sent: &&Sent| sent.step == Some(step) && sent.at >= self.begun && sent.target.contact.is_some();
        let mut asked = self.pages.iter().filter(of_step).peekable();
        asked.peek().is_some()
            && asked.all(|sent| matches!(sent.last, Some(Outcome::Failed { .. } | Outcome::Deferred { .. })))
    }
}
