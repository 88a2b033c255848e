//! A device that is set to another unit: what it says jumps by the ratio of the two, and each value
//! by itself may be plausible.

use crate::site::Sensor;
use crate::units::Unit;

/// Units that devices can be set to, by what they measure: on each side of a ratio stand units of
/// one kind.
const SETTINGS: [&[&str]; 9] = [
    &["degC", "degF"],
    &["L/h", "L/min", "US gal/h", "US gal/min", "imp gal/h", "m3/h"],
    &["L", "US gal", "imp gal", "m3"],
    &["Pa", "hPa", "kPa", "bar", "psi", "mmHg"],
    &["W", "kW"],
    &["A", "mA"],
    &["V", "mV"],
    &["mm", "cm", "in", "m"],
    &["s", "min", "h"],
];

/// So near the value before must the number come when it is read in the other unit, as a part of
/// that value: a flow has its noise. Common practice, no source.
const NEAR: f64 = 0.05;

/// The same for temperatures, whose scales have no common zero, in kelvin.
const NEAR_KELVIN: f64 = 1.5;

/// A jump smaller than this part of the value before has many causes, and units that are nearer to
/// each other than this are not told apart.
const LARGE: f64 = 0.3;

/// In which other unit this number would say what was said before; none if it needs no such
/// explanation. Both are in base units.
pub(super) fn other_unit(sensor: &Sensor, before: f64, number: f64) -> Option<&'static str> {
    let own = sensor.scale.unit;
    // Every ratio of nothing is nothing: a pump that starts jumps from it all the time.
    if before == 0.0 || (number - before).abs() <= LARGE * before.abs() {
        return None;
    }
    let near = if own.dimension.is_point() { NEAR_KELVIN } else { NEAR * before.abs() };
    let said = own.from_base(number);
    let units = SETTINGS.iter().copied().flatten().filter_map(|name| Some((*name, Unit::named(name)?)));
    let mut others = units.filter(|(_, unit)| unit.dimension == own.dimension && *unit != own);
    others.find(|(_, unit)| (unit.to_base(said) - before).abs() <= near).map(|(name, _)| name)
}
