//! Call-outs, as somebody would account for them with the page that describes them in one hand and
//! a pencil in the other: slow, with everything looked at anew at each moment, and sharing nothing
//! with the engine but names. What alarms do and what people say flows in with times; who is paged
//! when, and what for, flows out.

mod alarms;
mod call;
mod climbing;
mod heater;
mod house;
mod limits;
mod mass;
mod night;
mod people;
mod sight;
mod siren;
mod telling;
mod ways;

use call::{Call, Member, Phase, Spell};
use heater::Heater;
use house::person;
pub(crate) use house::{Alarm, Deed, House, LOST_FOR, Ladder, MINUTE, Rank, SIREN, Telling, WAYS, board};
use mass::Bursts;
use sight::Voice;
use siren::Siren;
use std::collections::{BTreeMap, BTreeSet};
use ways::{Amiss, Ways};

#[derive(Clone)]
pub(crate) struct Account<'a> {
    house: &'a House,
    now: i64,
    /// Since when each alarm's condition holds.
    true_since: Vec<Option<i64>>,
    /// Raised and not known to be over.
    raised: Vec<bool>,
    raises: Vec<Vec<i64>>,
    /// Each alarm's open spell, which has a code, and how many there were.
    spells: Vec<Option<Spell>>,
    begun: u32,
    /// Whether each alarm's `worse` is true.
    worse: Vec<bool>,
    calls: Vec<Call>,
    siren: Siren,
    bursts: Bursts,
    ways: Ways,
    /// How many pages have failed.
    failures: u32,
    /// When a way with a limit has carried something; and how many pages had to wait.
    carried: BTreeMap<&'static str, Vec<i64>>,
    planned: u32,
    voices: Vec<Voice>,
    heater: Heater,
}

impl<'a> Account<'a> {
    pub(crate) fn of(house: &'a House) -> Self {
        let many = house.alarms.len();
        Self {
            house,
            now: 0,
            true_since: vec![None; many],
            raised: vec![false; many],
            raises: vec![Vec::new(); many],
            spells: vec![None; many],
            begun: 0,
            worse: vec![false; many],
            calls: Vec::new(),
            siren: Siren::default(),
            bursts: Bursts::default(),
            ways: Ways::default(),
            failures: 0,
            carried: BTreeMap::new(),
            planned: 0,
            heater: Heater::default(),
            voices: vec![Voice::at_first(); house.switches()],
        }
    }

    // ------------------------------------------------------------------ time

    /// Lets all happen that falls due until then, one thing after the other.
    pub(crate) fn wait_until(&mut self, end: i64) {
        for _ in 0..100_000 {
            let Some((at, _, what)) = self.next_thing().filter(|(at, ..)| *at <= end) else {
                self.now = end;
                return;
            };
            self.now = self.now.max(at);
            self.happen(what);
            self.see_to_waiting();
        }
        panic!("time stands still at {}", self.now);
    }

    pub(crate) fn deed(&mut self, deed: Deed) {
        match deed {
            Deed::Draws => self.draws(true),
            Deed::Rests => self.draws(false),
            Deed::Sticks(sticks) => self.sticks(sticks),
            Deed::Silent(switch) => self.falls_silent(switch),
            Deed::Speaks(switch) => self.speaks(switch),
            Deed::Begins(switch) => {
                self.says(switch, true);
                for alarm in self.house.watching(switch) {
                    self.true_since[alarm] = self.true_since[alarm].or(Some(self.now));
                }
            }
            Deed::Ends(switch) => {
                self.says(switch, false);
                for alarm in self.house.watching(switch) {
                    self.true_since[alarm] = None;
                    if std::mem::take(&mut self.raised[alarm]) {
                        self.ends(alarm);
                    }
                }
            }
            Deed::Worsens(alarm) => {
                self.worse[alarm] = true;
                self.is_worse(alarm);
            }
            Deed::Eases(alarm) => self.worse[alarm] = false,
            Deed::Hush => self.hush(),
            Deed::Breaks(way) => drop(self.ways.amiss.insert(way, Amiss::Refuses)),
            Deed::PutsOff(way) => drop(self.ways.amiss.insert(way, Amiss::PutsOff)),
            Deed::Mends(way) => drop(self.ways.amiss.remove(way)),
            Deed::Answers(who, alarm) => self.answers(who, alarm, true, None),
            Deed::AnswersAll(who, alarm) => self.answers(who, alarm, false, None),
            Deed::Holds(who, alarm, minutes) => self.answers(who, alarm, true, Some(minutes)),
            Deed::Next(who, alarm) => self.presses_next(who, alarm),
            Deed::Restart => self.restarts(),
        }
        self.see_to_waiting();
        self.wait_until(self.now);
    }

    /// What is recorded is as it was; for how long something has been true is not known any more. A
    /// millisecond later all is heard that is not silent.
    fn restarts(&mut self) {
        let now = self.now + 1;
        for (since, raised) in self.true_since.iter_mut().zip(&self.raised) {
            *since = since.map(|since| if *raised { since } else { now });
        }
        self.sight_restarts();
        self.heater_restarts();
        self.limits_restart();
        self.ways.failed.clear();
        for call in &mut self.calls {
            // A watch that keeps falling over waits once, not again at each start.
            let loops = call.started.is_some_and(|last| self.now - last <= 5 * MINUTE);
            call.unheard = call.unheard.filter(|_| loops).or(Some(self.now));
            call.started = Some(self.now);
        }
        self.siren_hears_again();
    }

    /// A rung that is due before the watch has listened once waits for that, a minute at most.
    fn listens_until(&self, call: &Call) -> Option<i64> {
        call.unheard.map(|since| self.has_listened_by().map_or(since + MINUTE, |by| by.min(since + MINUTE)))
    }

    /// When something that is true, and not raised yet, will be.
    fn about_to_raise(&self, alarm: usize) -> Option<i64> {
        let since = self.true_since[alarm].filter(|_| !self.raised[alarm])?;
        Some(since + self.house.alarms[alarm].on_delay * 1_000)
    }

    /// The soonest of all that waits; of one moment in this order.
    fn next_thing(&self) -> Option<(i64, usize, Thing)> {
        let mut all = Vec::new();
        for alarm in 0..self.true_since.len() {
            all.extend(self.about_to_raise(alarm).map(|at| (at, 0, Thing::Raise(alarm))));
        }
        all.extend(self.heater_is_due().map(|at| (at, 0, Thing::Heater)));
        for switch in 0..self.voices.len() {
            all.extend(self.goes_blind(switch).map(|at| (at, 0, Thing::Blind(switch))));
        }
        for (at, call) in self.calls.iter().enumerate().filter(|(_, call)| call.phase != Phase::Over) {
            if !call.failed.is_empty() {
                all.push((self.now, 8, Thing::Failed(at)));
            }
            if let Some(since) = call.nothing_since {
                match call.phase {
                    Phase::ForMorning(until) if call.reached.is_empty() => {
                        all.push((until, 1, Thing::Morning(at)));
                    }
                    // What is true again and will be raised is not over.
                    _ => {
                        let settled = since + self.settle(call);
                        let settled =
                            self.listens_until(call).map_or(settled, |by| settled.max(by)).max(self.now);
                        let is_true =
                            |it: &&Member| self.true_since[it.alarm].is_some_and(|from| from <= settled);
                        let again = call.members.iter().filter(is_true);
                        let again = again.filter_map(|it| self.about_to_raise(it.alarm));
                        let settled = again.fold(settled, i64::max);
                        all.push((settled, 1, Thing::Settled(at)));
                    }
                }
                continue;
            }
            match call.phase {
                Phase::ForCause(until) | Phase::ForSight(until) => all.push((until, 2, Thing::HoldOver(at))),
                Phase::ForMorning(until) => all.push((until, 2, Thing::Morning(at))),
                Phase::Answered(until) => all.push((until, 2, Thing::LeaseOver(at))),
                Phase::Asking(until) => all.push((until, 2, Thing::NoWord(at))),
                Phase::Climbing => {
                    for ladder in self.asked_ladders(call) {
                        if let Some(climb) = call.climbs.get(&(ladder, self.standing(call).unwrap_or(0))) {
                            // All rungs go before this watch does.
                            let first = climb.next < self.house.ladders[ladder].rungs.len();
                            let due = if first && self.goes_dark() { self.now } else { climb.due };
                            let heard = self.listens_until(call);
                            all.push((heard.map_or(due, |at| due.max(at)), 5, Thing::Rung(at, ladder)));
                        }
                    }
                    all.extend(call.news.map(|(_, due)| (due, 6, Thing::News(at))));
                    all.extend(call.pressed.map(|(_, due)| (due, 4, Thing::Pressed(at))));
                }
                Phase::Over => {}
            }
            for member in call.members.iter().filter(|member| member.stands()) {
                let at_times = [member.anew, member.alone].into_iter().flatten();
                all.extend(at_times.map(|due| (due, 3, Thing::Anew(at, member.alarm))));
            }
        }
        let waiting = self.waiting().into_iter();
        all.extend(waiting.map(|(until, at, target)| (until, 7, Thing::Room(at, target))));
        all.extend(self.siren_is_due().map(|due| (due, 9, Thing::Siren)));
        all.into_iter().map(|(at, order, what)| (at.max(self.now), order, what)).min_by_key(|it| (it.0, it.1))
    }

    fn happen(&mut self, what: Thing) {
        match what {
            Thing::Siren => self.see_to_siren(),
            Thing::Heater => self.heater_is_seen(),
            Thing::Blind(switch) => self.is_blind(switch),
            Thing::Raise(alarm) => {
                self.see_to_bursts();
                self.raised[alarm] = true;
                self.begins_spell(alarm);
                self.raise(alarm);
                if self.house.alarms[alarm].cuts {
                    self.cuts();
                }
                if self.house.alarms[alarm].own_end {
                    self.says_dark(alarm);
                }
                self.is_worse(alarm);
            }
            Thing::Failed(at) => {
                let target = self.calls[at].failed.remove(0);
                self.failures += u32::from(self.amiss(target).is_some());
                self.fails(at, target);
            }
            Thing::Room(at, target) => self.tries_again(at, target),
            Thing::Settled(at) => {
                let reached = self.calls[at].reached.iter().copied();
                let told: Vec<&str> = self.missed(at).into_iter().chain(reached).collect();
                for target in told {
                    self.says_for_all(at, target);
                    self.tell(at, target, "clear");
                }
                self.calls[at].phase = Phase::Over;
                self.cut_is_forgotten();
            }
            Thing::Morning(at) if self.calls[at].nothing_since.is_some() => {
                let ladders: BTreeSet<usize> =
                    self.calls[at].members.iter().map(|it| self.house.alarms[it.alarm].ladder).collect();
                for ladder in ladders {
                    let rungs = self.house.ladders[ladder].rungs.len();
                    let first =
                        (0..rungs).map(|rung| self.whom(at, ladder, 0, rung, true)).find(|to| !to.is_empty());
                    first.unwrap_or_default().into_iter().for_each(|target| self.tell(at, target, "morning"));
                }
                self.calls[at].phase = Phase::Over;
                self.cut_is_forgotten();
            }
            Thing::Morning(at) | Thing::HoldOver(at) => self.climb_anew(at),
            Thing::LeaseOver(at) => match self.held_until(at) {
                Some(until) => self.calls[at].phase = Phase::ForMorning(until),
                None => self.ask(at),
            },
            Thing::NoWord(at) => self.nobody_said_a_word(at),
            Thing::Rung(at, ladder) => match self.held_until(at) {
                Some(until) => self.calls[at].phase = Phase::ForMorning(until),
                None => {
                    let rank = self.standing(&self.calls[at]).unwrap_or(0);
                    let next = self.calls[at].climbs[&(ladder, rank)].next;
                    match self.repeats_behind_news(at, ladder, rank) {
                        Some(due) => {
                            if let Some(climb) = self.calls[at].climbs.get_mut(&(ladder, rank)) {
                                (climb.due, climb.open) = (due, BTreeSet::new());
                            }
                        }
                        None => self.take(at, (ladder, rank), next, "call"),
                    }
                }
            },
            Thing::News(at) => {
                let Some((since, _)) = self.calls[at].news.take() else { return };
                for target in self.told_so_far(at) {
                    if self.last_told(at, target) < Some(since) {
                        self.tell(at, target, "call");
                    }
                }
            }
            Thing::Pressed(at) => {
                let Some((who, _)) = self.calls[at].pressed.take() else { return };
                for target in WAYS.into_iter().filter(|target| person(target) == who) {
                    self.tell(at, target, "news");
                }
            }
            Thing::Anew(at, alarm) => {
                let before = self.asked(at, Some(alarm));
                let now = self.now;
                if let Some(member) = self.calls[at].members.iter_mut().find(|it| it.alarm == alarm) {
                    (member.anew, member.alone, member.listed_only) = (None, None, false);
                    (member.covered, member.told, member.raised) = (false, None, now);
                }
                self.comes_in(at, alarm, before);
            }
        }
    }

    // ------------------------------------------------------------------ what stands

    fn standing(&self, call: &Call) -> Option<Rank> {
        call.members.iter().filter(|it| it.calls(self.now)).map(|it| self.house.alarms[it.alarm].rank).max()
    }

    fn asked_ladders(&self, call: &Call) -> BTreeSet<usize> {
        let rank = self.standing(call);
        let those = call.members.iter().filter(|it| it.calls(self.now));
        let those = those.map(|it| &self.house.alarms[it.alarm]).filter(|alarm| Some(alarm.rank) == rank);
        those.map(|alarm| alarm.ladder).collect()
    }

    /// The rank that something new of this alarm is held against.
    fn asked(&self, at: usize, but: Option<usize>) -> Option<Rank> {
        let call = &self.calls[at];
        let others = || call.members.iter().filter(move |it| Some(it.alarm) != but);
        let rank = |it: &Member| self.house.alarms[it.alarm].rank;
        match (call.phase, call.nothing_since) {
            (Phase::Answered(_) | Phase::Asking(_), _) => Some(call.covers),
            // The state before: what stood last.
            (_, Some(since)) => others().filter(|it| it.over == Some(since)).map(rank).max(),
            (_, None) => others().filter(|it| it.calls(self.now)).map(rank).max(),
        }
    }

    fn explains(&self, cause: usize, effect: usize) -> bool {
        let direct = &self.house.alarms[effect].causes;
        direct.iter().any(|(of, _)| *of == cause || self.explains(cause, *of))
    }

    fn settle(&self, call: &Call) -> i64 {
        let usual =
            call.members.iter().map(|it| self.house.ladders[self.house.alarms[it.alarm].ladder].settle);
        let usual = usual.max().unwrap_or(0) * MINUTE;
        if call.flickers { usual.max(60 * MINUTE) } else { usual }
    }

    fn is_explained(&self, at: usize, effect: usize) -> bool {
        let standing = self.calls[at].members.iter().filter(|it| it.stands() && it.alarm != effect);
        standing.into_iter().any(|cause| self.explains(cause.alarm, effect))
    }
}

#[derive(Clone, Copy, Debug)]
enum Thing {
    Raise(usize),
    Settled(usize),
    Morning(usize),
    HoldOver(usize),
    LeaseOver(usize),
    NoWord(usize),
    Rung(usize, usize),
    News(usize),
    Pressed(usize),
    Anew(usize, usize),
    Failed(usize),
    Room(usize, &'static str),
    Blind(usize),
    Heater,
    Siren,
}
