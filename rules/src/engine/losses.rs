//! Loss of sight, as call-outs see it: which losses are one, what a loss hides, and how long it may
//! wait before anybody is told. What falls silent flows in from the sensors, what it hides from the
//! plan and the forecasts; nothing is kept here.

use super::context::Context;
use crate::alarm::Priority;
use crate::callout::loss::{Silent, is_one, patience};
use crate::ids::{AlarmId, SensorId};
use crate::plan::{Alarm, Sight};
use crate::time::{Moment, Span};
use std::collections::BTreeSet;

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
                self.plan.carried_by(sight).any(heard_before)
            }
            (Some(one), Some(other)) => {
                let mut others = self.plan.carried_by(other);
                others.any(|other| self.plan.carried_by(one).any(|one| self.fell_silent_together(one, other)))
            }
            (_, _) => false,
        }
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
        let under = format!("{beginning}/");
        let topics = self.index.topics.range(under.clone()..);
        let those = topics.take_while(|(topic, _)| topic.starts_with(&under));
        let mut those =
            those.filter_map(|(_, place)| self.index.listeners.get(*place)).flat_map(|it| &it.sensors);
        those.any(|id| self.sensors.heard(*id) > since)
    }

    /// The keeper's alarms that a loss of sight blinds.
    fn hidden_by<'a>(&'a self, sight: &'a Sight) -> impl Iterator<Item = &'a Alarm> + 'a {
        let users: BTreeSet<AlarmId> = self
            .plan
            .carried_by(sight)
            .filter_map(|id| self.index.users.get(id.index()))
            .flatten()
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
            let peers = self.index.peers.get(own.index()).into_iter().flatten();
            peers.filter(|peer| !lost(**peer)).any(|peer| {
                let users = self.index.users.get(peer.index()).into_iter().flatten();
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
