//! Loss of sight, as call-outs see it: which losses are one, what a loss hides, and how long it may
//! wait before anybody is told. What falls silent flows in from the sensors, what it hides from the
//! plan and the forecasts; nothing is kept here.

use super::context::Context;
use super::index::Hearer;
use crate::alarm::Priority;
use crate::callout::loss::{Silent, is_one, patience};
use crate::ids::{AlarmId, SensorId};
use crate::plan::{Alarm, Sight};
use crate::time::{Moment, Span};
use std::collections::BTreeSet;

/// More losses than this are not named one by one: it would cost as much as looking at all.
const MANY: usize = 64;

impl Context<'_> {
    /// Whether two losses of sight have one cause: they fell silent together. The broker's takes in
    /// what it carries, if that was still heard shortly before.
    pub(super) fn is_one_loss(&self, one: AlarmId, other: AlarmId) -> bool {
        let loss = |id| Some(self.plan.alarm(id)).filter(|alarm| alarm.is_loss_of_sight())?.sight.as_ref();
        match (loss(one), loss(other)) {
            (Some(Sight::Broker), Some(sight)) | (Some(sight), Some(Sight::Broker)) => {
                let Some((_, since)) = self.sensors.deaf() else { return false };
                let heard_before = |id: SensorId| {
                    let sensor = self.plan.sensor(id);
                    sensor.feed.topic().is_some() && self.sensors.last_good(id) >= *since - sensor.stale_after
                };
                self.index.carried_by(sight).iter().any(|id| heard_before(*id))
            }
            (Some(one), Some(other)) => {
                let carried = self.index.carried_by(one);
                let together =
                    |other: &SensorId| carried.iter().any(|one| self.fell_silent_together(*one, *other));
                self.index.carried_by(other).iter().any(together)
            }
            (_, _) => false,
        }
    }

    /// Every loss of sight that may be one with this; none if that may be any, or too many to be
    /// named one by one. A sensor's loss is one with those near it: behind its gateway, beside its
    /// topic, under a beginning of topics where nothing speaks.
    pub(super) fn may_be_one_loss(&self, id: AlarmId) -> Option<BTreeSet<AlarmId>> {
        let of = match self.plan.alarm(id).sight.as_ref()? {
            Sight::Sensor(of) => *of,
            Sight::Broker | Sight::Gateway(_) | Sight::Part(_) => return None,
        };
        let every = self.plan.sensor(of).every;
        let latest = self.sensors.last_good(of) + every + every;
        let speaks = |place: &usize| self.sensors.heard_below(*place).is_some_and(|heard| heard > latest);
        // The shortest: where nothing speaks below it, nothing does below a longer one.
        let quiet = self.index.topic_tree.above(of).iter().find(|place| !speaks(place));
        let quiet = quiet.map_or(&[][..], |place| self.index.topic_tree.below(*place));
        if quiet.len() > MANY {
            return None;
        }
        let gateway = self.plan.sensor(of).gateway.as_ref();
        let behind = gateway.and_then(|name| self.index.behind.get(name)).into_iter().flatten();
        let topic = self.plan.sensor(of).feed.topic().and_then(|topic| self.index.topics.place(topic));
        let hearers = topic.map(|place| self.index.topics.hearers(place));
        let on_topic = hearers.into_iter().flatten().filter_map(|hearer| match hearer {
            Hearer::Sensor(id) => Some(id),
            Hearer::Siren | Hearer::Work | Hearer::Relay(_) | Hearer::Presence(_) => None,
        });
        let near = behind.chain(self.index.topic_tree.beside(of)).chain(on_topic).chain(quiet);
        let mut found: BTreeSet<AlarmId> = self.index.sights_of_broker.iter().copied().collect();
        for sensor in near {
            found.extend(self.index.sights_of.list(sensor.index()));
            found.extend(self.index.sights_near(self.plan.sensor(*sensor)));
        }
        Some(found)
    }

    fn fell_silent_together(&self, one: SensorId, other: SensorId) -> bool {
        let silent = |id: SensorId| {
            let sensor = self.plan.sensor(id);
            Silent {
                topic: sensor.feed.topic(),
                gateway: sensor.gateway.as_deref(),
                last: self.sensors.last_good(id),
                every: sensor.every,
            }
        };
        let (one, other) = (silent(one), silent(other));
        let since = one.last.max(other.last) + one.every.min(other.every);
        is_one(&one, &other, |beginning| self.speaks(beginning, since))
    }

    /// Whether something under this beginning of topics was heard since then.
    fn speaks(&self, beginning: &str, since: Moment) -> bool {
        let place = self.index.topic_tree.place_of(beginning);
        place.is_some_and(|place| self.sensors.heard_below(place).is_some_and(|heard| heard > since))
    }

    /// The keeper's alarms that a loss of sight blinds.
    fn hidden_by<'a>(&'a self, sight: &'a Sight) -> impl Iterator<Item = &'a Alarm> + 'a {
        let users: BTreeSet<AlarmId> = self
            .index
            .carried_by(sight)
            .iter()
            .flat_map(|id| self.index.users.list(id.index()))
            .copied()
            .collect();
        users.into_iter().map(|id| self.plan.alarm(id)).filter(|alarm| !alarm.is_loss_of_sight())
    }

    /// Whether other sensors see every danger that a loss of sight hides, and something rings for
    /// each.
    pub(super) fn is_seen_otherwise(&self, id: AlarmId) -> bool {
        let alarm = self.plan.alarm(id);
        let Some(sight) = alarm.sight.as_ref().filter(|_| alarm.is_loss_of_sight()) else { return false };
        self.hidden_by(sight).all(|hidden| self.is_danger_seen(hidden))
    }

    /// Whether the danger of an alarm would ring all the same: the alarm has another sensor to ring
    /// by, or another alarm rings for the same quantity of the same water, moved the same way.
    fn is_danger_seen(&self, hidden: &Alarm) -> bool {
        let world = self.world();
        let lost = |id: SensorId| world.believed(id).is_none();
        if hidden.condition.can_come_without(&lost) {
            return true;
        }
        let own = hidden.condition.sensors();
        own.iter().filter(|id| lost(**id)).any(|own| {
            let group = self.index.peers.group(*own);
            let peers = group.into_iter().flat_map(|group| self.sensors.seen_in(group));
            peers.filter(|peer| *peer != own && !lost(**peer)).any(|peer| {
                let users = self.index.users.list(peer.index()).iter();
                users.map(|id| self.plan.alarm(*id)).any(|other| {
                    !other.is_loss_of_sight()
                        && other.callout.is_some()
                        && other.priority >= hidden.priority.min(Priority::High)
                        && other.condition.can_come_without(&lost)
                        && hidden.condition.comes_like(*own, &other.condition, *peer)
                })
            })
        })
    }

    /// Until when a loss of sight may wait before anybody is told: a quarter of the time that the
    /// soonest of the dangers it hides would need. None for any other alarm.
    pub(super) fn may_wait_until(&self, id: AlarmId) -> Option<Moment> {
        let alarm = self.plan.alarm(id);
        let sight = alarm.sight.as_ref().filter(|_| alarm.is_loss_of_sight())?;
        let lost = self.alarms.state(id).episode.as_ref().map_or(self.mono(), |episode| episode.onset);
        if let Some(after) = self.plan.sight_pages_after {
            return Some(lost + after);
        }
        let needs = |hidden: &Alarm| {
            let harm = self.harm_from(&hidden.name, false).map(|harm| (harm - lost).max(Span::ZERO));
            hidden.time_to_respond.into_iter().chain(harm).min()
        };
        let unseen = self.hidden_by(sight).filter(|hidden| !self.is_danger_seen(hidden));
        let soonest = unseen.filter_map(needs).min();
        let all = || self.hidden_by(sight).filter_map(needs).min();
        Some(lost + patience(soonest.or_else(all)))
    }
}
