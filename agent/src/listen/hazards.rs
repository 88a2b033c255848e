//! The ready-made alarms that fit proposed sensors. Where none fits, silence alone is told, so that
//! a proposal passes its own check without a word. Sensors flow in, sections of a rule file flow
//! out.

use super::propose::{Proposed, every, unique};
use slackwater_rules::time::Span;
use std::collections::BTreeSet;
use std::fmt::Write as _;

/// What is proposed where nothing else fits.
const SILENT: &str = "sensor-silent";

const ONLY_SILENCE: &str = "\
# Nothing ready-made fits what these sensors say: of each that is named `-silent` only its silence is told. You
# know what would be wrong: an alarm with `when = \"SENSOR > …\"`. What need not be watched: delete sensor and alarm.
";

/// Appends them, and says how many there are.
pub(super) fn write_alarms(out: &mut String, sensors: &[Proposed<'_>]) -> usize {
    let alarms = alarms(sensors);
    let first = alarms.iter().position(|(_, hazard, _)| *hazard == SILENT);
    for (nth, (name, hazard, keys)) in alarms.iter().enumerate() {
        let note = if first == Some(nth) { ONLY_SILENCE } else { "" };
        let _ =
            write!(out, "\n{note}[alarm.{name}]\nhazard  = \"{hazard}\"\n{keys}callout = \"household\"\n");
    }
    alarms.len()
}

/// An alarm that tells of silence alone, and not before it is one.
fn silent(sensor: &Proposed<'_>, names: &mut BTreeSet<String>) -> (String, &'static str, String) {
    let length = Span(every(sensor.sensed).0.0 * 4).max(Span::minutes(15));
    let name = unique(&format!("{}-silent", sensor.name), names);
    (name, SILENT, format!("sensor  = \"{}\"\nlength  = \"{length}\"\n", sensor.name))
}

/// Several that see the mains are one page: the others follow the first.
fn follows_first(found: &mut [(String, &'static str, String)]) {
    if let Some(((_, hazard, keys), before)) = found.split_last_mut()
        && let Some((first, ..)) = before.iter().find(|(_, other, _)| other == hazard)
    {
        let _ = write!(keys, "consequence-of = [\"{first}\"]\nexpected = [\"{first}\"]\n");
    }
}

/// The ready-made alarms that fit: name, hazard, its keys.
fn alarms(sensors: &[Proposed<'_>]) -> Vec<(String, &'static str, String)> {
    let (mut found, mut names) = (Vec::new(), BTreeSet::new());
    for sensor in sensors {
        let mut add = |hazard: &'static str, key: &str| {
            let tank = sensor.tank.as_ref().map_or(String::new(), |tank| format!("tank    = \"{tank}\"\n"));
            let name = sensor.tank.as_ref().map_or(hazard.to_owned(), |tank| format!("{tank}-{hazard}"));
            found.push((
                unique(&name, &mut names),
                hazard,
                format!("{tank}{key:<7} = \"{}\"\n", sensor.name),
            ));
        };
        match (sensor.guess.measures, &sensor.tank) {
            ("presence", _) => {
                add("power-lost", "mains");
                follows_first(&mut found);
            }
            ("temperature", Some(_)) => {
                add("too-cold", "temperature");
                add("too-warm", "temperature");
            }
            ("flow", Some(_)) => add("return-stopped", "return-flow"),
            ("ph", Some(_)) => add("ph-out-of-band", "ph"),
            ("salinity", Some(_)) => add("salinity-drifting", "salinity"),
            ("leak", _) => add("water-on-floor", "leak"),
            ("battery", _) if sensor.guess.unit.as_deref() == Some("%") => add("battery-low", "battery"),
            // No ready-made alarm fits what it says; that it falls silent is worth a word all the
            // same.
            _ => found.push(silent(sensor, &mut names)),
        }
    }
    found.sort_by_key(|(_, hazard, _)| *hazard == SILENT);
    found
}
