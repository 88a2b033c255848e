//! The engine: one value that owns all state, and one function that changes it. An [`Input`]
//! comes in with the time, a [`Turn`] goes out: records to be kept, effects to be run once the
//! records are safe, samples for the history. `step` cannot fail, since bad data are inputs
//! like any other, and an early wake-up changes nothing.
//!
//! State is of two kinds. What comes from readings (values, truths, delays that run) is lost
//! at a restart on purpose: it has to be seen again. (Windows alone are told of the past.) What lasts (episodes, call-outs, work,
//! running stopgaps) changes only in `apply`, by records; a restart applies the journal's
//! records and is where it was.

mod alarms;
mod apply;
mod availability;
mod backfill;
mod callouts;
mod delivery;
mod forecasts;
mod input;
mod notices;
mod operator;
mod quota;
mod relays;
mod reload;
mod self_report;
mod sensors;
mod situation;
mod slips;
mod test_pages;
mod time_left;
mod timers;
mod turn;
mod view;

pub use backfill::Recollection;
pub use input::{Delivery, Health, Input, Link, Word};
pub use operator::LONGEST_SHELF;
pub use test_pages::{DrillsView, ProofView};
pub use timers::DeadlineReason;
pub use turn::{Effect, Sample, Turn};
pub use view::{AlarmView, CallView, DeadlineView, Explanation, RelayView, SensorView, Status};

use crate::alarm::AlarmState;
use crate::callout::Call;
use crate::condition::Condition;
use crate::plan::{AlarmId, Plan, RelayId, Sensor, SensorId, Sight, TankId};
use crate::record::{Body, By, Record, Seq};
use crate::stopgap::Run;
use crate::time::{Moment, Now, Span};
use alarms::{Recall, Watch};
use forecasts::{Feed, Foresight};
use quota::Ledger;
use sensors::{Note, Senses};
use slips::Slips;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use test_pages::Drills;
use timers::Timers;

/// No turn handles more deadlines than this; what is left is due at the next one. A bound for
/// the case that should not exist, so that a mistake here is a slow watch and not a stuck one.
const DEADLINES_PER_TURN: usize = 100_000;

/// A wall clock that moves by more than this against the monotonic one was set. Time services
/// that are near the truth slew it instead, and no crystal does as much between two turns.
const CLOCK_SET: Span = Span::seconds(5);

/// The watch over one site.
#[derive(Debug)]
pub struct Engine {
    plan: Plan,
    index: Index,
    seed: u64,
    next_seq: Seq,
    now: Now,
    turn: Turn,
    timers: Timers,

    senses: Senses,
    foresight: Foresight,
    watches: Vec<Watch>,
    /// What each alarm's conditions have to know of the past.
    recalls: Vec<Recall>,
    /// Alarms whose conditions know nothing of it yet.
    unremembered: BTreeSet<AlarmId>,

    lives: Vec<AlarmState>,
    calls: BTreeMap<Seq, Call>,
    runs: BTreeMap<RelayId, Run>,
    /// When each relay was last switched, and by which record: for the pause between two.
    switched: BTreeMap<RelayId, (Seq, Moment)>,
    /// Since when a relay that had obeyed shows another state. Comes from readings.
    other_hands: BTreeMap<RelayId, Moment>,
    /// Commands that the broker keeps. Comes from messages.
    kept: BTreeMap<RelayId, String>,
    works: BTreeMap<TankId, WorkPeriod>,
    drills: Drills,
    slips: Slips,
    ledger: Ledger,
    silence: Option<Silence>,
}

/// A silence of this site that somebody has announced.
#[derive(Clone, Debug, PartialEq)]
pub struct Silence {
    /// The record that began it.
    pub seq: Seq,
    /// It is over then.
    pub until: Moment,
    /// The reason given; may be empty.
    pub why: String,
    /// Who said so.
    pub by: By,
}

/// Work going on on a tank.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct WorkPeriod {
    pub(crate) seq: Seq,
    pub(crate) work: String,
    pub(crate) until: Moment,
    pub(crate) by: By,
}

/// What follows from the plan alone, worked out once.
#[derive(Debug, Default)]
struct Index {
    /// Names of the sensors, to be handed out with every reading.
    sensors: Vec<Arc<str>>,
    /// Sensors by the topic that feeds them.
    topics: BTreeMap<String, Vec<SensorId>>,
    /// Buttons by the topic that they speak on: the work, what is said, the tank.
    buttons: BTreeMap<String, Vec<(String, String, TankId)>>,
    /// Alarms whose condition uses the sensor.
    users: Vec<Vec<AlarmId>>,
    /// Alarms whose condition uses what the relay is commanded to.
    commanded: Vec<Vec<AlarmId>>,
    /// What each sensor tells the models of tanks.
    feeds: Vec<Vec<(TankId, Feed)>>,
    /// Alarms whose condition asks a tank's model.
    foretold: Vec<Vec<AlarmId>>,
    /// Sensors that measure the same in the same water.
    peers: Vec<Vec<SensorId>>,
    /// Relays by the topic of their commands.
    commands: BTreeMap<String, Vec<RelayId>>,
    /// Relays whose conditions use the sensor, or whose alarms do.
    relays: Vec<Vec<RelayId>>,
    /// Alarms that the plan added for lost sight.
    sights: Vec<AlarmId>,
    /// For each alarm, every alarm that can explain it, however far back.
    causes: Vec<BTreeSet<AlarmId>>,
    names: BTreeMap<String, AlarmId>,
}

impl Engine {
    /// A watch that remembers nothing yet. `seed` keeps answer codes from being guessed: made
    /// once at random for a site, and the same ever after. `next_seq` is the number of the
    /// first record it will make.
    pub fn new(plan: Plan, seed: u64, next_seq: Seq, now: Now) -> Self {
        let index = Index::of(&plan);
        Self {
            senses: Senses::new(&plan, now.mono),
            foresight: Foresight::new(&plan, now.mono),
            watches: vec![Watch::new(now.mono); plan.alarms.len()],
            recalls: plan.alarms.iter().map(|alarm| Recall::of(alarm, now.mono)).collect(),
            unremembered: (0..).map(AlarmId).take(plan.alarms.len()).collect(),
            lives: vec![AlarmState::default(); plan.alarms.len()],
            index,
            plan,
            seed,
            next_seq,
            now,
            turn: Turn::default(),
            timers: Timers::default(),
            calls: BTreeMap::new(),
            runs: BTreeMap::new(),
            switched: BTreeMap::new(),
            other_hands: BTreeMap::new(),
            kept: BTreeMap::new(),
            works: BTreeMap::new(),
            drills: Drills::default(),
            slips: Slips::default(),
            ledger: Ledger::default(),
            silence: None,
        }
    }

    /// Applies records of earlier lives, the oldest first, their moments already told on the
    /// present clock. Comes before the first [`Engine::step`]; records from
    /// [`Engine::horizon`] on are enough.
    pub fn restore<'a>(&mut self, records: impl IntoIterator<Item = &'a Record>) {
        for record in records {
            self.apply(record);
            self.next_seq = self.next_seq.max(record.seq + 1);
        }
    }

    /// Takes what happened at `now` and says what is to be kept and done.
    pub fn step(&mut self, now: Now, input: Input) -> Turn {
        // The clock that delays run on never goes back; if a caller's did, time stands still.
        let before = self.now;
        self.now = Now { mono: now.mono.max(before.mono), ..now };
        self.senses.clock_was_right |= now.wall_trusted;
        self.note_clock(before);
        self.meet_deadlines();
        match input {
            Input::Tick => {}
            Input::Message { topic, payload, delivery } => self.hear(&topic, &payload, delivery),
            Input::Measured { sensor, value, delivery } => self.measured(sensor, value, delivery),
            Input::Noted { sensor, words, likely } => self.noted(sensor, Note { words, likely }),
            Input::TurnedAway { what, why, by } => self.refuse(what, why, by),
            Input::Missed { sensor, why } => self.missed(sensor, why),
            Input::Link(link) => self.link(link),
            Input::Health { part, health } => self.health(part, health),
            Input::Delivered { page, outcome } => self.delivered(page, outcome),
            Input::Commanded { switching, failed } => self.commanded(switching, failed),
            Input::Said { word, by } => self.said(word, by),
            Input::Unheeded { what, why, by } => self.refuse(what, why, by),
            Input::Started { version, gap } => self.start(version, gap),
            Input::Stopping { why } => {
                self.put_down_all();
                self.record(Body::Stopped { why });
            }
        }
        // What the input made due at once belongs to the same turn.
        self.meet_deadlines();
        std::mem::take(&mut self.turn)
    }

    /// Says when the wall clock was set, or began to be trusted.
    fn note_clock(&mut self, before: Now) {
        let by = self.now.wall - before.wall_at(self.now.mono);
        let trusted = self.now.wall_trusted;
        if by.0.saturating_abs() >= CLOCK_SET.0 || (trusted && !before.wall_trusted) {
            let by = if by.0.saturating_abs() < 1_000 { Span::ZERO } else { by };
            self.record(Body::ClockSet { by, was_trusted: before.wall_trusted, trusted });
        }
    }

    fn meet_deadlines(&mut self) {
        for _ in 0..DEADLINES_PER_TURN {
            match self.timers.pop_due(self.now.mono) {
                Some(reason) => self.wake(reason),
                None => break,
            }
        }
    }

    /// When [`Engine::step`] wants to be called at the latest, and why.
    pub fn next_deadline(&self) -> Option<(Moment, DeadlineReason)> {
        self.timers.iter().next()
    }

    /// The oldest record that still matters: what a restart has to read from.
    pub fn horizon(&self) -> Seq {
        let lives = self.lives.iter().flat_map(|life| life.rests_on(self.now.mono)).map(Some);
        let works = self.works.values().map(|spell| Some(spell.seq));
        let runs = self.runs.values().flat_map(|run| [Some(run.seq), Some(run.episode)]);
        let pausing = self
            .switched
            .iter()
            .filter(|(relay, (_, at))| *at + self.plan.relays[relay.index()].pause > self.now.mono);
        let pausing = pausing.map(|(_, (seq, _))| Some(*seq));
        let calls = self.calls.keys().map(|id| Some(*id));
        let members = self.calls.values().flat_map(|call| call.members.iter().map(|m| Some(m.episode)));
        let drills = self.rests_on_drills().into_iter().map(Some);
        let ledger = [self.ledger.rests_on(self.now.mono)];
        let silence = self.silence_at(self.now.mono).map(|silence| Some(silence.seq));
        let learned = self.foresight.rests_on().map(Some);
        lives
            .chain(works)
            .chain(silence)
            .chain(runs)
            .chain(learned)
            .chain(pausing)
            .chain(calls)
            .chain(members)
            .chain(drills)
            .chain(ledger)
            .flatten()
            .min()
            .unwrap_or(self.next_seq)
    }

    /// The number that the next record will have.
    pub fn next_seq(&self) -> Seq {
        self.next_seq
    }

    /// The plan in force.
    pub fn plan(&self) -> &Plan {
        &self.plan
    }

    fn wake(&mut self, reason: DeadlineReason) {
        match reason {
            DeadlineReason::Stale(sensor) => self.check_stale(sensor),
            DeadlineReason::Recheck(alarm)
            | DeadlineReason::OnDelay(alarm)
            | DeadlineReason::OffDelay(alarm) => {
                self.judge(alarm);
            }
            DeadlineReason::Shelf(alarm) => self.unshelve(alarm, None),
            DeadlineReason::Work(tank) => self.end_work(tank, None),
            DeadlineReason::Proof(relay) | DeadlineReason::Longest(relay) | DeadlineReason::Wait(relay) => {
                self.attend(relay);
            }
            DeadlineReason::Step(call) => self.take_step(call),
            DeadlineReason::Lease(call) => self.lease_ended(call),
            DeadlineReason::Settle(call) => self.settled(call),
            DeadlineReason::Retry(page) => self.retry(page),
            DeadlineReason::Drills => self.tend_drills(),
        }
    }

    /// Makes a record, lets it change what lasts, and hands it out with the turn.
    fn record(&mut self, body: Body) -> Seq {
        let record = Record { seq: self.next_seq, at: self.now, body };
        self.next_seq += 1;
        self.apply(&record);
        let seq = record.seq;
        self.turn.records.push(record);
        seq
    }

    /// A short code for what record `seq` begins: hard to guess without the seed, and unlike
    /// every code in use. Letters and digits that are easily mixed up are left out.
    fn code(&self, seq: Seq) -> String {
        const ALPHABET: &[u8; 24] = b"ACDEFGHJKMNPQRTUVWXY3479";
        let taken = |code: &str| {
            let episodes = self.lives.iter().filter_map(|life| life.episode.as_ref());
            episodes
                .map(|episode| &episode.code)
                .chain(self.calls.values().map(|call| &call.code))
                .chain(self.drills.codes())
                .any(|c| c == code)
        };
        let mut salt = 0;
        loop {
            let mut bits = mix(self.seed ^ mix(seq.wrapping_add(salt)));
            let code: String = (0..4)
                .map(|_| {
                    let letter = ALPHABET[(bits % 24) as usize];
                    bits /= 24;
                    char::from(letter)
                })
                .collect();
            if !taken(&code) {
                return code;
            }
            salt += 1 << 32;
        }
    }
}

/// The finaliser of SplitMix64 (Steele, Lea and Flood 2014): every input bit moves every
/// output bit.
pub(crate) fn mix(mut z: u64) -> u64 {
    z = z.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

impl Index {
    fn of(plan: &Plan) -> Self {
        let mut index = Self {
            sensors: plan.sensors.iter().map(|sensor| sensor.name.as_str().into()).collect(),
            users: vec![Vec::new(); plan.sensors.len()],
            relays: vec![Vec::new(); plan.sensors.len()],
            peers: peers(plan),
            causes: vec![BTreeSet::new(); plan.alarms.len()],
            commanded: vec![Vec::new(); plan.relays.len()],
            feeds: forecasts::feeds(plan),
            foretold: vec![Vec::new(); plan.tanks.len()],
            ..Self::default()
        };
        for (id, sensor) in (0..).map(SensorId).zip(&plan.sensors) {
            if let Some(topic) = sensor.feed.topic() {
                index.topics.entry(topic.to_owned()).or_default().push(id);
            }
        }
        for (name, work) in &plan.works {
            for button in &work.buttons {
                let pressed = (name.clone(), button.press.clone(), button.tank);
                index.buttons.entry(button.topic.clone()).or_default().push(pressed);
            }
        }
        for (id, relay) in (0..).map(RelayId).zip(&plan.relays) {
            index.commands.entry(relay.topic.clone()).or_default().push(id);
            let wanted = plan.alarms.iter().filter(|alarm| alarm.stopgap.is_some_and(|it| it.relay == id));
            let of_alarms = wanted.flat_map(|alarm| alarm.condition.sensors());
            let sensors = relay.conditions().flat_map(Condition::sensors).chain(of_alarms);
            for sensor in sensors.collect::<BTreeSet<_>>() {
                index.relays[sensor.index()].push(id);
            }
        }
        for (id, alarm) in (0..).map(AlarmId).zip(&plan.alarms) {
            index.names.insert(alarm.name.clone(), id);
            let worse = alarm.worse.iter().flat_map(|condition| condition.sensors());
            for sensor in alarm.condition.sensors().into_iter().chain(worse).collect::<BTreeSet<_>>() {
                index.users[sensor.index()].push(id);
            }
            let worse = alarm.worse.iter().flat_map(|condition| condition.relays());
            for relay in alarm.condition.relays().into_iter().chain(worse).collect::<BTreeSet<_>>() {
                index.commanded[relay.index()].push(id);
            }
            let worse = alarm.worse.iter().flat_map(|condition| condition.foretells());
            for tank in alarm.condition.foretells().into_iter().chain(worse).collect::<BTreeSet<_>>() {
                index.foretold[tank.index()].push(id);
            }
            if alarm.sight.is_some() {
                index.sights.push(id);
            }
            let mut open = alarm.consequence_of.clone();
            while let Some(cause) = open.pop() {
                if index.causes[id.index()].insert(cause) {
                    open.extend(&plan.alarm(cause).consequence_of);
                }
            }
        }
        index
    }

    /// Whether an episode of `cause` explains one of `effect`.
    fn explains(&self, cause: &str, effect: &str) -> bool {
        match (self.names.get(cause), self.names.get(effect)) {
            (Some(cause), Some(effect)) => self.causes[effect.index()].contains(cause),
            _ => false,
        }
    }
}

fn peers(plan: &Plan) -> Vec<Vec<SensorId>> {
    let mut alike: BTreeMap<(TankId, &str), Vec<SensorId>> = BTreeMap::new();
    let kind = |sensor: &'_ Sensor| Some((sensor.tank?, sensor.measure.name));
    for (id, sensor) in (0..).map(SensorId).zip(&plan.sensors) {
        if let Some(kind) = kind(sensor) {
            alike.entry(kind).or_default().push(id);
        }
    }
    let others = |(id, sensor): (SensorId, &Sensor)| {
        let group = kind(sensor).and_then(|kind| alike.get(&kind)).into_iter().flatten();
        group.copied().filter(|other| *other != id).collect()
    };
    (0..).map(SensorId).zip(&plan.sensors).map(others).collect()
}

/// How a cause of lost sight is called in records.
fn sight_name(plan: &Plan, sight: &Sight) -> String {
    match sight {
        Sight::Broker => "broker".to_owned(),
        Sight::Gateway(name) => format!("gateway {name}"),
        Sight::Sensor(id) => plan.sensor(*id).name.clone(),
        Sight::Part(part) => part.to_string(),
    }
}
