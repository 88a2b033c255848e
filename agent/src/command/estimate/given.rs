//! What a keeper writes on the command line: texts in, figures in base units out, each with the
//! unit that its writer thinks in. What no tank is like is refused, with what would be: an estimate
//! of it would be as wrong.

use slackwater_rules::forecast::water::ALTITUDES;
use slackwater_rules::units::{Dimension, Scale, written};

/// A quantity as written: base units, and the unit that its writer thinks in.
#[derive(Clone, Debug)]
pub(super) struct Given {
    pub(super) base: f64,
    pub(super) scale: Scale,
}

/// Length, width and height, m.
#[derive(Clone, Copy, Debug)]
pub(super) struct IntervalEdges(pub(super) [f64; 3]);

/// What a figure is of, and the least and the most that it can be, base units.
#[derive(Clone, Copy, Debug)]
pub(super) struct GivenRange(Dimension, f64, f64);

/// The sizes that the formulas hold for, m³.
pub(super) const VOLUME: GivenRange = GivenRange(Dimension::VOLUME, 0.005, 20.0);
/// As the formulas of sea water have it, psu.
pub(super) const SALINITY: GivenRange = GivenRange(Dimension::SALINITY, 0.0, 42.0);
/// Water in which something lives, degC.
pub(super) const WATER: GivenRange = GivenRange(Dimension::TEMPERATURE, 0.0, 40.0);
/// Rooms, degC.
pub(super) const ROOM: GivenRange = GivenRange(Dimension::TEMPERATURE, -40.0, 60.0);
/// What hangs on an outlet or on three phases, W.
pub(super) const POWER: GivenRange = GivenRange(Dimension::POWER, 0.1, 100e3);
/// What a converter draws by itself, W.
pub(super) const IDLE: GivenRange = GivenRange(Dimension::POWER, 0.0, 1e3);
/// m³/s.
pub(super) const FLOW: GivenRange = GivenRange(Dimension::FLOW, 1e-7, 1.0);
/// Air of a stone, m³/s: up to 1000 L/min.
pub(super) const AIR: GivenRange = GivenRange(Dimension::FLOW, 1e-7, 1.0 / 60.0);
/// m.
pub(super) const DEPTH: GivenRange = GivenRange(Dimension::LENGTH, 0.01, 10.0);
/// V.
pub(super) const VOLTS: GivenRange = GivenRange(Dimension::VOLTAGE, 1.0, 1_000.0);
/// Full sun is 2000 umol/m2/s; mol/m²/s.
pub(super) const LIGHT: GivenRange = GivenRange(Dimension::LIGHT, 0.0, 5e-3);
/// s: a day at most.
pub(super) const LIT: GivenRange = GivenRange(Dimension::TIME, 0.0, 86_400.0);
/// What a battery that feeds an air pump holds, J and C.
const ENERGY: GivenRange = GivenRange(Dimension::ENERGY, 360.0, 3.6e9);
const CHARGE: GivenRange = GivenRange(Dimension::CHARGE, 36.0, 36e6);
/// Edges of a box, m.
const EDGE: GivenRange = GivenRange(Dimension::LENGTH, 0.05, 20.0);

/// Reads a figure that lies in `range`.
pub(super) fn within(range: GivenRange) -> impl Fn(&str) -> Result<Given, String> + Clone {
    move |text: &str| given(text, range)
}

fn given(text: &str, GivenRange(dimension, least, most): GivenRange) -> Result<Given, String> {
    let (base, scale) = written(text, dimension)?;
    if (least..=most).contains(&base) {
        return Ok(Given { base, scale });
    }
    Err(format!("expected {} to {}", scale.show(least), scale.show(most)))
}

/// A height above the sea at which tanks are kept.
pub(super) fn altitude(text: &str) -> Result<Given, String> {
    given(text, GivenRange(Dimension::LENGTH, *ALTITUDES.start(), *ALTITUDES.end()))
}

/// A capacity in Wh or in Ah; which of both it is says its unit.
pub(super) fn capacity(text: &str) -> Result<Given, String> {
    match written(text, Dimension::ENERGY) {
        Ok(_) => given(text, ENERGY),
        Err(_) => given(text, CHARGE),
    }
}

/// Three edges, with one unit behind them or one behind each.
pub(super) fn size(text: &str) -> Result<IntervalEdges, String> {
    let form = || format!("`{text}` is not a length, a width and a height, as in 120 x 60 x 55 cm");
    let of_numbers = |c: char| c.is_ascii_digit() || c == '.' || c == ' ';
    let unit = text.trim_end().rsplit(of_numbers).next().unwrap_or("");
    let edges: Vec<f64> = text
        .split(['x', 'X', '×'])
        .map(|edge| edge.trim())
        .map(|edge| if edge.ends_with(unit) { edge.to_owned() } else { format!("{edge} {unit}") })
        .map(|edge| given(&edge, EDGE).map(|edge| edge.base))
        .collect::<Result<_, _>>()
        .map_err(|error| format!("{}: {error}", form()))?;
    <[f64; 3]>::try_from(edges).map(IntervalEdges).map_err(|_| form())
}
