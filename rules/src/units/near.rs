//! The unit that was probably meant by a name that is none. Rule files and payloads say many
//! things for the same unit; the diagnostic names the one that is known here.

use super::{UNITS, Unit};

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
    ("gal", "US gal"),
    ("gallon", "US gal"),
    ("gallons", "US gal"),
    ("us gallon", "US gal"),
    ("us gallons", "US gal"),
    ("imperial gallon", "imp gal"),
    ("imperial gallons", "imp gal"),
    ("gph", "US gal/h"),
    ("gpm", "US gal/min"),
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
    ("m", "min"),
    ("mins", "min"),
    ("hrs", "h"),
];

/// The unit that was probably meant by a name that is none, for a diagnostic.
pub fn near_unit(name: &str) -> Option<String> {
    let name = name.trim();
    if let Some(near) = near_simple(name) {
        return Some(near.to_owned());
    }
    let (of, per) = name.rsplit_once('/')?;
    let rate = format!("{}/{}", near_simple(of.trim())?, near_simple(per.trim())?);
    Unit::named(&rate).map(|_| rate)
}

fn near_simple(name: &str) -> Option<&'static str> {
    let small = name.to_lowercase();
    if let Some((_, near)) = OTHER_NAMES.iter().find(|(other, _)| *other == small) {
        return Some(near);
    }
    // One slip in a short name, two in a longer one: further off it would be a guess.
    let slips = if small.chars().count() < 5 { 1 } else { 2 };
    UNITS
        .iter()
        // Nobody waits for milliseconds.
        .filter(|(known, _)| !known.is_empty() && *known != "ms")
        .map(|(known, _)| (strsim::damerau_levenshtein(&known.to_lowercase(), &small), *known))
        .filter(|(distance, known)| *distance <= slips && *distance < known.len())
        .min_by_key(|(distance, known)| (*distance, !known.to_lowercase().starts_with(&small)))
        .map(|(_, known)| known)
}
