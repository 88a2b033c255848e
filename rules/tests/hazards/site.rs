//! A tank in virtual time with just the sensors that a story needs. Every sensor says again each
//! minute what it said last, unless it ramps or is silent; the clock never jumps past a deadline.

use crate::fixtures::{UTC, around_in};
use slackwater_rules::card::Situation;
use slackwater_rules::engine::OperatorCommand;
use slackwater_rules::plan::{Checked, Plan};
use slackwater_rules::record::Purpose;
use slackwater_rules::sim::{Saying, SentPage, SignalOrigin, Sim, SimSite};
use slackwater_rules::time::{Moment, Now, Span, Wall};

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
        if sensors.contains(&"cooler-power") {
            text += "chiller = { sensor = \"cooler-power\", power = \"150 W\" }\n";
        }
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
    Plan::check("rules.toml", rules, &around_in(UTC, &["ines.push"]))
}

pub(crate) struct Story(Sim<SimSite>);

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
        let world = SimSite::new(&plan);
        let mut sim = Sim::new("test", plan, 7, now, world);
        sim.start(None);
        Self(sim)
    }

    /// From now on, each minute.
    pub(crate) fn says(&mut self, sensor: &str, payload: impl ToString) -> &mut Self {
        self.0.says(SignalOrigin::Topic(sensor.to_owned()), Saying::Payload(payload.to_string()), MINUTE);
        self
    }

    pub(crate) fn silence(&mut self, sensor: &str) -> &mut Self {
        self.0.world.silence(&SignalOrigin::Topic(sensor.to_owned()));
        self
    }

    /// The keeper begins work on the tank.
    pub(crate) fn work(&mut self, work: &str) -> &mut Self {
        let word =
            OperatorCommand::BeginWork { tank: "lagoon".to_owned(), work: work.to_owned(), length: None };
        self.0.say("ines", word);
        self
    }

    /// Lets time pass.
    pub(crate) fn run(&mut self, span: Span) -> &mut Self {
        self.0.run(span);
        assert_eq!(self.0.stuck, None);
        self
    }

    /// The sensor goes from what it says to this, evenly.
    pub(crate) fn ramp(&mut self, sensor: &str, to: f64, over: Span) -> &mut Self {
        let origin = SignalOrigin::Topic(sensor.to_owned());
        let Some(Saying::Payload(from)) = self.0.world.signal(&origin).map(|signal| &signal.says) else {
            panic!("{sensor} says nothing")
        };
        let from: f64 = from.parse().expect("a number");
        let minutes = over.0 / MINUTE.0;
        for minute in 1..=minutes {
            let value = from + (to - from) * minute as f64 / minutes as f64;
            let next = self.0.now.mono + MINUTE;
            self.0.world.says(next, origin.clone(), Saying::Payload(format!("{value:.4}")), MINUTE);
            self.run(MINUTE);
        }
        self
    }

    fn rings(&self) -> bool {
        self.0.raised().contains(&"it")
    }

    /// It rang, and whoever was called read its card.
    #[track_caller]
    pub(crate) fn rang(&self) {
        assert!(self.rings(), "it did not ring\n{}{}", self.0.story(), self.0.why("it"));
        let plan = self.0.engine.plan();
        let card = &plan.alarm(plan.alarm_named("it").expect("the alarm is there")).response;
        let called = |page: &&SentPage| page.alarm == "it" && page.purpose == Purpose::Call;
        let page = self.0.world.sent.iter().find(called).expect("a page");
        let now = Situation::default();
        let first = &card.steps(&now)[0];
        assert!(page.body.contains(&format!("\nFirst: {}\n", first.words(false))), "{}", page.body);
        let step = card.text(&now).expect("a step for texts");
        assert!(page.text.contains(step.trim_end_matches('.')), "{}", page.text);
    }

    #[track_caller]
    pub(crate) fn was_quiet(&self) {
        assert!(!self.rings(), "it rang\n{}{}", self.0.story(), self.0.why("it"));
    }
}
