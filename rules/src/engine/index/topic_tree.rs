//! The beginnings of topics by whole levels, and which sensors speak below each: what falls silent
//! together is found by where it spoke.

use super::lists::Lists;
use crate::ids::SensorId;
use crate::plan::Plan;
use std::collections::BTreeMap;

/// All beginnings of the topics that sensors speak on.
#[derive(Debug, Default)]
pub(in crate::engine) struct TopicTree {
    places: BTreeMap<String, usize>,
    /// By beginning: sensors whose topic has one level more.
    children: Lists<SensorId>,
    /// By beginning: all whose topic has it.
    below: Lists<SensorId>,
    /// By sensor: the beginnings of its topic, the shortest first.
    above: Lists<usize>,
}

impl TopicTree {
    pub(super) fn of(plan: &Plan) -> Self {
        let mut places = BTreeMap::new();
        let (mut children, mut below, mut above) = (Vec::new(), Vec::new(), Vec::new());
        for (id, sensor) in (0..).map(SensorId).zip(&plan.sensors) {
            let topic = sensor.feed.topic().unwrap_or_default();
            let mut parent = None;
            for (end, _) in topic.match_indices('/') {
                let beginning = topic.get(..end).unwrap_or_default().to_owned();
                let next = places.len();
                let place = *places.entry(beginning).or_insert(next);
                above.push((id.index(), place));
                below.push((place, id));
                parent = Some(place);
            }
            children.extend(parent.map(|place| (place, id)));
        }
        Self {
            children: Lists::of(places.len(), children),
            below: Lists::of(places.len(), below),
            above: Lists::of(plan.sensors.len(), above),
            places,
        }
    }

    /// How many beginnings there are.
    pub(in crate::engine) fn len(&self) -> usize {
        self.places.len()
    }

    /// The place of a beginning.
    pub(in crate::engine) fn place_of(&self, beginning: &str) -> Option<usize> {
        self.places.get(beginning).copied()
    }

    /// The beginnings of a sensor's topic, the shortest first.
    pub(in crate::engine) fn above(&self, id: SensorId) -> &[usize] {
        self.above.list(id.index())
    }

    /// All sensors that speak below a beginning.
    pub(in crate::engine) fn below(&self, place: usize) -> &[SensorId] {
        self.below.list(place)
    }

    /// Sensors whose topics differ from this one's in the last level alone, with itself.
    pub(in crate::engine) fn beside(&self, id: SensorId) -> &[SensorId] {
        self.above(id).last().map_or(&[], |parent| self.children.list(*parent))
    }
}
