//! Ways that carry only so many pages an hour, a part of them kept for what is critical. A page
//! that finds no room waits for it: its rung goes on with others, and whoever it is for was not
//! told yet. A newer one takes its place; one that nobody needs any more never leaves.

use super::Account;
use super::call::{Call, Phase};
use super::house::{CRITICAL, MINUTE, Rank};
use super::telling::asks;

const HOUR: i64 = 60 * MINUTE;

/// A page that waits for room, or for its way to take it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Waiting {
    pub(super) until: i64,
    /// Pages are tried in the order in which they were planned.
    pub(super) nth: u32,
    pub(super) what: &'static str,
    /// When it was planned.
    pub(super) told: (i64, u32),
    /// So often its way has put it off, and when it did last; never, if it waits for room.
    pub(super) tries: u32,
    pub(super) tried: i64,
}

/// How a page of this call-out is meant.
pub(super) fn is_call(call: &Call, what: &str) -> bool {
    matches!(what, "ask" | "news") || (what == "call" && !call.digest)
}

impl Account<'_> {
    fn limit(&self, target: &str) -> Option<(usize, usize)> {
        let limit = self.house.limits.iter().find(|(way, ..)| *way == target);
        limit.map(|(_, hour, kept)| (*hour, *kept))
    }

    /// The worst that stands; of all that was in it, if nothing does.
    fn priority(&self, call: &Call) -> Rank {
        let rank = |of: &dyn Fn(&super::Member) -> bool| {
            call.members.iter().filter(|it| of(it)).map(|it| self.house.alarms[it.alarm].rank).max()
        };
        rank(&|it| it.stands()).or(rank(&|_| true)).unwrap_or(0)
    }

    /// When there is room, if there is none now.
    fn room_at(&self, at: usize, target: &'static str, what: &str) -> Option<i64> {
        let (hour, kept) = self.limit(target)?;
        let call = &self.calls[at];
        let urgent = is_call(call, what) && self.priority(call) == CRITICAL;
        let most = if urgent { hour } else { hour.saturating_sub(kept) }.max(1);
        let carried = self.carried.get(target)?;
        let recent: Vec<i64> = carried.iter().copied().filter(|then| self.now - then < HOUR).collect();
        recent.get(recent.len().checked_sub(most)?).map(|then| then + HOUR)
    }

    /// Whether it finds room; if so, it counts.
    pub(super) fn finds_room(&mut self, at: usize, target: &'static str, what: &'static str) -> bool {
        if self.limit(target).is_none() {
            return true;
        }
        let told = (self.now, self.failures);
        let call = &mut self.calls[at];
        // Pages of one moment are one.
        let same = call.out.iter().position(|(then, to, _)| *then == told && *to == target);
        if let Some(same) = same {
            if is_call(call, call.out[same].2) == is_call(call, what) && asks(what) == asks(call.out[same].2)
            {
                return false;
            }
            call.out.remove(same);
            if let Some(carried) = self.carried.get_mut(target) {
                carried.pop();
            }
        }
        if let Some(until) = self.room_at(at, target, what) {
            self.takes_its_place(at, target);
            self.waits(at, target, what, (until, 0));
            let call = &mut self.calls[at];
            call.lost.insert((told, target));
            call.failed.push(target);
            return false;
        }
        self.carried.entry(target).or_default().push(self.now);
        true
    }

    /// A page waits: until when, and how often its way has put it off.
    pub(super) fn waits(
        &mut self,
        at: usize,
        target: &'static str,
        what: &'static str,
        (until, tries): (i64, u32),
    ) {
        self.planned += 1;
        let (nth, told) = (self.planned, (self.now, self.failures));
        let tried = self.now;
        self.calls[at].waiting.insert(target, Waiting { until, nth, what, told, tries, tried });
    }

    /// A newer page goes the way of one that waits, which never leaves then.
    pub(super) fn takes_its_place(&mut self, at: usize, target: &'static str) {
        let call = &mut self.calls[at];
        if let Some(older) = call.waiting.remove(target) {
            let in_vain = is_call(call, older.what);
            call.in_vain.extend(in_vain.then_some(target));
        }
    }

    /// All that waits, in the order in which it was planned.
    pub(super) fn waiting(&self) -> Vec<(i64, usize, &'static str)> {
        let of = |(at, call): (usize, &Call)| {
            let waiting = call.waiting.iter().map(move |(target, it)| (it.nth, (it.until, at, *target)));
            waiting.collect::<Vec<_>>()
        };
        let mut all: Vec<_> = self.calls.iter().enumerate().flat_map(of).collect();
        all.sort();
        all.into_iter().map(|(_, it)| it).collect()
    }

    /// Its time has come to be tried again.
    pub(super) fn tries_again(&mut self, at: usize, target: &'static str) {
        let Some(waiting) = self.calls[at].waiting.get(target).copied() else { return };
        if waiting.tries > 0 {
            return self.tries_what_was_put_off(at, target, waiting);
        }
        if let Some(until) = self.room_at(at, target, waiting.what).filter(|until| *until > self.now) {
            if let Some(waiting) = self.calls[at].waiting.get_mut(target) {
                waiting.until = until;
            }
            return;
        }
        self.carried.entry(target).or_default().push(self.now);
        let out = ((self.now, self.failures), target, waiting.what);
        let call = &mut self.calls[at];
        call.waiting.remove(target);
        call.lost.remove(&(waiting.told, target));
        if asks(waiting.what) {
            call.reached.insert(target);
        }
        call.out.push(out);
    }

    /// The watch begins, and all that waits is tried.
    pub(super) fn limits_restart(&mut self) {
        let now = self.now;
        let waiting = self.calls.iter_mut().flat_map(|call| call.waiting.values_mut());
        waiting.for_each(|waiting| waiting.until = now);
    }

    /// What nobody needs any more is given up.
    pub(super) fn see_to_waiting(&mut self) {
        for call in &mut self.calls {
            let stands = call.nothing_since.is_none();
            let asking = stands && matches!(call.phase, Phase::Climbing | Phase::Asking(_));
            let answered = matches!(call.phase, Phase::Answered(_) | Phase::Asking(_));
            let of = |call: &Call, what: &str| match (is_call(call, what), asks(what)) {
                (true, _) => asking,
                (false, true) => !answered,
                (false, false) => true,
            };
            let unwanted = call.waiting.iter().filter(|(_, it)| !of(call, it.what));
            let unwanted: Vec<_> = unwanted.map(|(target, it)| (*target, it.what)).collect();
            for (target, what) in unwanted {
                call.waiting.remove(target);
                let in_vain = is_call(call, what);
                call.in_vain.extend(in_vain.then_some(target));
            }
        }
    }

    /// All is over: that takes the place of what older call-outs could not say this way.
    pub(super) fn says_for_all(&mut self, at: usize, target: &'static str) {
        for (other, call) in self.calls.iter_mut().enumerate() {
            if other != at && call.phase == Phase::Over {
                call.waiting.remove(target);
            }
        }
    }

    /// Who was asked, and heard nothing since their pages had to wait until it was over; nobody, if
    /// somebody answered.
    pub(super) fn missed(&self, at: usize) -> Vec<&'static str> {
        let call = &self.calls[at];
        let missed = call.in_vain.iter().copied().filter(|target| !call.reached.contains(target));
        missed.filter(|_| !call.was_answered).collect()
    }

    /// Where a ladder has a way with a limit, low alarms are listed together before it is spent.
    pub(super) fn low_of_kind(&self, alarm: usize) -> Option<usize> {
        let of = &self.house.alarms[alarm];
        let ladder = &self.house.ladders[of.ladder];
        let limited = |target: &&str| self.limit(target).is_some();
        if of.rank > 0 || !ladder.rungs.iter().flat_map(|(_, to)| to).any(limited) {
            return None;
        }
        self.calls.iter().position(|call| {
            let stand =
                || call.members.iter().filter(|it| it.stands()).map(|it| &self.house.alarms[it.alarm]);
            let low = stand().all(|it| it.rank == 0);
            low && call.phase == Phase::Climbing && stand().any(|it| it.ladder == of.ladder)
        })
    }
}
