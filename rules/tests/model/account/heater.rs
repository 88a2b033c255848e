//! A heater that an alarm cuts: it is seen to be off at once. What it cut keeps its call-out
//! standing until a person has switched it back; if it draws while the alarm stands, that is told
//! to everybody of all rungs at once, whoever has it.

use super::Account;
use super::call::{Member, Phase};
use super::house::{SIREN, WAYS, person};
use std::collections::BTreeSet;

/// It must be seen for so long that it draws.
const SEEN: i64 = 30_000;

#[derive(Clone, Debug, Default)]
pub(super) struct Heater {
    cut: bool,
    draws_since: Option<i64>,
}

impl Account<'_> {
    pub(super) fn cuts(&mut self) {
        // One that is still cut goes on as it was.
        if !self.heater.cut {
            self.heater = Heater { cut: true, draws_since: None };
        }
    }

    /// Whether it can be seen to draw against the watch's will.
    pub(crate) fn may_draw(&self) -> bool {
        self.heater.cut && self.heater.draws_since.is_none()
    }

    pub(super) fn draws(&mut self) {
        self.heater.draws_since = Some(self.now);
    }

    /// The watch begins: for how long it has drawn is not known any more.
    pub(super) fn heater_restarts(&mut self) {
        self.heater.draws_since = self.heater.draws_since.map(|_| self.now + 1);
    }

    pub(super) fn is_seen_to_draw(&self) -> Option<i64> {
        self.heater.draws_since.filter(|_| self.heater.cut).map(|since| since + SEEN)
    }

    /// Whether a person has to switch back what this alarm cut.
    pub(super) fn waits_for_hand(&self, alarm: usize) -> bool {
        self.house.alarms[alarm].cuts && self.heater.cut
    }

    pub(super) fn heater_is_seen(&mut self) {
        self.heater = Heater::default();
        let Some(alarm) = self.house.alarms.iter().position(|alarm| alarm.cuts) else { return };
        let Some(at) = self.call_of(alarm) else { return };
        let before = self.standing(&self.calls[at]);
        let Some(member) = self.calls[at].members.iter_mut().find(|it| it.alarm == alarm) else { return };
        let stood = member.stands();
        let awaited = std::mem::take(&mut member.hand);
        match self.raised[alarm] {
            true if stood => self.all_rungs(at),
            true => {}
            false if awaited => self.fell(at, alarm, before),
            false => {}
        }
    }

    /// All rungs of all ladders, at once.
    fn all_rungs(&mut self, at: usize) {
        if matches!(self.calls[at].phase, Phase::Answered(_) | Phase::Asking(_)) {
            let who = self.calls[at].answerer;
            let ways = WAYS.into_iter().filter(|target| person(target) == who);
            ways.for_each(|target| self.tell(at, target, "call"));
        }
        let Some(rank) = self.standing(&self.calls[at]) else { return };
        let asked = self.asked_ladders(&self.calls[at]);
        for ladder in asked.iter().copied() {
            let last = self.house.ladders[ladder].rungs.len() - 1;
            self.begin(at, ladder, rank, last, 0);
            (0..=last).for_each(|rung| self.take(at, ladder, rank, rung));
        }
        let of = |member: &Member| self.house.alarms[member.alarm].ladder;
        let all: BTreeSet<usize> = self.calls[at].members.iter().map(of).collect();
        for ladder in all.difference(&asked) {
            for rung in 0..self.house.ladders[*ladder].rungs.len() {
                for target in self.whom(at, *ladder, rank, rung, true) {
                    if target == SIREN { self.tell_siren(at) } else { self.tell(at, target, "call") }
                }
            }
        }
        self.see_to_ladders(at);
    }
}
