//! An engine on a made-up plan, to which each byte does something: time passes and a message
//! comes, the broker goes, a person says something, the board restarts. Whatever comes, records
//! are numbered in order, no deadline that is due is left behind, and the views can be shown.

use slackwater_rules::engine::{Arrival, Effect, Input, Link, OperatorCommand};
use slackwater_rules::plan::{Plan, Sensor, SensorId};
use slackwater_rules::reading::{Content, Value};
use slackwater_rules::record::Outcome;
use slackwater_rules::sim::{Sim, SimWorld};
use slackwater_rules::time::{Now, Span};
use std::collections::VecDeque;

/// How many bytes are made into something that happens.
const MOST_HAPPENINGS: usize = 16;
/// How many deadlines are met one by one before time goes on in one leap.
const MOST_DEADLINES: usize = 4;

/// Of four pages one is refused and one put off; of three commands one fails.
struct Wire {
    code: String,
}

impl SimWorld for Wire {
    fn carry_out(&mut self, _: &Now, effect: Effect, reports: &mut VecDeque<Input>) {
        reports.extend(match effect {
            Effect::Send { page, .. } => {
                let why = "the wire is cut".to_owned();
                let outcome = match page.id % 4 {
                    0 => Outcome::deferred(why),
                    1 => Outcome::Failed { why },
                    _ => Outcome::Accepted { note: String::new() },
                };
                if !page.code.is_empty() {
                    self.code = page.code;
                }
                Some(Input::Delivered { page: page.id, outcome })
            }
            Effect::Withdraw { .. } => None,
            Effect::Command { switching, .. } => {
                let failed = switching.is_multiple_of(3).then(|| "no broker".to_owned());
                Some(Input::Commanded { switching, failed })
            }
        });
    }
}

struct Watch {
    sim: Sim<Wire>,
    /// Records that have been looked at.
    seen: usize,
}

/// Lets all of `happens` happen.
pub(crate) fn over(plan: &Plan, happens: &[u8], now: Now) {
    let wire = Wire { code: String::new() };
    let mut watch = Watch { sim: Sim::new("fuzz", plan.clone(), 7, now, wire), seen: 0 };
    watch.sim.start(Some(Span::minutes(1)));
    for (index, byte) in happens.iter().take(MOST_HAPPENINGS).enumerate() {
        watch.pass(byte & 7);
        watch.happen(byte >> 3, index, *byte);
        watch.check();
    }
    watch.pass(6);
    watch.show();
}

impl Watch {
    /// Records are numbered in order, and nothing that was due is left behind.
    fn check(&mut self) {
        let Sim { engine, records, now, stuck, .. } = &self.sim;
        for pair in records[self.seen.saturating_sub(1)..].windows(2) {
            assert!(pair[1].seq > pair[0].seq, "{} comes after {}", pair[1].seq, pair[0].seq);
        }
        self.seen = records.len();
        if let Some((due, reason)) = engine.next_deadline() {
            assert!(due > now.mono, "{reason:?} was due at {due:?}, and it is {:?}", now.mono);
        }
        assert_eq!(*stuck, None);
    }

    fn step(&mut self, input: Input) {
        self.sim.step(input);
        self.check();
    }

    /// Lets one of eight lengths of time pass, from one deadline to the next.
    fn pass(&mut self, which: u8) {
        let length = match which {
            0 => Span::ZERO,
            1 => Span::seconds(1),
            2 => Span::seconds(15),
            3 => Span::seconds(30),
            4 => Span::minutes(2),
            5 => Span::minutes(11),
            6 => Span::hours(3),
            _ => Span::hours(26),
        };
        let end = self.sim.now.mono + length;
        for _ in 0..MOST_DEADLINES {
            if !self.sim.advance(end) {
                break;
            }
            while self.sim.turn() {}
            self.check();
        }
        self.sim.jump(end);
        self.step(Input::Tick);
    }

    fn happen(&mut self, what: u8, index: usize, byte: u8) {
        let plan = self.sim.engine.plan();
        let pick = |length: usize| (usize::from(byte) + index) % length.max(1);
        let alarm = plan.alarms.get(pick(plan.alarms.len())).map(|alarm| alarm.name.clone());
        let alarm = alarm.unwrap_or_default();
        let tank = plan.tanks.first().map(|tank| tank.name.clone()).unwrap_or_default();
        let why = "to see".to_owned();
        match what {
            0 => self.step(Input::Link(Link::Lost { why })),
            1 => self.step(Input::Link(Link::Hears)),
            2 => self.say(OperatorCommand::Acknowledge { code: self.sim.world.code.clone(), length: None }),
            3 => self.say(OperatorCommand::Shelve { alarm, length: Span::hours(1), why }),
            4 => self.say(OperatorCommand::Reset { alarm }),
            5 => {
                let work = plan.works.keys().nth(pick(plan.works.len())).cloned().unwrap_or_default();
                self.say(OperatorCommand::BeginWork { tank, work, length: None });
            }
            6 => self.say(OperatorCommand::EndWork { tank }),
            7 => {
                let callout = plan.callouts.first().map(|it| it.name.clone()).unwrap_or_default();
                self.say(OperatorCommand::Drill { callout });
            }
            8 => self.sim.restart(Span::ZERO, None),
            9 => self.sim.reload((**plan).clone()),
            10 => self.say(if index.is_multiple_of(2) {
                OperatorCommand::TakeOut { alarm, why }
            } else {
                OperatorCommand::PutBack { alarm }
            }),
            11 => self.sim.now.wall_trusted = !self.sim.now.wall_trusted,
            12 => self.sim.now.wall = self.sim.now.wall + Span::hours(i64::from(byte) * 31 - 4_000),
            13 => self.show(),
            _ => {
                let sensor = pick(plan.sensors.len());
                let Some(of) = plan.sensors.get(sensor) else { return };
                let delivery = if what == 14 { Arrival::Retained } else { Arrival::Live };
                let input = match measured(of, byte, index) {
                    Some(value) => Input::Measured { sensor: SensorId(sensor as u32), value, delivery },
                    None => Input::Message {
                        topic: of.feed.topic().unwrap_or_default().to_owned(),
                        payload: b"{\"flow\":{\"rate\":1e308}}".to_vec(),
                        delivery,
                    },
                };
                self.step(input);
            }
        }
    }

    fn say(&mut self, word: OperatorCommand) {
        self.sim.say("ines", word);
    }

    fn show(&self) {
        let Sim { engine, now, .. } = &self.sim;
        for alarm in engine.status(*now).alarms {
            assert!(engine.explain(&alarm.name, *now).is_some(), "{}", alarm.name);
        }
    }
}

/// Something that the sensor could say; sometimes nothing that it could.
fn measured(sensor: &Sensor, byte: u8, index: usize) -> Option<Value> {
    let content = &sensor.mapping.content;
    let choice = usize::from(byte >> 2) + index;
    match content {
        Content::Words(words) => {
            let word = choice % (words.len() + 1);
            (word < words.len()).then_some(Value::Word(word as u16))
        }
        Content::Number(_) => {
            let (low, high) = sensor.plausible.unwrap_or((-1e308, 1e308));
            let middle = low / 2.0 + high / 2.0;
            [low, high, middle, middle + index as f64 * 1e-3, 0.0, 1.0, 300.0, 1e-300]
                .get(choice % 9)
                .map(|number| Value::Number(*number))
        }
    }
}
