//! Ladders: how they begin, go on milder, break through an answer.

use super::Account;
use super::call::{Climb, Phase};
use super::house::{MINUTE, Rank, SIREN, WAYS, person};
use std::collections::BTreeSet;

impl Account<'_> {
    /// A ladder begins at this rung, which falls due after so long.
    pub(super) fn begin(&mut self, at: usize, ladder: usize, rank: Rank, rung: usize, due: i64) {
        let rungs = &self.house.ladders[ladder].rungs;
        let after = rungs.get(rung).map_or(0, |(after, _)| *after * MINUTE);
        let reached =
            self.calls[at].climbs.get(&(ladder, rank)).and_then(|climb| climb.reached).filter(|_| rung > 0);
        let begun = (self.now + due - after).min(self.now);
        self.calls[at].climbs.insert(
            (ladder, rank),
            Climb { begun, next: rung, due: self.now + due, reached, open: BTreeSet::new() },
        );
        self.calls[at].phase = Phase::Climbing;
    }

    /// All asked ladders from rung 0, now.
    pub(super) fn climb_anew(&mut self, at: usize) {
        if let Some(until) = self.held_until(at) {
            self.calls[at].phase = Phase::ForMorning(until);
            return;
        }
        let Some(rank) = self.standing(&self.calls[at]) else {
            self.calls[at].phase = Phase::Climbing;
            return;
        };
        for ladder in self.asked_ladders(&self.calls[at]) {
            self.begin(at, ladder, rank, 0, 0);
        }
    }

    pub(super) fn breaks_through(&mut self, at: usize) {
        let who = self.calls[at].answerer;
        let ways = WAYS.into_iter().filter(|target| person(target) == who);
        // What quiet holds tells nobody before the morning, not even whoever has it.
        let ways: Vec<&str> = ways.filter(|_| self.held_until(at).is_none()).collect();
        ways.into_iter().for_each(|target| self.tell(at, target, "news"));
        self.climb_anew(at);
    }

    /// The highest rank has fallen: at the first rung that names somebody new.
    pub(super) fn goes_on_milder(&mut self, at: usize, ladders: BTreeSet<usize>) {
        if let Some(until) = self.held_until(at) {
            self.calls[at].phase = Phase::ForMorning(until);
            return;
        }
        let Some(rank) = self.standing(&self.calls[at]) else { return };
        let told = self.asked_so_far(at);
        for ladder in ladders {
            let of = &self.house.ladders[ladder];
            let raised = self.calls[at].members.iter().filter(|it| {
                let alarm = &self.house.alarms[it.alarm];
                it.calls(self.now) && alarm.rank == rank && alarm.ladder == ladder
            });
            let raised = raised.map(|it| it.raised).min().unwrap_or(self.now);
            let rung = of
                .rungs
                .iter()
                .position(|(_, to)| to.iter().any(|target| *target != SIREN && !told.contains(target)));
            let due = match rung {
                Some(rung) => raised + of.rungs[rung].0 * MINUTE,
                None => self.calls[at].told.values().max().copied().unwrap_or(self.now) + of.again * MINUTE,
            };
            let (rung, due) = (rung.unwrap_or(of.rungs.len()), due.max(self.now));
            let reached = self.calls[at].climbs.get(&(ladder, rank)).and_then(|climb| climb.reached);
            let reached = reached.filter(|_| rung > 0);
            let climb = Climb { begun: raised, next: rung, due, reached, open: BTreeSet::new() };
            self.calls[at].climbs.insert((ladder, rank), climb);
            self.calls[at].phase = Phase::Climbing;
        }
    }

    /// Each asked ladder is being climbed for the rank that stands, and nothing is held that may
    /// not be.
    pub(super) fn see_to_ladders(&mut self, at: usize) {
        if self.calls[at].nothing_since.is_some() {
            return;
        }
        let missing = |of: &Self| {
            let rank = of.standing(&of.calls[at]).unwrap_or(0);
            let asked = of.asked_ladders(&of.calls[at]).into_iter();
            asked
                .filter(|ladder| !of.calls[at].climbs.contains_key(&(*ladder, rank)))
                .collect::<BTreeSet<_>>()
        };
        if matches!(self.calls[at].phase, Phase::ForMorning(_)) && self.held_until(at).is_none() {
            match missing(self).is_empty() {
                true => self.calls[at].phase = Phase::Climbing,
                false => self.climb_anew(at),
            }
        }
        let missing = missing(self);
        if self.calls[at].phase == Phase::Climbing && !missing.is_empty() {
            self.goes_on_milder(at, missing);
        }
    }
}
