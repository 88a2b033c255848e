//! A rule file proposed from what was heard: tanks, sensors, senders, the ready-made alarms that
//! fit, and whom to tell. All of it is to be read: whatever was not told by a device is marked as a
//! guess.

use super::guess::{Guess, GuessedWords, Sure, split, words_of};
use super::hazards::write_alarms;
use super::homie;
use super::payload::{PayloadPlace, quoted};
use super::senders::senders;
use super::{HeardValue, Observations};
use slackwater_rules::time::Span;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

/// A proposed rule file.
#[derive(Clone, Debug)]
pub struct Proposal {
    /// Its text.
    pub text: String,
    /// How many sensors it has, and how many alarms.
    pub sensors: usize,
    /// Ready-made alarms in it.
    pub alarms: usize,
}

/// Levels of topics that name no tank.
const NO_TANK: [&str; 34] = [
    "sensor",
    "sensors",
    "state",
    "status",
    "value",
    "tele",
    "stat",
    "cmnd",
    "house",
    "home",
    "room",
    "air",
    "ambient",
    "outside",
    "board",
    "cpu",
    "esp",
    "node",
    "device",
    "homie",
    "mqtt",
    "sump",
    "temperature",
    "temp",
    "water",
    "probe",
    "probes",
    "tank",
    "tanks",
    "aquarium",
    "data",
    "telemetry",
    "out",
    "raw",
];

/// Words that say that a temperature is not that of a tank's water.
const NOT_WATER: [&str; 9] = ["room", "air", "ambient", "outside", "board", "cpu", "chip", "sump", "case"];

/// A sensor as it is proposed.
pub(super) struct Proposed<'o> {
    pub(super) name: String,
    pub(super) sensed: &'o HeardValue<'o>,
    pub(super) guess: &'o Guess,
    pub(super) tank: Option<String>,
    gateway: Option<String>,
}

/// The file that what was heard suggests, for a site whose call-out tells `targets`, the first
/// first. `tanks` are those that the keeper has named already.
pub fn propose(heard: &Observations, targets: &[String], tanks: &[String]) -> Proposal {
    let sensed = heard.sensed();
    let sensors = sensors(heard, &sensed, tanks);
    let tanks: BTreeSet<&String> = sensors.iter().filter_map(|sensor| sensor.tank.as_ref()).collect();
    let mut out = HEAD.to_owned();
    for tank in tanks {
        let _ = write!(
            out,
            "\n[tank.{tank}]\nvolume   = \"300 L\"                    # UNKNOWN: yours, sump included\nsalinity = \"35 ppt\"                   # UNKNOWN: yours\n"
        );
    }
    sensors.iter().for_each(|sensor| write_sensor(&mut out, sensor));
    let alarms = write_alarms(&mut out, &sensors);
    out.push_str(TAIL);
    out.push_str(&steps(targets));
    Proposal { text: out, sensors: sensors.len(), alarms }
}

const HEAD: &str = "\
# Proposed by `slackwater listen` from what the broker said in a short while. Read every line before it
# guards anything: GUESS and UNKNOWN mark what no device has told. Then:
#
#   slackwater check               says all that is wrong with this file
#   slackwater check --live        tries it: is each sensor heard, and can people be told
#   slackwater rehearse --hazards  says which alarms can ring
#
# It is a help, never the only safeguard: set thermostats so that the tank is safe with this
# program switched off, and protect every outlet near water (GFCI, RCD).

[site]
name = \"My tanks\"
";

const TAIL: &str = "
# A sensor, a sender or the broker that is no longer heard: one alarm for each cause.
[sight]
callout = \"household\"

[callout.household]
";

fn steps(targets: &[String]) -> String {
    let mut out = "steps = [\n".to_owned();
    for (number, target) in targets.iter().enumerate() {
        let _ = writeln!(out, "  {{ after = \"{} min\", to = [\"{target}\"] }},", number * 5);
    }
    out.push_str(
        "]\nagain = \"15 min\"                        # the last step repeats until someone answers\n",
    );
    out.push_str("lease = \"60 min\"                        # an answer holds this long while the alarm still stands\n");
    out
}

fn sensors<'o>(heard: &Observations, sensed: &'o [HeardValue<'o>], known: &[String]) -> Vec<Proposed<'o>> {
    let told = homie::descriptions(heard);
    let of: Vec<(&HeardValue<'_>, &Guess)> =
        sensed.iter().filter_map(|sensed| Some((sensed, sensed.guess.as_ref()?))).collect();
    let mut topics: Vec<_> = of.iter().map(|(sensed, _)| (sensed.topic, sensed.heard)).collect();
    topics.dedup_by_key(|(topic, _)| *topic);
    let senders = senders(&topics, &told);
    let tanks = tanks(&of, known);
    let mut names = BTreeSet::new();
    let mut found = Vec::new();
    for (sensed, guess) in &of {
        let tank = tank_of(sensed, &tanks).filter(|_| guess.measures != "presence");
        let name = unique(&name_of(sensed, guess, tank.as_deref()), &mut names);
        let several = of.iter().filter(|(other, _)| other.topic == sensed.topic).count() > 1;
        let gateway = match senders.get(sensed.topic) {
            Some(number) => Some(gateway_of(&topics, &senders, *number)),
            None => several.then(|| slug(sensed.topic)),
        };
        found.push(Proposed { name, sensed, guess, tank, gateway });
    }
    found
}

/// The name of a sender: what its topics have in common, or that of the first.
fn gateway_of(
    topics: &[(&str, &super::TopicHeard)],
    senders: &BTreeMap<String, usize>,
    number: usize,
) -> String {
    let own: Vec<&str> =
        topics.iter().map(|(topic, _)| *topic).filter(|topic| senders.get(*topic) == Some(&number)).collect();
    let first = own.first().copied().unwrap_or_default();
    let mut common: Vec<&str> = first.split('/').collect();
    for topic in &own {
        let same = common.iter().zip(topic.split('/')).take_while(|(one, other)| *one == other).count();
        common.truncate(same);
    }
    match common.is_empty() {
        true => slug(first),
        false => slug(&common.join("/")),
    }
}

/// Names of tanks: the level above a water temperature, where that names a place. If no place bears
/// a known tank's name and one tank is known, boards are called otherwise than the tank they are
/// at.
fn tanks(of: &[(&HeardValue<'_>, &Guess)], known: &[String]) -> BTreeSet<String> {
    let of_water = of.iter().filter(|(sensed, guess)| {
        let words = words_of(sensed.topic, sensed.place, None);
        guess.measures == "temperature" && !words.iter().any(|word| NOT_WATER.contains(&word.as_str()))
    });
    let named: BTreeSet<String> = of_water.map(|(sensed, _)| place_name(sensed)).collect();
    match known {
        [only] if !named.is_empty() && !named.contains(only) => BTreeSet::from([only.clone()]),
        _ => named,
    }
}

fn place_name(sensed: &HeardValue<'_>) -> String {
    let words = words_of(sensed.topic, sensed.place, None);
    let name = words.into_iter().find(|word| {
        !NO_TANK.contains(&word.as_str())
            && word.len() > 2
            && !word.starts_with(|c: char| c.is_ascii_digit())
            && !is_device(word)
    });
    name.unwrap_or_else(|| "tank".to_owned())
}

/// `esp32`, `board1`, `node7`: a device's name and number.
fn is_device(word: &str) -> bool {
    let bare = word.trim_end_matches(|c: char| c.is_ascii_digit());
    bare.len() < word.len() && NO_TANK.contains(&bare)
}

fn tank_of(sensed: &HeardValue<'_>, tanks: &BTreeSet<String>) -> Option<String> {
    let words = words_of(sensed.topic, sensed.place, None);
    let named = words.iter().find(|word| tanks.contains(*word)).cloned();
    let not_water = words.iter().any(|word| NOT_WATER.contains(&word.as_str()) && word != "sump");
    let only = (tanks.len() == 1 && !not_water).then(|| tanks.first().cloned()).flatten();
    named.or(only)
}

fn name_of(sensed: &HeardValue<'_>, guess: &Guess, tank: Option<&str>) -> String {
    let words = match sensed.place {
        PayloadPlace::Whole | PayloadPlace::Column(_) => split(sensed.topic),
        place => split(&place.names()),
    };
    const GENERIC: [&str; 12] = [
        "value", "state", "status", "sensor", "sensors", "tele", "stat", "homie", "5", "house", "home",
        "data",
    ];
    let is_own =
        |word: &String| !GENERIC.contains(&word.as_str()) && !is_device(word) && Some(word.as_str()) != tank;
    let own: Vec<String> = words.into_iter().filter(is_own).collect();
    // A tank says where; what has none needs a word more.
    let enough = if tank.is_some() && matches!(sensed.place, PayloadPlace::Whole) { 1 } else { 2 };
    let own: Vec<&str> = own.iter().rev().take(enough).rev().map(String::as_str).collect();
    let own = own.join("-");
    let own = if own.is_empty() { guess.measures.to_owned() } else { own };
    match tank {
        Some(tank) => slug(&format!("{tank}-{own}")),
        None => slug(&own),
    }
}

pub(super) fn unique(name: &str, names: &mut BTreeSet<String>) -> String {
    let numbered = (2..).map(|number| format!("{name}-{number}"));
    let free = [name.to_owned()].into_iter().chain(numbered).find(|name| !names.contains(name));
    let free = free.unwrap_or_default();
    names.insert(free.clone());
    free
}

/// Small letters, digits and hyphens, as names of rule files are.
fn slug(text: &str) -> String {
    let words: Vec<String> = split(text)
        .into_iter()
        .map(|word| word.chars().filter(char::is_ascii_alphanumeric).collect::<String>())
        .filter(|word| !word.is_empty())
        .collect();
    let name = words.join("-");
    match name.as_str() {
        "" | "broker" => "heard".to_owned(),
        name if name.starts_with("gateway-") => format!("sensor-{name}"),
        name => name.to_owned(),
    }
}

fn write_sensor(out: &mut String, sensor: &Proposed<'_>) {
    let Proposed { name, sensed, guess, tank, gateway } = sensor;
    let mark = match guess.sure {
        Sure::Told => "",
        Sure::Likely => "GUESS, likely: ",
        Sure::Perhaps => "GUESS, perhaps: ",
    };
    let _ = writeln!(
        out,
        "\n[sensor.{name}]\n# {mark}{}; last {}, {}",
        guess.why,
        shown(&sensed.seen.last),
        sensed.pace()
    );
    let mut line = |key: &str, value: &str, why: &str| {
        let why = if why.is_empty() { String::new() } else { format!("# {why}") };
        let _ = writeln!(out, "{}", format!("{key:<9} = {value:<27} {why}").trim_end());
    };
    line("topic", &quoted(sensed.topic), "");
    if let Some((key, value)) = sensed.place.key() {
        line(key, &value, "");
    }
    if guess.words.is_none()
        && let Some(unit) = &sensed.seen.beside.unit_at
    {
        line("unit-at", unit, "");
    }
    if let Some(time) = &sensed.seen.beside.measured_at {
        line("measured-at", time, "GUESS, by its name and form");
    }
    if let Some(tank) = tank {
        let by_topic = words_of(sensed.topic, sensed.place, None).contains(tank);
        line("tank", &quoted(tank), if by_topic { "GUESS, by its topic" } else { "GUESS: the one tank" });
    }
    line("measures", &quoted(guess.measures), "");
    if let Some(unit) = &guess.unit {
        line("unit", &quoted(unit), if guess.sure == Sure::Told { "" } else { "GUESS" });
    }
    match (&guess.words, guess.measures) {
        (Some(GuessedWords { on, off, unheard }), measures) => {
            let mark = |word: &str| match unheard.as_deref() == Some(word) {
                true => "UNKNOWN: it was not heard",
                false => "",
            };
            if measures == "leak" {
                let words = format!("{{ dry = [{}], wet = [{}] }}", quoted(off), quoted(on));
                line(
                    "words",
                    &words,
                    if unheard.is_some() { "UNKNOWN: one of them was not heard" } else { "" },
                );
            } else {
                line("on", &format!("[{}]", quoted(on)), mark(on));
                line("off", &format!("[{}]", quoted(off)), mark(off));
            }
        }
        (None, "temperature") => {
            let fahrenheit = guess.unit.as_deref() == Some("degF");
            let (water, air, reject) = match fahrenheit {
                true => (
                    "[\"40 degF\", \"115 degF\"]",
                    "[\"-20 degF\", \"140 degF\"]",
                    "[\"185 degF\", \"-196.6 degF\"]",
                ),
                false => (
                    "[\"5 degC\", \"45 degC\"]",
                    "[\"-30 degC\", \"60 degC\"]",
                    "[\"85 degC\", \"-127 degC\"]",
                ),
            };
            match tank {
                Some(_) => line("plausible", water, "GUESS: for water"),
                None => line("plausible", air, "GUESS: for air"),
            }
            line("reject", reject, "what common probes say when they have nothing to say");
        }
        (None, _) => {}
    }
    let (every, why) = every(sensed);
    line("every", &quoted(&every.to_string()), why);
    if let Some(gateway) = gateway {
        line("gateway", &quoted(gateway), "GUESS: sent together");
    }
}

/// A last value within a comment.
fn shown(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(40).collect()
}

/// How often a sensor is to be heard: its pace, rounded up so that a late message is no silence.
pub(super) fn every(sensed: &HeardValue<'_>) -> (Span, &'static str) {
    const STEPS: [i64; 13] = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1_800, 3_600];
    let Some(interval) = sensed.heard.interval() else {
        return (
            Span::minutes(10),
            "UNKNOWN: it did not speak twice; silent for three times this is an alarm",
        );
    };
    let enough = STEPS.into_iter().map(Span::seconds).find(|step| interval.0 <= step.0 + step.0 / 10);
    (enough.unwrap_or(Span::hours(1)), "as it was heard; silent for three times this is an alarm")
}
