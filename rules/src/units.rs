//! Quantities with units. A rule file writes `"78 degF"` or `"0.05 A"`; this module turns the
//! text into a number in the base unit of its [`Dimension`] and back into words for people.
//! Dimensions are exponents of base quantities and are checked like types, so that a flow
//! divided by a volume is a turnover, and a flow compared with a temperature is a mistake.
//!
//! A temperature is a point on a scale with its own zero; a difference of two temperatures
//! is not. `degC` and `degF` serve for both, so a written quantity keeps its unit until the
//! place it stands in says which is meant: 2 degF as a deadband is 1.11 K, not -16.67 degC.
//!
//! Conversion factors are exact: NIST SP 811 (2008), appendix B; of the two conventional
//! columns of mercury it gives seven digits. What hydrometers and meters that compensate say is a
//! salinity in another dress, so the temperature that they refer to is a part of their unit:
//! `SG@25C`, `mS/cm@25C`.

mod dimension;
mod item;
mod near;
#[cfg(test)]
mod tests;
mod written;

pub use dimension::Dimension;
pub use item::QuantityItem;
pub use near::{NearUnit, near_unit};
pub use written::written;

use crate::forecast::salt;
use crate::time::Span;
use std::fmt;

/// A unit: what it measures, and how it becomes the base unit: `base = value * factor + offset`, or
/// along a curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unit {
    /// As a scale (for `degC`: a temperature, not a difference).
    pub dimension: Dimension,
    factor: f64,
    offset: f64,
    curve: Option<Curve>,
}

/// What a scale tells that is no straight line. A difference on it is taken where tanks of the sea
/// are: its `factor` is the slope there.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Curve {
    /// Salinity by specific gravity, sea water and pure water both at so many degC.
    Gravity(f64),
    /// Salinity by conductivity in mS/cm, as a meter tells it that compensates to so many degC.
    Compensated(f64),
}

impl Curve {
    fn salinity_of(self, value: f64) -> f64 {
        match self {
            Self::Gravity(celsius) => salt::salinity_of_gravity(value, celsius),
            Self::Compensated(celsius) => salt::salinity_of_conductivity(value, celsius),
        }
    }

    fn reading_of(self, salinity: f64) -> f64 {
        match self {
            Self::Gravity(celsius) => salt::gravity_of_salinity(salinity, celsius),
            Self::Compensated(celsius) => salt::conductivity_of_salinity(salinity, celsius),
        }
    }
}

const LITRE: f64 = 1e-3;
/// 231 cubic inches of 0.0254 m.
const US_GALLON: f64 = 3.785_411_784e-3;
const IMPERIAL_GALLON: f64 = 4.546_09e-3;
/// A pound of 0.45359237 kg under standard gravity on a square inch.
const POUND_PER_SQUARE_INCH: f64 = 0.453_592_37 * 9.806_65 / (0.025_4 * 0.025_4);
const MINUTE: f64 = 60.0;
const HOUR: f64 = 3_600.0;
const DAY: f64 = 86_400.0;

const fn unit(name: &'static str, dimension: Dimension, factor: f64) -> (&'static str, Unit) {
    (name, Unit { dimension, factor, offset: 0.0, curve: None })
}

/// `slope`: what practical salinity gains for one more of it, near 35 psu.
const fn of_salinity(name: &'static str, curve: Curve, slope: f64) -> (&'static str, Unit) {
    (name, Unit { dimension: Dimension::SALINITY, factor: slope, offset: 0.0, curve: Some(curve) })
}

/// 60 degF, for which the hydrometers of some trades are made, degC.
const SIXTY_FAHRENHEIT: f64 = 140.0 / 9.0;
/// Equivalents in a m³ of water of one German degree: 10 g of CaO, of 56.0774 g/mol, take two
/// protons each.
const GERMAN_DEGREE: f64 = 10.0 / 56.077_4 * 2.0;
/// The same of one g of CaCO3, of 100.0869 g/mol.
const AS_CALCIUM_CARBONATE: f64 = 2.0 / 100.086_9;

/// Every simple unit that a rule file may write. A rate is written `UNIT/TIME`.
pub static UNITS: &[(&str, Unit)] = &[
    unit("", Dimension::NUMBER, 1.0),
    unit("%", Dimension::NUMBER, 0.01),
    unit("percent", Dimension::NUMBER, 0.01),
    unit("degC", Dimension::TEMPERATURE, 1.0),
    (
        "degF",
        Unit { dimension: Dimension::TEMPERATURE, factor: 5.0 / 9.0, offset: -160.0 / 9.0, curve: None },
    ),
    unit("K", Dimension::DIFFERENCE, 1.0),
    unit("m", Dimension::LENGTH, 1.0),
    unit("km", Dimension::LENGTH, 1e3),
    unit("cm", Dimension::LENGTH, 1e-2),
    unit("mm", Dimension::LENGTH, 1e-3),
    unit("in", Dimension::LENGTH, 0.0254),
    unit("ft", Dimension::LENGTH, 0.3048),
    unit("L", Dimension::VOLUME, LITRE),
    unit("l", Dimension::VOLUME, LITRE),
    unit("mL", Dimension::VOLUME, 1e-6),
    unit("ml", Dimension::VOLUME, 1e-6),
    unit("m3", Dimension::VOLUME, 1.0),
    unit("US gal", Dimension::VOLUME, US_GALLON),
    unit("imp gal", Dimension::VOLUME, IMPERIAL_GALLON),
    unit("ms", Dimension::TIME, 1e-3),
    unit("s", Dimension::TIME, 1.0),
    unit("min", Dimension::TIME, MINUTE),
    unit("h", Dimension::TIME, HOUR),
    unit("d", Dimension::TIME, DAY),
    unit("day", Dimension::TIME, DAY),
    unit("days", Dimension::TIME, DAY),
    unit("week", Dimension::TIME, 7.0 * DAY),
    unit("weeks", Dimension::TIME, 7.0 * DAY),
    unit("W", Dimension::POWER, 1.0),
    unit("kW", Dimension::POWER, 1e3),
    unit("J", Dimension::ENERGY, 1.0),
    unit("Wh", Dimension::ENERGY, HOUR),
    unit("kWh", Dimension::ENERGY, 1e3 * HOUR),
    unit("A", Dimension::CURRENT, 1.0),
    unit("mA", Dimension::CURRENT, 1e-3),
    unit("Ah", Dimension::CHARGE, HOUR),
    unit("mAh", Dimension::CHARGE, 1e-3 * HOUR),
    unit("V", Dimension::VOLTAGE, 1.0),
    unit("mV", Dimension::VOLTAGE, 1e-3),
    unit("ppt", Dimension::SALINITY, 1.0),
    unit("psu", Dimension::SALINITY, 1.0),
    of_salinity("SG@25C", Curve::Gravity(25.0), 1_319.9),
    of_salinity("SG@20C", Curve::Gravity(20.0), 1_309.4),
    of_salinity("SG@60F", Curve::Gravity(SIXTY_FAHRENHEIT), 1_297.9),
    of_salinity("mS/cm@25C", Curve::Compensated(25.0), 0.742),
    of_salinity("mS/cm@20C", Curve::Compensated(20.0), 0.8197),
    unit("S/m", Dimension::CONDUCTIVITY, 1.0),
    unit("mS/cm", Dimension::CONDUCTIVITY, 0.1),
    unit("uS/cm", Dimension::CONDUCTIVITY, 1e-4),
    unit("meq/L", Dimension::ALKALINITY, 1.0),
    unit("mmol/L", Dimension::ALKALINITY, 1.0),
    unit("dKH", Dimension::ALKALINITY, GERMAN_DEGREE),
    unit("ppm-CaCO3", Dimension::ALKALINITY, AS_CALCIUM_CARBONATE),
    unit("pH", Dimension::ACIDITY, 1.0),
    unit("mg/L", Dimension::CONCENTRATION, 1e-3),
    // As test kits count: a part of a litre's weight in fresh water.
    unit("ppm", Dimension::CONCENTRATION, 1e-3),
    unit("ug/L", Dimension::CONCENTRATION, 1e-6),
    unit("ppb", Dimension::CONCENTRATION, 1e-6),
    unit("umol/m2/s", Dimension::LIGHT, 1e-6),
    unit("mol/m2", Dimension::LIGHT_DOSE, 1.0),
    unit("Pa", Dimension::PRESSURE, 1.0),
    unit("hPa", Dimension::PRESSURE, 100.0),
    unit("kPa", Dimension::PRESSURE, 1e3),
    unit("mbar", Dimension::PRESSURE, 100.0),
    unit("bar", Dimension::PRESSURE, 1e5),
    unit("psi", Dimension::PRESSURE, POUND_PER_SQUARE_INCH),
    unit("inHg", Dimension::PRESSURE, 3_386.389),
    unit("mmHg", Dimension::PRESSURE, 133.322_4),
];

/// What is written in any case: no other unit differs from it by that.
const IN_ANY_CASE: [&str; 14] = [
    "psu",
    "ppt",
    "ppm",
    "ppb",
    "psi",
    "bar",
    "mbar",
    "mAh",
    "dKH",
    "pH",
    "ppm-CaCO3",
    "SG@25C",
    "SG@20C",
    "SG@60F",
];

impl Unit {
    /// Kelvin as a temperature, as SenML means it. A rule file's `K` is a difference.
    pub(crate) const KELVIN_SCALE: Unit =
        Unit { dimension: Dimension::TEMPERATURE, factor: 1.0, offset: -273.15, curve: None };

    /// The unit written as `name`, also as a rate (`L/h`, `US gal/h`, `K/min`, `mm/day`).
    pub fn named(name: &str) -> Option<Unit> {
        if let Some(found) = Unit::simple(name) {
            return Some(found);
        }
        let (of, per) = name.rsplit_once('/')?;
        let (of, per) = (Unit::simple(of.trim())?, Unit::simple(per.trim())?);
        if per.dimension != Dimension::TIME {
            return None;
        }
        // A rate of a scale is a rate of differences: the scale's offset has no part in it.
        Some(Unit {
            dimension: of.dimension.difference().per(Dimension::TIME),
            factor: of.factor / per.factor,
            offset: 0.0,
            curve: None,
        })
    }

    /// The base unit of a dimension, which has no name of its own.
    pub(crate) fn base(dimension: Dimension) -> Unit {
        Unit { dimension, factor: 1.0, offset: 0.0, curve: None }
    }

    /// The same unit as one of differences, which have no zero of their own.
    pub(crate) fn as_difference(self) -> Unit {
        Unit { dimension: self.dimension.difference(), offset: 0.0, curve: None, ..self }
    }

    fn simple(name: &str) -> Option<Unit> {
        let name = IN_ANY_CASE.iter().find(|known| known.eq_ignore_ascii_case(name)).unwrap_or(&name);
        UNITS.iter().find(|(known, _)| known == name).map(|(_, unit)| *unit)
    }

    /// The number in base units of a value on this unit's scale.
    pub fn to_base(self, value: f64) -> f64 {
        self.curve.map_or_else(|| value.mul_add(self.factor, self.offset), |curve| curve.salinity_of(value))
    }

    /// The number in base units of a difference given in this unit.
    pub fn difference_to_base(self, value: f64) -> f64 {
        value * self.factor
    }

    /// The value on this unit's scale of a number in base units.
    pub fn from_base(self, base: f64) -> f64 {
        self.curve.map_or_else(|| (base - self.offset) / self.factor, |curve| curve.reading_of(base))
    }

    /// The value in this unit of a difference given in base units.
    pub fn difference_from_base(self, base: f64) -> f64 {
        base / self.factor
    }
}

/// A number with its unit, as written: not yet told whether a scale or a difference is meant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Quantity {
    /// The number as written.
    pub number: f64,
    /// The unit as written.
    pub unit: Unit,
}

/// Why a text is not a quantity.
#[derive(Clone, Debug, PartialEq)]
pub enum QuantityError {
    /// It does not begin with a number.
    NoNumber,
    /// The number is not finite.
    NotFinite,
    /// No unit has this name.
    UnknownUnit(String),
    /// The unit measures something else than what this place wants.
    WrongDimension {
        /// What was written.
        found: Dimension,
        /// What the place wants.
        wanted: Dimension,
    },
}

impl Quantity {
    /// Reads `"420 L"`, `"-3.5 degC"`, `"10 %"`, `"2"`. The decimal sign is a point.
    pub fn parse(text: &str) -> Result<Self, QuantityError> {
        let text = text.trim();
        let end = number_length(text);
        let number: f64 = text[..end].parse().map_err(|_| QuantityError::NoNumber)?;
        if !number.is_finite() {
            return Err(QuantityError::NotFinite);
        }
        let name = text[end..].trim();
        let unit = Unit::named(name).ok_or_else(|| QuantityError::UnknownUnit(name.to_owned()))?;
        Ok(Self { number, unit })
    }

    /// The number in base units where the place wants `wanted`: `degC` and `degF` count as
    /// differences where a difference is wanted.
    pub fn base(self, wanted: Dimension) -> Result<f64, QuantityError> {
        let found = self.unit.dimension;
        if found == wanted {
            Ok(self.unit.to_base(self.number))
        } else if found.difference() == wanted {
            Ok(self.unit.difference_to_base(self.number))
        } else {
            Err(QuantityError::WrongDimension { found, wanted })
        }
    }

    /// The length of time, in whole milliseconds.
    pub fn span(self) -> Result<Span, QuantityError> {
        let seconds = self.base(Dimension::TIME)?;
        // `as` saturates: a span past the end of time is the end of time.
        Ok(Span((seconds * 1_000.0).round() as i64))
    }
}

/// How many bytes at the start of `text` belong to a decimal number.
pub(crate) fn number_length(text: &str) -> usize {
    let bytes = text.as_bytes();
    let mut end = usize::from(matches!(bytes.first(), Some(b'+' | b'-')));
    while bytes.get(end).is_some_and(|b| b.is_ascii_digit() || *b == b'.') {
        end += 1;
    }
    let exponent = matches!(bytes.get(end), Some(b'e' | b'E'));
    let sign = usize::from(matches!(bytes.get(end + 1), Some(b'+' | b'-')));
    if exponent && bytes.get(end + 1 + sign).is_some_and(u8::is_ascii_digit) {
        end += 1 + sign;
        while bytes.get(end).is_some_and(u8::is_ascii_digit) {
            end += 1;
        }
    }
    end
}

impl fmt::Display for QuantityError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoNumber => write!(f, "it does not begin with a number"),
            Self::NotFinite => write!(f, "the number is not finite"),
            Self::UnknownUnit(name) => write!(f, "`{name}` is not a unit"),
            Self::WrongDimension { found, wanted } => {
                let (found, wanted, hint) = (found.words(), wanted.words(), found.hint(*wanted));
                write!(f, "this is {found}, but {wanted} is wanted here{hint}")
            }
        }
    }
}

impl std::error::Error for QuantityError {}

/// How a sensor's numbers are shown to people: in the unit the keeper chose, with no more
/// digits than a person needs.
#[derive(Clone, Debug, PartialEq)]
pub struct Scale {
    /// The unit.
    pub unit: Unit,
    /// The unit as the keeper wrote it; may be empty.
    pub name: String,
}

impl Scale {
    /// `24.6 degC`, `1830 L/h`, for a number in base units.
    pub fn show(&self, base: f64) -> String {
        let value = self.unit.from_base(base);
        match self.unit.curve {
            // Its matter begins behind the point.
            Some(Curve::Gravity(_)) => format!("{value:.4} {}", self.name),
            Some(Curve::Compensated(_)) | None => shown(value, &self.name),
        }
    }

    /// The same for a difference of two values.
    pub fn show_difference(&self, base: f64) -> String {
        shown(self.unit.difference_from_base(base), &self.name)
    }
}

fn shown(value: f64, name: &str) -> String {
    let digits = match value.abs() {
        v if v >= 100.0 => 0,
        v if v >= 10.0 => 1,
        v if v >= 0.095 || v == 0.0 => 2,
        _ => 4,
    };
    let mut text = format!("{value:.digits$}");
    if text.contains('.') {
        text.truncate(text.trim_end_matches('0').trim_end_matches('.').len());
    }
    if text == "-0" {
        text = "0".to_owned();
    }
    if name.is_empty() { text } else { format!("{text} {name}") }
}
