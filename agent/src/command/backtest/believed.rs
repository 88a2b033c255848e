//! Whether the rules will believe what a file says: readings in, and out a note of those that they
//! will not, or a mistake where all of a sensor's readings are of another unit than its own. Left
//! untold such a file plays without a sound, and looks like a quiet month.

use slackwater_rules::plan::{Plan, SensorId, usual_range};
use slackwater_rules::reading::Value;
use slackwater_rules::site::Sensor;
use slackwater_rules::time::Wall;
use slackwater_rules::units::{UNITS, Unit};
use std::collections::BTreeMap;

/// What is not believed, one line for each sensor.
///
/// # Errors
/// If no reading of a sensor can be true, and in another unit all of them could.
pub(super) fn doubts(
    file: &str,
    plan: &Plan,
    readings: &[(Wall, SensorId, Value)],
) -> Result<Vec<String>, String> {
    let mut numbers: BTreeMap<SensorId, Vec<f64>> = BTreeMap::new();
    for (_, id, value) in readings {
        let sensor = plan.sensor(*id);
        match value {
            // What a probe says when it has nothing to say tells nothing of its unit.
            Value::Number(number) if !sensor.reject.iter().any(|it| (it - number).abs() < 1e-6) => {
                numbers.entry(*id).or_default().push(*number);
            }
            Value::Number(_) | Value::Word(_) => {}
        }
    }
    let (mut notes, mut wrong) = (Vec::new(), Vec::new());
    for (id, numbers) in numbers {
        let sensor = plan.sensor(id);
        if let Some(unit) = meant(sensor, &numbers) {
            wrong.push(of_another_unit(file, sensor, &numbers, &unit));
        } else if let Some(note) = sensor.plausible.and_then(|range| unbelieved(sensor, &numbers, range)) {
            notes.push(note);
        }
    }
    if wrong.is_empty() { Ok(notes) } else { Err(wrong.join("\n")) }
}

/// Where readings of this sensor can lie.
fn range(sensor: &Sensor) -> Option<(f64, f64)> {
    sensor.plausible.or_else(|| usual_range(sensor)).or_else(|| sensor.possible())
}

fn holds((low, high): (f64, f64)) -> impl Fn(&f64) -> bool {
    move |number| (low..=high).contains(number)
}

/// The unit in which all these readings could be true, if none is in the sensor's own.
fn meant(sensor: &Sensor, numbers: &[f64]) -> Option<String> {
    let (own, range) = (sensor.scale.unit, range(sensor)?);
    if numbers.iter().any(holds(range)) {
        return None;
    }
    let rates = UNITS.iter().flat_map(|(name, _)| ["h", "min", "s"].map(|per| format!("{name}/{per}")));
    let names = UNITS.iter().map(|(name, _)| (*name).to_owned()).chain(rates);
    let others = names.filter_map(|name| Some((Unit::named(&name)?, name)));
    let mut others = others.filter(|(unit, _)| unit.dimension == own.dimension && *unit != own);
    let all = |unit: &Unit| numbers.iter().all(|number| holds(range)(&unit.to_base(own.from_base(*number))));
    others.find(|(unit, _)| all(unit)).map(|(_, name)| name)
}

fn of_another_unit(file: &str, sensor: &Sensor, numbers: &[f64], meant: &str) -> String {
    let (scale, name) = (&sensor.scale, &sensor.name);
    let (low, high) = range(sensor).unwrap_or_default();
    format!(
        "{file}: no reading of `{name}` can be true in its unit: {} is outside {} to {}. In {meant} all of them \
         could be: say so in a fourth column, `unit`, or in the column's name, `{name} [{meant}]`",
        scale.show(numbers.first().copied().unwrap_or_default()),
        scale.show(low),
        scale.show(high),
    )
}

fn unbelieved(sensor: &Sensor, numbers: &[f64], range: (f64, f64)) -> Option<String> {
    let mut outside = numbers.iter().filter(|number| !holds(range)(number));
    let first = *outside.next()?;
    let scale = &sensor.scale;
    Some(format!(
        "{}: {} of {} readings are not believed: {} is outside the plausible {} to {}",
        sensor.name,
        outside.count() + 1,
        numbers.len(),
        scale.show(first),
        scale.show(range.0),
        scale.show(range.1)
    ))
}
