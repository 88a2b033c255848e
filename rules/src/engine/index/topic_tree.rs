//! The beginnings of topics by whole levels, and which sensors speak below each: what falls silent
//! together is found by where it spoke.

use crate::ids::SensorId;
use crate::plan::Plan;
use std::collections::BTreeMap;

/// All beginnings of the topics that sensors speak on.
#[derive(Debug, Default)]
pub(in crate::engine) struct TopicTree {
    places: BTreeMap<String, usize>,
    /// By beginning: sensors whose topic has one level more.
    children: Vec<Vec<SensorId>>,
    /// By beginning: all whose topic has it.
    below: Vec<Vec<SensorId>>,
    /// By sensor: the beginnings of its topic, the shortest first.
    above: Vec<Vec<usize>>,
}

impl TopicTree {
    pub(super) fn of(plan: &Plan) -> Self {
        let mut tree = Self::default();
        for (id, sensor) in (0..).map(SensorId).zip(&plan.sensors) {
            let topic = sensor.feed.topic().unwrap_or_default();
            let above: Vec<usize> = topic
                .match_indices('/')
                .map(|(end, _)| tree.place(topic.get(..end).unwrap_or_default()))
                .collect();
            let parent = above.last().and_then(|place| tree.children.get_mut(*place));
            parent.into_iter().for_each(|parent| parent.push(id));
            for place in &above {
                tree.below.get_mut(*place).into_iter().for_each(|below| below.push(id));
            }
            tree.above.push(above);
        }
        tree
    }

    fn place(&mut self, beginning: &str) -> usize {
        if let Some(place) = self.places.get(beginning) {
            return *place;
        }
        let place = self.children.len();
        self.places.insert(beginning.to_owned(), place);
        self.children.push(Vec::new());
        self.below.push(Vec::new());
        place
    }

    /// How many beginnings there are.
    pub(in crate::engine) fn len(&self) -> usize {
        self.children.len()
    }

    /// The place of a beginning.
    pub(in crate::engine) fn place_of(&self, beginning: &str) -> Option<usize> {
        self.places.get(beginning).copied()
    }

    /// The beginnings of a sensor's topic, the shortest first.
    pub(in crate::engine) fn above(&self, id: SensorId) -> &[usize] {
        self.above.get(id.index()).map_or(&[], Vec::as_slice)
    }

    /// All sensors that speak below a beginning.
    pub(in crate::engine) fn below(&self, place: usize) -> &[SensorId] {
        self.below.get(place).map_or(&[], Vec::as_slice)
    }

    /// Sensors whose topics differ from this one's in the last level alone, with itself.
    pub(in crate::engine) fn beside(&self, id: SensorId) -> &[SensorId] {
        let parent = self.above(id).last().and_then(|place| self.children.get(*place));
        parent.map_or(&[], Vec::as_slice)
    }
}
