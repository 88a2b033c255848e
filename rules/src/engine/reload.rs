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
    // Alarms for lost sight follow from the others.
    let alarms =
        |plan: &Plan| plan.alarms.iter().filter(|alarm| alarm.sight.is_none()).cloned().collect::<Vec<_>>();
    let (old_alarms, new_alarms) = (alarms(old), alarms(new));
    compare("tank", texts(&old.tanks, |it| &it.name), texts(&new.tanks, |it| &it.name));
    compare("sensor", texts(&old.sensors, |it| &it.name), texts(&new.sensors, |it| &it.name));
    compare("relay", texts(&old.relays, |it| &it.name), texts(&new.relays, |it| &it.name));
    compare("alarm", texts(&old_alarms, |it| &it.name), texts(&new_alarms, |it| &it.name));
    compare("call-out", texts(&old.callouts, |it| &it.name), texts(&new.callouts, |it| &it.name));
    if old.drill != new.drill {
        lines.push("when drills are due has changed".to_owned());
    }
    if old.directory != new.directory {
        lines.push("contacts or channels have changed".to_owned());
    }
    lines
}

fn texts<T: std::fmt::Debug>(list: &[T], name: impl Fn(&T) -> &String) -> BTreeMap<&String, String> {
    list.iter().map(|it| (name(it), format!("{it:?}"))).collect()
}
