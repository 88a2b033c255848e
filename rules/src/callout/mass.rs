//! Many alarms at once that nothing links: from the sixth call-out of one ladder begun within five
//! seconds on, they are one. It is told once with counts by tank and its worst few; what begins in
//! one turn is counted before any of its pages is planned.

use super::member::Member;
use super::state::{CallOut, NEWS_WITHIN, Phase};
use super::table::{Move, Row};
use crate::alarm::Priority;
use crate::record::{CallChange, CallKind, Joined, Seq};
use crate::time::{Moment, Span};
use std::collections::BTreeMap;

/// So many call-outs begin on their own.
pub const APART: usize = 5;
/// Within this.
pub const WITHIN: Span = Span::seconds(5);

/// Which ladders have begun call-outs lately: what a mass is counted from.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Beginnings {
    /// By ladder, the latest beginnings, the oldest first: never more than [`APART`].
    recent: BTreeMap<String, Vec<Moment>>,
}

impl Beginnings {
    /// A call-out of this ladder began, or a newcomer joined the ladder's mass.
    pub fn note(&mut self, ladder: &str, at: Moment) {
        let recent = self.recent.entry(ladder.to_owned()).or_default();
        recent.retain(|begun| at - *begun <= WITHIN);
        recent.push(at);
        if recent.len() > APART {
            recent.remove(0);
        }
    }

    /// Whether `newcomers` call-outs of this ladder that would begin now belong to one mass.
    pub fn is_mass(&self, ladder: &str, newcomers: usize, now: Moment) -> bool {
        let recent = self.recent.get(ladder).into_iter().flatten();
        newcomers > 0 && recent.filter(|begun| now - **begun <= WITHIN).count() + newcomers > APART
    }
}

impl CallOut {
    /// What follows from an alarm that a climbing mass only lists: the same as
    /// [`decide`](super::decide::decide) says of it, found without carrying anything out, since
    /// thousands may come in one moment. None if more may follow. The newcomer must be no member,
    /// and have no kin by the plan.
    pub fn only_lists(&self, joined: &Joined, now: Moment) -> Option<Vec<CallChange>> {
        let top = self.calm_top(now)?;
        if joined.sight
            || joined.rank > top
            || self.members.calling_ladders(top, now).iter().any(|ladder| *ladder != joined.ladder)
            || self.climb(&joined.ladder, top).is_none()
        {
            return None;
        }
        let row = match joined.rank {
            Priority::Critical => Row::CriticalToo { other_ladder: false, expected: false },
            Priority::Low | Priority::Medium | Priority::High => Row::Milder,
        };
        let listed = CallChange::Joined(Joined { listed: false, ..joined.clone() });
        let next = self.stage().after(row);
        let soon = (next == Move::ListedSoon).then_some(CallChange::NewsDue { within: NEWS_WITHIN });
        let only = matches!(next, Move::Listed | Move::ListedSoon);
        only.then(|| [listed].into_iter().chain(soon).collect())
    }

    /// The same of a member that returns to normal while others of its rank stand. It must explain
    /// nothing by the plan, and not latch.
    pub fn only_ends(&self, episode: Seq, now: Moment) -> Option<Vec<CallChange>> {
        let top = self.calm_top(now)?;
        let member = self.member(episode)?;
        let asks = member.calls(now) && member.rank == top;
        let stays = self.members.calling(top, now) > usize::from(asks);
        let climbed = |ladder: &String| self.climb(ladder, top).is_some();
        let goes_on = stays && self.members.calling_ladders(top, now).iter().all(climbed);
        goes_on.then(|| vec![CallChange::Returned { episode, latched: false }])
    }

    /// The rank for which a mass climbs, if it does and nothing else goes on in it.
    fn calm_top(&self, now: Moment) -> Option<Priority> {
        let no_siren = self.told.keys().all(|target| target.contact.is_some());
        let calm = self.kind == CallKind::Mass && self.phase == Phase::Climbing && self.settling.is_none();
        self.standing_rank(now).filter(|_| calm && no_siren)
    }

    /// How many members stand in each place, the fullest first.
    pub fn counts(&self) -> Vec<(&str, usize)> {
        let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
        for member in self.members.iter().filter(|member| member.stands()) {
            *counts.entry(member.place.as_str()).or_default() += 1;
        }
        let mut counts: Vec<_> = counts.into_iter().collect();
        counts.sort_by_key(|(place, count)| (std::cmp::Reverse(*count), *place));
        counts
    }

    /// Whether a member's own code answers only that member: in a mass or a digest of several.
    pub fn answers_alone(&self, member: &Member) -> bool {
        matches!(self.kind, CallKind::Mass | CallKind::Digest) && self.members.len() > 1 && member.stands()
    }
}
