//! The truth in one or two sentences, and what changes of it while somebody watches.

use super::ask::HouseLook;
use crate::seen::{spoken, water_of};
use crate::truth::{WhatIsSeen, Wrong};
use slackwater_rules::engine::{OpenCall, OpenMatter, SeenReading};
use slackwater_rules::plan::{SensorId, TankId};
use slackwater_rules::quality::Quality;
use slackwater_rules::record::Purpose;
use slackwater_rules::time::{Moment, Span};
use slackwater_rules::words::{capital, clock};
use std::hash::{DefaultHasher, Hash as _, Hasher as _};

/// A time on the clock of the house.
pub(super) fn time(look: &HouseLook, at: Moment) -> String {
    clock(&look.view.at, at, &look.plan.zone)
}

/// In whole minutes, from one on.
pub(super) fn minutes(span: Span) -> Span {
    if span < Span::minutes(1) { Span(span.0.max(0) / 1_000 * 1_000) } else { Span(span.0 / 60_000 * 60_000) }
}

/// Call-outs in which something stands, the worst first.
pub(super) fn standing(look: &HouseLook) -> impl Iterator<Item = &OpenCall> {
    look.view.calls.iter().filter(|call| !call.over && call.purpose != Purpose::Drill)
}

/// `Lagoon: the return pump moves no water`
pub(super) fn what(look: &HouseLook, matter: &OpenMatter) -> String {
    if matter.place == look.view.site {
        capital(&matter.what)
    } else {
        format!("{}: {}", capital(&matter.place), matter.what)
    }
}

/// `Ines takes care of it until 02:32.`
pub(super) fn who_has_it(look: &HouseLook, call: &OpenCall) -> String {
    match &call.has {
        Some((who, until)) => format!("{} takes care of it until {}.", capital(who), time(look, *until)),
        None => "Nobody has answered yet.".to_owned(),
    }
}

/// What leads: one sentence each.
pub(super) fn heading(look: &HouseLook) -> Vec<String> {
    let worst = standing(look).next().and_then(|call| Some((call, lead(call)?)));
    let held = |who: &str, until| format!("{who} takes care of it until {}", time(look, until));
    let wrong = worst.map(|(call, lead)| Wrong {
        what: what(look, lead),
        more: 0,
        since: Some(time(look, lead.onset)),
        code: None,
        held: call.has.as_ref().map(|(who, until)| held(who, *until)),
    });
    let seen = WhatIsSeen {
        wrong,
        deaf: look.view.deaf.clone(),
        unseen: unseen(look).into_iter().map(|reading| name(look, reading.sensor)).collect(),
        ill: look.parts.iter().filter(|part| !part.well).map(|part| part.name.clone()).collect(),
        tanks: look.plan.tanks.len(),
        sensors: look.view.readings.len(),
        oldest: look.view.readings.iter().filter_map(|reading| reading.heard).max().unwrap_or_default(),
    };
    seen.sentences()
}

/// What a call-out leads with: what stands, else what did.
pub(super) fn lead(call: &OpenCall) -> Option<&OpenMatter> {
    call.matters.iter().find(|matter| matter.stands).or_else(|| call.matters.first())
}

/// Sensors whose reading of now is not to be had.
pub(super) fn unseen(look: &HouseLook) -> Vec<&SeenReading> {
    look.view.readings.iter().filter(|reading| reading.quality != Quality::Good).collect()
}

/// `lagoon, water`
pub(super) fn name(look: &HouseLook, sensor: SensorId) -> String {
    let sensor = look.plan.sensor(sensor);
    match sensor.tank {
        Some(tank) => format!("{}, {}", look.plan.tank(tank).title, sensor.title),
        None => sensor.title.clone(),
    }
}

/// The reading of a tank's water.
pub(super) fn water(look: &HouseLook, tank: TankId) -> Option<&SeenReading> {
    let id = water_of(&look.plan, tank)?;
    look.view.readings.iter().find(|reading| reading.sensor == id)
}

/// A value as it stands in its head: the number, and its unit.
pub(super) fn parted(shown: &str) -> (&str, &str) {
    shown.split_once(' ').unwrap_or((shown, ""))
}

/// A limit in the unit of the tank's thermometer: degC comes in.
pub(super) fn limit(look: &HouseLook, tank: TankId, celsius: f64) -> Option<(f64, String)> {
    let sensor = look.plan.sensor(water_of(&look.plan, tank)?);
    let shown = crate::seen::shown(sensor, celsius);
    Some((shown, spoken(sensor)(shown)))
}

/// Names of values that stand on pages, and the values.
pub(super) fn values(look: &HouseLook) -> Vec<(String, String)> {
    let mut found: Vec<(String, String)> = look
        .view
        .readings
        .iter()
        .filter(|reading| reading.quality == Quality::Good)
        .map(|reading| (format!("r{}", reading.sensor.0), parted(&reading.shown).0.to_owned()))
        .collect();
    let now = look.view.at.wall.civil(&look.plan.zone);
    found.push(("day".to_owned(), now.strftime("%A %-d %B, %H:%M").to_string()));
    found.push(("at".to_owned(), now.strftime("%H:%M:%S").to_string()));
    found
}

/// Another number as soon as more than values has changed: what stands, who has it, what is seen;
/// and every ten minutes, for the drawings.
pub(super) fn shape(look: &HouseLook) -> u64 {
    let mut hasher = DefaultHasher::new();
    for call in &look.view.calls {
        (call.id, call.over, call.has.as_ref().map(|(who, until)| (who, until.0 / 60_000))).hash(&mut hasher);
        (call.next.as_ref().map(|(who, at)| (who, at.0 / 60_000)), call.ticks.len()).hash(&mut hasher);
        for matter in &call.matters {
            (&matter.alarm, matter.stands, matter.blind).hash(&mut hasher);
        }
    }
    for reading in &look.view.readings {
        (reading.quality == Quality::Good).hash(&mut hasher);
    }
    for relay in &look.view.relays {
        (&relay.title, relay.needs_a_hand).hash(&mut hasher);
    }
    look.view.works.iter().for_each(|(tank, work, _)| (tank.0, work).hash(&mut hasher));
    look.view.asides.iter().for_each(|aside| aside.alarm.0.hash(&mut hasher));
    look.parts.iter().for_each(|part| (&part.name, part.well).hash(&mut hasher));
    (look.view.deaf.is_some(), look.view.at.wall.0 / 600_000).hash(&mut hasher);
    hasher.finish()
}
