//! What follows from the plan alone, worked out once: who uses what, which topic feeds whom, which
//! alarm explains which. A plan is never changed, so neither is this.

mod peers;
mod topic_tree;

use super::forecasts::feed::{ModelFeed, feeds};
use crate::callout::ladder::{Ladder, Rung};
use crate::condition::Condition;
use crate::ids::{AlarmId, RelayId, SensorId, TankId};
use crate::plan::{Callout, Plan, Sensor, Sight};
use peers::Peers;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use topic_tree::TopicTree;

/// All of it.
#[derive(Debug, Default)]
pub(super) struct Index {
    /// Names of the sensors, to be handed out with every reading.
    pub(super) sensors: Vec<Arc<str>>,
    /// The place of each topic in the next list.
    pub(super) topics: BTreeMap<String, usize>,
    /// Who listens on each topic.
    pub(super) listeners: Vec<Listeners>,
    /// Alarms whose condition uses the sensor.
    pub(super) users: Vec<Vec<AlarmId>>,
    /// Alarms whose condition uses what the relay is commanded to.
    pub(super) commanded: Vec<Vec<AlarmId>>,
    /// What each sensor tells the models of tanks.
    pub(super) feeds: Vec<Vec<(TankId, ModelFeed)>>,
    /// Alarms whose condition asks a tank's model.
    pub(super) foretold: Vec<Vec<AlarmId>>,
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
    pub(super) relays: Vec<Vec<RelayId>>,
    /// Alarms that the plan added for lost sight.
    pub(super) sights: Vec<AlarmId>,
    /// Of those, the ones for each sensor.
    pub(super) sights_of: Vec<Vec<AlarmId>>,
    /// Of those, the ones for each gateway and for all that is behind it.
    pub(super) sights_behind: BTreeMap<String, Vec<AlarmId>>,
    /// For each alarm, every alarm that can explain it, however far back.
    pub(super) causes: Vec<BTreeSet<AlarmId>>,
    /// For each alarm, every alarm that it can explain.
    pub(super) effects: Vec<Vec<AlarmId>>,
    /// Alarms that say that the power of the watch itself ends.
    pub(super) own_ends: Vec<AlarmId>,
    pub(super) names: BTreeMap<String, AlarmId>,
    /// What call-outs climb, by name.
    pub(super) ladders: BTreeMap<String, Ladder>,
}

/// Who listens on a topic.
#[derive(Debug, Default)]
pub(super) struct Listeners {
    /// Those that it feeds.
    pub(super) sensors: Vec<SensorId>,
    /// Those whose sender says there whether it is there.
    pub(super) present: Vec<SensorId>,
    /// Those whose commands go there.
    pub(super) relays: Vec<RelayId>,
    /// Those that speak on it: the work, what is said, the tank.
    pub(super) buttons: Vec<(String, String, TankId)>,
    /// Whether a button beside a siren speaks on it.
    pub(super) hushes: bool,
}

impl Index {
    /// The alarms for lost sight of the gateway that this sensor is behind, and of all behind it.
    pub(super) fn sights_near(&self, sensor: &Sensor) -> &Vec<AlarmId> {
        static NONE: Vec<AlarmId> = Vec::new();
        sensor.gateway.as_ref().and_then(|name| self.sights_behind.get(name)).unwrap_or(&NONE)
    }

    fn note_sight(&mut self, plan: &Plan, id: AlarmId, sight: Option<&Sight>) {
        self.sights.extend(sight.map(|_| id));
        let gateway = match sight {
            Some(Sight::Sensor(sensor)) => {
                self.sights_of[sensor.index()].push(id);
                plan.sensor(*sensor).gateway.as_ref()
            }
            Some(Sight::Gateway(name)) => Some(name),
            Some(Sight::Broker) => {
                self.sights_of_broker.push(id);
                None
            }
            Some(Sight::Part(_)) | None => None,
        };
        if let Some(name) = gateway {
            self.sights_behind.entry(name.clone()).or_default().push(id);
        }
    }

    /// Who listens on this topic, to be filled.
    fn listeners(&mut self, topic: &str) -> &mut Listeners {
        let place = *self.topics.entry(topic.to_owned()).or_insert(self.listeners.len());
        if place == self.listeners.len() {
            self.listeners.push(Listeners::default());
        }
        &mut self.listeners[place]
    }

    pub(super) fn of(plan: &Plan) -> Self {
        let mut index = Self {
            sensors: plan.sensors.iter().map(|sensor| sensor.name.as_str().into()).collect(),
            users: vec![Vec::new(); plan.sensors.len()],
            relays: vec![Vec::new(); plan.sensors.len()],
            peers: Peers::of(plan),
            topic_tree: TopicTree::of(plan),
            causes: vec![BTreeSet::new(); plan.alarms.len()],
            sights_of: vec![Vec::new(); plan.sensors.len()],
            effects: vec![Vec::new(); plan.alarms.len()],
            commanded: vec![Vec::new(); plan.relays.len()],
            feeds: feeds(plan),
            ladders: plan.callouts.iter().map(|callout| (callout.name.clone(), ladder(callout))).collect(),
            foretold: vec![Vec::new(); plan.tanks.len()],
            ..Self::default()
        };
        for (id, sensor) in (0..).map(SensorId).zip(&plan.sensors) {
            if let Some(topic) = sensor.feed.topic() {
                index.listeners(topic).sensors.push(id);
                index.over_mqtt.push(id);
            }
            if let Some(gateway) = &sensor.gateway {
                index.behind.entry(gateway.clone()).or_default().push(id);
            }
            if let Some(said) = &sensor.available {
                index.listeners(&said.topic).present.push(id);
            }
        }
        for (name, work) in &plan.works {
            for button in &work.buttons {
                let pressed = (name.clone(), button.press.clone(), button.tank);
                index.listeners(&button.topic).buttons.push(pressed);
            }
        }
        for button in &plan.directory.hush_buttons {
            index.listeners(&button.topic).hushes = true;
        }
        for (id, relay) in (0..).map(RelayId).zip(&plan.relays) {
            index.listeners(&relay.topic).relays.push(id);
            let wanted = plan.alarms.iter().filter(|alarm| alarm.stopgap.is_some_and(|it| it.relay == id));
            let of_alarms = wanted.flat_map(|alarm| alarm.condition.sensors());
            let sensors = relay.conditions().flat_map(Condition::sensors).chain(of_alarms);
            for sensor in sensors.collect::<BTreeSet<_>>() {
                index.relays[sensor.index()].push(id);
            }
        }
        for (id, alarm) in (0..).map(AlarmId).zip(&plan.alarms) {
            index.names.insert(alarm.name.clone(), id);
            index.own_ends.extend((alarm.hazard == Some("ups-ending")).then_some(id));
            let worse = alarm.worse.iter().flat_map(|condition| condition.sensors());
            for sensor in alarm.condition.sensors().into_iter().chain(worse).collect::<BTreeSet<_>>() {
                index.users[sensor.index()].push(id);
            }
            let worse = alarm.worse.iter().flat_map(|condition| condition.relays());
            for relay in alarm.condition.relays().into_iter().chain(worse).collect::<BTreeSet<_>>() {
                index.commanded[relay.index()].push(id);
            }
            let worse = alarm.worse.iter().flat_map(|condition| condition.foretells());
            for tank in alarm.condition.foretells().into_iter().chain(worse).collect::<BTreeSet<_>>() {
                index.foretold[tank.index()].push(id);
            }
            index.note_sight(plan, id, alarm.sight.as_ref());
            let mut open = alarm.consequence_of.clone();
            while let Some(cause) = open.pop() {
                if index.causes[id.index()].insert(cause) {
                    index.effects[cause.index()].push(id);
                    open.extend(&plan.alarm(cause).consequence_of);
                }
            }
        }
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
