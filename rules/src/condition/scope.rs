//! What names in a condition mean: sensors, tanks, relays, batteries. A name that means nothing is
//! a mistake of the condition, with what was probably meant; a name of something that is mistaken
//! itself is let pass, since that is reported at its own place.

use super::check::Checker;
use crate::diagnostic::{At, Finding, MOST, did_you_mean};
use crate::ids::{BatteryId, RelayId, SensorId, TankId};
use crate::site::{Battery, Sensor, Tank};
use std::cell::Cell;
use std::collections::BTreeMap;
use std::ops::Range;

/// What the names in a condition mean.
#[derive(Clone, Debug, Default)]
pub struct Scope<'s> {
    pub(super) names: BTreeMap<&'s str, (SensorId, Option<&'s Sensor>)>,
    /// The sensors that are right, in the order of the file.
    in_order: Vec<&'s Sensor>,
    pub(super) tanks: BTreeMap<&'s str, (TankId, &'s Tank)>,
    pub(super) batteries: BTreeMap<&'s str, (BatteryId, &'s Battery)>,
    pub(super) relays: BTreeMap<&'s str, RelayId>,
    /// How often it was looked for what a wrong name may have meant.
    guessed: Cell<usize>,
}

impl<'s> Scope<'s> {
    /// These sensors, each known by its place in the list.
    pub fn of(sensors: &'s [Sensor]) -> Self {
        Self::partly(sensors.iter().map(|sensor| (sensor.name.as_str(), Some(sensor))))
    }

    /// Names in their order, some of sensors that are themselves mistaken: what uses those is
    /// let pass, since their own mistake is reported already.
    pub(crate) fn partly(sensors: impl IntoIterator<Item = (&'s str, Option<&'s Sensor>)>) -> Self {
        let mut scope = Self::default();
        for ((name, sensor), id) in sensors.into_iter().zip(0..) {
            scope.names.insert(name, (SensorId(id), sensor));
            scope.in_order.extend(sensor);
        }
        scope
    }

    /// With these tanks and batteries, and relays in their order.
    pub(crate) fn with(
        mut self,
        tanks: &'s [Tank],
        batteries: &'s [Battery],
        relays: impl IntoIterator<Item = &'s str>,
    ) -> Self {
        self.tanks =
            (0..).map(TankId).zip(tanks).map(|(id, tank)| (tank.name.as_str(), (id, tank))).collect();
        self.batteries = (0..)
            .map(BatteryId)
            .zip(batteries)
            .map(|(id, battery)| (battery.name.as_str(), (id, battery)))
            .collect();
        self.relays = (0..).map(RelayId).zip(relays).map(|(id, name)| (name, id)).collect();
        self
    }

    /// The sensors that are right, in the order of the file.
    pub(crate) fn sensors(&self) -> impl Iterator<Item = &'s Sensor> + '_ {
        self.in_order.iter().copied()
    }

    /// The sensor of this name, if it is right.
    pub(crate) fn sensor(&self, name: &str) -> Option<&'s Sensor> {
        self.names.get(name)?.1
    }

    /// The names of the batteries.
    pub(crate) fn batteries(&self) -> impl Iterator<Item = &'s str> + Clone + '_ {
        self.batteries.keys().copied()
    }

    /// The battery of this name.
    pub(crate) fn battery(&self, name: &str) -> Option<&'s Battery> {
        self.batteries.get(name).map(|(_, battery)| *battery)
    }

    /// The tank of this number, if it is right.
    pub(crate) fn tank(&self, id: TankId) -> Option<&'s Tank> {
        self.tanks.values().find(|(known, _)| *known == id).map(|(_, tank)| *tank)
    }

    /// What a wrong name may have meant. Looking through thousands of names for each of thousands
    /// of mistakes would take minutes, and only so many findings are shown.
    pub(crate) fn meant(&self, name: &str, known: impl IntoIterator<Item = &'s str>) -> Option<String> {
        self.guessed.set(self.guessed.get() + 1);
        if self.guessed.get() > MOST { None } else { did_you_mean(name, known) }
    }

    /// Whether no sensor is mistaken.
    pub(crate) fn is_whole(&self) -> bool {
        self.names.values().all(|(_, sensor)| sensor.is_some())
    }
}

impl<'s> Checker<'s> {
    pub(super) fn tank(&mut self, name: &At<String>) -> Option<&'s Tank> {
        self.known_tank(name).map(|(_, tank)| tank)
    }

    pub(super) fn known_tank(&mut self, name: &At<String>) -> Option<(TankId, &'s Tank)> {
        if let Some(found) = self.scope.tanks.get(name.it.as_str()) {
            return Some(*found);
        }
        let title = format!("there is no tank `{}`", name.it);
        let help = self.scope.meant(&name.it, self.scope.tanks.keys().copied());
        self.note(Finding::error(name.span.clone(), title, "not a known name").maybe_help(help))
    }

    pub(super) fn sensor(&mut self, name: &str, span: &Range<usize>) -> Option<(SensorId, &'s Sensor)> {
        match self.scope.names.get(name) {
            Some((id, Some(sensor))) => Some((*id, sensor)),
            Some((_, None)) => None,
            None => {
                let known = |part: &str| self.scope.names.contains_key(part);
                let minus = name
                    .match_indices('-')
                    .map(|(at, _)| (&name[..at], &name[at + 1..]))
                    .find(|(left, right)| known(left) && known(right));
                let help = match minus {
                    Some((left, right)) => Some(format!("a minus needs blanks: `{left} - {right}`")),
                    None if self.scope.relays.contains_key(name) => {
                        Some(format!("`{name}` is a relay: write `{name} is commanded on`"))
                    }
                    None if self.scope.tanks.contains_key(name) => {
                        Some(format!("`{name}` is a tank: write `{name} is in its photoperiod`"))
                    }
                    None => self.scope.meant(name, self.scope.names.keys().copied()),
                };
                let title = format!("there is no sensor `{name}`");
                self.note(Finding::error(span.clone(), title, "not a known name").maybe_help(help))
            }
        }
    }
}
