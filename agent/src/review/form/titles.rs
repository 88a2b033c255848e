//! What the keys in a review are called: the plan in force flows in, and a word for each key flows
//! out. Without a plan a key is its own word.

use serde::Serialize;
use slackwater_rules::plan::{AlarmId, Plan};
use slackwater_rules::words::{capital, without_place};
use std::collections::BTreeMap;

/// By kind, since a sensor and an alarm may share a key.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Titles {
    /// `Lagoon: the water is too cold`
    pub alarms: BTreeMap<String, String>,
    /// What may be behind an alarm, where the rule file says it.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub causes: BTreeMap<String, String>,
    /// `air pump`
    pub relays: BTreeMap<String, String>,
    /// `Lagoon water`
    pub sensors: BTreeMap<String, String>,
    /// `Ines`
    pub people: BTreeMap<String, String>,
}

impl Titles {
    pub(in crate::review) fn of(plan: &Plan) -> Self {
        let place = |alarm: AlarmId| plan.title_of_place(plan.alarm(alarm));
        let alarm = |id: AlarmId| {
            let title = without_place(&plan.alarm(id).title, place(id));
            (plan.alarm(id).name.clone(), format!("{}: {title}", capital(place(id))))
        };
        Self {
            alarms: (0..plan.alarms.len() as u32).map(AlarmId).map(alarm).collect(),
            causes: plan
                .alarms
                .iter()
                .filter_map(|alarm| Some((alarm.name.clone(), alarm.cause.as_ref()?.to_string())))
                .collect(),
            relays: plan.relays.iter().map(|relay| (relay.name.clone(), relay.title.clone())).collect(),
            sensors: plan
                .sensors
                .iter()
                .map(|sensor| {
                    let title = match sensor.tank.map(|tank| plan.title(Some(tank))) {
                        Some(tank) => format!("{} {}", capital(tank), without_place(&sensor.title, tank)),
                        None => capital(&sensor.title),
                    };
                    (sensor.name.clone(), title)
                })
                .collect(),
            people: plan
                .directory
                .contacts
                .iter()
                .map(|(name, contact)| (name.clone(), contact.name.clone()))
                .collect(),
        }
    }

    /// An alarm, with its place.
    pub(in crate::review) fn alarm(&self, name: &str, place: &str) -> String {
        self.alarms.get(name).cloned().unwrap_or_else(|| format!("{place}: {name}"))
    }

    /// An alarm that is known from elsewhere.
    pub(in crate::review) fn known<'t>(&'t self, name: &'t str) -> &'t str {
        self.alarms.get(name).map_or(name, String::as_str)
    }

    pub(in crate::review) fn relay<'t>(&'t self, name: &'t str) -> &'t str {
        self.relays.get(name).map_or(name, String::as_str)
    }

    pub(in crate::review) fn person<'t>(&'t self, name: &'t str) -> &'t str {
        self.people.get(name).map_or(name, String::as_str)
    }

    /// `Ines by mail`, `siren`
    pub(in crate::review) fn way(&self, target: &str) -> String {
        match target.split_once('.') {
            Some((who, way)) if self.people.contains_key(who) => format!("{} by {way}", self.person(who)),
            Some(_) | None => target.to_owned(),
        }
    }

    /// Why a relay was switched: an alarm's stopgap by the alarm's title.
    pub(in crate::review) fn reason(&self, why: &str) -> String {
        match why.strip_prefix("stopgap of ") {
            Some(alarm) => format!("stopgap of {}", self.known(alarm)),
            None => why.to_owned(),
        }
    }
}
