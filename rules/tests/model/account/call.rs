//! One call-out: who is in it, what it does at present, which ladders it climbs.

use super::house::Rank;
use super::limits::Waiting;
use std::collections::{BTreeMap, BTreeSet};

#[derive(Clone, Debug)]
pub(super) struct Member {
    pub(super) alarm: usize,
    /// Since it was raised, or counts as raised anew.
    pub(super) raised: i64,
    pub(super) over: Option<i64>,
    pub(super) latched: bool,
    /// What it cut waits for a person to switch it back.
    pub(super) hand: bool,
    pub(super) covered: bool,
    /// Somebody has answered this spell of it, whatever it counts as since: it does not latch.
    pub(super) acknowledged: bool,
    /// It was said of this spell that it got worse: that is news once.
    pub(super) worse: bool,
    pub(super) listed_only: bool,
    pub(super) told: Option<i64>,
    pub(super) end_told: bool,
    pub(super) anew: Option<i64>,
    pub(super) alone: Option<i64>,
}

impl Member {
    pub(super) fn stands(&self) -> bool {
        self.over.is_none() || self.latched || self.hand
    }

    pub(super) fn calls(&self, now: i64) -> bool {
        self.stands() && self.alone.is_none_or(|until| until <= now)
    }
}

/// A spell of an alarm, until it is over and answered.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Spell {
    pub(super) nth: u32,
    pub(super) answered: bool,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Phase {
    ForCause(i64),
    /// Losses of sight alone.
    ForSight(i64),
    ForMorning(i64),
    Climbing,
    Answered(i64),
    Asking(i64),
    Over,
}

#[derive(Clone, Debug)]
pub(super) struct Climb {
    pub(super) begun: i64,
    pub(super) next: usize,
    pub(super) due: i64,
    pub(super) reached: Option<usize>,
    /// The ways of its last rung of which nobody knows that they failed.
    pub(super) open: BTreeSet<&'static str>,
}

#[derive(Clone, Debug)]
pub(super) struct Call {
    pub(super) digest: bool,
    /// The spell that it began with, whose code is its own; none of one about several.
    pub(super) spell: Option<u32>,
    pub(super) members: Vec<Member>,
    pub(super) phase: Phase,
    pub(super) nothing_since: Option<i64>,
    pub(super) climbs: BTreeMap<(usize, Rank), Climb>,
    pub(super) answerer: &'static str,
    pub(super) covers: Rank,
    pub(super) told: BTreeMap<&'static str, i64>,
    /// Those of them whom some page may have reached.
    pub(super) reached: BTreeSet<&'static str>,
    /// Ways whose page of now has failed, in their order.
    pub(super) failed: Vec<&'static str>,
    /// What waits for room, by way; and the ways by which something waited that never left.
    pub(super) waiting: BTreeMap<&'static str, Waiting>,
    pub(super) in_vain: BTreeSet<&'static str>,
    pub(super) was_answered: bool,
    /// The ways of asking whoever answered that have not failed.
    pub(super) open: BTreeSet<&'static str>,
    pub(super) news: Option<(i64, i64)>,
    pub(super) pressed: Option<(&'static str, i64)>,
    pub(super) flickers: bool,
    /// The latest start of the watch, and since which one it has told no rung.
    pub(super) started: Option<i64>,
    pub(super) unheard: Option<i64>,
    /// Of so many of this ladder that began at once.
    pub(super) mass: Option<usize>,
    /// Until when it wants the siren, and for what rank.
    pub(super) siren: Option<(i64, Rank)>,
    /// What it says: when (and after how many failures), to whom, what.
    pub(super) out: Vec<((i64, u32), &'static str, &'static str)>,
    /// Those of them that failed.
    pub(super) lost: BTreeSet<((i64, u32), &'static str)>,
}
