//! A tank in virtual time with just the sensors that a story needs. Every sensor says again each
//! minute what it said last, unless it ramps or is silent; the clock never jumps past a deadline.

use crate::fixtures::{UTC, around_in};
use slackwater_rules::card::{Card, LineKind, Situation, Who};
use slackwater_rules::engine::OperatorCommand;
use slackwater_rules::page::gsm;
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
    text + alarms
        + "\n[callout.home]\nsteps = [{ after = \"0 s\", to = [\"ines.push\", \"neighbour.push\"] }]\n"
}

pub(crate) fn check(rules: &str) -> Checked {
    let mut around = around_in(UTC, &["ines.push", "neighbour.push"]);
    around.directory.contacts.entry("neighbour".to_owned()).or_default().helper = true;
    Plan::check("rules.toml", rules, &around)
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

    /// It rang; the keeper's first page plays with all of its card, the helper's with what is for
    /// anyone.
    #[track_caller]
    pub(crate) fn rang(&self) {
        assert!(self.rings(), "it did not ring\n{}{}", self.0.story(), self.0.why("it"));
        let plan = self.0.engine.plan();
        let card = &plan.alarm(plan.alarm_named("it").expect("the alarm is there")).response;
        for (to, helper) in [("ines.push", false), ("neighbour.push", true)] {
            plays_with(card, self.page(to), helper);
        }
        for page in &self.0.world.sent {
            let septets = gsm::septets(&page.text()).map(|there| there.len());
            assert!(septets.is_some_and(|there| there <= 160), "{septets:?}: {}", page.text());
        }
    }

    /// The first page to this target that asks for an act.
    #[track_caller]
    pub(crate) fn page(&self, to: &str) -> &SentPage {
        let called = |page: &&SentPage| page.to == to && page.purpose == Purpose::Call;
        self.0.world.sent.iter().find(called).unwrap_or_else(|| panic!("no page to {to}\n{}", self.0.story()))
    }

    /// What pages led with, each once, without what else stands.
    pub(crate) fn headings(&self) -> Vec<String> {
        let mut found: Vec<String> = Vec::new();
        for page in self.0.world.sent.iter().filter(|page| page.purpose == Purpose::Call) {
            let heading = page.headline.split([',', '(']).next().unwrap_or_default().trim().to_owned();
            if !found.contains(&heading) {
                found.push(heading);
            }
        }
        found
    }

    /// What relays were told, the oldest first.
    pub(crate) fn commands(&self) -> Vec<String> {
        self.0.world.commands.iter().map(|it| format!("{} {}", it.topic, it.payload)).collect()
    }

    #[track_caller]
    pub(crate) fn was_quiet(&self) {
        assert!(!self.rings(), "it rang\n{}{}", self.0.story(), self.0.why("it"));
    }
}

/// The page has each line of the card that helps for certain: an act at its head, a helper's
/// without the keeper's.
#[track_caller]
fn plays_with(card: &Card, page: &SentPage, helper: bool) {
    let body = &page.body;
    let lines = card.lines.iter().filter(|line| line.needs.is_none());
    for line in lines.clone() {
        let for_reader = !(helper && line.who == Who::Keeper);
        assert_eq!(body.contains(&line.words), for_reader, "{}\n{body}", line.words);
    }
    let mine: Vec<_> = lines.filter(|line| !(helper && line.who == Who::Keeper)).collect();
    let Some(head) = mine.first() else {
        assert!(body.contains("\nFirst: Nothing here is for a helper: call the keeper."), "{body}");
        return;
    };
    let leads = match head.kind {
        LineKind::LookFirst => head,
        LineKind::Act | LineKind::LeaveAlone | LineKind::Ending => {
            mine.iter().find(|line| line.kind == LineKind::Act).unwrap_or(head)
        }
    };
    let first = body.split("\nFirst: ").nth(1).unwrap_or_else(|| panic!("no first step\n{body}"));
    let first = first.trim_start_matches("Keeper only: ");
    assert!(first.starts_with(&leads.words), "{}\n{body}", leads.words);
    let keepers = body.split("\nOnly for who knows the tank\n").nth(1);
    assert!(!helper || (keepers.is_none() && !body.contains("Keeper only")), "{body}");
    if !helper {
        let now = Situation::default();
        let step = card.text(&now).expect("a step for texts");
        assert!(page.text().contains(step.trim_end_matches('.')), "{}", page.text());
    }
}
