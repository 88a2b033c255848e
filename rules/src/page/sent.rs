//! A page on its way, of whatever purpose: how often it was tried, what came of it, and what that
//! means for those who planned it. Records come in through `engine::delivery`; whether it is still
//! of use, whom it has told and who missed it is answered here.

use super::Slip;
use crate::callout::Call;
use crate::ids::Seq;
use crate::plan::Target;
use crate::record::{NoMore, Outcome, Purpose};
use crate::time::{Moment, Span};
use std::collections::{BTreeMap, BTreeSet};

/// The first wait before a page is tried again that could not leave.
pub const RETRY_FIRST: Span = Span::seconds(30);
/// The longest wait between two tries.
pub const RETRY_LONGEST: Span = Span::minutes(10);
/// Older pages are not tried again: longer than any outage that someone comes home from.
pub const RETRY_WITHIN: Span = Span::hours(7 * 24);
/// A page whose fate was lost is sent once more, marked. A server that takes it again without a
/// word would make a copy of each try; the timeline goes on by newer pages and other ways.
pub const REPEATS: u32 = 1;

/// A planned page.
#[derive(Clone, Debug, PartialEq)]
pub struct Sent {
    /// Its number.
    pub id: Seq,
    /// Whose it is.
    pub of: Subject,
    /// To whom.
    pub target: Target,
    /// Why.
    pub purpose: Purpose,
    /// When it was planned.
    pub at: Moment,
    /// How often it could not leave, or was held back.
    pub deferred: u32,
    /// How many attempts broke off when it was on its way already.
    pub doubts: u32,
    /// The watch was killed or stopped when it may have been on its way.
    pub cut_off: bool,
    /// Its channel has no room for it before then.
    pub not_before: Option<Moment>,
    /// How the last attempt ended.
    pub last: Option<Outcome>,
    /// Call-outs, over by then, that it tells of too.
    pub also: Vec<Seq>,
}

/// What a page is about, and so where its words come from.
#[derive(Clone, Debug, PartialEq)]
pub enum Subject {
    /// A call-out: worded anew at each try.
    Call(Seq),
    /// A test of the way to a person, or a notice: as it was planned.
    Itself(Slip),
}

impl Sent {
    /// One that has just been planned.
    pub fn new(id: Seq, of: Subject, target: Target, purpose: Purpose, at: Moment) -> Self {
        Self {
            id,
            of,
            target,
            purpose,
            at,
            deferred: 0,
            doubts: 0,
            cut_off: false,
            not_before: None,
            last: None,
            also: Vec::new(),
        }
    }

    /// The call-out that it belongs to.
    pub fn call(&self) -> Option<Seq> {
        match self.of {
            Subject::Call(call) => Some(call),
            Subject::Itself(_) => None,
        }
    }

    /// Neither accepted nor given up: it may still leave.
    pub fn is_pending(&self) -> bool {
        self.last.as_ref().is_none_or(Outcome::is_for_now)
    }

    /// The next hop has it, as far as is known.
    pub fn is_accepted(&self) -> bool {
        matches!(self.last, Some(Outcome::Accepted { .. }))
    }

    /// Whether it waits for room in its channel, and not for its way to work.
    pub fn is_held(&self) -> bool {
        matches!(self.last, Some(Outcome::HeldUntil { .. }))
    }

    /// Whether a copy of it may have arrived already, as far as is known: then the next says so.
    pub fn may_be_a_repeat(&self) -> bool {
        self.doubts > 0 || self.cut_off
    }

    /// Takes in how an attempt ended, at this moment.
    pub fn ended(&mut self, outcome: &Outcome, at: Moment) {
        self.deferred += u32::from(outcome.is_for_now());
        self.doubts += u32::from(outcome.is_doubtful());
        self.not_before = match outcome {
            Outcome::HeldUntil { room_in, .. } => Some(at + *room_in),
            Outcome::Accepted { .. }
            | Outcome::Deferred { .. }
            | Outcome::Failed { .. }
            | Outcome::Withdrawn
            | Outcome::GivenUp { .. } => None,
        };
        self.last = Some(outcome.clone());
    }

    /// The wait before the next try, after so many that could not leave: doubles from
    /// [`RETRY_FIRST`] to [`RETRY_LONGEST`].
    pub fn backoff(deferred: u32) -> Span {
        let doublings = deferred.saturating_sub(1).min(16);
        RETRY_FIRST.times(1 << doublings).min(RETRY_LONGEST)
    }

    /// Whether it asks somebody to do something.
    pub(crate) fn asks(&self) -> bool {
        matches!(self.purpose, Purpose::Call | Purpose::Drill | Purpose::Digest)
    }

    /// Whether it asked somebody and may have reached them.
    pub(crate) fn may_have_told(&self) -> bool {
        self.asks() && (!self.last.as_ref().is_some_and(Outcome::is_lost) || self.doubts > 0)
    }

    /// It had to wait until nobody needed it.
    pub(crate) fn waited_in_vain(&self) -> bool {
        match self.last {
            Some(Outcome::Withdrawn) => true,
            Some(Outcome::GivenUp { why: NoMore::NotNeeded }) => self.deferred > 0,
            Some(Outcome::GivenUp {
                why: NoMore::ToldWith { .. } | NoMore::TooOld | NoMore::PerhapsThereTwice,
            }) => false,
            Some(
                Outcome::Accepted { .. }
                | Outcome::Deferred { .. }
                | Outcome::HeldUntil { .. }
                | Outcome::Failed { .. },
            )
            | None => false,
        }
    }
}

/// The pages of one call-out, as far as they are still known.
#[derive(Clone, Debug, Default)]
pub struct Pages<'a> {
    /// The latest by each way, the oldest first.
    pub known: Vec<&'a Sent>,
    /// So many were sent before those by each way, and have ended.
    pub before: Option<&'a BTreeMap<Target, usize>>,
}

impl<'a> Pages<'a> {
    /// So many were sent before those that are known.
    pub fn before(&self) -> usize {
        self.before.into_iter().flat_map(BTreeMap::values).sum()
    }

    /// The same, by one way.
    pub fn before_to(&self, target: &Target) -> usize {
        self.before.and_then(|before| before.get(target)).copied().unwrap_or(0)
    }

    /// Each that is known.
    pub fn iter(&self) -> impl Iterator<Item = &'a Sent> + '_ {
        self.known.iter().copied()
    }

    /// Whether a page that has not got through is still of use: the newest to its target, and
    /// if it asks for someone, only while someone is being asked.
    pub fn wants(&self, call: &Call, page: &Sent) -> bool {
        let newest = !self.iter().any(|other| other.target == page.target && other.id > page.id);
        newest
            && match page.purpose {
                Purpose::Call | Purpose::Drill => call.is_asking(),
                // What came and went is told in the morning all the same, unless somebody has
                // taken care of it.
                Purpose::Digest => call.core.answerer().is_none(),
                Purpose::Taken | Purpose::AllClear | Purpose::Notice => true,
            }
    }

    /// Everyone who has been asked, by whatever way, and whom the page may have reached.
    pub fn told(&self) -> BTreeSet<Target> {
        let asked = self.iter().filter(|sent| sent.may_have_told());
        asked.map(|sent| sent.target.clone()).collect()
    }

    /// Everyone who was asked and has heard nothing, because their pages had to wait until it was
    /// over. Nobody, if someone answered: the others were not needed.
    pub fn missed(&self, call: &Call) -> BTreeSet<Target> {
        let told = self.told();
        let asked = self.iter().filter(|sent| sent.purpose == Purpose::Call && call.answers.is_empty());
        let missed = asked.filter(|sent| sent.waited_in_vain()).map(|sent| sent.target.clone());
        missed.filter(|target| target.contact.is_some() && !told.contains(target)).collect()
    }
}
