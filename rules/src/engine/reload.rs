//! Another plan takes over while the watch goes on. What bears the same name goes on as it
//! was: alarms with their episodes, call-outs, work, stopgaps, and what sensors have said if
//! they are still fed and read in the same way. What the new plan drops is put aside, by a
//! record like anything else. Each component carries its own over; here is what differs.

use crate::plan::Plan;
use std::collections::BTreeMap;

/// What differs between two plans, a line each.
pub(super) fn changes(old: &Plan, new: &Plan) -> Vec<String> {
    let mut lines = Vec::new();
    let mut compare = |kind: &str, old: BTreeMap<&String, String>, new: BTreeMap<&String, String>| {
        lines.extend(
            old.keys().filter(|name| !new.contains_key(*name)).map(|name| format!("{kind} {name} is gone")),
        );
        for (name, text) in &new {
            match old.get(name) {
                None => lines.push(format!("{kind} {name} is new")),
                Some(before) if before != text => lines.push(format!("{kind} {name} has changed")),
                Some(_) => {}
            }
        }
    };
    // Alarms for lost sight follow from the others. Places in lists are told by names: a sensor that is new
    // in the middle changes nothing of those behind it.
    compare("tank", texts(old, &old.tanks, |it| &it.name), texts(new, &new.tanks, |it| &it.name));
    compare("sensor", texts(old, &old.sensors, |it| &it.name), texts(new, &new.sensors, |it| &it.name));
    compare("relay", texts(old, &old.relays, |it| &it.name), texts(new, &new.relays, |it| &it.name));
    compare("battery", texts(old, &old.batteries, |it| &it.name), texts(new, &new.batteries, |it| &it.name));
    compare("alarm", alarms(old), alarms(new));
    compare("call-out", texts(old, &old.callouts, |it| &it.name), texts(new, &new.callouts, |it| &it.name));
    compare("work", works(old), works(new));
    compare("watched site", texts(old, &old.watched, |it| &it.name), texts(new, &new.watched, |it| &it.name));
    let site = |plan: &Plan| {
        let mains = plan.mains.map(|id| plan.sensor(id).name.clone());
        format!("{:?}", (&plan.site, &plan.help, plan.without_mains, plan.altitude, mains, &plan.zone))
    };
    if site(old) != site(new) {
        lines.push("what stands of the site itself has changed".to_owned());
    }
    if old.drill != new.drill {
        lines.push("when drills are due has changed".to_owned());
    }
    if old.directory != new.directory {
        lines.push("contacts or channels have changed".to_owned());
    }
    lines
}

fn texts<'p, T: std::fmt::Debug>(
    plan: &Plan,
    list: &'p [T],
    name: impl Fn(&'p T) -> &'p String,
) -> BTreeMap<&'p String, String> {
    list.iter().map(|it| (name(it), by_names(plan, &format!("{it:?}")))).collect()
}

fn works(plan: &Plan) -> BTreeMap<&String, String> {
    plan.works.iter().map(|(name, work)| (name, by_names(plan, &format!("{work:?}")))).collect()
}

fn alarms(plan: &Plan) -> BTreeMap<&String, String> {
    let own = plan.alarms.iter().filter(|alarm| alarm.sight.is_none());
    own.map(|alarm| (&alarm.name, by_names(plan, &format!("{alarm:?}")))).collect()
}

/// A text in which the places of things in the plan's lists are their names.
fn by_names(plan: &Plan, text: &str) -> String {
    let kinds: [(&str, Vec<&String>); 7] = [
        ("SensorId(", plan.sensors.iter().map(|it| &it.name).collect()),
        ("TankId(", plan.tanks.iter().map(|it| &it.name).collect()),
        ("RelayId(", plan.relays.iter().map(|it| &it.name).collect()),
        ("AlarmId(", plan.alarms.iter().map(|it| &it.name).collect()),
        ("CalloutId(", plan.callouts.iter().map(|it| &it.name).collect()),
        ("BatteryId(", plan.batteries.iter().map(|it| &it.name).collect()),
        ("WatchedId(", plan.watched.iter().map(|it| &it.name).collect()),
    ];
    let mut text = text.to_owned();
    for (kind, names) in kinds {
        let mut parts = text.split(kind);
        let mut named = parts.next().unwrap_or_default().to_owned();
        for part in parts {
            let digits = part.find(')').and_then(|end| part.get(..end)).unwrap_or_default();
            let name = digits.parse::<usize>().ok().and_then(|at| names.get(at));
            match name {
                Some(name) => {
                    named += &format!("{kind}{name}{}", part.get(digits.len()..).unwrap_or_default())
                }
                None => named += &format!("{kind}{part}"),
            }
        }
        text = named;
    }
    text
}
