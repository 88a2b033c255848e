//! A number as devices write it: with or without a unit, with a decimal point or a decimal
//! comma. A text that two readers could take for different numbers is refused.

use super::Said;
use super::bad::{BadReading, short};
use crate::units::{Unit, number_length};

/// A unit with the name that it was sent by.
pub(super) type Named<'a> = (&'a str, Unit);

/// The number in `text`, and the unit that follows it, if one does.
pub(super) fn parse(text: &str) -> Result<(f64, Option<Named<'_>>), BadReading> {
    let text = text.trim();
    if text.is_empty() {
        return Err(BadReading::Empty);
    }
    let (number, rest) = leading(text)?;
    if !number.is_finite() {
        return Err(BadReading::NotFinite(short(text)));
    }
    let name = rest.trim_start();
    if name.is_empty() {
        return Ok((number, None));
    }
    if name.starts_with(|c: char| c.is_ascii_digit() || matches!(c, ',' | '.' | '+' | '-')) {
        return Err(BadReading::NotANumber(short(text)));
    }
    let unit = unit(name).ok_or_else(|| unknown(name))?;
    Ok((number, Some((name, unit))))
}

/// The unit that a payload names beside its number.
pub(super) fn unit_of(said: Said<'_>) -> Result<Named<'_>, BadReading> {
    match said {
        Said::Text(text) => {
            let name = text.trim();
            unit(name).map(|unit| (name, unit)).ok_or_else(|| unknown(name))
        }
        Said::Number(number) => Err(unknown(&number.to_string())),
        Said::Truth(truth) => Err(unknown(&truth.to_string())),
    }
}

fn unknown(name: &str) -> BadReading {
    BadReading::UnknownUnit { said: short(name), wanted: None }
}

/// The unit of this name. Devices write degrees in ways that rule files don't have.
fn unit(name: &str) -> Option<Unit> {
    Unit::named(match name {
        "°C" | "C" => "degC",
        "°F" | "F" => "degF",
        _ => name,
    })
}

/// The number at the start of `text`, and what follows it.
fn leading(text: &str) -> Result<(f64, &str), BadReading> {
    let (whole, rest) = text.split_at(number_length(text));
    let not_a_number = || match names_no_finite_number(text) {
        true => BadReading::NotFinite(short(text)),
        false => BadReading::NotANumber(short(text)),
    };
    let Some(after) = rest.strip_prefix(',') else {
        return whole.parse().map(|number| (number, rest)).map_err(|_| not_a_number());
    };

    let digits = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    let (fraction, rest) = after.split_at(number_length(after));
    let decimals = fraction.find(['e', 'E']).map_or(fraction, |end| &fraction[..end]);
    let unsigned = whole.trim_start_matches(['+', '-']);
    if !digits(unsigned) || !digits(decimals) || rest.starts_with(',') {
        return Err(not_a_number());
    }
    if decimals.len() == 3 && unsigned.len() <= 3 && !unsigned.starts_with('0') {
        return Err(BadReading::Ambiguous(short(text)));
    }
    let number = format!("{whole}.{fraction}").parse().map_err(|_| not_a_number())?;
    Ok((number, rest))
}

fn names_no_finite_number(text: &str) -> bool {
    let name = text.trim_start_matches(['+', '-']);
    let name = name.split_whitespace().next().unwrap_or(name);
    ["nan", "inf", "infinity"].iter().any(|known| name.eq_ignore_ascii_case(known))
}
