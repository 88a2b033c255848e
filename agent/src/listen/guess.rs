//! What a value probably measures: from the words of its topic and pointer, from its unit, and from
//! the values themselves. A guess says how sure it is and why; where nothing speaks for any
//! quantity there is none.

use super::homie::Described;
use super::observed::{MOST_WORDS, ObservedValue};
use super::payload::PayloadPlace;
use std::fmt;

/// How sure a guess is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Sure {
    /// From its values, or a word that means several things.
    Perhaps,
    /// From a word that names it, and values that fit.
    Likely,
    /// The device says so by an open description, or names quantity and unit.
    Told,
}

impl fmt::Display for Sure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Perhaps => "perhaps",
            Self::Likely => "likely",
            Self::Told => "told",
        })
    }
}

/// What a value is taken for.
#[derive(Clone, Debug, PartialEq)]
pub struct Guess {
    /// As rule files say it after `measures`.
    pub measures: &'static str,
    /// Its unit, if it is a number.
    pub unit: Option<String>,
    /// The words for on and off, or wet and dry, if it says words: of the other one it may only be
    /// supposed what it is.
    pub words: Option<GuessedWords>,
    /// How sure all of this is.
    pub sure: Sure,
    /// What it rests on, for people.
    pub why: String,
}

/// Two opposite words, as payloads spell them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GuessedWords {
    /// On, present, wet.
    pub on: String,
    /// Off, absent, dry.
    pub off: String,
    /// Which of the two was not heard.
    pub unheard: Option<String>,
}

/// A quantity of the trade, and what speaks for it.
struct TradeQuantity {
    measures: &'static str,
    /// Words of topics that name it.
    words: &'static [&'static str],
    /// Its units, the usual first, each with the values that are believed without a word about the
    /// unit.
    units: &'static [(&'static str, f64, f64)],
}

const KINDS: &[TradeQuantity] = &[
    TradeQuantity {
        measures: "temperature",
        words: &["temperature", "temp", "tmp", "thermometer", "watertemp", "thermo"],
        units: &[("degC", -10.0, 45.0), ("degF", 45.0, 115.0)],
    },
    TradeQuantity { measures: "ph", words: &["ph"], units: &[("pH", 5.0, 10.0)] },
    TradeQuantity { measures: "salinity", words: &["salinity", "sal"], units: &[("ppt", 0.0, 50.0)] },
    TradeQuantity {
        measures: "flow",
        words: &["flow", "flowrate"],
        units: &[("L/h", 60.0, 50_000.0), ("L/min", 0.0, 60.0)],
    },
    TradeQuantity {
        measures: "level",
        words: &["level", "waterlevel", "depth"],
        units: &[("cm", 0.0, 200.0)],
    },
    TradeQuantity { measures: "energy", words: &["energy", "kwh"], units: &[("kWh", 0.0, 1e6)] },
    TradeQuantity {
        measures: "power",
        words: &["power", "watt", "watts", "apower", "consumption"],
        units: &[("W", 0.0, 5_000.0)],
    },
    TradeQuantity {
        measures: "current",
        words: &["current", "amps", "ampere", "amperage"],
        units: &[("A", 0.0, 64.0)],
    },
    TradeQuantity { measures: "voltage", words: &["voltage", "volt", "volts"], units: &[("V", 0.0, 480.0)] },
    TradeQuantity { measures: "battery", words: &["battery", "batt", "soc"], units: &[("%", 0.0, 100.0)] },
    TradeQuantity { measures: "humidity", words: &["humidity", "rh", "hum"], units: &[("%", 0.0, 100.0)] },
    TradeQuantity { measures: "oxygen", words: &["oxygen", "o2"], units: &[("mg/L", 0.0, 20.0)] },
    TradeQuantity { measures: "light", words: &["par", "ppfd"], units: &[("umol/m2/s", 0.0, 2_500.0)] },
    TradeQuantity { measures: "pressure", words: &["pressure", "baro"], units: &[("hPa", 800.0, 1_100.0)] },
];

/// What says words: names that speak for it.
const WORDED: &[(&str, &[&str])] = &[
    ("leak", &["leak", "leakage", "flood", "wet", "moisture", "floor", "drip"]),
    ("presence", &["mains", "grid", "utility", "line", "outage", "ac", "house", "supply", "power"]),
    (
        "state",
        &[
            "heater", "pump", "relay", "switch", "light", "lamp", "chiller", "fan", "skimmer", "outlet",
            "plug", "state", "float", "valve", "topoff", "ato",
        ],
    ),
];

/// Opposite words: on first. Those of a leak stand on their own.
const OPPOSITES: &[(&str, &str)] = &[
    ("on", "off"),
    ("1", "0"),
    ("true", "false"),
    ("yes", "no"),
    ("utility", "battery"),
    ("mains", "battery"),
    ("present", "absent"),
    ("ok", "fail"),
    ("up", "down"),
    ("active", "inactive"),
    ("running", "stopped"),
    ("wet", "dry"),
    ("leak", "dry"),
    ("high", "low"),
];

/// Words of a device about itself, not of anything that it measures.
const LIFE: [&str; 6] = ["online", "offline", "connected", "disconnected", "ready", "lost"];

/// Names of numbers that are about the device itself.
const DEVICE_NUMBERS: [&str; 12] = [
    "rssi",
    "uptime",
    "heap",
    "linkquality",
    "lqi",
    "time",
    "timestamp",
    "ts",
    "version",
    "id",
    "count",
    "seq",
];

/// What a value probably is.
pub(super) fn guess(
    topic: &str,
    place: &PayloadPlace,
    seen: &ObservedValue,
    told: Option<&Described>,
) -> Option<Guess> {
    let near = words_of(topic, place, told);
    if near.first().is_some_and(|own| DEVICE_NUMBERS.contains(&own.as_str())) {
        return None;
    }
    let described = told.is_some() || matches!(place, PayloadPlace::Senml(_));
    let worded = told.is_some_and(|told| told.datatype == "boolean" || told.datatype == "enum");
    let switches = seen.words.iter().all(|word| word == "0" || word == "1");
    let guessed = match seen.is_number() && !worded {
        true if switches => said_words(&near, seen).or_else(|| number(&near, seen, told)),
        true => number(&near, seen, told),
        false => said_words(&near, seen),
    };
    guessed.map(|guess| match described && guess.sure == Sure::Likely {
        true => Guess { sure: Sure::Told, ..guess },
        false => guess,
    })
}

fn number(near: &[String], seen: &ObservedValue, told: Option<&Described>) -> Option<Guess> {
    let (lowest, highest) = (seen.lowest?, seen.highest?);
    let declared = told.and_then(|told| told.unit.clone()).or_else(|| seen.unit.clone());
    let named = near
        .iter()
        .find_map(|word| Some((KINDS.iter().find(|kind| kind.words.contains(&word.as_str()))?, word)));
    let by_unit = |unit: &str| KINDS.iter().find(|kind| kind.units.iter().any(|(name, ..)| *name == unit));
    let fits = |kind: &TradeQuantity| {
        kind.units.iter().find(|(_, low, high)| *low <= lowest && highest <= *high).map(|(unit, ..)| *unit)
    };
    match (named, declared) {
        (Some((kind, word)), Some(unit)) => Some(Guess {
            measures: kind.measures,
            why: format!("`{word}` names it, and its unit was said"),
            unit: Some(unit),
            words: None,
            sure: Sure::Told,
        }),
        (Some((kind, word)), None) => {
            let range = match lowest == highest {
                true => format!("{lowest}"),
                false => format!("{lowest} to {highest}"),
            };
            let (unit, sure, why) = match fits(kind) {
                Some(unit) => {
                    (unit, Sure::Likely, format!("`{word}` names it, and {range} is usual in {unit}"))
                }
                None => {
                    let unit = kind.units.first().map(|(unit, ..)| *unit)?;
                    (unit, Sure::Perhaps, format!("`{word}` names it, but {range} {unit} would be unusual"))
                }
            };
            Some(Guess { measures: kind.measures, unit: Some(unit.to_owned()), words: None, sure, why })
        }
        (None, Some(unit)) => by_unit(&unit).filter(|_| unit != "%").map(|kind| Guess {
            measures: kind.measures,
            why: format!("its unit is {unit}, but nothing names what it is"),
            unit: Some(unit),
            words: None,
            sure: Sure::Perhaps,
        }),
        (None, None) => None,
    }
}

fn said_words(near: &[String], seen: &ObservedValue) -> Option<Guess> {
    let heard: Vec<&String> = seen.words.iter().collect();
    if heard.is_empty() || heard.len() >= MOST_WORDS || heard.iter().any(|word| is_life(word)) {
        return None;
    }
    let named = near.iter().find_map(|word| {
        WORDED.iter().find(|(_, words)| words.contains(&word.as_str())).map(|(kind, _)| (*kind, word.clone()))
    });
    let opposite = opposites(&heard);
    let (measures, by) = match (named, &opposite) {
        (Some((measures, word)), _) => (measures, Some(word)),
        (None, Some(pair)) if pair.on.eq_ignore_ascii_case("wet") => ("leak", None),
        (None, Some(pair)) if pair.off.eq_ignore_ascii_case("battery") => ("presence", None),
        (None, Some(_)) => ("state", None),
        (None, None) => return None,
    };
    let said = heard.iter().map(|word| format!("`{word}`")).collect::<Vec<_>>().join(", ");
    let (words, sure) = match opposite {
        Some(pair) if by.is_some() && pair.unheard.is_none() => (pair, Sure::Likely),
        Some(pair) => (pair, Sure::Perhaps),
        None if heard.len() == 1 => {
            let on = heard.first().map(|word| (*word).clone()).unwrap_or_default();
            let off = format!("not-{on}");
            (GuessedWords { on, off: off.clone(), unheard: Some(off) }, Sure::Perhaps)
        }
        None => return None,
    };
    let why = match (by, &words.unheard) {
        (Some(word), None) => format!("`{word}` names it, and it says {said}"),
        (Some(word), Some(other)) => {
            format!("`{word}` names it; only {said} was heard, `{other}` is supposed")
        }
        (None, None) => format!("it says {said}, but nothing names what it is"),
        (None, Some(other)) => format!("only {said} was heard, `{other}` is supposed"),
    };
    Some(Guess { measures, unit: None, words: Some(words), sure, why })
}

fn is_life(word: &str) -> bool {
    LIFE.iter().any(|life| word.eq_ignore_ascii_case(life))
}

/// The pair that what was heard belongs to, spelled as it was heard.
fn opposites(heard: &[&String]) -> Option<GuessedWords> {
    let spelled = |wanted: &str| {
        heard.iter().find(|word| word.eq_ignore_ascii_case(wanted)).map(|word| (*word).clone())
    };
    let all = |pair: &&(&str, &str)| {
        heard.iter().all(|word| word.eq_ignore_ascii_case(pair.0) || word.eq_ignore_ascii_case(pair.1))
    };
    let (on, off) = OPPOSITES.iter().find(all)?;
    let (heard_on, heard_off) = (spelled(on), spelled(off));
    let unheard = match (&heard_on, &heard_off) {
        (None, _) => Some(like(on, heard)),
        (_, None) => Some(like(off, heard)),
        (Some(_), Some(_)) => None,
    };
    Some(GuessedWords {
        on: heard_on.unwrap_or_else(|| like(on, heard)),
        off: heard_off.unwrap_or_else(|| like(off, heard)),
        unheard,
    })
}

/// A word in the letters of those that were heard: `OFF` beside `ON`.
fn like(word: &str, heard: &[&String]) -> String {
    let first = heard.first().map(|word| word.as_str()).unwrap_or_default();
    let letters: Vec<char> = first.chars().filter(|c| c.is_alphabetic()).collect();
    match letters.as_slice() {
        [_, ..] if letters.iter().all(|c| c.is_uppercase()) => word.to_uppercase(),
        [first, ..] if first.is_uppercase() => {
            let mut chars = word.chars();
            chars.next().map(|c| c.to_uppercase().collect::<String>() + chars.as_str()).unwrap_or_default()
        }
        _ => word.to_owned(),
    }
}

/// The words of a topic and of the place in it, the nearest to the value first.
pub(super) fn words_of(topic: &str, place: &PayloadPlace, told: Option<&Described>) -> Vec<String> {
    let inner = place.names();
    let whole = match told {
        Some(told) => format!("{topic}/{inner} {}", told.words),
        None => format!("{topic}/{inner}"),
    };
    let mut words = split(&whole);
    words.reverse();
    words
}

/// `waterTemp_C` is `water`, `temp`, `c`.
pub(super) fn split(text: &str) -> Vec<String> {
    let mut words = Vec::new();
    let mut word = String::new();
    let mut before_small = false;
    for sign in text.chars() {
        let begins = sign.is_uppercase() && before_small;
        if (!sign.is_alphanumeric() || begins) && !word.is_empty() {
            words.push(std::mem::take(&mut word).to_lowercase());
        }
        if sign.is_alphanumeric() {
            word.push(sign);
        }
        before_small = sign.is_lowercase();
    }
    if !word.is_empty() {
        words.push(word.to_lowercase());
    }
    words
}
