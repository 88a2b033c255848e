//! Backtests: readings of the past flow in, oldest first, are played through the real engine in
//! virtual time, and what would have rung flows out. A rule file can so be tried on a night that
//! really was, before the next one comes.
//!
//! Pages are counted and go nowhere. Stopgaps don't run: what a relay would have changed is not
//! in the readings. A stretch in which nothing at all was heard is a watch that was not running,
//! and not a site full of dead sensors.

mod limit;
mod spells;

pub use limit::{LimitError, with_limit};
pub use spells::{Marks, Spell, Spells};

use crate::engine::{Delivery, Effect, Engine, Input, Link, OperatorCommand};
use crate::plan::{AlarmId, Plan, SensorId};
use crate::reading::Value;
use crate::record::{Body, By, Outcome, Purpose, Record};
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
    /// Stretches in which nothing at all was heard.
    pub holes: u64,
}

/// A site of the past.
#[derive(Debug)]
pub struct Backtest {
    engine: Engine,
    now: Now,
    /// Nothing before this is reported: it only fills the windows.
    since: Wall,
    heard: Option<Wall>,
    patience: Span,
    /// Still needed by the engine after a hole.
    records: Vec<Record>,
    spells: Spells,
    /// The code of each alarm's latest episode.
    codes: BTreeMap<String, String>,
    outcomes: Outcomes,
}

/// How long before the stretch of interest readings should begin: the longest that any of the
/// alarms looks back, and an hour for delays and what stands already.
pub fn lead_in(plan: &Plan) -> Span {
    let worse = plan.alarms.iter().filter_map(|alarm| alarm.worse.as_ref());
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
        let longest = plan.sensors.iter().map(|sensor| sensor.stale_after).max();
        let mut backtest = Self {
            engine: Engine::new(plan, 1, 1, now),
            now,
            since,
            heard: None,
            patience: longest.unwrap_or(HOLE).max(HOLE),
            records: Vec::new(),
            spells: Spells::default(),
            codes: BTreeMap::new(),
            outcomes: Outcomes::default(),
        };
        backtest.begin(Some(Span::ZERO));
        backtest
    }

    fn begin(&mut self, gap: Option<Span>) {
        self.step(Input::Started { version: "backtest".to_owned(), gap });
        self.step(Input::Link(Link::Hears));
    }

    /// A sensor said this. One that comes out of order counts as heard at the latest time so far.
    pub fn hear(&mut self, at: Wall, sensor: SensorId, value: Value) {
        match self.heard {
            Some(heard) if at - heard > self.patience => self.pass_hole(heard, at),
            Some(_) | None => self.run_to(at),
        }
        self.heard = self.heard.max(Some(at));
        self.outcomes.readings += 1;
        self.step(Input::Measured { sensor, value, delivery: Delivery::Live });
    }

    /// A person said this to the watch.
    pub fn say(&mut self, at: Wall, word: OperatorCommand, by: By) {
        self.run_to(at);
        self.step(Input::Said { command: word, by });
    }

    /// A person answered for this alarm, if it would have rung by then.
    pub fn acknowledge(&mut self, at: Wall, alarm: &str, by: By) {
        self.run_to(at);
        if let Some(code) = self.codes.get(alarm).cloned() {
            self.step(Input::Said { command: OperatorCommand::Acknowledge { code }, by });
        }
    }

    /// Ends it: what would have come until then.
    pub fn finish(mut self, until: Wall) -> Outcomes {
        match self.heard {
            Some(heard) if until - heard > self.patience => self.jump(until),
            Some(_) | None => self.run_to(until),
        }
        let since = self.since;
        let mut spells = self.spells.finish(self.now.wall);
        spells.retain(|spell| spell.to >= since);
        Outcomes { spells, ..self.outcomes }
    }

    /// The watch ends after the last reading and begins again with the next.
    fn pass_hole(&mut self, heard: Wall, at: Wall) {
        self.outcomes.holes += 1;
        self.jump(at);
        let horizon = self.engine.horizon();
        self.records.retain(|record| record.seq >= horizon);
        let next = self.engine.next_seq();
        let mut engine = Engine::new(self.engine.plan().clone(), 1, next, self.now);
        engine.restore(&self.records);
        self.engine = engine;
        self.begin(Some(at - heard));
    }

    fn run_to(&mut self, end: Wall) {
        let end_mono = self.now.mono + (end - self.now.wall);
        while let Some((due, _)) = self.engine.next_deadline().filter(|(due, _)| *due <= end_mono) {
            self.jump(self.now.wall + (due - self.now.mono));
            self.step(Input::Tick);
        }
        self.jump(end);
    }

    fn jump(&mut self, to: Wall) {
        let ahead = (to - self.now.wall).max(Span::ZERO);
        self.now.mono = self.now.mono + ahead;
        self.now.wall = self.now.wall + ahead;
    }

    fn step(&mut self, input: Input) {
        let mut next = Some(input);
        // Most turns end here: what their effects come to is allocated only if there are any.
        let mut open = VecDeque::new();
        while let Some(input) = next {
            let turn = self.engine.step(self.now, input);
            for record in &turn.records {
                self.spells.take(record);
                if let Body::Raised { alarm, code, .. } = &record.body {
                    self.codes.insert(alarm.clone(), code.clone());
                }
            }
            self.records.extend(turn.records);
            open.extend(turn.effects.into_iter().filter_map(|effect| self.carry_out(effect)));
            next = open.pop_front();
        }
    }

    fn carry_out(&mut self, effect: Effect) -> Option<Input> {
        match effect {
            Effect::Send { page, .. } => {
                let asks = matches!(page.purpose, Purpose::Call | Purpose::Digest);
                if asks && self.now.wall >= self.since {
                    *self.outcomes.pages.entry(page.alarm).or_default() += 1;
                }
                let outcome = Outcome::Accepted { note: String::new() };
                Some(Input::Delivered { page: page.id, outcome })
            }
            Effect::Withdraw { .. } => None,
            // No alarm of this plan has a stopgap; an engine that commands is answered all the same.
            Effect::Command { switching, .. } => Some(Input::Commanded { switching, failed: None }),
        }
    }
}

#[cfg(test)]
mod tests;
