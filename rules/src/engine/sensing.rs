//! From messages to what is known. A message becomes a reading of each sensor on its topic,
//! is judged for quality and kept for the history; whoever uses the sensor is judged again.
//! Silence is noticed here too: of a sensor, of a gateway that carries several, of the broker.

use super::{DeadlineReason, Delivery, Engine, Link, Sample, sight_name};
use crate::condition::{Memory, Present, World};
use crate::fallback::Run;
use crate::plan::{Plan, RelayId, SensorId, Sight};
use crate::quality::Track;
use crate::reading::Value;
use crate::record::Body;
use crate::time::{Moment, Now};
use jiff::ZonedDateTime;
use std::collections::BTreeMap;

/// What readings have said, and through what they come.
#[derive(Debug)]
pub(super) struct Senses {
    pub(super) started: Moment,
    /// Whether the wall clock has been synchronised at any time since the start: from then on
    /// it drifts by seconds a day, which is good enough for times of day.
    pub(super) clock_was_right: bool,
    pub(super) tracks: Vec<Track>,
    /// Since when each sensor has had no value in force although it should.
    pub(super) lost: Vec<Option<Moment>>,
    /// Why and since when the broker can't be heard.
    pub(super) deaf: Option<(String, Moment)>,
    /// Gateways, the sensors behind each, and since when all of them have been lost.
    pub(super) gateways: Vec<Gateway>,
}

/// A radio or board that carries several sensors.
#[derive(Debug)]
pub(super) struct Gateway {
    pub(super) name: String,
    sensors: Vec<SensorId>,
    pub(super) lost: Option<Moment>,
}

impl Senses {
    pub(super) fn new(plan: &Plan, now: Moment) -> Self {
        let mut gateways: Vec<Gateway> = Vec::new();
        for (id, sensor) in (0..).map(SensorId).zip(&plan.sensors) {
            let Some(name) = &sensor.gateway else { continue };
            match gateways.iter_mut().find(|gateway| gateway.name == *name) {
                Some(gateway) => gateway.sensors.push(id),
                None => gateways.push(Gateway { name: name.clone(), sensors: vec![id], lost: None }),
            }
        }
        // One sensor alone behind a gateway can't be told from the gateway.
        gateways.retain(|gateway| gateway.sensors.len() > 1);
        Self {
            started: now,
            clock_was_right: false,
            tracks: plan.sensors.iter().map(|_| Track::default()).collect(),
            lost: vec![None; plan.sensors.len()],
            deaf: Some(("not yet connected".to_owned(), now)),
            gateways,
        }
    }

    /// When the sensor will have to be looked at if nothing more is heard from it.
    fn stale_at(&self, plan: &Plan, id: SensorId, now: Moment) -> Moment {
        let sensor = plan.sensor(id);
        let stale_at = self.tracks[id.index()].stale_at(sensor, now);
        stale_at.unwrap_or(self.started + sensor.stale_after)
    }
}

/// The world as a condition sees it.
pub(super) struct Sensed<'a> {
    pub(super) senses: &'a Senses,
    pub(super) plan: &'a Plan,
    pub(super) runs: &'a BTreeMap<RelayId, Run>,
    pub(super) now: Now,
}

impl World for Sensed<'_> {
    fn value(&self, sensor: SensorId) -> Option<Value> {
        self.senses.tracks[sensor.index()].value(self.plan.sensor(sensor), self.now.mono)
    }

    fn heard(&self, sensor: SensorId) -> Moment {
        self.senses.tracks[sensor.index()].heard().unwrap_or(self.senses.started)
    }

    fn unmoved(&self, sensor: SensorId) -> Option<Moment> {
        self.senses.tracks[sensor.index()].unmoved(self.plan.sensor(sensor), self.now.mono)
    }

    fn commanded(&self, relay: RelayId) -> Option<bool> {
        self.runs.get(&relay).map(|run| run.on)
    }

    fn local(&self, at: Moment) -> Option<ZonedDateTime> {
        self.senses.clock_was_right.then(|| self.now.wall_at(at).civil(&self.plan.zone))
    }

    fn doubt(&self, sensor: SensorId) -> Option<String> {
        let plan = self.plan.sensor(sensor);
        let (quality, doubt) = self.senses.tracks[sensor.index()].quality(plan, self.now.mono);
        Some(doubt.map_or_else(|| quality.to_string(), |doubt| doubt.words(&plan.scale)))
    }

    /// One cause is blind at a time: a gateway's sensors are not, while the gateway is, and
    /// nothing is while the broker can't be heard.
    fn blind(&self, sight: &Sight) -> bool {
        let senses = self.senses;
        match sight {
            Sight::Broker => senses.deaf.is_some(),
            _ if senses.deaf.is_some() => false,
            Sight::Gateway(name) => senses.gateways.iter().any(|g| g.name == *name && g.lost.is_some()),
            Sight::Sensor(id) => {
                let gateway = self.plan.sensor(*id).gateway.as_ref();
                let explained = gateway.is_some_and(|name| self.blind(&Sight::Gateway(name.clone())));
                senses.lost[id.index()].is_some() && !explained
            }
        }
    }
}

impl Engine {
    pub(super) fn world(&self) -> Sensed<'_> {
        Sensed { senses: &self.senses, plan: &self.plan, runs: &self.runs, now: self.now }
    }

    /// The world for a condition that doesn't look back.
    pub(super) fn present<T>(&self, ask: impl FnOnce(&Present<'_, Sensed<'_>>) -> T) -> T {
        ask(&Present { world: &self.world(), memory: &Memory::default(), now: self.now.mono })
    }

    /// A message came in.
    pub(super) fn hear(&mut self, topic: &str, payload: &[u8], delivery: Delivery) {
        let Some(sensors) = self.index.topics.get(topic) else { return };
        for id in sensors.clone() {
            let sensor = self.plan.sensor(id);
            let reading = sensor.mapping.read(payload, &self.now);
            let judged = self.senses.tracks[id.index()].take(sensor, self.now.mono, delivery, reading);
            self.turn.samples.push(Sample {
                sensor: sensor.name.clone(),
                at: judged.at,
                value: judged.value,
                quality: judged.quality,
            });
            self.look_at(id);
            for at in 0..self.index.users[id.index()].len() {
                self.judge(self.index.users[id.index()][at]);
            }
            for at in 0..self.index.proofs[id.index()].len() {
                self.see_proof(self.index.proofs[id.index()][at]);
            }
        }
    }

    /// The way to the broker changed.
    pub(super) fn link(&mut self, link: Link) {
        let since = self.senses.deaf.as_ref().map(|(_, since)| *since);
        match (link, since) {
            (Link::Hears, Some(since)) => {
                self.senses.deaf = None;
                // The first connection after a start regains nothing.
                if since != self.senses.started {
                    self.record(Body::SightRegained {
                        of: "broker".to_owned(),
                        after: self.now.mono - since,
                    });
                }
            }
            (Link::Lost { why }, None) => {
                self.senses.deaf = Some((why.clone(), self.now.mono));
                self.record(Body::SightLost { of: "broker".to_owned(), why });
            }
            (Link::Lost { why }, Some(since)) => {
                self.senses.deaf = Some((why, since));
                return;
            }
            (Link::Hears, None) => return,
        }
        self.judge_sights();
    }

    /// A sensor may have gone stale.
    pub(super) fn check_stale(&mut self, id: SensorId) {
        let was_lost = self.senses.lost[id.index()].is_some();
        self.look_at(id);
        if !was_lost && self.senses.lost[id.index()].is_some() {
            for at in 0..self.index.users[id.index()].len() {
                self.judge(self.index.users[id.index()][at]);
            }
        }
    }

    /// Works out anew whether the sensor is lost, and with it its gateway.
    fn look_at(&mut self, id: SensorId) {
        let stale_at = self.senses.stale_at(&self.plan, id, self.now.mono);
        let present = self.world().value(id).is_some();
        let lost = !present && self.now.mono >= stale_at;
        if !lost {
            self.timers.set_if_none(DeadlineReason::Stale(id), stale_at);
        }
        let before = self.senses.lost[id.index()];
        match (before, lost) {
            (None, true) => {
                self.senses.lost[id.index()] = Some(self.now.mono);
                self.gateway_of(id);
                if self.is_blind_by_itself(id) {
                    let why = self.why_lost(id);
                    self.record(Body::SightLost { of: self.plan.sensor(id).name.clone(), why });
                }
                self.judge_sights();
            }
            (Some(since), false) => {
                let by_itself = self.is_blind_by_itself(id);
                self.senses.lost[id.index()] = None;
                self.gateway_of(id);
                if by_itself {
                    let of = self.plan.sensor(id).name.clone();
                    self.record(Body::SightRegained { of, after: self.now.mono - since });
                }
                self.judge_sights();
            }
            (None, false) | (Some(_), true) => {}
        }
    }

    fn is_blind_by_itself(&self, id: SensorId) -> bool {
        self.world().blind(&Sight::Sensor(id))
    }

    fn why_lost(&self, id: SensorId) -> String {
        let sensor = self.plan.sensor(id);
        let track = &self.senses.tracks[id.index()];
        match (track.quality(sensor, self.now.mono).1, track.heard()) {
            (Some(doubt), _) => doubt.words(&sensor.scale),
            (None, Some(heard)) => {
                format!("silent for {}, expected every {}", self.now.mono - heard, sensor.every)
            }
            (None, None) => format!("nothing heard since the start, expected every {}", sensor.every),
        }
    }

    /// A gateway is lost while all of its sensors are.
    fn gateway_of(&mut self, id: SensorId) {
        let Some(name) = self.plan.sensor(id).gateway.clone() else { return };
        let lost = &self.senses.lost;
        let Some(gateway) = self.senses.gateways.iter_mut().find(|gateway| gateway.name == name) else {
            return;
        };
        let all = gateway.sensors.iter().all(|sensor| lost[sensor.index()].is_some());
        let of = sight_name(&self.plan, &Sight::Gateway(name));
        match (gateway.lost, all) {
            (None, true) => {
                gateway.lost = Some(self.now.mono);
                let why = format!("all {} sensors behind it are silent", gateway.sensors.len());
                if self.senses.deaf.is_none() {
                    self.record(Body::SightLost { of, why });
                }
            }
            (Some(since), false) => {
                gateway.lost = None;
                if self.senses.deaf.is_none() {
                    self.record(Body::SightRegained { of, after: self.now.mono - since });
                }
            }
            (None, false) | (Some(_), true) => {}
        }
    }

    pub(super) fn judge_sights(&mut self) {
        for at in 0..self.index.sights.len() {
            self.judge(self.index.sights[at]);
        }
    }
}
