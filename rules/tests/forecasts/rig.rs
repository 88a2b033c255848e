//! A simulated tank wired to the real engine: the generator of the science tests (which no model of
//! ours made) says each minute what its sensors read, and the engine hears it as messages.

use crate::fixtures::{MODELLED, UTC, around_in, plan_of};
use crate::simulator::{Cooler, Faults, Random, Sight, Simulator, Tank};
use slackwater_rules::engine::{Arrival, Effect, Input, OperatorCommand, Status};
use slackwater_rules::page::Page;
use slackwater_rules::plan::Plan;
use slackwater_rules::record::Outcome;
use slackwater_rules::sim::{Sim, SimWorld};
use slackwater_rules::time::{Moment, Now, Span, Wall};
use std::collections::VecDeque;
use std::ops::{Deref, DerefMut};

/// An ordinary tank of this size: no luck in it.
pub(crate) fn tank() -> Tank {
    Tank {
        litres: 300.0,
        sump_litres: 45.0,
        flow_l_h: 2_000.0,
        walls: 22.0,
        surface: 0.6,
        humidity: 0.5,
        heater_w: 250.0,
        pumps_w: 30.0,
        lamp_w: 30.0,
        set: 25.0,
        half_band: 0.15,
        room_mean: 20.5,
        room_swing: 1.2,
        noise: 0.02,
        step: 0.0625,
        offset: 0.0,
        gaps_per_day: 0.0,
        sight: Sight::Power,
        cooler: Cooler::None,
    }
}

/// The plan of the tank with these alarms.
pub(crate) fn plan(alarms: &str) -> Plan {
    plan_of(&format!("{MODELLED}{alarms}"), &around_in(UTC, &["ines.text"]))
}

/// The same with a chiller whose state is seen.
fn cooled(alarms: &str) -> Plan {
    let chiller = "chiller = { sensor = \"chiller\" }\nair       =";
    let sensor = "[sensor.chiller]\ntopic = \"lagoon/chiller\"\ntank = \"lagoon\"\nmeasures = \"state\"\n\
                  on = [\"on\"]\noff = [\"off\"]\nevery = \"1 min\"\n\n";
    let text = MODELLED.replacen("air       =", chiller, 1);
    plan_of(&format!("{text}\n{sensor}{alarms}"), &around_in(UTC, &["ines.text"]))
}

/// The tank as the world of an engine: each minute its sensors say what they read.
pub(crate) struct Tanked {
    pub(crate) tank: Simulator,
    /// What the spare draws: the generator has one heater.
    pub(crate) spare: f64,
    /// The flow sensor goes on saying that water flows.
    pub(crate) flow_lies: bool,
    pub(crate) pages: Vec<Page>,
    air: bool,
    /// When the next minute is over.
    next: Moment,
    /// What is still to be said of the last one.
    said: VecDeque<(&'static str, String)>,
}

impl Tanked {
    fn minute(&mut self) {
        let minute = self.tank.run();
        let power = !self.tank.faults.power;
        let switch = |on: bool| if on { "on" } else { "off" }.to_owned();
        let mut say = |topic, payload| self.said.push_back((topic, payload));
        say("mains", switch(power));
        if let Some(water) = minute.water {
            say("lagoon/temperature", water.to_string());
        }
        say("lagoon/sump", ((self.tank.sump * 16.0).round() / 16.0).to_string());
        say("room", minute.room.to_string());
        say("air", if self.air { "0.2" } else { "0" }.to_owned());
        // What hangs on the mains says nothing without them.
        if power {
            say("lagoon/heater", (minute.heater * self.tank.tank.heater_w).to_string());
            say("lagoon/spare", self.spare.to_string());
            say("lagoon/lamp", switch(minute.lamp > 0.5));
            if self.tank.tank.cooler != Cooler::None {
                say("lagoon/chiller", switch(minute.cooler > 0.5));
            }
            let still = self.tank.faults.pump && !self.flow_lies;
            say("lagoon/flow", if still { "0" } else { "2000" }.to_owned());
        }
    }
}

impl SimWorld for Tanked {
    fn due(&self) -> Option<Moment> {
        Some(if self.said.is_empty() { self.next } else { self.next + Span::minutes(-1) })
    }

    fn happen(&mut self, now: &Now) -> Option<Input> {
        if self.said.is_empty() {
            self.next = now.mono + Span::minutes(1);
            self.minute();
        }
        let (topic, payload) = self.said.pop_front()?;
        let (topic, payload) = (topic.to_owned(), payload.into_bytes());
        Some(Input::Message { topic, payload, delivery: Arrival::Live })
    }

    fn carry_out(&mut self, _: &Now, effect: Effect, reports: &mut VecDeque<Input>) {
        reports.extend(match effect {
            Effect::Send { page, .. } => {
                let id = page.id;
                self.pages.push(*page);
                Some(Input::Delivered { page: id, outcome: Outcome::Accepted { note: "taken".to_owned() } })
            }
            Effect::Withdraw { .. } => None,
            Effect::Command { switching, payload, .. } => {
                self.air = payload == "on";
                Some(Input::Commanded { switching, failed: None })
            }
        });
    }
}

pub(crate) struct Rig(Sim<Tanked>);

impl Deref for Rig {
    type Target = Sim<Tanked>;

    fn deref(&self) -> &Self::Target {
        &self.0
    }
}

impl DerefMut for Rig {
    fn deref_mut(&mut self) -> &mut Self::Target {
        &mut self.0
    }
}

impl Rig {
    pub(crate) fn new(alarms: &str) -> Self {
        Self::with(alarms, tank())
    }

    pub(crate) fn with(alarms: &str, tank: Tank) -> Self {
        let plan = if tank.cooler == Cooler::None { plan(alarms) } else { cooled(alarms) };
        Self::of(plan, tank)
    }

    /// A keeper who declared a thermometer and nothing else.
    pub(crate) fn seeing_the_water_alone(alarms: &str, tank: Tank) -> Self {
        let gear = |line: &&str| {
            !["heater ", "spare ", "pumps ", "lamp ", "sump "].iter().any(|key| line.starts_with(key))
        };
        let text: Vec<&str> = MODELLED.lines().filter(gear).collect();
        Self::of(plan_of(&format!("{}\n{alarms}", text.join("\n")), &around_in(UTC, &["ines.text"])), tank)
    }

    fn of(plan: Plan, tank: Tank) -> Self {
        let now = Now { mono: Moment(1_000_000), wall: Wall(1_700_000_000_000), wall_trusted: true };
        let world = Tanked {
            tank: Simulator::new(tank, Random::new(11)),
            spare: 0.0,
            flow_lies: false,
            pages: Vec::new(),
            air: false,
            next: now.mono + Span::minutes(1),
            said: VecDeque::new(),
        };
        let mut sim = Sim::new("test", plan, 7, now, world);
        sim.start(Some(Span::ZERO));
        Self(sim)
    }

    pub(crate) fn faults(&mut self, faults: Faults) -> &mut Self {
        self.world.tank.faults = faults;
        self
    }

    pub(crate) fn hear(&mut self, topic: &str, payload: &str) {
        self.0.hear(topic, payload, Arrival::Live);
    }

    pub(crate) fn say(&mut self, word: OperatorCommand) {
        self.0.say("ines", word);
    }

    pub(crate) fn run(&mut self, span: Span) -> &mut Self {
        self.0.run(span);
        assert_eq!(self.stuck, None);
        self
    }

    /// One minute of the tank.
    pub(crate) fn minute(&mut self) {
        self.run(Span::minutes(1));
    }

    /// A minute goes by in which no sensor of the tank says anything.
    pub(crate) fn silent_minute(&mut self) {
        self.world.next = self.now.mono + Span::minutes(2);
        self.run(Span::minutes(1));
    }

    /// The board reboots after an orderly end; only its records are left.
    pub(crate) fn restart(&mut self) {
        self.step(Input::Stopping { why: "reboot".to_owned() });
        let text = serde_json::to_string(&self.records).expect("records can be stored");
        self.records = serde_json::from_str(&text).expect("and read back");
        self.0.restart(Span::ZERO, Some(Span::ZERO));
    }

    pub(crate) fn status(&self) -> Status {
        self.engine.status(self.now)
    }

    /// An alarm's condition with what it rests on, line by line.
    pub(crate) fn explained(&self, alarm: &str) -> String {
        let found = self.engine.explain(alarm, self.now).expect(alarm);
        found.reasons.into_iter().map(|(_, text, _)| text).collect::<Vec<_>>().join("\n")
    }

    /// When the alarm was first raised.
    pub(crate) fn raised(&self, name: &str) -> Option<Moment> {
        self.first_raised(name)
    }
}
