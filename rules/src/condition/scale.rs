//! In which unit a number is said to a person: in the sensor's own as far as it goes, and for
//! what follows from it (a total, a rate, a share) in a unit of the same family.

use super::{Aggregate, Formula};
use crate::site::Sensor;
use crate::time::Span;
use crate::units::{Dimension, Scale, UNITS, Unit};

/// A number in base units of this dimension, beside a sensor that it has to do with.
pub(super) fn show(base: f64, dimension: Dimension, like: Option<&Sensor>) -> String {
    match (base, dimension) {
        (f64::INFINITY, _) => "anything".to_owned(),
        // As far as a span can say it.
        (base, Dimension::TIME) if base.is_finite() => Span((base * 1_000.0).round() as i64).to_string(),
        (base, _) => scale(dimension, like).show(base),
    }
}

/// The same of what a formula comes to: a duty is said in percent.
pub(super) fn show_of(formula: &Formula, base: f64, dimension: Dimension, like: Option<&Sensor>) -> String {
    match formula {
        Formula::Window(window) if window.what == Aggregate::Duty => share().show(base),
        _ => show(base, dimension, like),
    }
}

fn share() -> Scale {
    let name = "%".to_owned();
    Scale { unit: Unit::named(&name).unwrap_or(Unit::base(Dimension::NUMBER)), name }
}

/// The scale for a dimension.
pub(super) fn scale(dimension: Dimension, like: Option<&Sensor>) -> Scale {
    if let Some(sensor) = like.filter(|sensor| !sensor.measure.words) {
        let own = &sensor.scale;
        if own.unit.dimension == dimension {
            return own.clone();
        }
        let kelvin = own.name == "degC";
        let name = if kelvin { "K" } else { own.name.as_str() };
        let derived = [name.to_owned(), format!("{name}/h"), format!("{name}/day")];
        // A unit with a zero of its own is said as a difference by `UNIT/1`; K stands for that.
        if own.unit.dimension.difference() == dimension {
            return match Unit::named("K") {
                Some(unit) if kelvin => Scale { unit, name: "K".to_owned() },
                _ => Scale { unit: own.unit.as_difference(), name: own.name.clone() },
            };
        }
        for name in derived {
            if let Some(unit) = Unit::named(&name).filter(|unit| unit.dimension == dimension) {
                return Scale { unit, name };
            }
        }
    }
    let usual = ["", "K", "min", "cm", "L", "kWh", "L/h", "/h", "W/L", "Ah", "pH/h", "ppt/day"];
    let simple = UNITS.iter().map(|(name, _)| (*name).to_owned());
    let rates = UNITS.iter().map(|(name, _)| format!("{name}/h"));
    let named = usual.into_iter().map(str::to_owned).chain(simple).chain(rates);
    let found = named.into_iter().find_map(|name| {
        let unit = Unit::named(&name).filter(|unit| unit.dimension == dimension)?;
        Some(Scale { unit, name })
    });
    found.unwrap_or_else(|| Scale { unit: Unit::base(dimension), name: "in base units".to_owned() })
}
