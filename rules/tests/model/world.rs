//! Lives through a history: feeds the engine, plays the channels, the pump and the restarts,
//! and keeps the whole story in lists. Time here counts on over restarts, in milliseconds since
//! the beginning; each life of the engine has a clock of its own.

use crate::family::{EVERY, Family, SENSORS, TARGETS, alarm_name};
use crate::fixtures::{UTC, around_in, plan_of, target};
use crate::invariants;
use slackwater_rules::engine::{Arrival, Effect, Input, Link, OperatorCommand};
use slackwater_rules::plan::Plan;
use slackwater_rules::record::{By, Outcome, Purpose, Record, Seq};
use slackwater_rules::sim::{self, ChannelRule, RelayRule, Saying, Shows, SignalOrigin, Sim, SimSite};
use slackwater_rules::time::{Moment, Now, Span, Wall};
use std::collections::VecDeque;

/// What can happen. Numbers of sensors, alarms and targets are their places.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Op {
    /// Seconds pass.
    Wait(i64),
    /// From now on the sensor says this every minute.
    Says(usize, usize),
    /// It says this once.
    Glitch(usize, usize),
    /// The broker hands out something old: retained or backlog.
    Old(usize, usize, bool),
    Silence(usize),
    Link(bool),
    Channel(usize, ChannelRule),
    /// Pages that hang are reported on: accepted or deferred.
    Report(bool),
    /// One of the codes in use.
    Answer(usize),
    Reset(usize),
    Shelve(usize, i64),
    Unshelve(usize),
    TakeOut(usize),
    PutBack(usize),
    /// Feeding or a water change, for so many minutes.
    Work(bool, i64),
    EndWork,
    Drill,
    /// The relays do what they are told.
    RelaysObey(bool),
    /// Somebody switches the air pump (true) or the heaters (false).
    Hand(bool, bool),
    /// The broker takes commands.
    CommandsGo(bool),
    /// The broker hands out a command that it keeps, for the air pump (true) or the heaters.
    Kept(bool),
    /// After so many seconds away, if that is known.
    Restart(Option<i64>),
}

/// When something happened: the time, and the number of the engine's step.
pub(crate) type When = (i64, u64);

pub(crate) struct Heard {
    pub(crate) when: When,
    pub(crate) sensor: usize,
    /// Live, and not old.
    pub(crate) live: bool,
    /// None if it is not to be believed.
    pub(crate) value: Option<f64>,
}

pub(crate) struct Sent {
    pub(crate) when: When,
    pub(crate) id: Seq,
    pub(crate) maybe_repeat: bool,
}

/// What is around the engine: a site, wake-ups for nothing, and pages that hang.
pub(crate) struct Around {
    site: SimSite,
    /// What came from the broker in this turn: topic, payload, and whether it is live.
    came: Vec<(String, String, bool)>,
    hanging: Vec<Seq>,
    /// Milliseconds from one wake-up for nothing to the next, again and again.
    early: Vec<i64>,
    woken: usize,
    wakes: Option<Moment>,
}

impl Around {
    fn wake_later(&mut self, now: Moment) {
        self.wakes = self.early.get(self.woken % self.early.len().max(1)).map(|gap| now + Span(*gap));
        self.woken += 1;
    }
}

impl sim::SimWorld for Around {
    fn due(&self) -> Option<Moment> {
        self.site.due().into_iter().chain(self.wakes).min()
    }

    fn happen(&mut self, now: &Now) -> Option<Input> {
        if self.wakes.is_some_and(|at| at <= now.mono) {
            self.wake_later(now.mono);
            return Some(Input::Tick);
        }
        let input = self.site.happen(now);
        if let Some(Input::Message { topic, payload, .. }) = &input {
            let payload = String::from_utf8(payload.clone()).expect("text");
            self.came.push((topic.clone(), payload, true));
        }
        input
    }

    fn carry_out(&mut self, now: &Now, effect: Effect, reports: &mut VecDeque<Input>) {
        match &effect {
            Effect::Send { target, page } => {
                assert!(page.text().chars().count() <= 160, "{}", page.text());
                assert!(
                    page.code.is_empty() || page.text().contains(&format!(" {}", page.code)),
                    "{}",
                    page.text()
                );
                assert!(page.purpose != Purpose::Call || page.headline.contains(&page.code));
                if self.site.channels.get(target) == Some(&ChannelRule::Hangs) {
                    self.hanging.push(page.id);
                }
            }
            Effect::Withdraw { page } => {
                // Some are too far on their way to be called back.
                let at = self.hanging.iter().position(|hanging| hanging == page && page % 2 == 1);
                if let Some(at) = at {
                    self.hanging.remove(at);
                    let outcome = Outcome::Failed { why: "called back".to_owned() };
                    reports.push_back(Input::Delivered { page: *page, outcome });
                }
            }
            Effect::Command { .. } => {}
        }
        self.site.carry_out(now, effect, reports);
    }

    fn hears(&self) -> bool {
        self.site.hears()
    }

    fn restarted(&mut self, now: &Now, shift: Span) {
        self.site.restarted(now, shift);
        self.wakes = self.wakes.map(|at| at + shift);
        self.hanging.clear();
    }
}

pub(crate) struct World {
    pub(crate) family: Family,
    pub(crate) plan: Plan,
    pub(crate) sim: Sim<Around>,
    /// From the engine's clock to the world's.
    offset: i64,
    /// Everything that was recorded, with the world's time.
    pub(crate) story: Vec<(When, Record)>,
    pub(crate) heard: Vec<Heard>,
    pub(crate) links: Vec<(When, bool)>,
    pub(crate) starts: Vec<When>,
    /// When each life but the last was over.
    pub(crate) stops: Vec<When>,
    pub(crate) sent: Vec<Sent>,
    /// The world's time when the history was over.
    pub(crate) end: i64,
    /// What left for the relays: topic and payload.
    pub(crate) commands: Vec<(When, String, String)>,
    /// When anything live came, also from what proves.
    pub(crate) fresh: Vec<i64>,
}

const SEED: u64 = 7;
const AIR: &str = "halyard/air-pump/set";
const HEAT: &str = "halyard/heaters/set";

/// A relay of which this sensor shows this much.
fn relay(sensor: &str, amount: &str) -> RelayRule {
    let says = |amount: &str| Saying::Payload(amount.to_owned());
    let shows = Shows { origin: origin(sensor), on: says(amount), off: says("0") };
    RelayRule { on: "on".to_owned(), obeys: true, shows: vec![shows], after: Span::seconds(5) }
}

fn origin(sensor: &str) -> SignalOrigin {
    SignalOrigin::Topic(format!("halyard/{sensor}"))
}

impl World {
    /// Lives through the history; with `early`, the engine is also woken for nothing, each time
    /// so many milliseconds after the last.
    pub(crate) fn live(family: &Family, history: &[Op], early: &[i64]) -> Self {
        let plan = plan_of(&family.written(), &around_in(UTC, &TARGETS));
        // 2026-03-02, 12:00 or 23:00 UTC.
        let wall = Wall(1_772_409_600_000 + if family.night { 23 } else { 12 } * 3_600_000);
        let now = Now { mono: Moment(1_000_000), wall, wall_trusted: true };
        let mut site = SimSite::new(&plan);
        site.relays =
            [(AIR.to_owned(), relay("air-current", "0.2")), (HEAT.to_owned(), relay("heat-power", "200"))]
                .into();
        let says = SENSORS[..family.sensors].iter().map(|sensor| (sensor.name, sensor.says[0].0));
        for (sensor, payload) in says.chain([("deep", "24"), ("air-current", "0"), ("heat-power", "200")]) {
            site.says(now.mono, origin(sensor), Saying::Payload(payload.to_owned()), Span(EVERY));
        }
        let (came, hanging, early) = (Vec::new(), Vec::new(), early.to_vec());
        let mut around = Around { site, came, hanging, early, woken: 0, wakes: None };
        around.wake_later(now.mono);
        let mut world = Self {
            family: family.clone(),
            sim: Sim::new("model", plan.clone(), SEED, now, around),
            plan,
            offset: -now.mono.0,
            story: Vec::new(),
            heard: Vec::new(),
            links: Vec::new(),
            starts: Vec::new(),
            stops: Vec::new(),
            sent: Vec::new(),
            end: 0,
            commands: Vec::new(),
            fresh: Vec::new(),
        };
        world.start(Some(Span::ZERO));
        for op in history {
            world.act(op);
        }
        world.end = world.time();
        world
    }

    pub(crate) fn time(&self) -> i64 {
        self.sim.now.mono.0 + self.offset
    }

    /// Everything that was recorded and sent, as it is kept.
    pub(crate) fn bytes(&self) -> String {
        let records: Vec<_> = self.story.iter().map(|(_, record)| record).collect();
        let sent: Vec<_> = self.sent.iter().map(|sent| (sent.when.0, sent.id, sent.maybe_repeat)).collect();
        serde_json::to_string(&(records, sent)).expect("records can be kept")
    }

    pub(crate) fn told(&self) -> String {
        self.story
            .iter()
            .map(|((at, step), record)| {
                format!("{:>10.3} {step:>4} #{} {}\n", *at as f64 / 1_000.0, record.seq, record.body)
            })
            .collect()
    }

    /// Now, in the turn that comes next.
    fn next_turn(&self) -> When {
        (self.time(), self.sim.turns + 1)
    }

    fn start(&mut self, gap: Option<Span>) {
        self.starts.push(self.next_turn());
        self.step(Input::Started { version: "model".to_owned(), gap });
        if self.sim.world.site.hears_broker {
            self.link(true);
        }
    }

    fn link(&mut self, hears: bool) {
        self.sim.world.site.hears_broker = hears;
        self.links.push((self.next_turn(), hears));
        self.step(Input::Link(match hears {
            true => Link::Hears,
            false => Link::Lost { why: "connection refused".to_owned() },
        }));
    }

    fn act(&mut self, op: &Op) {
        let now = self.sim.now.mono;
        let site = &mut self.sim.world.site;
        match *op {
            Op::Wait(seconds) => self.run(Span::seconds(seconds)),
            Op::Says(sensor, what) => {
                let Some(sensor) = SENSORS[..self.family.sensors].get(sensor) else { return };
                let payload = sensor.says[what % sensor.says.len()].0;
                site.says(now, origin(sensor.name), Saying::Payload(payload.to_owned()), Span(EVERY));
                self.run(Span::ZERO);
            }
            Op::Glitch(sensor, what) => self.message(sensor, what, Arrival::Live),
            Op::Old(sensor, what, kept) => {
                let delivery = if kept { Arrival::Retained } else { Arrival::Backlog };
                self.message(sensor, what, delivery);
            }
            Op::Silence(sensor) => site.silence(&origin(SENSORS[sensor].name)),
            Op::Link(hears) => self.link(hears),
            Op::Channel(to, rule) => drop(site.channels.insert(target(TARGETS[to]), rule)),
            Op::Report(accepted) => {
                for page in std::mem::take(&mut self.sim.world.hanging) {
                    self.step(Input::Delivered { page, outcome: outcome(accepted) });
                }
            }
            Op::Answer(n) => {
                let status = self.sim.engine.status(self.sim.now);
                let mut codes: Vec<_> = status.alarms.into_iter().filter_map(|alarm| alarm.code).collect();
                codes.extend(status.calls.into_iter().map(|call| call.code));
                codes.sort();
                codes.dedup();
                let code = codes.get(n % codes.len().max(1)).cloned().unwrap_or("XXXX".to_owned());
                self.say(OperatorCommand::Acknowledge { code, length: None });
            }
            Op::Reset(alarm) => self.say(OperatorCommand::Reset { alarm: alarm_name(alarm) }),
            Op::Shelve(alarm, minutes) => self.say(OperatorCommand::Shelve {
                alarm: alarm_name(alarm),
                length: Span::minutes(minutes),
                why: "waiting for the part".to_owned(),
            }),
            Op::Unshelve(alarm) => self.say(OperatorCommand::Unshelve { alarm: alarm_name(alarm) }),
            Op::TakeOut(alarm) => {
                self.say(OperatorCommand::TakeOut {
                    alarm: alarm_name(alarm),
                    why: "being repaired".to_owned(),
                });
            }
            Op::PutBack(alarm) => self.say(OperatorCommand::PutBack { alarm: alarm_name(alarm) }),
            Op::Work(change, minutes) => self.say(OperatorCommand::BeginWork {
                tank: "lagoon".to_owned(),
                work: if change { "water-change" } else { "feeding" }.to_owned(),
                length: Some(Span::minutes(minutes)),
            }),
            Op::EndWork => self.say(OperatorCommand::EndWork { tank: "lagoon".to_owned() }),
            Op::Drill => self.say(OperatorCommand::Drill { callout: "household".to_owned() }),
            Op::RelaysObey(obey) => site.relays.values_mut().for_each(|relay| relay.obeys = obey),
            Op::Hand(air, on) => {
                site.switch(now, if air { AIR } else { HEAT }, if on { "on" } else { "off" })
            }
            Op::CommandsGo(go) => site.commands_go = go,
            Op::Kept(air) => {
                let topic = if air { AIR } else { HEAT };
                let (topic, payload) = (topic.to_owned(), b"on".to_vec());
                self.step(Input::Message { topic, payload, delivery: Arrival::Retained });
            }
            Op::Restart(away) => self.restart(away.map(Span::seconds)),
        }
    }

    fn say(&mut self, word: OperatorCommand) {
        self.step(Input::Said { command: word, by: By { who: "ines".to_owned(), via: "socket".to_owned() } });
    }

    fn message(&mut self, sensor: usize, what: usize, delivery: Arrival) {
        let Some(it) = SENSORS[..self.family.sensors].get(sensor) else { return };
        let (topic, payload) = (format!("halyard/{}", it.name), it.says[what % it.says.len()].0);
        self.sim.world.came.push((topic.clone(), payload.to_owned(), delivery == Arrival::Live));
        self.step(Input::Message { topic, payload: payload.as_bytes().to_vec(), delivery });
    }

    /// Lets time pass.
    fn run(&mut self, length: Span) {
        let end = self.sim.now.mono + length;
        while self.sim.advance(end) {
            self.look();
        }
        assert_eq!(self.sim.stuck, None, "{}", self.told());
    }

    fn step(&mut self, input: Input) {
        self.sim.put(input);
        while self.sim.turn() {
            self.look();
        }
    }

    /// Writes down what came of a turn, and what must hold after it.
    fn look(&mut self) {
        let when = (self.time(), self.sim.turns);
        for (topic, payload, live) in self.sim.world.came.drain(..) {
            let name = topic.strip_prefix("halyard/").expect("a topic of the site");
            if let Some(sensor) = SENSORS.iter().position(|sensor| sensor.name == name) {
                let value = SENSORS[sensor].says.iter().find(|(text, _)| *text == payload);
                let value = value.expect("one of its payloads").1;
                self.heard.push(Heard { when, sensor, live, value });
            }
            if live {
                self.fresh.push(when.0);
            }
        }
        let site = &mut self.sim.world.site;
        let sent = site.sent.drain(..);
        self.sent.extend(sent.map(|sent| Sent { when, id: sent.id, maybe_repeat: sent.maybe_repeat }));
        self.commands.extend(site.commands.drain(..).map(|sent| (when, sent.topic, sent.payload)));
        let next = self.sim.engine.next_deadline();
        assert!(next.is_none_or(|(at, _)| at > self.sim.now.mono), "{next:?} is past at {:?}", self.sim.now);
        let recorded = &self.sim.records[self.story.len()..];
        if !recorded.is_empty() {
            self.story.extend(recorded.iter().map(|record| (when, record.clone())));
            invariants::at_every_step(self);
            let reborn = self.sim.reborn(self.sim.engine.horizon());
            invariants::restored_is_the_same(self, &reborn);
        }
    }

    fn restart(&mut self, away: Option<Span>) {
        self.stops.push((self.time(), self.sim.turns));
        let back = self.time() + away.unwrap_or_default().0;
        self.sim.power_off(away.unwrap_or_default());
        self.offset = back - self.sim.now.mono.0;
        self.start(away);
    }
}

fn outcome(accepted: bool) -> Outcome {
    match accepted {
        true => Outcome::Accepted { note: "taken".to_owned() },
        false => Outcome::deferred("no route"),
    }
}
