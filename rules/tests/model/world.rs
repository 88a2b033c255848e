//! Lives through a history: feeds the engine, plays the channels, the pump and the restarts,
//! and keeps the whole story in lists. Time here counts on over restarts, in milliseconds since
//! the beginning; each life of the engine has a clock of its own.

use crate::family::{EVERY, Family, SENSORS, TARGETS, alarm_name};
use crate::invariants;
use jiff::tz::TimeZone;
use slackwater_rules::engine::{Delivery, Effect, Engine, Input, Link, OperatorCommand};
use slackwater_rules::plan::{ChannelKind, Contact, Directory, Plan, Surroundings, Target};
use slackwater_rules::record::{By, Outcome, Purpose, Record, Seq};
use slackwater_rules::time::{Moment, Now, Span, Wall};
use std::collections::{BTreeMap, VecDeque};

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
    Channel(usize, Does),
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

#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Does {
    Accepts,
    Defers,
    Fails,
    /// Says nothing until asked.
    Hangs,
}

/// When something happened: the time, and the number of the engine's step.
pub(crate) type When = (i64, usize);

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

pub(crate) struct World {
    pub(crate) family: Family,
    pub(crate) plan: Plan,
    pub(crate) engine: Engine,
    pub(crate) now: Now,
    /// From the engine's clock to the world's.
    offset: i64,
    steps: usize,
    /// Everything that was recorded, with the world's time.
    pub(crate) story: Vec<(When, Record)>,
    /// The same on the engine's present clock.
    records: Vec<Record>,
    pub(crate) heard: Vec<Heard>,
    pub(crate) links: Vec<(When, bool)>,
    pub(crate) starts: Vec<When>,
    /// When each life but the last was over.
    pub(crate) stops: Vec<When>,
    pub(crate) sent: Vec<Sent>,
    /// The world's time when the history was over.
    pub(crate) end: i64,
    feeds: BTreeMap<&'static str, (String, i64)>,
    linked: bool,
    channels: BTreeMap<String, Does>,
    hanging: Vec<Seq>,
    relays_obey: bool,
    commands_go: bool,
    /// What left for the relays: topic and payload.
    pub(crate) commands: Vec<(When, String, String)>,
    /// When anything live came, also from what proves.
    pub(crate) fresh: Vec<i64>,
    early: Vec<i64>,
}

fn plan(family: &Family) -> Plan {
    let person = |name: &str| (name.to_owned(), Contact { name: name.to_owned(), ..Contact::default() });
    let kinds = [ChannelKind::Push, ChannelKind::Siren, ChannelKind::Mail, ChannelKind::Text];
    let directory = Directory {
        contacts: [person("ines"), person("tom"), person("neighbour")].into(),
        channels: TARGETS.iter().map(|name| Target::parse(name)).zip(kinds).collect(),
    };
    let text = family.written();
    let checked =
        Plan::check("rules.toml", &text, &Surroundings { directory, zone: TimeZone::UTC, today: None });
    match checked.plan {
        Some(plan) => plan,
        None => panic!("{}", slackwater_rules::plan::render("rules.toml", &text, &checked.findings)),
    }
}

const SEED: u64 = 7;

impl World {
    /// Lives through the history; with `early`, the engine is also woken for nothing, each time
    /// so many milliseconds after the last.
    pub(crate) fn live(family: &Family, history: &[Op], early: &[i64]) -> Self {
        let plan = plan(family);
        // 2026-03-02, 12:00 or 23:00 UTC.
        let wall = Wall(1_772_409_600_000 + if family.night { 23 } else { 12 } * 3_600_000);
        let now = Now { mono: Moment(1_000_000), wall, wall_trusted: true };
        let mut world = Self {
            family: family.clone(),
            engine: Engine::new(plan.clone(), SEED, 1, now),
            plan,
            now,
            offset: -now.mono.0,
            steps: 0,
            story: Vec::new(),
            records: Vec::new(),
            heard: Vec::new(),
            links: Vec::new(),
            starts: Vec::new(),
            stops: Vec::new(),
            sent: Vec::new(),
            end: 0,
            feeds: BTreeMap::from([
                ("air-current", ("0".to_owned(), 0)),
                ("heat-power", ("200".to_owned(), 0)),
            ]),
            linked: true,
            channels: BTreeMap::new(),
            hanging: Vec::new(),
            relays_obey: true,
            commands_go: true,
            commands: Vec::new(),
            fresh: Vec::new(),
            early: early.to_vec(),
        };
        for sensor in &SENSORS[..family.sensors] {
            world.feeds.insert(sensor.name, (sensor.says[0].0.to_owned(), 0));
        }
        world.start(Some(Span::ZERO));
        for op in history {
            world.act(op);
        }
        world.end = world.time();
        world
    }

    pub(crate) fn time(&self) -> i64 {
        self.now.mono.0 + self.offset
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

    fn start(&mut self, gap: Option<Span>) {
        self.starts.push((self.time(), self.steps + 1));
        self.step(Input::Started { version: "model".to_owned(), gap });
        if self.linked {
            self.link(true);
        }
    }

    fn link(&mut self, hears: bool) {
        self.linked = hears;
        self.links.push(((self.time(), self.steps + 1), hears));
        self.step(Input::Link(match hears {
            true => Link::Hears,
            false => Link::Lost { why: "connection refused".to_owned() },
        }));
    }

    fn act(&mut self, op: &Op) {
        match *op {
            Op::Wait(seconds) => self.run(seconds * 1_000),
            Op::Says(sensor, what) => {
                let Some(sensor) = SENSORS[..self.family.sensors].get(sensor) else { return };
                let payload = sensor.says[what % sensor.says.len()].0;
                self.feeds.insert(sensor.name, (payload.to_owned(), self.time()));
                self.run(0);
            }
            Op::Glitch(sensor, what) => self.message(sensor, what, Delivery::Live),
            Op::Old(sensor, what, kept) => {
                let delivery = if kept { Delivery::Retained } else { Delivery::Backlog };
                self.message(sensor, what, delivery);
            }
            Op::Silence(sensor) => {
                self.feeds.remove(SENSORS[sensor].name);
            }
            Op::Link(hears) => self.link(hears),
            Op::Channel(target, does) => {
                self.channels.insert(TARGETS[target].to_owned(), does);
            }
            Op::Report(accepted) => {
                for page in std::mem::take(&mut self.hanging) {
                    self.step(Input::Delivered { page, outcome: outcome(accepted) });
                }
            }
            Op::Answer(n) => {
                let status = self.engine.status(self.now);
                let mut codes: Vec<_> = status.alarms.into_iter().filter_map(|alarm| alarm.code).collect();
                codes.extend(status.calls.into_iter().map(|call| call.code));
                codes.sort();
                codes.dedup();
                let code = codes.get(n % codes.len().max(1)).cloned().unwrap_or("XXXX".to_owned());
                self.say(OperatorCommand::Acknowledge { code });
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
            Op::RelaysObey(obey) => self.relays_obey = obey,
            Op::Hand(air, on) => self.show(air, on),
            Op::CommandsGo(go) => self.commands_go = go,
            Op::Kept(air) => {
                let topic = if air { "halyard/air-pump/set" } else { "halyard/heaters/set" };
                let (topic, payload) = (topic.to_owned(), b"on".to_vec());
                self.step(Input::Message { topic, payload, delivery: Delivery::Retained });
            }
            Op::Restart(away) => self.restart(away),
        }
    }

    /// What proves a relay's state shows this from soon on.
    fn show(&mut self, air: bool, on: bool) {
        let (name, amount) = if air { ("air-current", "0.2") } else { ("heat-power", "200") };
        let payload = if on { amount } else { "0" };
        self.feeds.insert(name, (payload.to_owned(), self.time() + 5_000));
    }

    fn say(&mut self, word: OperatorCommand) {
        self.step(Input::Said { command: word, by: By { who: "ines".to_owned(), via: "socket".to_owned() } });
    }

    fn message(&mut self, sensor: usize, what: usize, delivery: Delivery) {
        let Some(it) = SENSORS[..self.family.sensors].get(sensor) else { return };
        let payload = it.says[what % it.says.len()].0;
        self.publish(it.name, payload, delivery);
    }

    fn publish(&mut self, name: &str, payload: &str, delivery: Delivery) {
        if let Some(sensor) = SENSORS.iter().position(|sensor| sensor.name == name) {
            let value = SENSORS[sensor].says.iter().find(|(text, _)| *text == payload);
            let value = value.expect("one of its payloads").1;
            let when = (self.time(), self.steps + 1);
            self.heard.push(Heard { when, sensor, live: delivery == Delivery::Live, value });
        }
        if delivery == Delivery::Live {
            self.fresh.push(self.time());
        }
        let topic = format!("halyard/{name}");
        self.step(Input::Message { topic, payload: payload.as_bytes().to_vec(), delivery });
    }

    /// Lets time pass. What is due is done before what comes in at the same moment.
    fn run(&mut self, length: i64) {
        let end = self.time() + length;
        let mut early = self.early.clone().into_iter().cycle();
        let mut woken = early.next().map(|gap| self.time() + gap);
        for _ in 0..100_000 {
            let deadline = self.engine.next_deadline().map(|(at, _)| at.0 + self.offset);
            let feed = self.feeds.iter().map(|(name, (_, at))| (*at, *name)).min();
            let next = deadline.into_iter().chain(feed.map(|(at, _)| at)).chain(woken).min();
            let Some(next) = next.filter(|next| *next <= end) else {
                return self.pass(end - self.time());
            };
            self.pass(next - self.time());
            if deadline == Some(next) {
                self.step(Input::Tick);
            } else if woken == Some(next) {
                woken = early.next().map(|gap| next + gap);
                self.step(Input::Tick);
            } else if let Some((_, name)) = feed {
                let (payload, at) = self.feeds.get_mut(name).expect("it was there");
                *at = next + EVERY;
                let payload = payload.clone();
                if self.linked {
                    self.publish(name, &payload, Delivery::Live);
                }
            }
        }
        panic!("livelock: next {:?}\n{}", self.engine.next_deadline(), self.told());
    }

    fn pass(&mut self, length: i64) {
        self.now.mono = self.now.mono + Span(length.max(0));
        self.now.wall = self.now.wall + Span(length.max(0));
    }

    fn step(&mut self, input: Input) {
        let mut open = VecDeque::from([input]);
        while let Some(input) = open.pop_front() {
            self.steps += 1;
            let turn = self.engine.step(self.now, input);
            let when = (self.time(), self.steps);
            let quiet = turn.records.is_empty();
            self.records.extend(turn.records.iter().cloned());
            self.story.extend(turn.records.into_iter().map(|record| (when, record)));
            open.extend(turn.effects.into_iter().filter_map(|effect| self.carry_out(effect)));
            let next = self.engine.next_deadline();
            assert!(next.is_none_or(|(at, _)| at > self.now.mono), "{next:?} is past at {:?}", self.now);
            if !quiet {
                invariants::at_every_step(self);
                invariants::restored_is_the_same(self, &self.reborn(self.now, self.engine.horizon()));
            }
        }
    }

    fn carry_out(&mut self, effect: Effect) -> Option<Input> {
        match effect {
            Effect::Send { target, page } => {
                let when = (self.time(), self.steps);
                self.sent.push(Sent { when, id: page.id, maybe_repeat: page.maybe_repeat });
                assert!(page.text.chars().count() <= 160, "{}", page.text);
                let how = format!("Reply ACK {}", page.code);
                assert!(page.code.is_empty() || page.text.ends_with(&how), "{}", page.text);
                assert!(page.purpose != Purpose::Call || page.headline.contains(&page.code));
                let outcome = match self.channels.get(&target.to_string()).unwrap_or(&Does::Accepts) {
                    Does::Accepts => outcome(true),
                    Does::Defers => outcome(false),
                    Does::Fails => Outcome::Failed { why: "no such mailbox".to_owned() },
                    Does::Hangs => {
                        self.hanging.push(page.id);
                        return None;
                    }
                };
                Some(Input::Delivered { page: page.id, outcome })
            }
            Effect::Withdraw { page } => {
                // Some are too far on their way to be called back.
                let at = self.hanging.iter().position(|hanging| *hanging == page && page % 2 == 1)?;
                self.hanging.remove(at);
                Some(Input::Delivered { page, outcome: Outcome::Failed { why: "called back".to_owned() } })
            }
            Effect::Command { switching, topic, payload, .. } => {
                if self.relays_obey && self.commands_go {
                    self.show(topic == "halyard/air-pump/set", payload == "on");
                }
                self.commands.push(((self.time(), self.steps), topic, payload));
                let failed = (!self.commands_go).then(|| "not authorised".to_owned());
                Some(Input::Commanded { switching, failed })
            }
        }
    }

    /// Another engine from the records kept.
    fn reborn(&self, now: Now, horizon: Seq) -> Engine {
        let next = self.records.last().map_or(1, |record| record.seq + 1);
        let mut engine = Engine::new(self.plan.clone(), SEED, next, now);
        engine.restore(self.records.iter().filter(|record| record.seq >= horizon));
        engine
    }

    fn restart(&mut self, away: Option<i64>) {
        let horizon = self.engine.horizon();
        self.stops.push((self.time(), self.steps));
        self.pass(away.unwrap_or(0) * 1_000);
        let shift = Span(500_000 - self.now.mono.0);
        self.now.mono = self.now.mono + shift;
        self.offset -= shift.0;
        for record in &mut self.records {
            record.at.mono = record.at.mono + shift;
        }
        self.hanging.clear();
        self.engine = self.reborn(self.now, horizon);
        self.start(away.map(Span::seconds));
    }
}

fn outcome(accepted: bool) -> Outcome {
    match accepted {
        true => Outcome::Accepted { note: "taken".to_owned() },
        false => Outcome::deferred("no route"),
    }
}
