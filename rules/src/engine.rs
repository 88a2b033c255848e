//! The engine: one value that owns all state, and one function that changes it. An [`Input`]
//! comes in with the time, a [`Turn`] goes out: records to be kept, effects to be run once the
//! records are safe, samples for the history. `step` cannot fail, since bad data are inputs
//! like any other, and an early wake-up changes nothing.
//!
//! Inside are components, each with private state, `on_*` methods and its own `apply`. None calls
//! another: each decides on a read-only [`Context`](context::Context) and says what follows as
//! [`Task`](task::Task)s, which one bounded queue hands out, first in, first out. State is of two
//! kinds. What comes from readings (values, truths, delays that run) is lost at a restart on
//! purpose: it has to be seen again. (Windows alone are told of the past.) What lasts (episodes,
//! call-outs, work, running stopgaps) changes only in `apply`, by records; a restart applies the
//! journal's records and is where it was. Pages are worded when the queue is empty, so that they
//! say all that has followed.

mod alarms;
mod availability;
mod backfill;
mod callouts;
mod components;
mod context;
mod delivery;
mod dispatch;
mod drills;
mod forecasts;
mod ground;
mod index;
mod input;
mod losses;
mod operator;
mod outage;
mod piece;
mod queue;
mod relays;
mod reload;
#[cfg(test)]
mod rig;
mod sensed;
mod sensors;
mod status;
mod task;
mod timers;
mod turn;
mod views;
mod work;
mod world;

pub use crate::reading::Arrival;
pub use backfill::{PastWork, Recollection};
pub use drills::{DrillsView, ProofView};
pub use input::{Health, Input, Link};
pub use operator::{OperatorCommand, Silence};
pub use outage::{Course, OutageView};
pub use status::{
    AlarmView, CallView, DeadlineView, Explanation, HouseView, OpenCall, OpenMatter, PutAside, RelayInHand,
    RelayView, SeenReading, SensorView, Status, WaterAhead,
};
pub use timers::DeadlineReason;
pub use turn::{Effect, Reply, Sample, Turn};
pub use views::Answerable;

use crate::alarm::Aside;
use crate::ids::{AlarmId, RelayId, Seq};
use crate::plan::{Part, Plan};
use crate::record::{Body, Record};
use crate::time::{Moment, Now, Span};
use components::Components;
use index::Index;
use queue::{Backlog, Queue};
use std::collections::BTreeSet;
use std::sync::Arc;
use task::{Spare, Task};
use timers::Timers;

/// A wall clock that moves by more than this against the monotonic one was set. Time services
/// that are near the truth slew it instead, and no crystal does as much between two turns.
const CLOCK_SET: Span = Span::seconds(5);

/// The watch over one site.
#[derive(Debug)]
pub struct Engine {
    /// Shared with who shows it: with ten thousand alarms it has megabytes.
    plan: Arc<Plan>,
    index: Index,
    seed: u64,
    next_seq: Seq,
    now: Now,
    parts: Components,
    queue: Queue,
    timers: Timers,
    turn: Turn,
    /// Pages that leave as soon as the queue is empty.
    leaving: Vec<Seq>,
    /// So many of the turn's records have had their words.
    worded: usize,
    /// The record of this life's start, while pages of earlier ones have not been taken up again.
    /// Steps that fell due meanwhile come first: their pages may make older ones needless.
    resuming: Option<Seq>,
    /// The rules are told to chase each other.
    in_a_loop: bool,
    /// The number that the first record of this turn has.
    turn_from: Seq,
    /// Something has been decided in this life.
    awake: bool,
    spare: Spare,
}

/// What there is to record if the wall clock was set between two turns, or began to be trusted.
fn clock_set(before: Now, now: Now) -> Option<Body> {
    let by = now.wall - before.wall_at(now.mono);
    let (was_trusted, trusted) = (before.wall_trusted, now.wall_trusted);
    let set = by.0.saturating_abs() >= CLOCK_SET.0 || (trusted && !was_trusted);
    let by = if by.0.saturating_abs() < 1_000 { Span::ZERO } else { by };
    set.then_some(Body::ClockSet { by, was_trusted, trusted })
}

/// What can change in one moment.
fn things(plan: &Plan) -> usize {
    plan.alarms.len() + plan.sensors.len() + plan.watched.len()
}

/// Whether something waits or has fallen due, or a page may have to be worded: after most
/// readings nothing has.
fn has_work(engine: &Engine) -> bool {
    !engine.queue.is_empty()
        || !engine.leaving.is_empty()
        || engine.worded < engine.turn.records.len()
        || engine.resuming.is_some()
        || engine.parts.callouts.any_waits()
        || (engine.awake && engine.parts.callouts.any_touched())
        || engine.timers.first().is_some_and(|first| first <= engine.now.mono)
}

impl Engine {
    /// A watch that remembers nothing yet. `seed` keeps answer codes from being guessed: made
    /// once at random for a site, and the same ever after. `next_seq` is the number of the
    /// first record it will make.
    pub fn new(plan: Plan, seed: u64, next_seq: Seq, now: Now) -> Self {
        let index = Index::of(&plan);
        Self {
            parts: Components::new(&plan, &index, now.mono),
            index,
            queue: Queue::for_plan_of(things(&plan)),
            plan: Arc::new(plan),
            seed,
            next_seq,
            now,
            timers: Timers::default(),
            turn: Turn::default(),
            leaving: Vec::new(),
            worded: 0,
            resuming: None,
            in_a_loop: false,
            turn_from: next_seq,
            awake: false,
            spare: Spare::default(),
        }
    }

    /// Applies records of earlier lives, the oldest first, their moments already told on the
    /// present clock. Comes before the first [`Engine::step`]; records from
    /// [`Engine::horizon`] on are enough.
    pub fn restore<'a>(&mut self, records: impl IntoIterator<Item = &'a Record>) {
        for record in records {
            let (ground, parts) = self.split();
            parts.apply(&ground, record);
            self.next_seq = self.next_seq.max(record.seq + 1);
        }
        self.parts.forget_what_is_done();
    }

    /// Takes what happened at `now` and says what is to be kept and done: first the records, then,
    /// when they are safe, the effects.
    ///
    /// ```
    /// use slackwater_rules::engine::{Arrival, Engine, Input};
    /// use slackwater_rules::plan::{Directory, Plan, Surroundings};
    /// use slackwater_rules::record::Body;
    /// use slackwater_rules::time::{Moment, Now, Wall};
    ///
    /// let text = r#"
    /// [sensor.lagoon-temp]
    /// topic    = "lagoon/temperature"
    /// measures = "temperature"
    /// unit     = "degC"
    /// every    = "10 s"
    ///
    /// [alarm.lagoon-cold]
    /// when     = "lagoon-temp < 23 degC"
    /// priority = "high"
    /// "#;
    /// let around = Surroundings { directory: Directory::default(), zone: jiff::tz::TimeZone::UTC,
    /// today: None }; let plan = Plan::check("rules.toml", text, &around).plan.expect("it is
    /// sound");
    ///
    /// let at = |ms: i64| Now { mono: Moment(ms), wall: Wall(1_790_000_000_000 + ms), wall_trusted:
    /// true }; let mut engine = Engine::new(plan, 7, 1, at(0)); engine.step(at(0), Input::Started {
    /// version: "example".into(), gap: None }); let turn = engine.step(at(1_000), Input::Message {
    ///     topic: "lagoon/temperature".into(),
    ///     payload: b"22.4".to_vec(),
    ///     delivery: Arrival::Live,
    /// });
    /// assert!(turn.records.iter().any(|record| matches!(record.body, Body::Raised { .. })));
    /// ```
    pub fn step(&mut self, now: Now, input: Input) -> Turn {
        // The clock that delays run on never goes back; if a caller's did, time stands still.
        let before = self.now;
        self.now = Now { mono: now.mono.max(before.mono), ..now };
        self.turn_from = self.next_seq;
        self.parts.sensors.on_clock(now.wall_trusted);
        if let Some(set) = clock_set(before, self.now) {
            self.decide(|_, next| {
                next.record(set);
            });
        }
        if before.wall_trusted != self.now.wall_trusted && self.awake {
            self.queue.push(Task::MindDrills);
        }
        self.queue.begin();
        if self.queue.may_go_on(self.now.mono) && has_work(self) {
            self.work_off();
        }
        self.take(input);
        // What the input made due at once belongs to the same turn.
        if has_work(self) {
            self.work_off();
        }
        self.end_turn()
    }

    /// Goes on with another plan. Nothing that stands is forgotten.
    pub fn adopt(&mut self, now: Now, plan: Plan) -> Turn {
        self.now = Now { mono: now.mono.max(self.now.mono), ..now };
        let changes = reload::changes(&self.plan, &plan);
        let has = |name: &str| plan.relays.iter().any(|relay| relay.name == *name);
        let named: BTreeSet<&String> = plan.alarms.iter().map(|alarm| &alarm.name).collect();
        let relays: Vec<_> = (0..).map(RelayId).zip(&self.plan.relays).collect();
        let relays: Vec<_> =
            relays.into_iter().filter(|(_, relay)| !has(&relay.name)).map(|(id, _)| id).collect();
        let alarms = (0..).map(AlarmId).zip(&self.plan.alarms);
        let alarms = alarms.filter(|(_, alarm)| !named.contains(&alarm.name));
        let alarms: Vec<_> = alarms.map(|(id, _)| id).collect();
        self.decide(|cx, next| cx.relays.on_plan_without(cx, &relays, next));
        self.decide(|cx, next| cx.operator.on_plan_without(cx, &alarms, next));
        self.decide(|cx, next| cx.alarms.on_stop(cx, next));
        // What follows from that is seen to under the old plan, whose places it names.
        for _ in 0..self.queue.longest() {
            self.queue.begin();
            while let Some(task) = self.queue.take() {
                self.run(task);
            }
        }
        self.queue.forget_places();

        let old = std::mem::replace(&mut self.plan, Arc::new(plan));
        // What is known of the old plan goes before what is known of the new one comes: both may be
        // large.
        self.index = Index::default();
        self.index = Index::of(&self.plan);
        self.queue.expect(things(&self.plan));
        self.timers = Timers::default();
        self.parts.carry_over(&old, (&self.plan, &self.index), self.now.mono);
        drop(old);
        self.decide(|_, next| {
            next.record(Body::Reloaded { changes });
        });
        self.set_out();
        self.queue.begin();
        self.work_off();
        self.end_turn()
    }

    /// Begins to tell them of the time since `since`, on the present clock, between two turns; and
    /// of the work that went on meanwhile, which they shall not see.
    pub fn recollect<'e>(&'e mut self, since: Moment, works: &'e [PastWork]) -> Recollection<'e> {
        Recollection::begin(&self.plan, &mut self.parts.alarms, (since, self.now.mono), works)
    }

    /// Does what waits and what falls due, as much as one turn takes on.
    fn work_off(&mut self) {
        // What is restored has no deadlines before the start is recorded.
        if self.awake && self.parts.callouts.any_waits() {
            self.parts.callouts.touch_those_that_wait();
        }
        loop {
            while let Some(task) = self.queue.take() {
                self.run(task);
            }
            // Once for all that has touched them.
            if self.awake {
                self.arm_call_outs();
            }
            if self.queue.is_full() {
                return;
            }
            self.word_pages();
            if let Some(reason) = self.timers.pop_due(self.now.mono) {
                self.queue.push(Task::Due(reason));
            } else if let Some(started) = self.resuming.take() {
                self.decide(|cx, next| cx.delivery.on_resume(cx, started, next));
            } else {
                return;
            }
        }
    }

    fn end_turn(&mut self) -> Turn {
        self.arm_call_outs();
        let mut pace = self.queue.end(self.timers.first(), self.now.mono);
        if (pace == Backlog::Loop) != self.in_a_loop && pace != Backlog::Unfinished {
            self.in_a_loop = pace == Backlog::Loop;
            // That the rules chase each other is trouble of a part of the watch, like others.
            let health = match self.in_a_loop {
                true => {
                    Health::Fails { why: queue::loop_words(self.queue.longest(), self.turn.records.last()) }
                }
                false => Health::Well,
            };
            let mut next = self.spare.take(self.next_seq, self.now);
            self.parts.sensors.on_health(Part::Rules, health, &mut next);
            self.settle(next);
            if pace == Backlog::Done {
                self.work_off();
                pace = self.queue.end(self.timers.first(), self.now.mono);
            }
        }
        if pace == Backlog::Loop
            && let Some(started) = self.resuming.take()
        {
            self.decide(|cx, next| cx.delivery.on_resume(cx, started, next));
        }
        self.word_pages();
        if self.queue.is_empty() && self.parts.callouts.any_over() {
            self.parts.forget_what_is_done();
        }
        self.worded = 0;
        std::mem::take(&mut self.turn)
    }

    /// Pages are worded as things stand now, and leave; the first lines of those that wait are kept
    /// as well.
    fn word_pages(&mut self) {
        let worded = std::mem::replace(&mut self.worded, self.turn.records.len());
        if self.leaving.is_empty() && worded == self.worded {
            return;
        }
        let mut leaving = std::mem::take(&mut self.leaving);
        leaving.sort_unstable();
        leaving.dedup();
        let cx = self.context();
        let page_of = |id: Seq| cx.delivery.get(id).and_then(|sent| Some((sent, cx.worded(sent)?)));
        let pages: Vec<_> = leaving
            .iter()
            .filter_map(|id| page_of(*id))
            .filter(|(sent, _)| sent.is_pending())
            .map(|(sent, page)| (sent.target.clone(), page))
            .collect();
        let planned =
            self.turn.records.iter().skip(worded).filter(|record| matches!(record.body, Body::Paged { .. }));
        let headlines: Vec<_> = planned
            .filter_map(|record| {
                let leaves = pages.iter().find(|(_, page)| page.id == record.seq);
                let headline = leaves.map(|(_, page)| page.headline.clone());
                Some((record.seq, headline.or_else(|| Some(page_of(record.seq)?.1.headline))?))
            })
            .collect();
        for (seq, words) in headlines {
            let record = self.turn.records.iter_mut().find(|record| record.seq == seq);
            if let Some(Body::Paged { headline, .. }) = record.map(|record| &mut record.body) {
                *headline = words;
            }
        }
        pages.iter().for_each(|(target, page)| self.parts.delivery.on_left(target, page.id));
        self.turn
            .effects
            .extend(pages.into_iter().map(|(target, page)| Effect::Send { target, page: Box::new(page) }));
    }
}

#[cfg(test)]
mod tests;
