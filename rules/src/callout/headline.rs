//! What a page leads with. The event that sends it is its news; a page that a rung sends has no
//! event, and leads with the worst of what stands. What is printed beside it is worked out when
//! the page is worded, not here.

use super::facts::Facts;
use super::member::Member;
use super::state::CallOut;
use crate::alarm::Priority;
use crate::record::{CallNews, Seq};
use crate::time::Moment;
use std::cmp::Reverse;

/// How many members a page names; the rest are counted.
pub const NAMED: usize = 8;

/// What sends a page.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lead {
    /// A rung, a repeat, a lease's end: nothing new.
    Rung,
    /// This episode was raised, or counts as raised anew.
    Raised(Seq),
    /// It got worse.
    Worse(Seq),
    /// Its stopgap lost its proof, or could not be proved.
    Unproved(Seq),
    /// Its relay was told to take energy away and does not obey.
    Disobeyed(Seq),
    /// The watch's own power ends.
    GoesDark,
    /// Whoever wanted the next person called hears again that there is none.
    NobodyElse,
}

impl Lead {
    /// What is news beside an episode.
    pub fn news(self) -> Option<CallNews> {
        match self {
            Self::Unproved(_) | Self::Disobeyed(_) => Some(CallNews::Stopgap),
            Self::GoesDark => Some(CallNews::Dark),
            Self::NobodyElse => Some(CallNews::NobodyElse),
            Self::Rung | Self::Raised(_) | Self::Worse(_) => None,
        }
    }

    /// The episode that is news.
    pub fn episode(self) -> Option<Seq> {
        match self {
            Self::Raised(episode)
            | Self::Worse(episode)
            | Self::Unproved(episode)
            | Self::Disobeyed(episode) => Some(episode),
            Self::Rung | Self::GoesDark | Self::NobodyElse => None,
        }
    }
}

impl CallOut {
    /// The member that a page leads with: the event's, or else of those that stand (of all, if
    /// none does) the highest rank, among equals what nobody was told yet, then the cause, then the
    /// oldest.
    pub fn headline(&self, lead: Lead, facts: &dyn Facts, now: Moment) -> Option<&Member> {
        let news = lead.episode().and_then(|episode| self.member(episode));
        news.or_else(|| self.weighed(now).min_by_key(|member| self.weight(member, facts, now)))
    }

    /// The members that a page names, the weightiest first, and how many more there are.
    pub fn named(&self, facts: &dyn Facts, now: Moment) -> (Vec<&Member>, usize) {
        let mut members = self.by_weight(facts, now);
        let more = members.len().saturating_sub(NAMED);
        members.truncate(NAMED);
        (members, more)
    }

    fn by_weight(&self, facts: &dyn Facts, now: Moment) -> Vec<&Member> {
        let mut members: Vec<&Member> = self.weighed(now).collect();
        members.sort_by_cached_key(|member| self.weight(member, facts, now));
        members
    }

    /// The members that count: those for which people are to be asked, else those that stand, else
    /// all.
    fn weighed(&self, now: Moment) -> impl Iterator<Item = &Member> {
        self.members.iter().filter(move |member| self.weighs(member, now))
    }

    fn weighs(&self, member: &Member, now: Moment) -> bool {
        match (self.stands(), self.standing_rank(now)) {
            (false, _) => true,
            (true, Some(_)) => member.calls(now),
            (true, None) => member.stands(),
        }
    }

    fn weight(&self, member: &Member, facts: &dyn Facts, now: Moment) -> Weight {
        let cause = |alarm: &str| self.members.of_alarm(alarm).is_some_and(|it| self.weighs(it, now));
        let is_explained = facts.causes(&member.alarm).into_iter().any(cause);
        // Pages of one moment are told side by side.
        let told = member.told.is_some_and(|told| told < now);
        (Reverse(member.rank), told, is_explained, member.raised, member.episode)
    }
}

/// The smallest leads.
type Weight = (Reverse<Priority>, bool, bool, Moment, Seq);
