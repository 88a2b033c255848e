//! The nearest right name for a wrong one: of a key, a sensor, a unit. A suggestion is made
//! only if it is near enough to be what was meant; a far one misleads more than none.

use crate::units::{UNITS, Unit};

/// The candidate most like `name`, if one is near enough.
pub(crate) fn nearest<'c>(name: &str, candidates: impl IntoIterator<Item = &'c str>) -> Option<&'c str> {
    // Comparing costs the product of the lengths; nobody mistypes a name this long.
    if name.len() > 100 {
        return None;
    }
    let length = name.chars().count();
    let allowed = (length / 3).max(1);
    candidates
        .into_iter()
        .map(|candidate| {
            let exact = strsim::osa_distance(name, candidate);
            let folded = strsim::osa_distance(&name.to_lowercase(), &candidate.to_lowercase());
            (folded, exact, candidate)
        })
        // What shares no letter is not near, however short.
        .filter(|(folded, _, candidate)| {
            *folded <= allowed && *folded < length.min(candidate.chars().count())
        })
        .min()
        .map(|(.., candidate)| candidate)
}

/// `did you mean …?`, if something is near enough.
pub(crate) fn did_you_mean<'c>(name: &str, candidates: impl IntoIterator<Item = &'c str>) -> Option<String> {
    nearest(name, candidates).map(|candidate| format!("did you mean `{candidate}`?"))
}

/// How people write units that a rule file writes otherwise.
const HABITS: &[(&str, &str)] = &[
    ("c", "degC"),
    ("°c", "degC"),
    ("celsius", "degC"),
    ("f", "degF"),
    ("°f", "degF"),
    ("fahrenheit", "degF"),
    ("°k", "K"),
    ("kelvin", "K"),
    ("gal", "US gal"),
    ("gallon", "US gal"),
    ("gallons", "US gal"),
    ("gph", "US gal/h"),
    ("lph", "L/h"),
    ("lpm", "L/min"),
    ("liter", "L"),
    ("litre", "L"),
    ("liters", "L"),
    ("litres", "L"),
    ("sec", "s"),
    ("secs", "s"),
    ("second", "s"),
    ("seconds", "s"),
    ("m", "min"),
    ("mins", "min"),
    ("minute", "min"),
    ("minutes", "min"),
    ("hr", "h"),
    ("hrs", "h"),
    ("hour", "h"),
    ("hours", "h"),
    ("watt", "W"),
    ("watts", "W"),
    ("amp", "A"),
    ("amps", "A"),
    ("volt", "V"),
    ("volts", "V"),
    ("inch", "in"),
    ("inches", "in"),
];

/// The unit that was likely meant by `name`, which is none.
pub(crate) fn nearest_unit(name: &str) -> Option<String> {
    if let Some((of, per)) = name.rsplit_once('/') {
        let part = |part: &str| {
            let part = part.trim();
            if Unit::named(part).is_some() { Some(part.to_owned()) } else { nearest_simple(part) }
        };
        let rate = format!("{}/{}", part(of)?, part(per)?);
        return Unit::named(&rate).map(|_| rate);
    }
    nearest_simple(name)
}

fn nearest_simple(name: &str) -> Option<String> {
    let folded = name.to_lowercase();
    if let Some((_, unit)) = HABITS.iter().find(|(habit, _)| *habit == folded) {
        return Some((*unit).to_owned());
    }
    nearest(name, UNITS.iter().map(|(unit, _)| *unit).filter(|unit| !unit.is_empty())).map(str::to_owned)
}
