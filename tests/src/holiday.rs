//! Halyard House with a past: its files with twenty sensors, and a journal of the days until now,
//! made by the engine itself in virtual time. Water follows Newton's law, and things go wrong
//! as they do: power cuts by day and by night, a heater that dies, a hot afternoon, a gateway
//! that falls silent, a wet floor, work. Ines answers, mostly.

use slackwater::journal::writer::Keeper;
use slackwater::journal::{BootId, JournalLimits, JournalLog};
use slackwater::settings::Environment;
use slackwater::site::SiteFiles;
use slackwater_rules::engine::{Arrival, Effect, Engine, Input, Link, OperatorCommand};
use slackwater_rules::record::{Body, By, Outcome};
use slackwater_rules::time::{Moment, Now, Span, Wall};
use std::collections::BTreeMap;
use std::error::Error;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::time::{SystemTime, UNIX_EPOCH};

type Result<T> = std::result::Result<T, Box<dyn Error>>;

/// The rules that the repository ships.
const SAMPLE_RULES: &str = include_str!("../../deploy/sample/rules.toml");

/// Heat that a litre of sea water takes, J/K.
const WATER: f64 = 4_091.0;

const MINUTE: i64 = 60_000;
const DAY: i64 = 1_440;

/// Sensors in the house.
pub const SENSORS: usize = 20;

/// What the sample has not: name, title, topic, tank, measure, unit.
const MORE: [(&str, &str, &str, &str, &str, &str); 9] = [
    ("room-temp", "the room", "room2/air", "", "temperature", "degC"),
    ("harbour-return", "return flow", "harbour/flow", "harbour", "flow", "L/h"),
    ("harbour-heater", "heater", "harbour/heater", "harbour", "power", "W"),
    ("harbour-sump", "sump", "harbour/sump", "harbour", "level", "cm"),
    ("nursery-return", "return flow", "nursery/flow", "nursery", "flow", "L/h"),
    ("nursery-heater", "heater", "nursery/heater", "nursery", "power", "W"),
    ("quarantine-temp", "water", "quarantine/temperature", "quarantine", "temperature", "degC"),
    ("quarantine-heater", "heater", "quarantine/heater", "quarantine", "power", "W"),
    ("quarantine-return", "return flow", "quarantine/flow", "quarantine", "flow", "L/h"),
];

/// How much of a past.
#[derive(Clone, Copy, Debug)]
pub struct Past {
    /// Days until now.
    pub days: i64,
    /// Minutes between two readings of a sensor.
    pub every: i64,
    /// Whether anything goes wrong in it.
    pub eventful: bool,
}

/// The rules: the sample's, and nine sensors more, each heard every so many minutes.
pub fn rules(every: i64) -> Result<String> {
    let line = |line: &str| match line.split_once('=') {
        Some((key, _)) if key.trim() == "outage" => String::new(),
        Some((key, _)) if key.trim() == "every" => format!("{key}= \"{} min\"", every.max(1)),
        _ => line.to_owned(),
    };
    let mut rules = SAMPLE_RULES.lines().map(line).collect::<Vec<_>>().join("\n");
    rules += "\n\n[tank.quarantine]\nvolume = \"60 L\"\nsalinity = \"35 ppt\"\nstocking = \"light\"\n";
    for (name, title, topic, tank, measures, unit) in MORE {
        let tank = if tank.is_empty() { String::new() } else { format!("tank = \"{tank}\"\n") };
        let limits = if name == "quarantine-temp" { "limits = [\"23.5 degC\", \"27 degC\"]\n" } else { "" };
        write!(
            rules,
            "\n[sensor.{name}]\ntitle = \"{title}\"\ntopic = \"{topic}\"\n{tank}measures = \"{measures}\"\nunit = \"{unit}\"\n\
             every = \"{every} min\"\n{limits}"
        )?;
    }
    rules += "\n[alarm.quarantine-cold]\ntitle = \"the water is too cold\"\ntank = \"quarantine\"\n\
              when = \"quarantine-temp < 23.5 degC\"\ndeadband = \"0.3 K\"\non-delay = \"5 min\"\noff-delay = \"10 min\"\n\
              priority = \"high\"\nresponse = \"card:too-cold\"\nconsequence-of = [\"power-lost\"]\ncallout = \"household\"\n";
    Ok(rules)
}

/// Writes the agent's file and the rules into a folder. The page, if it has a port, is served
/// there.
///
/// # Errors
/// When they can't be written.
pub fn write_files(folder: &Path, broker: u16, page: Option<u16>, every: i64) -> Result<PathBuf> {
    let web = page.map_or(String::new(), |port| {
        format!("\n[web]\nlisten = \"127.0.0.1:{port}\"\nurl = \"http://127.0.0.1:{port}\"\n")
    });
    let mut config = format!(
        "[site]\nrules = \"rules.toml\"\nzone = \"Europe/Lisbon\"\n\n[broker]\nhost = \"127.0.0.1\"\nport = {broker}\n\n\
         [journal]\npath = \"journal.sqlite\"\nflush-every = \"1 min\"\nmax-size = \"2 GiB\"\n\n\
         [control]\nsocket = \"control.sock\"\n\n[clock]\ntrust = \"always\"\n{web}\n\
         [channel.siren]\nkind = \"siren\"\ntopic = \"house/siren/set\"\n"
    );
    for (who, name, more, channels) in [
        ("ines", "Ines", "", &["push", "mail"][..]),
        ("tom", "Tom", "hours = [\"07:00-23:30\"]\n", &["mail"]),
        ("neighbour", "the neighbour", "helper = true\n", &["mail"]),
    ] {
        write!(config, "\n[contact.{who}]\nname = \"{name}\"\n{more}")?;
        for channel in channels {
            write!(
                config,
                "\n[contact.{who}.channel.{channel}]\nkind = \"folder\"\nfolder = \"pages\"\nto = \"{who}.{channel}@halyard.example\"\n"
            )?;
        }
    }
    std::fs::write(folder.join("rules.toml"), rules(every)?)?;
    let file = folder.join("agent.toml");
    std::fs::write(&file, config)?;
    Ok(file)
}

/// A tank in a room.
struct Tank {
    degrees: f64,
    litres: f64,
    /// W/K.
    loss: f64,
    /// Power, set point, closed, alive.
    heaters: Vec<(f64, f64, bool, bool)>,
}

impl Tank {
    fn new(degrees: f64, litres: f64, loss: f64, heaters: &[(f64, f64)]) -> Self {
        let heaters = heaters.iter().map(|(watts, set)| (*watts, *set, false, true)).collect();
        Self { degrees, litres, loss, heaters }
    }

    fn pass(&mut self, minutes: i64, room: f64, mains: bool) {
        for (_, set, closed, _) in &mut self.heaters {
            *closed = self.degrees < *set + if *closed { 0.15 } else { -0.15 };
        }
        let heat: f64 = (0..self.heaters.len()).map(|nth| self.draws(nth, mains)).sum();
        let change = heat - self.loss * (self.degrees - room);
        self.degrees += change * minutes as f64 * 60.0 / (self.litres * WATER);
    }

    fn draws(&self, nth: usize, mains: bool) -> f64 {
        self.heaters
            .get(nth)
            .filter(|(_, _, closed, alive)| *closed && *alive && mains)
            .map_or(0.0, |it| it.0)
    }
}

/// The house, minute by minute.
struct World {
    lagoon: Tank,
    harbour: Tank,
    nursery: Tank,
    quarantine: Tank,
    mains: bool,
    pump: bool,
    air: bool,
    wet: bool,
    gateway: bool,
    /// Degrees above what the room usually has.
    heat: f64,
}

impl World {
    fn new() -> Self {
        Self {
            lagoon: Tank::new(25.5, 420.0, 35.0, &[(400.0, 25.5), (400.0, 24.5)]),
            harbour: Tank::new(25.0, 180.0, 16.0, &[(150.0, 25.0)]),
            nursery: Tank::new(25.4, 57.0, 7.0, &[(75.0, 25.4)]),
            quarantine: Tank::new(25.2, 60.0, 6.0, &[(75.0, 25.2)]),
            mains: true,
            pump: true,
            air: false,
            wet: false,
            gateway: true,
            heat: 0.0,
        }
    }

    /// What goes wrong, and comes right again: by the day, and minutes after its midnight.
    fn story(&mut self, day: i64, minute: i64) {
        // Day by day, over and over: a cut that two in three days have, of 45 min to 3 h.
        let cut = match day.rem_euclid(9) {
            1 => Some((190, 95)),
            2 => Some((1_330, 45)),
            4 => Some((420, 180)),
            5 => Some((900, 60)),
            7 => Some((35, 140)),
            8 => Some((1_100, 50)),
            _ => None,
        };
        if let Some((at, length)) = cut {
            self.mains = !(at..at + length).contains(&minute);
            // On the fifth the pump has to be started by hand.
            let stuck = if day.rem_euclid(9) == 4 { 35 } else { 0 };
            self.pump = !(at..at + length + stuck).contains(&minute);
        }
        let hours = |from: i64, to: i64| (from * 60..to * 60).contains(&minute);
        if let Some(first) = self.lagoon.heaters.first_mut() {
            first.3 = !(day.rem_euclid(14) == 5 && hours(3, 22));
        }
        self.heat = if day.rem_euclid(14) == 9 && hours(11, 19) { 14.0 } else { 0.0 };
        self.gateway = !(day.rem_euclid(14) == 10 && hours(2, 5));
        self.wet = day.rem_euclid(14) == 12 && (610..640).contains(&minute);
        if let Some(heater) = self.quarantine.heaters.first_mut() {
            heater.3 = !(day.rem_euclid(14) == 6 && hours(1, 9));
        }
    }

    fn pass(&mut self, minute: i64, minutes: i64) {
        let daily = (minute as f64 / DAY as f64 * std::f64::consts::TAU - 2.6).sin();
        let room = 19.0 + 1.5 * daily + self.heat;
        for tank in [&mut self.lagoon, &mut self.harbour, &mut self.nursery, &mut self.quarantine] {
            tank.pass(minutes, room, self.mains);
        }
    }

    fn says(&self, minute: i64) -> Vec<(&'static str, String)> {
        let word = |on: bool| if on { "on" } else { "off" }.to_owned();
        let flow = |at_best: i64, runs: bool| if runs { at_best + minute * 7 % 40 } else { 0 };
        let probe = |degrees: f64| (degrees * 16.0).round() / 16.0;
        let level = |line: f64| format!("{:.1}", line - (minute % (3 * DAY)) as f64 / 2_000.0);
        let mut said = vec![
            ("house/mains", word(self.mains)),
            ("lagoon/outlet", word(self.mains)),
            ("lagoon/temperature", probe(self.lagoon.degrees).to_string()),
            ("lagoon/return", format!(r#"{{"flow":{{"rate":{}}}}}"#, flow(4_240, self.pump && self.mains))),
            ("lagoon/sump", level(21.5)),
            ("lagoon/heater/power", self.lagoon.draws(0, self.mains).to_string()),
            ("lagoon/spare-heater/power", self.lagoon.draws(1, self.mains).to_string()),
            ("lagoon/airpump/current", if self.air { "0.24" } else { "0" }.to_owned()),
            ("lagoon/floor", if self.wet { "wet" } else { "dry" }.to_owned()),
            ("room2/air", format!("{:.1}", 19.0 + self.heat)),
            ("harbour/flow", flow(1_480, self.mains).to_string()),
            ("harbour/heater", self.harbour.draws(0, self.mains).to_string()),
            ("harbour/sump", level(18.0)),
            ("nursery/flow", flow(390, self.mains).to_string()),
            ("nursery/heater", self.nursery.draws(0, self.mains).to_string()),
            ("quarantine/temperature", probe(self.quarantine.degrees).to_string()),
            ("quarantine/heater", self.quarantine.draws(0, self.mains).to_string()),
            ("quarantine/flow", flow(420, self.mains).to_string()),
        ];
        if self.gateway {
            let pack = format!(
                r#"[{{"bn":"harbour:","n":"temperature","u":"Cel","v":{}}},{{"bn":"nursery:","n":"temperature","u":"Cel","v":{}}}]"#,
                probe(self.harbour.degrees),
                probe(self.nursery.degrees)
            );
            said.push(("room2/pack", pack));
        }
        said
    }
}

/// What the boards of the house say while all is well: by topic.
pub fn well() -> Vec<(&'static str, String)> {
    World::new().says(0)
}

/// The engine and its journal, with what it still has to hear.
struct Watch {
    engine: Engine,
    keeper: Keeper,
    /// When who answers which call-out.
    answers: BTreeMap<i64, String>,
    replies: Vec<Input>,
    calls: usize,
}

impl Watch {
    fn take(&mut self, now: &Now, input: Input, world: &mut World) {
        let turn = self.engine.step(*now, input);
        for effect in &turn.effects {
            match effect {
                Effect::Send { page, .. } => {
                    let outcome = Outcome::Accepted { note: "250 2.0.0 taken".to_owned() };
                    self.replies.push(Input::Delivered { page: page.id, outcome });
                    if page.purpose == slackwater_rules::record::Purpose::Call
                        && !self.answers.values().any(|code| *code == page.code)
                    {
                        self.calls += 1;
                        // Quick, slow, and now and then not at all.
                        if let Some(minutes) = [Some(4), Some(11), Some(26), None, Some(7)]
                            .get(self.calls % 5)
                            .copied()
                            .flatten()
                        {
                            self.answers.insert(now.mono.0 / MINUTE + minutes, page.code.clone());
                        }
                    }
                }
                Effect::Command { switching, topic, payload, .. } => {
                    if topic == "lagoon/airpump/set" {
                        world.air = payload == "on";
                    }
                    self.replies.push(Input::Commanded { switching: *switching, failed: None });
                }
                Effect::Withdraw { .. } => {}
            }
        }
        self.keeper.sample(&turn.samples);
        let engine = &self.engine;
        if !turn.records.is_empty() {
            self.keeper.keep(turn.records, || engine.horizon(), now);
        }
        // A sign of life a minute would be thousands of writes that wait for the disk.
        if now.mono.0 % (60 * MINUTE) == 0 {
            self.keeper.tend(now);
        }
    }

    /// With what comes of it at once.
    fn all(&mut self, now: &Now, input: Input, world: &mut World) {
        self.take(now, input, world);
        for _ in 0..100 {
            let replies = std::mem::take(&mut self.replies);
            if replies.is_empty() {
                return;
            }
            for reply in replies {
                self.take(now, reply, world);
            }
        }
    }
}

/// Makes the journal of a house whose files lie here. Gives back how many call-outs there were.
///
/// # Errors
/// When the files are wrong, or nothing can be written.
pub fn live_through(config: &Path, past: Past) -> Result<usize> {
    let site = SiteFiles::load(config, &Environment::default()).map_err(|wrong| wrong.text)?;
    let end = i64::try_from(SystemTime::now().duration_since(UNIX_EPOCH)?.as_millis())? / MINUTE * MINUTE;
    let minutes = past.days * DAY;
    let at = |minute: i64| Now {
        mono: Moment(minute * MINUTE),
        wall: Wall(end - (minutes - minute) * MINUTE),
        wall_trusted: true,
    };
    let zone = site.plan.zone.clone();
    let limits = JournalLimits { bytes: 2 << 30, every: Span::hours(2), ..JournalLimits::default() };
    let journal = site.settings.places.journal.path.clone();
    let boot = BootId("before".to_owned());
    let (keeper, left) = Keeper::open(journal, boot, limits, &site.plan.site, &at(0))?;
    let engine = Engine::new(site.plan, left.seed, left.next_seq, at(0));
    let mut world = World::new();
    let mut watch = Watch { engine, keeper, answers: BTreeMap::new(), replies: Vec::new(), calls: 0 };
    watch.all(&at(0), Input::Started { version: "before".to_owned(), gap: left.gap }, &mut world);
    watch.all(&at(0), Input::Link(Link::Hears), &mut world);
    for minute in 0..minutes {
        let now = at(minute);
        let civil = now.wall.civil(&zone);
        let of_day = i64::from(civil.hour()) * 60 + i64::from(civil.minute());
        if past.eventful {
            world.story(minute / DAY, of_day);
            let command = match of_day {
                1_140 => Some(OperatorCommand::BeginWork {
                    tank: "harbour".to_owned(),
                    work: "feeding".to_owned(),
                    length: None,
                }),
                1_152 => Some(OperatorCommand::EndWork { tank: "harbour".to_owned() }),
                _ => None,
            };
            let ines = || By { who: "ines".to_owned(), via: "web".to_owned() };
            if let Some(command) = command {
                watch.all(&now, Input::Said { command, by: ines() }, &mut world);
            }
            let due: Vec<i64> = watch.answers.range(..=minute).map(|(at, _)| *at).collect();
            for at in due {
                let Some(code) = watch.answers.remove(&at) else { continue };
                let command = OperatorCommand::Acknowledge { code, length: None };
                watch.all(&now, Input::Said { command, by: ines() }, &mut world);
            }
        }
        world.pass(minute, 1);
        if minute % past.every == 0 {
            for (topic, payload) in world.says(minute) {
                let payload = payload.into_bytes();
                let message = Input::Message { topic: topic.to_owned(), payload, delivery: Arrival::Live };
                watch.all(&now, message, &mut world);
            }
        } else {
            watch.all(&now, Input::Tick, &mut world);
        }
    }
    watch.all(&at(minutes), Input::Stopping { why: "the past is over".to_owned() }, &mut world);
    watch.keeper.close(|| watch.engine.horizon(), &at(minutes));
    let mut calls = 0;
    JournalLog::open(&site.settings.places.journal.path)?.walk(0, |record| {
        calls += usize::from(matches!(record.body, Body::CallBegan { .. }));
        true
    })?;
    Ok(calls)
}
