//! A tank in virtual time with just the sensors that a story needs. Every sensor says again each
//! minute what it said last, unless it ramps or is silent; the clock never jumps past a deadline.

use jiff::tz::TimeZone;
use slackwater_rules::card::{Card, Situation};
use slackwater_rules::engine::{Delivery, Effect, Engine, Input, Link, OperatorCommand};
use slackwater_rules::page::Page;
use slackwater_rules::plan::{ChannelKind, Checked, Directory, Plan, Surroundings, Target};
use slackwater_rules::record::{Body, By, Purpose};
use slackwater_rules::time::{Moment, Now, Span, Wall};
use std::collections::BTreeMap;

pub(crate) const MINUTE: Span = Span::minutes(1);

/// What a sensor of this name measures, and how it says so; site-wide ones bear no tank.
fn sensor(name: &str) -> String {
    let kind = |measure: &str, unit: &str| format!("measures = \"{measure}\"\nunit = \"{unit}\"\n");
    let words = |measure: &str, words: &str| format!("measures = \"{measure}\"\n{words}\n");
    let on_off = "on = [\"on\"]\noff = [\"off\"]";
    let what = match name {
        "room" | "temperature" | "first" | "second" | "sensor" => kind("temperature", "degC"),
        "return-flow" => kind("flow", "L/h"),
        "level" => kind("level", "cm"),
        "salinity" => kind("salinity", "ppt"),
        "ph" => kind("ph", "pH"),
        "light" => kind("light", "umol/m2/s"),
        "battery" => kind("battery", "%"),
        "runtime" => kind("runtime", "min"),
        "low-battery" | "replace-battery" => words("state", on_off),
        "pump-current" => kind("current", "A"),
        "leak" => words("leak", "words = { wet = [\"wet\"], dry = [\"dry\"] }"),
        "mains" | "circuit" => words("presence", on_off),
        _ if name.ends_with("-power") => kind("power", "W"),
        _ if name.ends_with("-state") || name.ends_with("-command") => words("state", on_off),
        _ => panic!("no sensor `{name}`"),
    };
    let tank = if name == "mains" || name == "room" { "" } else { "tank = \"lagoon\"\n" };
    format!("[sensor.{name}]\ntopic = \"{name}\"\n{what}{tank}every = \"1 min\"\n\n")
}

/// A rule file with these sensors, and a relay if it is asked for.
pub(crate) fn rules(sensors: &[&str], alarms: &str) -> String {
    let mut text = "[tank.lagoon]\nvolume = \"420 L\"\nphotoperiod = [\"10:00\", \"20:00\"]\n".to_owned();
    // A tank that is known whole has a model.
    if sensors.contains(&"room") {
        text += "water = \"temperature\"\nsump = \"second\"\n\
                 heater = { sensor = \"heater-power\", power = \"200 W\" }\n\
                 spare = { sensor = \"spare-power\", power = \"200 W\" }\n";
    }
    text += "\n";
    for name in sensors {
        text += &match *name {
            "relay" => "[relay.relay]\ncommand = { topic = \"relay/set\", on = \"on\", off = \"off\" }\n\
                        moves = \"heat\"\nlongest = \"2 h\"\n\n"
                .to_owned(),
            name => sensor(name),
        };
    }
    if sensors.contains(&"runtime") && sensors.contains(&"mains") {
        text += "[battery.battery]\nruntime = \"runtime\"\n\n";
    }
    text + alarms + "\n[callout.home]\nsteps = [{ after = \"0 s\", to = [\"ines.push\"] }]\n"
}

pub(crate) fn check(rules: &str) -> Checked {
    let channels = [(Target::parse("ines.push"), ChannelKind::Push)].into();
    let directory = Directory { channels, ..Directory::default() };
    Plan::check("rules.toml", rules, &Surroundings { directory, zone: TimeZone::UTC, today: None })
}

pub(crate) struct Story {
    engine: Engine,
    now: Now,
    says: BTreeMap<String, String>,
    raised: Vec<String>,
    /// What went out about it.
    pages: Vec<Page>,
    card: Card,
    log: String,
}

impl Story {
    /// Begins at noon, with one alarm made from the hazard.
    pub(crate) fn of(hazard: &str, keys: &str, sensors: &[&str]) -> Self {
        Self::with(&rules(sensors, &format!("[alarm.it]\nhazard = \"{hazard}\"\n{keys}\n")))
    }

    pub(crate) fn with(rules: &str) -> Self {
        let checked = check(rules);
        let plan = checked.plan.unwrap_or_else(|| panic!("{}", checked.report));
        // 2026-03-02T12:00:00Z.
        let now = Now { mono: Moment(1_000_000), wall: Wall(1_772_452_800_000), wall_trusted: true };
        let card = plan.alarm(plan.alarm_named("it").expect("the alarm is there")).response.clone();
        let engine = Engine::new(plan, 7, 1, now);
        let mut story = Self {
            engine,
            now,
            says: BTreeMap::new(),
            raised: Vec::new(),
            pages: Vec::new(),
            card,
            log: String::new(),
        };
        story.step(Input::Started { version: "test".to_owned(), gap: None });
        story.step(Input::Link(Link::Hears));
        story
    }

    fn step(&mut self, input: Input) {
        let turn = self.engine.step(self.now, input);
        let sent = turn.effects.into_iter().filter_map(|effect| match effect {
            Effect::Send { page, .. } => Some(*page),
            _ => None,
        });
        self.pages.extend(sent.filter(|page| page.alarm == "it"));
        for record in turn.records {
            if let Body::Raised { alarm, .. } = &record.body {
                self.raised.push(alarm.clone());
            }
            self.log += &format!("{} min {}\n", (record.at.mono.0 - 1_000_000) / 60_000, record.body);
        }
    }

    /// From now on.
    pub(crate) fn says(&mut self, sensor: &str, payload: impl ToString) -> &mut Self {
        self.says.insert(sensor.to_owned(), payload.to_string());
        self.tell(sensor);
        self
    }

    pub(crate) fn silence(&mut self, sensor: &str) -> &mut Self {
        self.says.remove(sensor);
        self
    }

    /// The keeper begins work on the tank.
    pub(crate) fn work(&mut self, work: &str) -> &mut Self {
        let word =
            OperatorCommand::BeginWork { tank: "lagoon".to_owned(), work: work.to_owned(), length: None };
        self.step(Input::Said { command: word, by: By { who: "ines".to_owned(), via: "socket".to_owned() } });
        self
    }

    fn tell(&mut self, sensor: &str) {
        if let Some(payload) = self.says.get(sensor).cloned() {
            let (topic, payload) = (sensor.to_owned(), payload.into_bytes());
            self.step(Input::Message { topic, payload, delivery: Delivery::Live });
        }
    }

    /// Lets time pass.
    pub(crate) fn run(&mut self, span: Span) -> &mut Self {
        self.change(span, &[])
    }

    /// The sensor goes from what it says to this, evenly.
    pub(crate) fn ramp(&mut self, sensor: &str, to: f64, span: Span) -> &mut Self {
        self.change(span, &[(sensor, to)])
    }

    fn change(&mut self, span: Span, ramps: &[(&str, f64)]) -> &mut Self {
        let number = |says: &str| says.parse::<f64>().expect("a number");
        let from: Vec<f64> = ramps.iter().map(|(sensor, _)| number(&self.says[*sensor])).collect();
        let minutes = span.0 / MINUTE.0;
        for minute in 1..=minutes {
            self.pass(MINUTE);
            for ((sensor, to), from) in ramps.iter().zip(&from) {
                let value = from + (to - from) * minute as f64 / minutes as f64;
                self.says.insert((*sensor).to_owned(), format!("{value:.4}"));
            }
            for sensor in self.says.keys().cloned().collect::<Vec<_>>() {
                self.tell(&sensor);
            }
        }
        self
    }

    fn pass(&mut self, span: Span) {
        let end = self.now.mono + span;
        while let Some((due, _)) = self.engine.next_deadline().filter(|(due, _)| *due <= end) {
            self.jump(due);
            self.step(Input::Tick);
        }
        self.jump(end);
    }

    fn jump(&mut self, to: Moment) {
        let ahead = to - self.now.mono;
        self.now = Now { mono: to, wall: self.now.wall + ahead, ..self.now };
    }

    /// It rang, and whoever was called read its card.
    #[track_caller]
    pub(crate) fn rang(&self) {
        assert!(self.raised.iter().any(|alarm| alarm == "it"), "it did not ring\n{}{}", self.log, self.why());
        let page = self.pages.iter().find(|page| page.purpose == Purpose::Call).expect("a page");
        let now = Situation::default();
        let first = &self.card.steps(&now)[0];
        assert!(page.body.contains(&format!("\n1. {}\n", first.words())), "{}", page.body);
        let step = self.card.text(&now).expect("a step for texts");
        assert!(page.text.contains(step.trim_end_matches('.')), "{}", page.text);
    }

    #[track_caller]
    pub(crate) fn was_quiet(&self) {
        assert!(!self.raised.iter().any(|alarm| alarm == "it"), "it rang\n{}{}", self.log, self.why());
    }

    fn why(&self) -> String {
        let explained = self.engine.explain("it", self.now).expect("the alarm is there");
        explained.reasons.into_iter().map(|(depth, text, _)| "  ".repeat(depth) + &text + "\n").collect()
    }
}
