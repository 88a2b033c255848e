//! What follows from the plan alone, worked out once: who uses what, which topic feeds whom, which
//! alarm explains which. A plan is never changed, so neither is this.

mod hearers;
mod lists;
mod peers;
mod topic_tree;

pub(super) use hearers::{Hearer, Topics};
pub(super) use lists::Lists;

use super::forecasts::feed::{ModelFeed, feeds};
use crate::callout::ladder::{Ladder, Rung};
use crate::condition::Condition;
use crate::ids::{AlarmId, RelayId, SensorId, TankId};
use crate::plan::{Alarm, Callout, Plan, Relay, Sensor, Sight};
use peers::Peers;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use topic_tree::TopicTree;

/// All of it.
#[derive(Debug, Default)]
pub(super) struct Index {
    /// Names of the sensors, to be handed out with every reading.
    pub(super) sensors: Vec<Arc<str>>,
    /// Who listens on each topic.
    pub(super) topics: Topics,
    /// Alarms whose condition uses the sensor.
    pub(super) users: Lists<AlarmId>,
    /// Alarms whose condition uses what the relay is commanded to.
    pub(super) commanded: Lists<AlarmId>,
    /// What each sensor tells the models of tanks.
    pub(super) feeds: Lists<(TankId, ModelFeed)>,
    /// Alarms whose condition asks a tank's model.
    pub(super) foretold: Lists<AlarmId>,
    /// Sensors that measure the same in the same water.
    pub(super) peers: Peers,
    /// Which beginnings of topics there are, and what speaks below each.
    pub(super) topic_tree: TopicTree,
    /// The sensors behind each gateway.
    pub(super) behind: BTreeMap<String, Vec<SensorId>>,
    /// The sensors that speak over MQTT.
    pub(super) over_mqtt: Vec<SensorId>,
    /// Alarms for lost sight of the broker.
    pub(super) sights_of_broker: Vec<AlarmId>,
    /// Relays whose conditions use the sensor, or whose alarms do.
    pub(super) relays: Lists<RelayId>,
    /// Alarms that the plan added for lost sight.
    pub(super) sights: Vec<AlarmId>,
    /// Of those, the ones for each sensor.
    pub(super) sights_of: Lists<AlarmId>,
    /// Of those, the ones for each gateway and for all that is behind it.
    pub(super) sights_behind: BTreeMap<String, Vec<AlarmId>>,
    /// For each alarm, every alarm that can explain it, however far back.
    pub(super) causes: Lists<AlarmId>,
    /// For each alarm, every alarm that it can explain.
    pub(super) effects: Lists<AlarmId>,
    /// Alarms that say that the power of the watch itself ends.
    pub(super) own_ends: Vec<AlarmId>,
    /// All alarms, sorted by their names.
    by_name: Box<[AlarmId]>,
    /// What call-outs climb, by name.
    pub(super) ladders: BTreeMap<String, Ladder>,
}

impl Index {
    /// The alarms for lost sight of the gateway that this sensor is behind, and of all behind it.
    pub(super) fn sights_near(&self, sensor: &Sensor) -> &[AlarmId] {
        let behind = sensor.gateway.as_ref().and_then(|name| self.sights_behind.get(name));
        behind.map_or(&[], Vec::as_slice)
    }

    /// The alarm of this name.
    pub(super) fn named(&self, plan: &Plan, name: &str) -> Option<AlarmId> {
        let found = self.by_name.binary_search_by(|id| plan.alarm(*id).name.as_str().cmp(name)).ok()?;
        self.by_name.get(found).copied()
    }

    pub(super) fn of(plan: &Plan) -> Self {
        let sensors = || (0..).map(SensorId).zip(&plan.sensors);
        let alarms = || (0..).map(AlarmId).zip(&plan.alarms);
        let mut by_name: Vec<AlarmId> = alarms().map(|(id, _)| id).collect();
        by_name.sort_by_key(|id| plan.alarm(*id).name.as_str());
        let uses =
            alarms().flat_map(|(id, alarm)| asked_for(alarm, Condition::sensors).map(move |it| (it, id)));
        let commands =
            alarms().flat_map(|(id, alarm)| asked_for(alarm, Condition::relays).map(move |it| (it, id)));
        let foretells =
            alarms().flat_map(|(id, alarm)| asked_for(alarm, Condition::foretells).map(move |it| (it, id)));
        let causes: Vec<(usize, AlarmId)> = alarms()
            .flat_map(|(id, alarm)| explaining(plan, alarm).into_iter().map(move |it| (id.index(), it)))
            .collect();
        let effects = causes.iter().map(|(effect, cause)| (cause.index(), AlarmId(*effect as u32))).collect();
        let relays = (0..).map(RelayId).zip(&plan.relays).flat_map(|(id, relay)| sensors_of(plan, id, relay));
        let mut index = Self {
            sensors: plan.sensors.iter().map(|sensor| sensor.name.as_str().into()).collect(),
            topics: Topics::of(plan),
            users: Lists::of(plan.sensors.len(), uses.map(|(it, id)| (it.index(), id)).collect()),
            commanded: Lists::of(plan.relays.len(), commands.map(|(it, id)| (it.index(), id)).collect()),
            foretold: Lists::of(plan.tanks.len(), foretells.map(|(it, id)| (it.index(), id)).collect()),
            relays: Lists::of(plan.sensors.len(), relays.collect()),
            feeds: Lists::of(plan.sensors.len(), feeds(plan)),
            peers: Peers::of(plan),
            topic_tree: TopicTree::of(plan),
            effects: Lists::of(plan.alarms.len(), effects),
            causes: Lists::of(plan.alarms.len(), causes),
            by_name: by_name.into(),
            ladders: plan.callouts.iter().map(|callout| (callout.name.clone(), ladder(callout))).collect(),
            ..Self::default()
        };
        for (id, sensor) in sensors() {
            index.over_mqtt.extend(sensor.feed.topic().map(|_| id));
            if let Some(gateway) = &sensor.gateway {
                index.behind.entry(gateway.clone()).or_default().push(id);
            }
        }
        let mut sights_of = Vec::new();
        for (id, alarm) in alarms() {
            index.own_ends.extend((alarm.hazard == Some("ups-ending")).then_some(id));
            index.sights.extend(alarm.sight.as_ref().map(|_| id));
            let gateway = match &alarm.sight {
                Some(Sight::Sensor(sensor)) => {
                    sights_of.push((sensor.index(), id));
                    plan.sensor(*sensor).gateway.as_ref()
                }
                Some(Sight::Gateway(name)) => Some(name),
                Some(Sight::Broker) => {
                    index.sights_of_broker.push(id);
                    None
                }
                Some(Sight::Part(_)) | None => None,
            };
            if let Some(name) = gateway {
                index.sights_behind.entry(name.clone()).or_default().push(id);
            }
        }
        index.sights_of = Lists::of(plan.sensors.len(), sights_of);
        index
    }

    /// What comes to nobody's eyes while sight of this is lost.
    pub(super) fn carried_by<'a>(&'a self, sight: &'a Sight) -> &'a [SensorId] {
        match sight {
            Sight::Sensor(id) => std::slice::from_ref(id),
            Sight::Gateway(name) => self.behind.get(name).map_or(&[], Vec::as_slice),
            Sight::Broker => &self.over_mqtt,
            Sight::Part(_) => &[],
        }
    }
}

/// What an alarm's conditions ask for, each once.
fn asked_for<T: Ord>(alarm: &Alarm, what: impl Fn(&Condition) -> BTreeSet<T>) -> impl Iterator<Item = T> {
    let all: BTreeSet<T> =
        [Some(&alarm.condition), alarm.worse.as_deref()].into_iter().flatten().flat_map(what).collect();
    all.into_iter()
}

/// Every alarm that can explain one, however far back.
fn explaining(plan: &Plan, alarm: &Alarm) -> BTreeSet<AlarmId> {
    let mut found = BTreeSet::new();
    let mut open = alarm.consequence_of.clone();
    while let Some(cause) = open.pop() {
        if found.insert(cause) {
            open.extend(&plan.alarm(cause).consequence_of);
        }
    }
    found
}

/// The sensors that a relay's conditions use, or those of the alarms that switch it.
fn sensors_of(plan: &Plan, id: RelayId, relay: &Relay) -> impl Iterator<Item = (usize, RelayId)> {
    let wanted = plan.alarms.iter().filter(|alarm| alarm.stopgap.is_some_and(|it| it.relay == id));
    let of_alarms = wanted.flat_map(|alarm| alarm.condition.sensors());
    let all: BTreeSet<SensorId> = relay.conditions().flat_map(Condition::sensors).chain(of_alarms).collect();
    all.into_iter().map(move |sensor| (sensor.index(), id))
}

fn ladder(callout: &Callout) -> Ladder {
    let rung = |step: &crate::plan::Rung| Rung { after: step.after, to: step.to.clone() };
    Ladder {
        name: callout.name.clone(),
        rungs: callout.steps.iter().map(rung).collect(),
        again: callout.again,
        lease: callout.lease,
        longest_lease: callout.longest_lease,
        renew: callout.renew,
        settle: callout.settle,
    }
}

/// How a cause of lost sight is called in records.
pub(super) fn sight_name(plan: &Plan, sight: &Sight) -> String {
    match sight {
        Sight::Broker => "broker".to_owned(),
        Sight::Gateway(name) => format!("gateway {name}"),
        Sight::Sensor(id) => plan.sensor(*id).name.clone(),
        Sight::Part(part) => part.to_string(),
    }
}
