//! From the journal to a drawing: what a sensor said in a stretch of time, in the unit that people
//! read, with its limits, and with what was not seen left open. The page in the house and the
//! report draw the same.

use crate::chart::{Picture, SeenPoint, Stretch, Stroke, between, describe, nights, pieces};
use crate::journal::{JournalError, JournalLog, StepSaid};
use jiff::tz::TimeZone;
use slackwater_rules::plan::{Plan, Sensor, SensorId, TankId};
use slackwater_rules::reading::Content;
use slackwater_rules::time::Span;
use slackwater_rules::words::{capital, for_people};

/// The sensor that stands for a tank: its thermometer.
pub(crate) fn water_of(plan: &Plan, tank: TankId) -> Option<SensorId> {
    let own = plan.tank(tank).gear.water;
    let warm = |sensor: &Sensor| sensor.tank == Some(tank) && sensor.measure.name == "temperature";
    let first = || (0..).map(SensorId).zip(&plan.sensors).find(|(_, sensor)| warm(sensor)).map(|(id, _)| id);
    own.or_else(first)
}

/// The unit as people write it.
pub(crate) fn unit_of(sensor: &Sensor) -> String {
    for_people(&format!("0 {}", sensor.scale.name))
        .split_once(' ')
        .map_or_else(String::new, |(_, unit)| unit.to_owned())
}

/// A number in the unit that people read.
pub(crate) fn shown(sensor: &Sensor, base: f64) -> f64 {
    match words_of(sensor) {
        Some(words) => {
            // Words that say yes stand above those that say no.
            let word = words.get(base.max(0.0) as usize).map(|word| word.name.as_str());
            match word {
                Some("on" | "open" | "wet" | "yes") => 1.0,
                Some("off" | "closed" | "dry" | "no") => 0.0,
                Some(_) | None => base,
            }
        }
        None => sensor.scale.unit.from_base(base),
    }
}

fn words_of(sensor: &Sensor) -> Option<&[slackwater_rules::reading::Word]> {
    let content = &sensor.mapping.content;
    match content {
        Content::Words(words) => Some(words),
        Content::Number(_) => None,
    }
}

/// Switches and what hangs on them go from one value to the next without a slope.
pub(crate) fn pen_of(sensor: &Sensor) -> Stroke {
    if words_of(sensor).is_some() || matches!(sensor.measure.name, "power" | "current") {
        Stroke::Steps
    } else {
        Stroke::Line
    }
}

/// Its limits, in the unit that people read.
pub(crate) fn limits_of(sensor: &Sensor) -> Option<(f64, f64)> {
    sensor.limits.map(|(lower, upper)| (shown(sensor, lower), shown(sensor, upper)))
}

/// So long nothing may be said before it counts as not seen, for steps of this length.
pub(crate) fn hold(sensor: &Sensor, step: Span) -> Span {
    Span(step.0 + sensor.stale_after.0.max(step.0))
}

/// Points in the unit that people read.
pub(crate) fn points(sensor: &Sensor, said: &[StepSaid], step: Span) -> Vec<SeenPoint> {
    let is_word = words_of(sensor).is_some();
    let middle = Span(step.0 / 2);
    let point = |said: &StepSaid| {
        let at = said.from + middle;
        match is_word {
            true => SeenPoint::of(at, shown(sensor, said.last)),
            false => {
                let (one, other) = (shown(sensor, said.low), shown(sensor, said.high));
                SeenPoint { at, low: one.min(other), mean: shown(sensor, said.mean), high: one.max(other) }
            }
        }
    };
    said.iter().map(point).collect()
}

/// How its values are said.
pub(crate) fn spoken(sensor: &Sensor) -> impl Fn(f64) -> String + '_ {
    let unit = unit_of(sensor);
    move |value| {
        let rounded = if value.abs() >= 100.0 { value.round() } else { (value * 10.0).round() / 10.0 };
        let number = crate::chart::number(rounded);
        if unit.is_empty() { number } else { format!("{number} {unit}") }
    }
}

/// `Lagoon, water`
pub(crate) fn name_of(plan: &Plan, sensor: &Sensor) -> String {
    match sensor.tank {
        Some(tank) => format!("{}, {}", capital(&plan.tank(tank).title), sensor.title),
        None => capital(&sensor.title),
    }
}

/// The drawing of a stretch that is over or goes until now.
pub(crate) fn picture(
    log: &JournalLog,
    plan: &Plan,
    id: SensorId,
    span: Stretch,
    step: Span,
    zone: &TimeZone,
) -> Result<Picture, JournalError> {
    let sensor = plan.sensor(id);
    let said = log.bars(&sensor.name, span.from, span.to, step)?;
    let points = points(sensor, &said, step);
    let mut picture = Picture::new(format!("s{}", id.0), name_of(plan, sensor), span);
    let hold = hold(sensor, step);
    picture.seen = pieces(&points, hold);
    picture.gaps = between(&picture.seen, span, hold);
    picture.limits = limits_of(sensor);
    picture.nights = if span.length() > Span::hours(24 * 5) { Vec::new() } else { nights(span, zone) };
    picture.pen = pen_of(sensor);
    picture.said = describe(&picture, &spoken(sensor), zone);
    Ok(picture)
}
