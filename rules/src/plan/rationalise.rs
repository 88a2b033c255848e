//! What is not wrong, but not well thought through: the questions that the alarm-management
//! standards ask of every alarm before it may ring (rationalisation). All are warnings; each
//! names what would make it better.

use super::measure::usual_range;
use super::{Alarm, Battery, Plan, Sensor, SensorId};
use crate::alarm::Priority;
use crate::condition::{Comparison, Condition, Formula, Test};
use crate::diagnostic::Finding;
use crate::diagnostic::listed;
use crate::ids::mix;
use crate::time::Span;
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

/// Fewer alarms than this have no spread.
const FEW: usize = 4;

/// Where things stand in the file.
pub(super) struct Places<'p> {
    /// Of the keeper's alarms, which come first in the plan.
    pub(super) alarms: &'p [Range<usize>],
    pub(super) sensors: &'p [Range<usize>],
    pub(super) tanks: &'p [Range<usize>],
    /// The steps of each call-out.
    pub(super) callouts: &'p [Range<usize>],
    /// Whether each of the keeper's alarms says what it is `expected` with, be it nothing.
    pub(super) says_expected: &'p [bool],
    /// Where the file says who is told of lost sight.
    pub(super) sight: Range<usize>,
}

/// All warnings.
pub(super) fn warnings(plan: &Plan, places: &Places<'_>) -> Vec<Finding> {
    let own: Vec<(&Alarm, &Range<usize>)> = plan.alarms.iter().zip(places.alarms).collect();
    let mut found: Vec<Finding> = Vec::new();
    let blinding = plan.alarms.iter().filter(|alarm| alarm.is_for_lost_sight());
    let noticed_after = blinding.map(|alarm| alarm.on_delay).max().unwrap_or(Span::ZERO);
    for (alarm, place) in &own {
        found.extend(unsaid(alarm, place));
        found.extend(unproved_to_nobody(plan, alarm, place));
        found.extend(too_late(alarm, place));
        found.extend(coarse(plan, alarm, place));
        found.extend(never_returns(plan, alarm, place));
        found.extend(unlikely(plan, alarm, place));
        found.extend(seen_too_late(plan, alarm, noticed_after, place));
    }
    found.extend(spread(&own));
    found.extend(together(&own));
    // Without any alarm that is said of all at once.
    if !own.is_empty() || !plan.watched.is_empty() {
        found.extend(unwatched(plan, places.sensors));
    }
    found.extend(unnoticed(plan, &own, &places.sight));
    found
}

/// An alarm is a call for a response: whoever is called reads what follows and what to do.
fn unsaid(alarm: &Alarm, place: &Range<usize>) -> Option<Finding> {
    alarm.callout?;
    let mut lacks = Vec::new();
    if alarm.consequence.is_none() {
        lacks.push("consequence");
    }
    if alarm.response.lines.is_empty() {
        lacks.push("response");
    }
    let title = match lacks.as_slice() {
        [] => return None,
        ["consequence"] => format!("`{}` doesn't say what follows if nobody acts", alarm.name),
        ["response"] => format!("`{}` doesn't say what to do", alarm.name),
        _ => format!("`{}` says neither what follows nor what to do", alarm.name),
    };
    let label = format!("has no {}", listed(&lacks));
    let help =
        "whoever is called at night reads it; what needs no response is no alarm: `callout = \"none\"`";
    Some(Finding::warning(place.clone(), title, label).help(help))
}

/// A stopgap without proof becomes a page, if there is anybody to page.
fn unproved_to_nobody(plan: &Plan, alarm: &Alarm, place: &Range<usize>) -> Option<Finding> {
    let stopgap = alarm.stopgap.filter(|_| alarm.callout.is_none())?;
    let relay = &plan.relay(stopgap.relay).name;
    let title = format!("nobody is told if `{relay}` does not obey `{}`", alarm.name);
    let help = "a stopgap buys time for a person: give the alarm a call-out";
    Some(Finding::warning(place.clone(), title, "has a stopgap and no call-out").help(help))
}

fn too_late(alarm: &Alarm, place: &Range<usize>) -> Option<Finding> {
    let time = alarm.time_to_respond.filter(|time| alarm.on_delay >= *time)?;
    let title = format!("`{}` rings when the time to respond is over", alarm.name);
    let label = format!("on-delay {}, time to respond {time}", alarm.on_delay);
    Some(Finding::warning(place.clone(), title, label).help("shorten `on-delay`"))
}

/// A deadband below the smallest step that a sensor shows holds nothing.
fn coarse(plan: &Plan, alarm: &Alarm, place: &Range<usize>) -> Option<Finding> {
    let (dimension, deadband) = alarm.deadband?;
    let sensors = alarm.condition.sensors().into_iter().map(|id| plan.sensor(id));
    let fits = |sensor: &&Sensor| sensor.scale.unit.dimension.difference() == dimension;
    let (sensor, step) = sensors
        .filter(fits)
        .filter_map(|sensor| Some((sensor, sensor.resolution?)))
        .find(|(_, step)| deadband < *step)?;
    let title = format!("the deadband of `{}` is smaller than what its sensor shows", alarm.name);
    let label = format!("`{}` moves by {} at a time", sensor.name, sensor.scale.show_difference(step));
    let help = format!("for instance `deadband = \"{}\"`", sensor.scale.show_difference(3.0 * step));
    Some(Finding::warning(place.clone(), title, label).help(help))
}

/// A limit that the deadband moves out of what is believed.
fn never_returns(plan: &Plan, alarm: &Alarm, place: &Range<usize>) -> Option<Finding> {
    let (dimension, deadband) = alarm.deadband?;
    let (sensor, order, limit) =
        limits_of(plan, &alarm.condition).into_iter().find(|(sensor, order, limit)| {
            let Some((low, high)) = sensor.plausible else { return false };
            let of = sensor.scale.unit.dimension.difference() == dimension;
            of && match order {
                Comparison::Less | Comparison::AtMost => limit + deadband > high,
                Comparison::Greater | Comparison::AtLeast => limit - deadband < low,
            }
        })?;
    let back = match order {
        Comparison::Less | Comparison::AtMost => limit + deadband,
        Comparison::Greater | Comparison::AtLeast => limit - deadband,
    };
    let title = format!("`{}` would never return to normal", alarm.name);
    let label = format!(
        "`{}` would have to come back to {}, which is not believed",
        sensor.name,
        sensor.scale.show(back)
    );
    Some(Finding::warning(place.clone(), title, label).help("make the deadband smaller"))
}

/// A limit where no tank ever is: 76 degC was meant as 76 degF.
fn unlikely(plan: &Plan, alarm: &Alarm, place: &Range<usize>) -> Option<Finding> {
    let worse = alarm.worse.iter().flat_map(|worse| limits_of(plan, worse));
    let all = limits_of(plan, &alarm.condition).into_iter().chain(worse);
    let (sensor, limit, usual) = all
        .filter_map(|(sensor, _, limit)| Some((sensor, limit, usual_range(sensor)?)))
        .find(|(_, limit, (low, high))| limit < low || limit > high)?;
    let show = |base| sensor.scale.show(base);
    let title = format!("`{}` waits for {} in a tank", alarm.name, show(limit));
    let label = format!("tanks of the sea live between {} and {}", show(usual.0), show(usual.1));
    Some(Finding::warning(place.clone(), title, label).help("is the unit right?"))
}

fn limits_of<'p>(plan: &'p Plan, condition: &Condition) -> Vec<(&'p Sensor, Comparison, f64)> {
    limits(condition).into_iter().map(|(id, order, limit)| (plan.sensor(id), order, limit)).collect()
}

/// Each sensor that is compared with a constant, by itself.
pub(super) fn limits(condition: &Condition) -> Vec<(SensorId, Comparison, f64)> {
    let mut found = Vec::new();
    let mut add = |id: SensorId, order, limit| found.push((id, order, limit));
    condition.visit(&mut |test| match test {
        Test::Compare { left: Formula::Sensor(id), order, right: Formula::Constant(limit), .. } => {
            add(*id, *order, *limit);
        }
        Test::Compare { left: Formula::Constant(limit), order, right: Formula::Sensor(id), .. } => {
            let turned = match order {
                Comparison::Less => Comparison::Greater,
                Comparison::AtMost => Comparison::AtLeast,
                Comparison::Greater => Comparison::Less,
                Comparison::AtLeast => Comparison::AtMost,
            };
            add(*id, turned, *limit);
        }
        Test::Range {
            value: Formula::Sensor(id),
            low: Formula::Constant(low),
            high: Formula::Constant(high),
            outside: true,
            ..
        } => {
            add(*id, Comparison::Less, *low);
            add(*id, Comparison::Greater, *high);
        }
        _ => {}
    });
    found
}

/// The loss of a sensor is noticed only when the time to respond is over.
fn seen_too_late(plan: &Plan, alarm: &Alarm, noticed_after: Span, place: &Range<usize>) -> Option<Finding> {
    let time = alarm.time_to_respond?;
    let after = |sensor: &Sensor| sensor.stale_after + noticed_after;
    let sensors = alarm.condition.sensors().into_iter().map(|id| plan.sensor(id));
    let slow = sensors.filter(|sensor| after(sensor) > time).max_by_key(|sensor| sensor.stale_after)?;
    let title = format!("the loss of `{}` would go unnoticed for too long", slow.name);
    let label = format!("noticed after {}, but there is {time} to respond", after(slow));
    Some(Finding::warning(place.clone(), title, label).help("let it report more often, or set `stale-after`"))
}

/// Everything critical is nothing critical.
fn spread(own: &[(&Alarm, &Range<usize>)]) -> Option<Finding> {
    let told: Vec<_> = own.iter().filter(|(alarm, _)| alarm.callout.is_some()).collect();
    let critical: Vec<_> = told.iter().filter(|(alarm, _)| alarm.priority == Priority::Critical).collect();
    if told.len() < FEW || critical.len() * 2 <= told.len() {
        return None;
    }
    let title = format!("{} of {} alarms are critical", critical.len(), told.len());
    // ANSI/ISA-18.2 and EEMUA 191: 80, 15 and 5 % of low, medium and high priority; secondary
    // texts.
    let help = "usual in the alarm standards are about 5 % of the highest priority, 15 % of the next, 80 % of the rest: \
                critical is what kills within the hour";
    let place = critical.first().map(|(_, place)| (*place).clone())?;
    Some(Finding::warning(place, title, "the first of them").help(help))
}

/// Alarms that say the same.
fn together(own: &[(&Alarm, &Range<usize>)]) -> Vec<Finding> {
    let mut found = Vec::new();
    // The first of each likeness, and others that are like it and yet not the same: there are
    // hardly any.
    let mut seen: BTreeMap<u64, (usize, Vec<usize>)> = BTreeMap::new();
    for (at, (second, place)) in own.iter().enumerate() {
        let (first, others) = seen.entry(likeness(&second.condition)).or_insert((at, Vec::new()));
        let alike = std::iter::once(*first).chain(others.iter().copied()).filter(|like| *like != at);
        let mut alike = alike.filter_map(|like| own.get(like));
        let same = alike.find(|(first, _)| first.condition == second.condition);
        if same.is_none() && *first != at {
            others.push(at);
        }
        if let Some((first, other)) = same {
            let title = format!("`{}` and `{}` always ring together", first.name, second.name);
            let finding = Finding::warning((*place).clone(), title, "the same condition");
            let help =
                "one alarm can have both: `worse` for what is worse, steps of a call-out for who is told";
            found.push(finding.also((*other).clone(), "").help(help));
        }
    }
    found
}

/// The same number for conditions that are the same; most others differ in it, and need no
/// comparing.
fn likeness(condition: &Condition) -> u64 {
    let mut likeness = 0;
    condition.visit(&mut |test| {
        for formula in test.formulas().into_iter().flatten() {
            likeness = formula.likeness(likeness);
        }
        if let Some(sensor) = test.sensor() {
            likeness = mix(likeness ^ sensor.index() as u64);
        }
    });
    likeness
}

/// Sensors whose readings nothing rests on.
fn unwatched(plan: &Plan, places: &[Range<usize>]) -> Vec<Finding> {
    let worse = |alarm: &Alarm| alarm.worse.as_deref().map(Condition::sensors).unwrap_or_default();
    let mut used: BTreeSet<SensorId> = BTreeSet::new();
    for alarm in &plan.alarms {
        used.extend(alarm.condition.sensors());
        used.extend(worse(alarm));
    }
    used.extend(plan.relays.iter().flat_map(|relay| relay.conditions()).flat_map(Condition::sensors));
    used.extend(plan.tanks.iter().flat_map(|tank| tank.gear.sensors()));
    used.extend(plan.batteries.iter().flat_map(Battery::sensors));
    let idle = (0..).map(SensorId).zip(&plan.sensors).zip(places).filter(|((id, _), _)| !used.contains(id));
    idle.map(|((_, sensor), place)| {
        let title = format!("no alarm watches `{}`", sensor.name);
        let label = "its readings are kept, and ring nothing";
        Finding::warning(place.clone(), title, label)
            .help("also its silence goes unnoticed; if that is meant, leave it so")
    })
    .collect()
}

/// Lost sight that nobody is told of.
fn unnoticed(plan: &Plan, own: &[(&Alarm, &Range<usize>)], place: &Range<usize>) -> Option<Finding> {
    let told = own.iter().find(|(alarm, _)| alarm.callout.is_some())?;
    let silent = plan.alarms.iter().find(|alarm| alarm.is_for_lost_sight() && alarm.callout.is_none())?;
    let title = "lost sight is recorded, but nobody is told";
    let label = format!("so `{}` could be blind and nobody would know", told.0.name);
    let help = format!("leave `callout` out: `{}` then calls as what it blinds would", silent.name);
    Some(Finding::warning(place.clone(), title, label).help(help))
}
