//! Who hears what is said on which topic.

use super::lists::Lists;
use crate::ids::{RelayId, SensorId};
use crate::plan::Plan;
use std::collections::BTreeSet;

/// Somebody who hears what is said on a topic.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::engine) enum Hearer {
    /// Sirens are hushed by a button beside them.
    Siren,
    /// Work begins and ends by a button.
    Work,
    /// A relay whose commands go there.
    Relay(RelayId),
    /// A sensor whose sender says there whether it is there.
    Presence(SensorId),
    /// A sensor that it feeds.
    Sensor(SensorId),
}

/// All topics of a plan, each with those who hear it, in the order in which they are told.
#[derive(Debug, Default)]
pub(in crate::engine) struct Topics {
    /// Sorted.
    names: Box<[Box<str>]>,
    hearers: Lists<Hearer>,
}

impl Topics {
    pub(super) fn of(plan: &Plan) -> Self {
        let sensors = || (0..).map(SensorId).zip(&plan.sensors);
        let hushing: BTreeSet<_> = plan.directory.hush_buttons.iter().map(|it| it.topic.as_str()).collect();
        let working: BTreeSet<_> =
            plan.works.values().flat_map(|work| &work.buttons).map(|button| button.topic.as_str()).collect();
        let relays = (0..).map(RelayId).zip(&plan.relays);
        let all: Vec<(&str, Hearer)> =
            (hushing.into_iter().map(|topic| (topic, Hearer::Siren)))
                .chain(working.into_iter().map(|topic| (topic, Hearer::Work)))
                .chain(relays.map(|(id, relay)| (relay.topic.as_str(), Hearer::Relay(id))))
                .chain(sensors().filter_map(|(id, it)| {
                    Some((it.available.as_ref()?.topic.as_str(), Hearer::Presence(id)))
                }))
                .chain(sensors().filter_map(|(id, it)| Some((it.feed.topic()?, Hearer::Sensor(id)))))
                .collect();
        let names: BTreeSet<&str> = all.iter().map(|(topic, _)| *topic).collect();
        let mut topics = Self { names: names.into_iter().map(Box::from).collect(), ..Self::default() };
        let placed = all.into_iter().filter_map(|(topic, one)| Some((topics.place(topic)?, one)));
        topics.hearers = Lists::of(topics.names.len(), placed.collect());
        topics
    }

    /// The place of a topic that somebody listens on.
    pub(in crate::engine) fn place(&self, topic: &str) -> Option<usize> {
        self.names.binary_search_by(|name| (**name).cmp(topic)).ok()
    }

    /// Who hears the topic of this place.
    pub(in crate::engine) fn hearers(&self, place: usize) -> &[Hearer] {
        self.hearers.list(place)
    }
}
