//! A heater that an alarm cuts. A meter says every two minutes whether it draws; the cut has half a
//! minute to show, and is tried three times. What was cut keeps its call-out standing until a
//! person has switched it back; if it is seen to draw against the watch's will, that is told to
//! everybody of all rungs at once, whoever has it and however late the meter says so; if nothing is
//! seen of the last try, to those told so far.

use super::Account;
use super::call::{Member, Phase};
use super::house::{MINUTE, SIREN, WAYS, person};
use std::collections::BTreeSet;

/// So long a cut may take to show, and so long it must be seen that it draws all the same.
const SEEN: i64 = 29_000;
/// The meter's pace.
const EVERY: i64 = 2 * MINUTE;
const TRIES: u32 = 3;
/// Between two cuts.
const PAUSE: i64 = MINUTE;

#[derive(Clone, Debug)]
pub(super) struct Heater {
    draws: bool,
    /// The meter spoke then, and at its pace after.
    spoke: i64,
    /// The relay does nothing any more.
    sticks: bool,
    /// When it was last cut, but for further tries.
    last: Option<i64>,
    /// When the watch began.
    started: i64,
    cut: Option<Cut>,
}

#[derive(Clone, Debug)]
struct Cut {
    /// The latest try; none as long as it pauses.
    at: Option<i64>,
    tries: u32,
    proof: Proof,
    /// It was seen to draw after a try.
    disobeyed: bool,
    /// Since when it draws again after it was off.
    turned: Option<i64>,
    /// A person has switched it on, and it is left alone.
    alone: bool,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Proof {
    Awaited,
    Off,
    Draws,
    Unknown,
}

impl Cut {
    /// Nobody knows whether it draws, nor was told that it does.
    fn awaits_word(&self) -> bool {
        self.proof == Proof::Unknown && !self.disobeyed
    }
}

impl Default for Heater {
    fn default() -> Self {
        Self { draws: true, spoke: -5 * MINUTE, sticks: false, last: None, started: -5 * MINUTE, cut: None }
    }
}

impl Heater {
    /// The first time from then on at which the meter speaks.
    fn speaks(&self, from: i64) -> i64 {
        let since = (from - self.spoke).max(0) as u64;
        self.spoke + since.div_ceil(EVERY as u64) as i64 * EVERY
    }

    /// When the meter has spoken last.
    fn heard(&self, now: i64) -> i64 {
        self.spoke.max(self.speaks(now + 1) - EVERY)
    }

    fn orders(&mut self, now: i64, tries: u32, disobeyed: bool) {
        if tries == 1 {
            self.last = Some(now);
        }
        self.cut =
            Some(Cut { at: Some(now), tries, proof: Proof::Awaited, disobeyed, turned: None, alone: false });
        if !self.sticks {
            (self.draws, self.spoke) = (false, now + 1);
        }
    }

    /// When something follows from what the meter says, or does not say.
    fn due(&self, now: i64, raised: bool) -> Option<i64> {
        let cut = self.cut.as_ref().filter(|cut| !cut.alone)?;
        let Some(at) = cut.at else { return self.last.map(|last| last + PAUSE) };
        let shows = self.speaks(now.max(at + 1));
        let over = at.max(self.started) + SEEN;
        match cut.proof {
            Proof::Awaited if self.draws => Some(over),
            Proof::Awaited => Some(shows.min(over)),
            Proof::Off if self.draws => Some(cut.turned.map_or(shows, |turned| turned + SEEN)),
            Proof::Off => cut.turned.map(|_| shows),
            Proof::Draws | Proof::Unknown => {
                let again = (raised && cut.tries < TRIES).then_some(over);
                let seen = if self.heard(now) > at { over.max(now) } else { shows.max(over) };
                let told = (raised && cut.awaits_word() && self.draws).then_some(seen);
                again.into_iter().chain(told).chain((!self.draws).then_some(shows)).min()
            }
        }
    }
}

impl Account<'_> {
    /// Its alarm is raised. What is still cut goes on as it was.
    pub(super) fn cuts(&mut self) {
        if self.heater.cut.is_some() {
            return;
        }
        match self.heater.last.filter(|last| last + PAUSE > self.now) {
            None => self.heater.orders(self.now, 1, false),
            Some(_) => {
                let (proof, turned) = (Proof::Awaited, None);
                self.heater.cut =
                    Some(Cut { at: None, tries: 0, proof, disobeyed: false, turned, alone: false });
            }
        }
    }

    /// Its alarm is over: what was never cut, or was left alone, is no matter any more.
    pub(super) fn cut_for_nothing(&mut self) {
        self.heater.cut = self.heater.cut.take().filter(|cut| cut.at.is_some() && !cut.alone);
    }

    /// Nothing speaks of it any more.
    pub(super) fn cut_is_forgotten(&mut self) {
        let spoken_of = (0..self.house.alarms.len()).any(|alarm| {
            self.house.alarms[alarm].cuts && (self.raised[alarm] || self.call_of(alarm).is_some())
        });
        if !spoken_of {
            self.heater.cut = None;
        }
    }

    pub(super) fn draws(&mut self, draws: bool) {
        (self.heater.draws, self.heater.spoke) = (draws, self.now);
    }

    pub(super) fn sticks(&mut self, sticks: bool) {
        self.heater.sticks = sticks;
    }

    /// The watch begins: for how long it has drawn is not known any more.
    pub(super) fn heater_restarts(&mut self) {
        (self.heater.spoke, self.heater.started) = (self.now + 1, self.now);
        self.heater.cut.iter_mut().for_each(|cut| cut.turned = None);
    }

    fn heaters_alarm(&self) -> Option<usize> {
        self.house.alarms.iter().position(|alarm| alarm.cuts)
    }

    pub(super) fn heater_is_due(&self) -> Option<i64> {
        self.heater.due(self.now, self.raised[self.heaters_alarm()?])
    }

    /// Whether a person has to switch back what this alarm cut.
    pub(super) fn waits_for_hand(&self, alarm: usize) -> bool {
        let is_off = |cut: &Cut| cut.proof == Proof::Off && !cut.alone;
        self.house.alarms[alarm].cuts && self.heater.cut.as_ref().is_some_and(is_off)
    }

    pub(super) fn heater_is_seen(&mut self) {
        let Some(alarm) = self.heaters_alarm() else { return };
        let (now, raised, draws) = (self.now, self.raised[alarm], self.heater.draws);
        let said = now >= self.heater.spoke && self.heater.speaks(now) == now;
        let latest = self.heater.heard(now);
        let Some(mut cut) = self.heater.cut.take() else { return };
        let Some(at) = cut.at else { return self.heater.orders(now, 1, false) };
        let seen = latest > at && latest <= now;
        match cut.proof {
            Proof::Awaited | Proof::Draws | Proof::Unknown if said && !draws => {
                (cut.proof, cut.disobeyed) = (Proof::Off, false);
                self.heater.cut = Some(cut);
                if !raised {
                    self.hand(alarm, true);
                }
            }
            _ if cut.proof == Proof::Awaited || (cut.awaits_word() && seen) => {
                let is_news = !cut.disobeyed && (seen || cut.tries == TRIES);
                (cut.proof, cut.disobeyed) =
                    if seen { (Proof::Draws, true) } else { (Proof::Unknown, cut.disobeyed) };
                self.heater.cut = Some(cut);
                let Some(at) = self.call_of(alarm).filter(|_| is_news) else { return };
                match (seen, &self.calls[at].phase) {
                    _ if self.calls[at].nothing_since.is_some() => {}
                    (true, _) => self.all_rungs(at),
                    (false, Phase::Answered(_) | Phase::Asking(_)) => self.breaks_through(at),
                    (false, _) => self.news(at),
                }
                self.see_to_ladders(at);
            }
            Proof::Awaited | Proof::Draws | Proof::Unknown => {
                self.heater.orders(now, cut.tries + 1, cut.disobeyed)
            }
            Proof::Off if !draws => {
                cut.turned = None;
                self.heater.cut = Some(cut);
            }
            Proof::Off if cut.turned.is_none() => {
                cut.turned = Some(now);
                self.heater.cut = Some(cut);
            }
            Proof::Off if raised => {
                cut.alone = true;
                self.heater.cut = Some(cut);
                if let Some(at) = self.call_of(alarm).filter(|at| self.calls[*at].nothing_since.is_none()) {
                    self.all_rungs(at);
                }
            }
            // Nobody wants it cut any more: whoever switched it back was right to.
            Proof::Off => self.hand(alarm, false),
        }
    }

    /// What is over waits for a person from now on, or does not any more.
    fn hand(&mut self, alarm: usize, awaited: bool) {
        let Some(at) = self.call_of(alarm) else { return };
        let before = self.standing(&self.calls[at]);
        let Some(member) = self.calls[at].members.iter_mut().find(|it| it.alarm == alarm) else { return };
        let was = std::mem::replace(&mut member.hand, awaited);
        match awaited {
            true => {
                self.stands_again(at);
                self.see_to_ladders(at);
            }
            false if was => self.fell(at, alarm, before),
            false => {}
        }
    }

    /// All rungs of all ladders, at once.
    fn all_rungs(&mut self, at: usize) {
        if matches!(self.calls[at].phase, Phase::Answered(_) | Phase::Asking(_)) {
            let who = self.calls[at].answerer;
            let ways = WAYS.into_iter().filter(|target| person(target) == who);
            ways.for_each(|target| self.tell(at, target, "news"));
        }
        let Some(rank) = self.standing(&self.calls[at]) else { return };
        let asked = self.asked_ladders(&self.calls[at]);
        for ladder in asked.iter().copied() {
            let last = self.house.ladders[ladder].rungs.len() - 1;
            self.begin(at, ladder, rank, last, 0);
            (0..=last).for_each(|rung| self.take(at, (ladder, rank), rung, "news"));
        }
        let of = |member: &Member| self.house.alarms[member.alarm].ladder;
        let all: BTreeSet<usize> = self.calls[at].members.iter().map(of).collect();
        for ladder in all.difference(&asked) {
            for rung in 0..self.house.ladders[*ladder].rungs.len() {
                for target in self.whom(at, *ladder, rank, rung, true) {
                    if target == SIREN { self.tell_siren(at) } else { self.tell(at, target, "news") }
                }
            }
        }
        self.see_to_ladders(at);
    }
}
