//! Sensors that measure the same in the same water: they can stand in for each other, and
//! contradict.

use crate::ids::{SensorId, TankId};
use crate::plan::{Plan, Sensor};
use std::collections::BTreeMap;

/// All groups of them. A group has one list, since it may hold thousands.
#[derive(Debug, Default)]
pub(in crate::engine) struct Peers {
    groups: Vec<Vec<SensorId>>,
    /// The group of each sensor.
    of: Vec<Option<usize>>,
}

impl Peers {
    pub(super) fn of(plan: &Plan) -> Self {
        let mut alike: BTreeMap<(TankId, &str), usize> = BTreeMap::new();
        let mut peers = Self::default();
        let kind = |sensor: &'_ Sensor| Some((sensor.tank?, sensor.measure.name));
        for (id, sensor) in (0..).map(SensorId).zip(&plan.sensors) {
            let group = kind(sensor).map(|kind| *alike.entry(kind).or_insert(peers.groups.len()));
            if let Some(group) = group {
                if group == peers.groups.len() {
                    peers.groups.push(Vec::new());
                }
                peers.groups.get_mut(group).into_iter().for_each(|group| group.push(id));
            }
            peers.of.push(group);
        }
        peers
    }

    /// The group that a sensor belongs to.
    pub(in crate::engine) fn group(&self, id: SensorId) -> Option<usize> {
        self.of.get(id.index()).copied().flatten()
    }

    /// How many groups there are.
    pub(in crate::engine) fn groups(&self) -> usize {
        self.groups.len()
    }
}
