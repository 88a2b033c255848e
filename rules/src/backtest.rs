//! Backtests: readings of the past flow in, oldest first, are played through the real engine in
//! virtual time, and what would have rung flows out. A rule file can so be tried on a night that
//! really was, before the next one comes.
//!
//! Pages are counted and go nowhere. Stopgaps don't run: what a relay would have changed is not
//! in the readings. Where it is known when the watch ran, silence is silence; where it is not, a
//! stretch in which nothing at all was heard is a watch that was not running, and not a site full
//! of dead sensors.

mod limit;
mod spells;

pub use limit::{LimitError, with_limit};
pub use spells::{Marks, Spell, Spells};

use crate::engine::{Effect, Input, OperatorCommand};
use crate::plan::{AlarmId, Plan, SensorId};
use crate::reading::Value;
use crate::record::{Body, By, Outcome, Purpose};
use crate::sim::{Sim, SimWorld, Stuck};
use crate::time::{Moment, Now, Span, Wall};
use std::collections::{BTreeMap, VecDeque};

/// Nothing heard from any sensor for so long, and for longer than any of them may be silent, is
/// a hole in the history.
const HOLE: Span = Span::minutes(10);

/// The monotonic clock at the beginning: far enough from zero to look back.
const BEGIN: Moment = Moment(1_000_000_000);

/// What would have come.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Outcomes {
    /// Every time an alarm would have rung, in order of time.
    pub spells: Vec<Spell>,
    /// Calls that would have gone out, by the alarm that led the call-out. All-clears and the
    /// like are not counted.
    pub pages: BTreeMap<String, u64>,
    /// Readings that were played.
    pub readings: u64,
    /// Stretches that were played as a watch that was away: from when to when.
    pub away: Vec<(Wall, Wall)>,
    /// Why it could not be played to its end.
    pub stuck: Option<Stuck>,
}

/// A site of the past.
#[derive(Debug)]
pub struct Backtest {
    sim: Sim<Counter>,
    /// Nothing before this is reported: it only fills the windows.
    since: Wall,
    heard: Option<Wall>,
    /// Nothing heard for longer than this is a watch away: the most that a sensor of this past may
    /// be silent. Those that it has nothing of are not waited for.
    patience: Span,
    /// How long each sensor may be silent.
    silences: Vec<Span>,
    /// Records that have been looked at.
    seen: usize,
    spells: Spells,
    /// The code of each alarm's latest episode.
    codes: BTreeMap<String, String>,
    readings: u64,
    /// When the watch is known to have been away, of what is still to come; none if nobody knows.
    absences: Option<VecDeque<(Wall, Wall)>>,
    away: Vec<(Wall, Wall)>,
}

/// Counts pages instead of sending them.
#[derive(Debug)]
struct Counter {
    /// Pages before this are not counted.
    since: Wall,
    pages: BTreeMap<String, u64>,
}

impl SimWorld for Counter {
    fn carry_out(&mut self, now: &Now, effect: Effect, reports: &mut VecDeque<Input>) {
        reports.extend(match effect {
            Effect::Send { page, .. } => {
                let asks = matches!(page.purpose, Purpose::Call | Purpose::Digest);
                if asks && now.wall >= self.since {
                    *self.pages.entry(page.alarm).or_default() += 1;
                }
                let outcome = Outcome::Accepted { note: String::new() };
                Some(Input::Delivered { page: page.id, outcome })
            }
            Effect::Withdraw { .. } => None,
            // No alarm of this plan has a stopgap; an engine that commands is answered all the
            // same.
            Effect::Command { switching, .. } => Some(Input::Commanded { switching, failed: None }),
        });
    }
}

/// How long before the stretch of interest readings should begin: the longest that any of the
/// alarms looks back, and an hour for delays and what stands already.
pub fn lead_in(plan: &Plan) -> Span {
    let worse = plan.alarms.iter().filter_map(|alarm| alarm.worse.as_deref());
    let conditions = plan.alarms.iter().map(|alarm| &alarm.condition).chain(worse);
    conditions.map(crate::rehearsal::reach).max().unwrap_or(Span::ZERO) + Span::hours(1)
}

impl Plan {
    /// The plan with this alarm alone, which nothing explains: for playing it many times.
    pub fn only(&self, alarm: AlarmId) -> Plan {
        let mut alarm = self.alarm(alarm).clone();
        alarm.consequence_of.clear();
        Plan { alarms: vec![alarm], ..self.clone() }
    }
}

impl Backtest {
    /// A watch that begins at `start`, and of which is reported what rings from `since` on.
    pub fn new(plan: &Plan, start: Wall, since: Wall) -> Self {
        let mut plan = plan.clone();
        plan.alarms.iter_mut().for_each(|alarm| alarm.stopgap = None);
        let now = Now { mono: BEGIN, wall: start, wall_trusted: true };
        let silences = plan.sensors.iter().map(|sensor| sensor.stale_after).collect();
        let mut sim = Sim::new("backtest", plan, 1, now, Counter { since, pages: BTreeMap::new() });
        sim.start(Some(Span::ZERO));
        Self {
            sim,
            since,
            heard: None,
            patience: HOLE,
            silences,
            seen: 0,
            spells: Spells::default(),
            codes: BTreeMap::new(),
            readings: 0,
            absences: None,
            away: Vec::new(),
        }
    }

    /// Says when the watch was away, in order of time: what is silent at any other time is silent.
    pub fn knowing(mut self, absences: impl IntoIterator<Item = (Wall, Wall)>) -> Self {
        self.absences = Some(absences.into_iter().collect());
        self
    }

    /// A sensor said this. One that comes out of order counts as heard at the latest time so far.
    pub fn hear(&mut self, at: Wall, sensor: SensorId, value: Value) {
        self.come_to(at);
        self.heard = self.heard.max(Some(at));
        self.patience = self.patience.max(self.silences.get(sensor.index()).copied().unwrap_or(HOLE));
        self.readings += 1;
        self.sim.measure(sensor, value);
    }

    /// A person said this to the watch.
    pub fn say(&mut self, at: Wall, word: OperatorCommand, by: By) {
        self.run_to(at);
        self.sim.step(Input::Said { command: word, by });
    }

    /// A person answered for this alarm, if it would have rung by then.
    pub fn acknowledge(&mut self, at: Wall, alarm: &str, by: By) {
        self.run_to(at);
        self.look();
        if let Some(code) = self.codes.get(alarm).cloned() {
            self.sim.step(Input::Said { command: OperatorCommand::Acknowledge { code, length: None }, by });
        }
    }

    /// Ends it: what would have come until then.
    pub fn finish(mut self, until: Wall) -> Outcomes {
        match self.heard {
            // Nobody knows whether the watch came back.
            Some(heard) if self.absences.is_none() && until - heard > self.patience => {
                self.away.push((heard, until));
                self.sim.jump(self.moment(until));
            }
            Some(_) | None => self.come_to(until),
        }
        self.look();
        let Self { sim, since, spells, readings, away, .. } = self;
        let mut spells = spells.finish(sim.now.wall);
        spells.retain(|spell| spell.to >= since);
        Outcomes { spells, pages: sim.world.pages, readings, away, stuck: sim.stuck }
    }

    /// Lets time pass to the next reading, past what the watch did not see.
    fn come_to(&mut self, at: Wall) {
        let Some(absences) = &mut self.absences else {
            match self.heard {
                Some(heard) if at - heard > self.patience => self.pass_hole(heard, at),
                Some(_) | None => self.run_to(at),
            }
            return;
        };
        let mut passed = Vec::new();
        while let Some((from, to)) = absences.pop_front() {
            if from >= at {
                absences.push_front((from, to));
                break;
            }
            passed.push((from, to.min(at)));
        }
        for (from, to) in passed {
            let from = from.max(self.sim.now.wall);
            if from < to {
                self.run_to(from);
                self.pass_hole(from, to);
            }
        }
        self.run_to(at);
    }

    /// The watch ends at one time, and begins again at another.
    fn pass_hole(&mut self, from: Wall, to: Wall) {
        self.away.push((from, to));
        self.look();
        let horizon = self.sim.engine.horizon();
        self.sim.records.retain(|record| record.seq >= horizon);
        self.seen = self.sim.records.len();
        let away = self.moment(to) - self.sim.now.mono;
        self.sim.restart(away.max(Span::ZERO), Some(to - from));
    }

    fn moment(&self, at: Wall) -> Moment {
        self.sim.now.mono + (at - self.sim.now.wall)
    }

    fn run_to(&mut self, end: Wall) {
        self.sim.run_to(self.moment(end));
    }

    /// Takes what was recorded since it last looked.
    fn look(&mut self) {
        for record in self.sim.records.iter().skip(self.seen) {
            self.spells.take(record);
            if let Body::Raised { alarm, code, .. } = &record.body {
                self.codes.insert(alarm.clone(), code.clone());
            }
        }
        self.seen = self.sim.records.len();
    }
}

#[cfg(test)]
mod tests;
