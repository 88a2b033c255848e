//! From messages to what is known. A message becomes a reading of each sensor on its topic,
//! is judged for quality and kept for the history; whoever uses the sensor is judged again.
//! Silence is noticed here too: of a sensor, of a gateway that carries several, of the broker.

use super::forecasts::Foresight;
use super::quota::Ledger;
use super::{DeadlineReason, Delivery, Engine, Health, Link, Sample, sight_name};
use crate::condition::query::{Holding, Question, Symptom};
use crate::condition::{Memory, Present, Truth, World};
use crate::forecast::{CannotSay, Estimate};
use crate::plan::{Part, Plan, RelayId, SensorId, Sight, TankId};
use crate::quality::{Quality, Track};
use crate::reading::{BadReading, Reading, Value};
use crate::record::Body;
use crate::stopgap::{Run, Stage};
use crate::time::{Moment, Now};
use jiff::ZonedDateTime;
use std::collections::BTreeMap;
use std::sync::Arc;

/// What readings have said, and through what they come.
#[derive(Debug)]
pub(super) struct Senses {
    pub(super) started: Moment,
    /// Whether the wall clock has been synchronised at any time since the start: from then on
    /// it drifts by seconds a day, which is good enough for times of day.
    pub(super) clock_was_right: bool,
    pub(super) tracks: Vec<Track>,
    /// Whether each sensor's readings come through.
    sighted: Vec<Sighted>,
    /// Why and since when the broker can't be heard.
    pub(super) deaf: Option<(String, Moment)>,
    /// Words that came with a sensor's last reading, for pages.
    pub(super) notes: BTreeMap<SensorId, Note>,
    /// Gateways, the sensors behind each, and since when all of them have been lost.
    pub(super) gateways: Vec<Gateway>,
    /// How the agent's parts are, as far as it has said.
    pub(super) parts: BTreeMap<Part, Health>,
}

/// Whether readings come through.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Sighted {
    /// Nothing good has come yet, and it may still be on its way.
    Unsure,
    /// They do.
    Seen,
    /// No value has been in force since then, although one should.
    Lost(Moment),
}

/// What a watched site said of itself with its last check-in.
#[derive(Clone, Debug)]
pub(super) struct Note {
    pub(super) words: String,
    /// The cause if nothing more is heard.
    pub(super) likely: String,
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
            sighted: vec![Sighted::Unsure; plan.sensors.len()],
            deaf: Some(("not yet connected".to_owned(), now)),
            notes: BTreeMap::new(),
            gateways,
            parts: BTreeMap::new(),
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
    pub(super) foresight: &'a Foresight,
    pub(super) ledger: &'a Ledger,
    pub(super) now: Now,
}

impl World for Sensed<'_> {
    fn value(&self, sensor: SensorId) -> Option<Value> {
        self.senses.tracks[sensor.index()].value(self.plan.sensor(sensor), self.now.mono)
    }

    fn heard(&self, sensor: SensorId) -> Moment {
        self.senses.tracks[sensor.index()].heard().unwrap_or(self.senses.started)
    }

    fn good(&self, sensor: SensorId) -> Moment {
        self.senses.tracks[sensor.index()].last_good().map_or(self.senses.started, |(_, at)| at)
    }

    fn unmoved(&self, sensor: SensorId) -> Option<Moment> {
        self.senses.tracks[sensor.index()].unmoved(self.plan.sensor(sensor), self.now.mono)
    }

    fn commanded(&self, relay: RelayId) -> Option<bool> {
        let run = self.runs.get(&relay)?;
        match run.stage {
            Stage::LeftAlone { shows } => Some(!shows),
            Stage::Waiting { .. } | Stage::Commanded(_) | Stage::Held { .. } | Stage::Undoing(_) => {
                run.order().map(|order| order.on)
            }
        }
    }

    fn local(&self, at: Moment) -> Option<ZonedDateTime> {
        self.senses.clock_was_right.then(|| self.now.wall_at(at).civil(&self.plan.zone))
    }

    fn foretell(&self, asked: &Question) -> Result<Estimate, CannotSay> {
        self.until(asked)
    }

    fn shows(&self, tank: TankId, sign: Symptom) -> Result<bool, CannotSay> {
        self.sign(tank, sign)
    }

    fn coldest_room(&self, holding: &Holding) -> Result<Estimate, CannotSay> {
        self.coldest(holding)
    }

    fn doubt(&self, sensor: SensorId) -> Option<String> {
        let plan = self.plan.sensor(sensor);
        let (quality, doubt) = self.senses.tracks[sensor.index()].quality(plan, self.now.mono);
        Some(doubt.map_or_else(|| quality.to_string(), |doubt| doubt.words(&plan.scale)))
    }

    fn trouble(&self, part: &Part) -> Option<String> {
        let told = match self.senses.parts.get(part) {
            Some(Health::Fails { why }) => Some(why.clone()),
            Some(Health::Well | Health::Unknown) | None => None,
        };
        let Part::Channel(target) = part else { return told };
        told.or_else(|| {
            let (pages, since) = self.ledger.held(target, None, self.now.mono)?;
            let quota = self.plan.directory.quota(target)?;
            let (ago, many) = (self.now.mono - since, if pages == 1 { "page" } else { "pages" });
            Some(format!("its limit of {quota} is used up, {pages} {many} held back in the last {ago}"))
        })
    }

    /// One cause is blind at a time. What lies behind a gateway can't be told while the gateway
    /// is lost, and nothing can while the broker is: so nothing is said to be over, either.
    fn blind(&self, sight: &Sight) -> Truth {
        let senses = self.senses;
        match sight {
            Sight::Part(part) => match (self.trouble(part), senses.parts.get(part)) {
                (Some(_), _) => Truth::True,
                (None, Some(Health::Well | Health::Fails { .. })) => Truth::False,
                (None, Some(Health::Unknown) | None) => Truth::Unknown,
            },
            Sight::Broker => senses.deaf.is_some().into(),
            _ if senses.deaf.is_some() && self.plan.needs_broker(sight) => Truth::Unknown,
            Sight::Gateway(name) => match senses.gateways.iter().find(|gateway| gateway.name == *name) {
                Some(gateway) if gateway.lost.is_some() => Truth::True,
                Some(gateway)
                    if gateway.sensors.iter().any(|id| senses.sighted[id.index()] == Sighted::Seen) =>
                {
                    Truth::False
                }
                Some(_) => Truth::Unknown,
                None => Truth::False,
            },
            Sight::Sensor(id) => match senses.sighted[id.index()] {
                Sighted::Seen => Truth::False,
                Sighted::Unsure => Truth::Unknown,
                Sighted::Lost(_) => {
                    let behind = |gateway: &Gateway| gateway.lost.is_some() && gateway.sensors.contains(id);
                    let explained = senses.gateways.iter().any(behind);
                    if explained { Truth::Unknown } else { Truth::True }
                }
            },
        }
    }
}

impl Engine {
    pub(super) fn world(&self) -> Sensed<'_> {
        Sensed {
            senses: &self.senses,
            plan: &self.plan,
            runs: &self.runs,
            foresight: &self.foresight,
            ledger: &self.ledger,
            now: self.now,
        }
    }

    /// The world for a condition that doesn't look back.
    pub(super) fn present<T>(&self, ask: impl FnOnce(&Present<'_, Sensed<'_>>) -> T) -> T {
        ask(&Present { world: &self.world(), memory: &Memory::default(), now: self.now.mono })
    }

    /// A message came in.
    pub(super) fn hear(&mut self, topic: &str, payload: &[u8], delivery: Delivery) {
        if !self.index.buttons.is_empty() && delivery == Delivery::Live {
            self.press(topic, payload);
        }
        if let Some(relays) = self.index.commands.get(topic) {
            for relay in relays.clone() {
                self.command_kept(relay, payload, delivery == Delivery::Retained);
            }
        }
        let Some(sensors) = self.index.topics.get(topic) else { return };
        for id in sensors.clone() {
            let reading = self.plan.sensor(id).mapping.read(payload, &self.now);
            self.take_in(id, delivery, reading);
        }
    }

    /// A value came in that needs no reading.
    pub(super) fn measured(&mut self, id: SensorId, value: Value, delivery: Delivery) {
        if id.index() < self.plan.sensors.len() {
            self.take_in(id, delivery, Ok(Reading { value, measured: None }));
        }
    }

    /// Words came with a reading: what a watched site said of itself.
    pub(super) fn noted(&mut self, id: SensorId, note: Note) {
        if id.index() < self.plan.sensors.len() {
            self.senses.notes.insert(id, note);
        }
    }

    /// A source had nothing to say that can be believed.
    pub(super) fn missed(&mut self, id: SensorId, why: String) {
        if id.index() < self.plan.sensors.len() {
            self.take_in(id, Delivery::Live, Err(BadReading::not_given(&why)));
        }
    }

    /// Judges a reading, keeps it for the history, and asks whoever uses the sensor.
    fn take_in(&mut self, id: SensorId, delivery: Delivery, reading: Result<Reading, BadReading>) {
        let sensor = self.plan.sensor(id);
        let peer = self.peer_of(id);
        let judged = self.senses.tracks[id.index()].take(sensor, self.now.mono, delivery, reading, peer);
        self.turn.samples.push(Sample {
            sensor: Arc::clone(&self.index.sensors[id.index()]),
            at: judged.at,
            value: judged.value,
            quality: judged.quality,
        });
        let believed = judged.quality == Quality::Good;
        self.look_at(id);
        if believed {
            self.teach(id);
        }
        for at in 0..self.index.users[id.index()].len() {
            self.judge(self.index.users[id.index()][at]);
        }
        for at in 0..self.index.relays[id.index()].len() {
            self.attend(self.index.relays[id.index()][at]);
        }
    }

    /// What another probe of the same water says, of those that can be believed.
    fn peer_of(&self, id: SensorId) -> Option<f64> {
        self.index.peers[id.index()].iter().find_map(|peer| self.world().number(Some(*peer)))
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
        self.attend_all();
    }

    /// The agent says how a part of it is.
    pub(super) fn health(&mut self, part: Part, health: Health) {
        if self.senses.parts.get(&part) == Some(&health) {
            return;
        }
        let opens = health == Health::Well && matches!(part, Part::Channel(_));
        let before = self.senses.parts.insert(part, health);
        if opens && matches!(before, Some(Health::Fails { .. })) {
            self.hurry();
        }
        self.judge_sights();
    }

    /// A sensor may have gone stale.
    pub(super) fn check_stale(&mut self, id: SensorId) {
        if self.look_at(id) {
            self.teach(id);
            for at in 0..self.index.users[id.index()].len() {
                self.judge(self.index.users[id.index()][at]);
            }
        }
    }

    /// Works out anew whether the sensor is lost, and with it its gateway. True if it was lost
    /// just now.
    fn look_at(&mut self, id: SensorId) -> bool {
        let stale_at = self.senses.stale_at(&self.plan, id, self.now.mono);
        let before = self.senses.sighted[id.index()];
        let after = match (before, self.world().value(id).is_some()) {
            (_, true) => Sighted::Seen,
            (Sighted::Lost(since), false) => Sighted::Lost(since),
            (_, false) if self.now.mono >= stale_at => Sighted::Lost(self.now.mono),
            (_, false) => before,
        };
        if !matches!(after, Sighted::Lost(_)) {
            self.timers.set_if_none(DeadlineReason::Stale(id), stale_at);
        }
        if after == before {
            return false;
        }
        let was_blind = self.is_blind_by_itself(id);
        self.senses.sighted[id.index()] = after;
        self.gateway_of(id);
        let of = || self.plan.sensor(id).name.clone();
        match (before, after) {
            (_, Sighted::Lost(_)) if self.is_blind_by_itself(id) => {
                let body = Body::SightLost { of: of(), why: self.why_lost(id) };
                self.record(body);
            }
            (Sighted::Lost(since), _) if was_blind => {
                let body = Body::SightRegained { of: of(), after: self.now.mono - since };
                self.record(body);
            }
            _ => {}
        }
        self.judge_sights();
        matches!(after, Sighted::Lost(_))
    }

    fn is_blind_by_itself(&self, id: SensorId) -> bool {
        self.world().blind(&Sight::Sensor(id)) == Truth::True
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
        let sighted = &self.senses.sighted;
        let Some(gateway) = self.senses.gateways.iter_mut().find(|gateway| gateway.name == name) else {
            return;
        };
        let all = gateway.sensors.iter().all(|sensor| matches!(sighted[sensor.index()], Sighted::Lost(_)));
        let sight = Sight::Gateway(name);
        let of = sight_name(&self.plan, &sight);
        let told = self.senses.deaf.is_none() || !self.plan.needs_broker(&sight);
        match (gateway.lost, all) {
            (None, true) => {
                gateway.lost = Some(self.now.mono);
                let why = format!("all {} sensors behind it are silent", gateway.sensors.len());
                if told {
                    self.record(Body::SightLost { of, why });
                }
            }
            (Some(since), false) => {
                gateway.lost = None;
                if told {
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
