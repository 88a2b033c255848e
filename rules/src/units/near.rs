//! The unit that was probably meant by a name that is none. Rule files and payloads say many
//! things for the same unit; the diagnostic names the one that is known here, and asks where a name
//! has several meanings: a gallon is 3.785 L or 4.546 L. It never names a unit of another kind than
//! the place wants.

use super::{Dimension, UNITS, Unit};

/// What people write for a unit that has another name here, all in small letters.
static OTHER_NAMES: &[(&str, &str)] = &[
    ("c", "degC"),
    ("°c", "degC"),
    ("cel", "degC"),
    ("celsius", "degC"),
    ("f", "degF"),
    ("°f", "degF"),
    ("fahrenheit", "degF"),
    ("kelvin", "K"),
    ("us gallon", "US gal"),
    ("us gallons", "US gal"),
    ("imperial gallon", "imp gal"),
    ("imperial gallons", "imp gal"),
    ("lph", "L/h"),
    ("lpm", "L/min"),
    ("liter", "L"),
    ("litre", "L"),
    ("liters", "L"),
    ("litres", "L"),
    ("inch", "in"),
    ("inches", "in"),
    ("sec", "s"),
    ("second", "s"),
    ("seconds", "s"),
    ("minute", "min"),
    ("minutes", "min"),
    ("hour", "h"),
    ("hours", "h"),
    ("hr", "h"),
    ("watt", "W"),
    ("watts", "W"),
    ("amp", "A"),
    ("amps", "A"),
    ("volt", "V"),
    ("volts", "V"),
    ("°k", "K"),
    ("secs", "s"),
    ("ms", "mS/cm"),
    ("us", "uS/cm"),
    ("µs/cm", "uS/cm"),
    ("°dh", "dKH"),
    ("dh", "dKH"),
    ("meq", "meq/L"),
    ("‰", "ppt"),
    ("micromol/m2/s", "umol/m2/s"),
    ("µmol/m2/s", "umol/m2/s"),
    ("m", "min"),
    ("mins", "min"),
    ("hrs", "h"),
];

/// Names with several meanings, in small letters: which they are, and what tells them apart.
static QUESTIONS: &[(&[&str], &[&str], &str)] = &[
    (&["gal", "gals", "gallon", "gallons"], &["US gal", "imp gal"], GALLONS),
    (&["gph"], &["US gal/h", "imp gal/h"], GALLONS),
    (&["gpm"], &["US gal/min", "imp gal/min"], GALLONS),
    (
        &["sg", "s.g.", "sg."],
        &["SG@25C", "SG@20C", "SG@60F"],
        "by the temperature that is written on the instrument",
    ),
];
const GALLONS: &str = "a US gallon is 3.785 L, an imperial one 4.546 L";

/// What was probably meant.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NearUnit {
    /// This one.
    One(String),
    /// One of these, which only the person knows; and what tells them apart.
    Which(Vec<String>, &'static str),
}

impl NearUnit {
    /// The unit, if there is no question.
    pub fn only(self) -> Option<String> {
        match self {
            Self::One(name) => Some(name),
            Self::Which(..) => None,
        }
    }

    /// The question to the person, each unit as `write` writes it.
    pub fn ask(&self, write: impl Fn(&str) -> String) -> String {
        match self {
            Self::One(name) => format!("did you mean {}?", write(name)),
            Self::Which(names, why) => {
                let names: Vec<_> = names.iter().map(|name| write(name)).collect();
                format!("which of them: {}? ({why})", names.join(" or "))
            }
        }
    }

    fn per(self, time: &str) -> Self {
        let rate = |name: String| format!("{name}/{time}");
        match self {
            Self::One(name) => Self::One(rate(name)),
            Self::Which(names, why) => Self::Which(names.into_iter().map(rate).collect(), why),
        }
    }
}

/// The unit that was probably meant by a name that is none, for a diagnostic: one that measures
/// what `fits`.
pub fn near_unit(name: &str, fits: &dyn Fn(Dimension) -> bool) -> Option<NearUnit> {
    let name = name.trim();
    let known = |name: &str| Unit::named(name).is_some_and(|unit| fits(unit.dimension));
    near_simple(name, &known).or_else(|| {
        let (of, per) = name.rsplit_once('/')?;
        let per = near_simple(per.trim(), &|name| is_time(name))?.only()?;
        let rate = near_simple(of.trim(), &|name| known(&format!("{name}/{per}")))?.per(&per);
        Some(rate)
    })
}

fn is_time(name: &str) -> bool {
    Unit::named(name).is_some_and(|unit| unit.dimension == Dimension::TIME)
}

fn near_simple(name: &str, fits: &dyn Fn(&str) -> bool) -> Option<NearUnit> {
    let small = name.to_lowercase();
    let question = QUESTIONS
        .iter()
        .find(|(others, names, _)| others.contains(&small.as_str()) && names.iter().all(|name| fits(name)));
    if let Some((_, names, why)) = question {
        return Some(NearUnit::Which(names.iter().map(|name| (*name).to_owned()).collect(), why));
    }
    let mut meant = OTHER_NAMES.iter().filter(|(other, near)| *other == small && fits(near));
    if let Some((_, near)) = meant.next() {
        return Some(NearUnit::One((*near).to_owned()));
    }
    // One slip in a short name, two in a longer one: further off it would be a guess.
    let slips = if small.chars().count() < 5 { 1 } else { 2 };
    UNITS
        .iter()
        // Nobody waits for milliseconds.
        .filter(|(known, _)| !known.is_empty() && *known != "ms" && fits(known))
        .map(|(known, _)| (strsim::damerau_levenshtein(&known.to_lowercase(), &small), *known))
        .filter(|(distance, known)| *distance <= slips && *distance < known.len())
        .min_by_key(|(distance, known)| (*distance, !known.to_lowercase().starts_with(&small)))
        .map(|(_, known)| NearUnit::One(known.to_owned()))
}
