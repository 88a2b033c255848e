//! A simulated tank wired to the real engine: the generator of the science tests (which no model of
//! ours made) says each minute what its sensors read, and the engine hears it as messages.

use crate::simulator::{Cooler, Faults, Random, Sight, Simulator, Tank};
use jiff::tz::TimeZone;
use slackwater_rules::engine::{Delivery, Effect, Engine, Input, Link, OperatorCommand, Status};
use slackwater_rules::page::Page;
use slackwater_rules::plan::{ChannelKind, Checked, Directory, Plan, Surroundings, Target};
use slackwater_rules::record::{Body, By, Outcome, Record};
use slackwater_rules::time::{Moment, Now, Span, Wall};

/// The tank with its gear and sensors; alarms are each test's own.
pub(crate) const SITE: &str = r#"
[site]
name = "Halyard House"

[tank.lagoon]
volume    = "300 L"
footprint = ["120 cm", "50 cm"]
salinity  = "35 ppt"
water     = "lagoon-temp"
sump      = "sump-temp"
heater    = { sensor = "heater-power", power = "250 W" }
spare     = { sensor = "spare-power", power = "120 W" }
pumps     = { sensor = "return-flow", least = "200 L/h", power = "30 W" }
lamp      = { sensor = "lamp", power = "80 W" }
air       = { relay = "air-pump", delivers = "3 L/min", depth = "40 cm", bubbles = "fine" }

[battery.box]
feeds    = "air-pump"
voltage  = "12 V"
capacity = "7 Ah"
load     = "4 W"

[sensor.lagoon-temp]
topic     = "lagoon/temperature"
tank      = "lagoon"
measures  = "temperature"
unit      = "degC"
every     = "1 min"
stale-after = "10 min"
plausible = ["5 degC", "45 degC"]
max-rate  = "none"
limits    = ["23 degC", "28 degC"]

[sensor.sump-temp]
topic     = "lagoon/sump"
tank      = "lagoon"
measures  = "temperature"
unit      = "degC"
every     = "1 min"

[sensor.room-temp]
topic    = "room"
measures = "temperature"
unit     = "degC"
every    = "1 min"

[sensor.heater-power]
topic    = "lagoon/heater"
tank     = "lagoon"
measures = "power"
unit     = "W"
every    = "1 min"

[sensor.spare-power]
topic    = "lagoon/spare"
tank     = "lagoon"
measures = "power"
unit     = "W"
every    = "1 min"

[sensor.lamp]
topic    = "lagoon/lamp"
tank     = "lagoon"
measures = "state"
on       = ["on"]
off      = ["off"]
every    = "1 min"

[sensor.return-flow]
topic    = "lagoon/flow"
tank     = "lagoon"
measures = "flow"
unit     = "L/h"
every    = "1 min"

[sensor.mains]
topic    = "mains"
measures = "presence"
on       = ["on"]
off      = ["off"]
every    = "1 min"

[sensor.air-current]
topic    = "air"
tank     = "lagoon"
measures = "current"
unit     = "A"
every    = "1 min"

[relay.air-pump]
command = { topic = "air/set", on = "on", off = "off" }
moves   = "air"
proof   = "air-current > 0.05 A within 2 min"
longest = "12 h"

[callout.household]
steps = [{ after = "0 s", to = ["ines.text"] }]
"#;

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

pub(crate) fn around() -> Surroundings {
    let channels = [(Target::parse("ines.text"), ChannelKind::Text)].into();
    let directory = Directory { channels, ..Directory::default() };
    Surroundings { directory, zone: TimeZone::UTC, today: None }
}

fn check(alarms: &str) -> Checked {
    Plan::check("site.toml", &format!("{SITE}{alarms}"), &around())
}

pub(crate) fn plan(alarms: &str) -> Plan {
    let checked = check(alarms);
    checked.plan.expect(&checked.report)
}

pub(crate) struct Rig {
    pub(crate) engine: Engine,
    pub(crate) tank: Simulator,
    pub(crate) now: Now,
    pub(crate) records: Vec<Record>,
    pub(crate) pages: Vec<Page>,
    /// What the spare draws: the generator has one heater.
    pub(crate) spare: f64,
    /// The flow sensor goes on saying that water flows.
    pub(crate) flow_lies: bool,
    air: bool,
    alarms: String,
}

impl Rig {
    pub(crate) fn new(alarms: &str) -> Self {
        Self::with(alarms, tank())
    }

    pub(crate) fn with(alarms: &str, tank: Tank) -> Self {
        let now = Now { mono: Moment(1_000_000), wall: Wall(1_700_000_000_000), wall_trusted: true };
        let engine = Engine::new(plan(alarms), 7, 1, now);
        let mut rig = Self {
            engine,
            tank: Simulator::new(tank, Random::new(11)),
            now,
            records: Vec::new(),
            pages: Vec::new(),
            spare: 0.0,
            flow_lies: false,
            air: false,
            alarms: alarms.to_owned(),
        };
        rig.begin();
        rig
    }

    fn begin(&mut self) {
        self.step(Input::Started { version: "test".to_owned(), gap: Some(Span::ZERO) });
        self.step(Input::Link(Link::Hears));
    }

    pub(crate) fn faults(&mut self, faults: Faults) -> &mut Self {
        self.tank.faults = faults;
        self
    }

    pub(crate) fn step(&mut self, input: Input) {
        let mut open = vec![input];
        while let Some(input) = open.pop() {
            let turn = self.engine.step(self.now, input);
            self.records.extend(turn.records);
            for effect in turn.effects {
                open.extend(match effect {
                    Effect::Send { page, .. } => {
                        let id = page.id;
                        self.pages.push(*page);
                        let outcome = Outcome::Accepted { note: "taken".to_owned() };
                        Some(Input::Delivered { page: id, outcome })
                    }
                    Effect::Withdraw { .. } => None,
                    Effect::Command { switching, payload, .. } => {
                        self.air = payload == "on";
                        Some(Input::Commanded { switching, failed: None })
                    }
                });
            }
        }
    }

    pub(crate) fn hear(&mut self, topic: &str, payload: &str) {
        let (topic, payload) = (topic.to_owned(), payload.as_bytes().to_vec());
        self.step(Input::Message { topic, payload, delivery: Delivery::Live });
    }

    pub(crate) fn say(&mut self, word: OperatorCommand) {
        self.step(Input::Said { command: word, by: By { who: "ines".to_owned(), via: "socket".to_owned() } });
    }

    /// One minute of the tank.
    pub(crate) fn minute(&mut self) {
        let minute = self.tank.run();
        let power = !self.tank.faults.power;
        self.now.mono = self.now.mono + Span::minutes(1);
        self.now.wall = self.now.wall + Span::minutes(1);
        self.hear("mains", if power { "on" } else { "off" });
        if let Some(water) = minute.water {
            self.hear("lagoon/temperature", &water.to_string());
        }
        let sump = (self.tank.sump * 16.0).round() / 16.0;
        self.hear("lagoon/sump", &sump.to_string());
        self.hear("room", &minute.room.to_string());
        self.hear("air", if self.air { "0.2" } else { "0" });
        // What hangs on the mains says nothing without them.
        if power {
            let heater = minute.heater * self.tank.tank.heater_w;
            self.hear("lagoon/heater", &heater.to_string());
            let spare = self.spare.to_string();
            self.hear("lagoon/spare", &spare);
            self.hear("lagoon/lamp", if minute.lamp > 0.5 { "on" } else { "off" });
            self.hear("lagoon/flow", if self.tank.faults.pump && !self.flow_lies { "0" } else { "2000" });
        }
    }

    pub(crate) fn run(&mut self, span: Span) -> &mut Self {
        for _ in 0..span.0 / 60_000 {
            self.minute();
        }
        self
    }

    /// The board reboots after an orderly end; only its records are left.
    pub(crate) fn restart(&mut self) {
        self.step(Input::Stopping { why: "reboot".to_owned() });
        let next = self.engine.next_seq();
        let horizon = self.engine.horizon();
        let mut engine = Engine::new(plan(&self.alarms), 7, next, self.now);
        let text = serde_json::to_string(&self.records).expect("records can be stored");
        let read: Vec<Record> = serde_json::from_str(&text).expect("and read back");
        engine.restore(read.iter().filter(|record| record.seq >= horizon));
        self.engine = engine;
        self.begin();
    }

    pub(crate) fn status(&self) -> Status {
        self.engine.status(self.now)
    }

    /// What is true, false or unknown of an alarm's condition.
    pub(crate) fn truth(&self, alarm: &str) -> &'static str {
        self.status().alarms.iter().find(|view| view.name == alarm).expect(alarm).truth
    }

    /// An alarm's condition with what it rests on, line by line.
    pub(crate) fn explained(&self, alarm: &str) -> String {
        let found = self.engine.explain(alarm, self.now).expect(alarm);
        found.reasons.into_iter().map(|(_, text, _)| text).collect::<Vec<_>>().join("\n")
    }

    /// When the alarm was first raised.
    pub(crate) fn raised(&self, name: &str) -> Option<Moment> {
        let raised = |record: &&Record| matches!(&record.body, Body::Raised { alarm, .. } if alarm == name);
        self.records.iter().find(raised).map(|record| record.at.mono)
    }
}
