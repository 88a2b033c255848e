//! Another plan takes over while the watch goes on. What bears the same name goes on as it
//! was: alarms with their episodes, call-outs, work, stopgaps, and what sensors have said if
//! they are still fed and read in the same way. What the new plan drops is put aside, by a
//! record like anything else. Each component carries its own over; here is what differs.

use crate::plan::{Alarm, Plan, Sight};
use std::collections::BTreeMap;

/// Whoever exchanges thousands of alarms is told of so many by name, and of the others how many.
const MOST_LINES: usize = 200;

/// What differs between two plans, a line each.
pub(super) fn changes(old: &Plan, new: &Plan) -> Vec<String> {
    let (old_names, new_names) = (Names::of(old), Names::of(new));
    let mut found = Changes { names: (&old_names, &new_names), lines: Vec::new() };
    found.compare("tank", by_name(&old.tanks, |it| &it.name), by_name(&new.tanks, |it| &it.name));
    found.compare("sensor", by_name(&old.sensors, |it| &it.name), by_name(&new.sensors, |it| &it.name));
    found.compare("relay", by_name(&old.relays, |it| &it.name), by_name(&new.relays, |it| &it.name));
    found.compare("battery", by_name(&old.batteries, |it| &it.name), by_name(&new.batteries, |it| &it.name));
    found.compare("alarm", alarms(old), alarms(new));
    found.compare("call-out", by_name(&old.callouts, |it| &it.name), by_name(&new.callouts, |it| &it.name));
    found.compare("work", old.works.iter().collect(), new.works.iter().collect());
    found.compare("watched site", by_name(&old.watched, |it| &it.name), by_name(&new.watched, |it| &it.name));
    let mut lines = found.lines;
    let site = |plan: &Plan| {
        let mains = plan.mains.map(|id| plan.sensor(id).name.clone());
        format!("{:?}", (&plan.site, plan.without_mains, plan.altitude, mains, &plan.zone))
    };
    // What shows no telephone number can't tell two apart.
    if site(old) != site(new) || old.help != new.help {
        lines.push("what stands of the site itself has changed".to_owned());
    }
    let differ = |added: fn(&Alarm) -> bool| told_differently((old, &old_names), (new, &new_names), added);
    if old.sight_pages_after != new.sight_pages_after || differ(Alarm::is_for_lost_sight) {
        lines.push("when lost sight is told, how urgently or to whom has changed".to_owned());
    }
    if differ(|alarm| matches!(alarm.sight, Some(Sight::Part(_)))) {
        lines.push("when the watch's own health is told, how urgently or to whom has changed".to_owned());
    }
    if old.drill != new.drill {
        lines.push("when drills are due has changed".to_owned());
    }
    if old.directory != new.directory {
        lines.push("contacts or channels have changed".to_owned());
    }
    if let Some(more) = lines.len().checked_sub(MOST_LINES).filter(|more| *more > 0) {
        lines.truncate(MOST_LINES);
        lines.push(format!("and {more} more things have changed"));
    }
    lines
}

/// Things of one kind by their names.
type ByName<'p, T> = BTreeMap<&'p String, &'p T>;

fn by_name<'p, T>(
    list: impl IntoIterator<Item = &'p T>,
    name: impl Fn(&'p T) -> &'p String,
) -> ByName<'p, T> {
    list.into_iter().map(|it| (name(it), it)).collect()
}

/// The keeper's own: alarms for lost sight follow from them.
fn alarms(plan: &Plan) -> ByName<'_, Alarm> {
    by_name(plan.alarms.iter().filter(|alarm| alarm.sight.is_none()), |alarm| &alarm.name)
}

/// Whether alarms that the plan adds, and that both plans have, are told otherwise: all else of
/// them follows from what the keeper wrote of sensors and alarms.
fn told_differently(old: (&Plan, &Names<'_>), new: (&Plan, &Names<'_>), added: fn(&Alarm) -> bool) -> bool {
    let words_of = |(plan, names): (&Plan, &Names<'_>)| {
        let alarms = plan.alarms.iter().filter(|alarm| added(alarm));
        let one = |it: &Alarm| names.text_of(&(it.on_delay, it.priority, it.callout, &it.consequence_of));
        alarms.map(|alarm| (alarm.name.clone(), one(alarm))).collect::<BTreeMap<_, _>>()
    };
    let before = words_of(old);
    words_of(new).iter().any(|(name, now)| before.get(name).is_some_and(|before| before != now))
}

/// What has been found to differ.
struct Changes<'p> {
    /// Of the old plan and of the new one.
    names: (&'p Names<'p>, &'p Names<'p>),
    lines: Vec<String>,
}

impl Changes<'_> {
    /// One thing after the other: what thousands of alarms say in full would take more memory than
    /// a board has.
    fn compare<T: std::fmt::Debug>(&mut self, kind: &str, old: ByName<'_, T>, new: ByName<'_, T>) {
        let gone = old.keys().filter(|name| !new.contains_key(*name));
        self.lines.extend(gone.map(|name| format!("{kind} {name} is gone")));
        for (name, now) in &new {
            match old.get(name) {
                None => self.lines.push(format!("{kind} {name} is new")),
                Some(before) if self.names.0.text_of(before) != self.names.1.text_of(now) => {
                    self.lines.push(format!("{kind} {name} has changed"));
                }
                Some(_) => {}
            }
        }
    }
}

/// The names of all things that a plan knows by their places in lists.
struct Names<'p>([(&'static str, Vec<&'p String>); 7]);

impl<'p> Names<'p> {
    fn of(plan: &'p Plan) -> Self {
        Self([
            ("SensorId(", plan.sensors.iter().map(|it| &it.name).collect()),
            ("TankId(", plan.tanks.iter().map(|it| &it.name).collect()),
            ("RelayId(", plan.relays.iter().map(|it| &it.name).collect()),
            ("AlarmId(", plan.alarms.iter().map(|it| &it.name).collect()),
            ("CalloutId(", plan.callouts.iter().map(|it| &it.name).collect()),
            ("BatteryId(", plan.batteries.iter().map(|it| &it.name).collect()),
            ("WatchedId(", plan.watched.iter().map(|it| &it.name).collect()),
        ])
    }

    /// All that a thing says, with names instead of places: a sensor that is new in the middle
    /// changes nothing of those behind it.
    fn text_of(&self, thing: &impl std::fmt::Debug) -> String {
        let mut text = format!("{thing:?}");
        for (kind, names) in &self.0 {
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
}
