//! The siren: what it shall do is a wish of all call-outs together. It sounds while one that told
//! it climbs at the rank for which it was told, three minutes a rung and a quarter of an hour in
//! any hour; somebody beside it may hush it for ten minutes.

use super::Account;
use super::call::{Call, Phase};
use super::house::{CRITICAL, MINUTE, SIREN};

pub(super) const A_RUNG: i64 = 3 * MINUTE;
const AN_HOUR: i64 = 15 * MINUTE;
/// Once that is used up, it does not begin again for less.
const LEAST: i64 = 10_000;
const HUSH: i64 = 10 * MINUTE;

#[derive(Clone, Debug, Default)]
pub(super) struct Siren {
    /// From when to when it has sounded.
    sounded: Vec<(i64, i64)>,
    since: Option<i64>,
    hushed_until: i64,
    /// What it was told, when.
    pub(super) out: Vec<(i64, &'static str)>,
}

impl Siren {
    /// For how long in the hour before `at`, if what goes on goes on until then.
    fn sounding(&self, at: i64) -> i64 {
        let hour_ago = at - 60 * MINUTE;
        let stretches = self.sounded.iter().copied().chain(self.since.map(|since| (since, at)));
        stretches.map(|(from, until)| (until.min(at) - from.max(hour_ago)).max(0)).sum()
    }

    /// When the hour's share is used up if it goes on from now.
    fn used_up(&self, now: i64) -> i64 {
        let mut at = now;
        while at < now + A_RUNG && self.sounding(at) < AN_HOUR {
            at += AN_HOUR - self.sounding(at);
        }
        at
    }

    /// When the hour has room for it to begin.
    fn has_room(&self, now: i64) -> i64 {
        let mut at = now;
        while self.sounding(at) > AN_HOUR - LEAST {
            at += self.sounding(at) - (AN_HOUR - LEAST);
        }
        at
    }
}

impl Account<'_> {
    fn wants_it(&self, call: &Call) -> Option<i64> {
        let climbs = call.phase == Phase::Climbing && call.nothing_since.is_none();
        let (until, rank) = call.siren.filter(|_| climbs)?;
        (self.now < until && self.standing(call) >= Some(rank)).then_some(until)
    }

    /// A rung tells it, or news.
    pub(super) fn tell_siren(&mut self, at: usize) {
        let rank = self.standing(&self.calls[at]).filter(|rank| *rank == CRITICAL);
        let until = self.now + A_RUNG;
        if let Some(rank) = rank {
            self.calls[at].siren = Some((until, rank));
        }
    }

    pub(super) fn hush(&mut self) {
        self.siren.hushed_until = self.now + HUSH;
    }

    /// When it shall be looked at next: now, if it does not do what it shall.
    pub(super) fn siren_is_due(&self) -> Option<i64> {
        if self.siren_shall_sound() != self.siren.since.is_some() {
            return Some(self.now);
        }
        let wishes = self.calls.iter().filter_map(|call| self.wants_it(call));
        let hush = Some(self.siren.hushed_until);
        let share = match self.siren.since {
            Some(_) => self.siren.used_up(self.now),
            None => self.siren.has_room(self.now),
        };
        let all = wishes.chain(hush).chain([share]);
        all.filter(|at| *at > self.now).min()
    }

    fn siren_shall_sound(&self) -> bool {
        self.calls.iter().any(|call| self.wants_it(call).is_some())
            && self.now >= self.siren.hushed_until
            && match self.siren.since {
                Some(_) => self.siren.sounding(self.now) < AN_HOUR,
                None => self.siren.sounding(self.now) <= AN_HOUR - LEAST,
            }
    }

    pub(super) fn see_to_siren(&mut self) {
        match (self.siren.since, self.siren_shall_sound()) {
            (None, true) => {
                self.siren.since = Some(self.now);
                self.siren.out.push((self.now, "call"));
            }
            (Some(since), false) => {
                self.siren.since = None;
                self.siren.sounded.push((since, self.now));
                self.siren.out.push((self.now, "taken"));
            }
            (Some(_), true) | (None, false) => {}
        }
    }

    /// It is told again what it should do, if a call-out that runs has told it.
    pub(super) fn siren_hears_again(&mut self) {
        let told = |call: &Call| call.phase != Phase::Over && call.siren.is_some();
        if self.calls.iter().any(told) {
            let what = if self.siren.since.is_some() { "call" } else { "taken" };
            self.siren.out.push((self.now, what));
        }
    }

    /// What it was told, when; of one moment the last.
    pub(super) fn siren_pages(&self) -> impl Iterator<Item = (i64, String, &'static str)> {
        self.siren.out.iter().map(|(at, what)| (*at, SIREN.to_owned(), *what))
    }
}
