//! What readings say, and through what they come. A message becomes a reading of each sensor on its
//! topic, is judged for quality and kept for the history; silence is noticed here too: of a
//! sensor, of a gateway that carries several, of the broker. The agent's own parts are sensed in
//! the same way. Nothing of what they say lasts over a restart: it has to be seen again. What was
//! recorded as lost does, so that each loss has one end in the journal, whatever comes between.

mod link;
mod sight;

pub(super) use sight::Sighted;

use super::ground::Ground;
use super::index::Index;
use super::input::Health;
use super::task::Next;
use super::timers::DeadlineReason;
use crate::ids::{SensorId, Seq};
use crate::plan::{Part, Plan, Sensor};
use crate::quality::{Quality, Rejection, Track};
use crate::reading::Value;
use crate::record::{Body, Record};
use crate::time::Moment;
use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// How records name the way to all topics.
const BROKER: &str = "broker";

/// What is known by readings.
#[derive(Debug)]
pub(super) struct Sensors {
    started: Moment,
    /// Whether the wall clock has been synchronised at any time since the start: from then on
    /// it drifts by seconds a day, which is good enough for times of day.
    clock_was_right: bool,
    tracks: Vec<Track>,
    /// Whether each sensor's readings come through.
    sighted: Vec<Sighted>,
    /// What is recorded as lost, by its name there: the record, and when.
    told: BTreeMap<String, (Seq, Moment)>,
    /// Why and since when the broker can't be heard.
    deaf: Option<(String, Moment)>,
    /// Since when it can, or last could.
    hears_since: Moment,
    /// Words that came with a sensor's last reading, for pages.
    notes: BTreeMap<SensorId, Note>,
    /// Gateways, the sensors behind each, and since when all of them have been lost.
    gateways: BTreeMap<String, Gateway>,
    /// Thermometers that their tank's model believes to be out of the water: of the water they say
    /// nothing.
    beached: BTreeSet<SensorId>,
    /// By group of peers, those whose readings come through.
    seen: Vec<BTreeSet<SensorId>>,
    /// By beginning of topics, when anything live was last heard below it.
    heard_below: Vec<Option<Moment>>,
    /// How the agent's parts are, as far as it has said.
    parts: BTreeMap<Part, Health>,
}

/// What a watched site said of itself with its last check-in.
#[derive(Clone, Debug)]
pub(super) struct Note {
    pub(super) words: Arc<str>,
    /// The cause if nothing more is heard.
    pub(super) likely: Cow<'static, str>,
}

/// A radio or board that carries several sensors.
#[derive(Debug)]
struct Gateway {
    sensors: Vec<SensorId>,
    lost: Option<Moment>,
    /// So many of them are lost, and so many come through.
    silent: usize,
    seen: usize,
}

impl Sensors {
    pub(super) fn new(plan: &Plan, index: &Index, now: Moment) -> Self {
        let gateway =
            |sensors: &[SensorId]| Gateway { sensors: sensors.to_vec(), lost: None, silent: 0, seen: 0 };
        // One sensor alone behind a gateway can't be told from the gateway.
        let gateways = index.behind.iter().filter(|(_, sensors)| sensors.len() > 1);
        let gateways = gateways.map(|(name, sensors)| (name.clone(), gateway(sensors))).collect();
        Self {
            started: now,
            clock_was_right: false,
            tracks: plan.sensors.iter().map(|_| Track::default()).collect(),
            sighted: vec![Sighted::Unsure; plan.sensors.len()],
            told: BTreeMap::new(),
            deaf: Some(("not yet connected".to_owned(), now)),
            hears_since: now,
            notes: BTreeMap::new(),
            gateways,
            beached: BTreeSet::new(),
            seen: vec![BTreeSet::new(); index.peers.groups()],
            heard_below: vec![None; index.topic_tree.len()],
            parts: BTreeMap::new(),
        }
    }

    /// Takes over under another plan what is still fed and read in the same way, and all that does
    /// not depend on the plan.
    pub(super) fn carry_over(&mut self, old: &Plan, before: Self, (new, index): (&Plan, &Index)) {
        (self.deaf, self.clock_was_right, self.parts) = (before.deaf, before.clock_was_right, before.parts);
        self.hears_since = before.hears_since;
        let places: BTreeMap<&String, SensorId> =
            new.sensors.iter().map(|sensor| &sensor.name).zip((0..).map(SensorId)).collect();
        let still = |of: &String| {
            let gateway = of.strip_prefix("gateway ");
            let gateway = gateway.is_some_and(|name| self.gateways.contains_key(name));
            of == BROKER || gateway || places.contains_key(of)
        };
        self.told = before.told.into_iter().filter(|(of, _)| still(of)).collect();
        let place = |id: SensorId| places.get(&old.sensor(id).name).copied();
        self.beached = before.beached.into_iter().filter_map(place).collect();
        self.notes = before.notes.into_iter().filter_map(|(id, note)| Some((place(id)?, note))).collect();
        let mut known: BTreeMap<_, _> = old
            .sensors
            .iter()
            .zip(before.tracks)
            .map(|(sensor, track)| (&sensor.name, (sensor, track)))
            .collect();
        for (sensor, track) in new.sensors.iter().zip(&mut self.tracks) {
            let heard = known.remove(&sensor.name).filter(|(before, _)| reads_alike(before, sensor));
            if let Some((_, heard)) = heard {
                *track = heard;
            }
        }
        for (id, track) in (0..).map(SensorId).zip(&self.tracks) {
            for place in index.topic_tree.above(id) {
                let below = self.heard_below.get_mut(*place);
                below.into_iter().for_each(|below| *below = (*below).max(track.heard()));
            }
        }
    }

    /// What a record does to what lasts.
    pub(super) fn apply(&mut self, record: &Record) {
        match &record.body {
            Body::SightLost { of, .. } => {
                self.told.insert(of.clone(), (record.seq, record.at.mono));
            }
            Body::SightRegained { of, .. } => {
                self.told.remove(of);
            }
            _ => {}
        }
    }

    /// The records that it rests on.
    pub(super) fn rests_on(&self) -> impl Iterator<Item = Seq> + '_ {
        self.told.values().map(|(seq, _)| *seq)
    }

    /// This is lost: recorded, unless it is already.
    fn tell_lost(&self, of: String, why: String, next: &mut Next) {
        if !self.told.contains_key(&of) {
            next.record(Body::SightLost { of, why });
        }
    }

    /// This is found: recorded, if its loss was.
    fn tell_found(&self, of: String, now: Moment, next: &mut Next) {
        if let Some((_, since)) = self.told.get(&of) {
            next.record(Body::SightRegained { of, after: now - *since });
        }
    }

    /// The wall clock has been looked at.
    pub(super) fn on_clock(&mut self, trusted: bool) {
        self.clock_was_right |= trusted;
    }

    /// A tank's model says whether its thermometer is out of the water. True if that is news.
    pub(super) fn on_beached(&mut self, id: SensorId, out: bool) -> bool {
        if out { self.beached.insert(id) } else { self.beached.remove(&id) }
    }

    /// Whether this thermometer is believed to be out of the water.
    pub(super) fn is_beached(&self, id: SensorId) -> bool {
        self.beached.contains(&id)
    }

    /// Words came with a reading: what a watched site said of itself.
    pub(super) fn on_note(&mut self, id: SensorId, note: Note) {
        if id.index() < self.tracks.len() {
            self.notes.insert(id, note);
        }
    }

    /// The sensor's sender says whether it is there.
    pub(super) fn on_presence(&mut self, id: SensorId, here: bool, now: Moment) {
        if let Some(track) = self.tracks.get_mut(id.index()) {
            track.on_presence(here, now);
        }
    }

    /// When this life began.
    pub(super) fn started(&self) -> Moment {
        self.started
    }

    /// Whether the wall clock has been right in this life.
    pub(super) fn clock_was_right(&self) -> bool {
        self.clock_was_right
    }

    /// Why and since when the broker can't be heard, if so.
    pub(super) fn deaf(&self) -> Option<&(String, Moment)> {
        self.deaf.as_ref()
    }

    /// What the sensor has said.
    pub(super) fn track(&self, id: SensorId) -> &Track {
        &self.tracks[id.index()]
    }

    /// The value in force.
    pub(super) fn value(&self, plan: &Plan, id: SensorId, now: Moment) -> Option<Value> {
        self.track(id).value(plan.sensor(id), now)
    }

    /// When it was last heard live; at the start if never.
    pub(super) fn heard(&self, id: SensorId) -> Moment {
        self.track(id).heard().unwrap_or(self.started)
    }

    /// Those of a group of peers whose readings come through.
    pub(super) fn seen_in(&self, group: usize) -> impl Iterator<Item = &SensorId> {
        self.seen.get(group).into_iter().flatten()
    }

    /// When anything live was last heard below a beginning of topics.
    pub(super) fn heard_below(&self, place: usize) -> Option<Moment> {
        self.heard_below.get(place).copied().flatten()
    }

    /// When it last said something good; at the start if never.
    pub(super) fn last_good(&self, id: SensorId) -> Moment {
        self.track(id).last_good().map_or(self.started, |(_, at)| at)
    }

    /// How its readings are, and what speaks against them.
    pub(super) fn quality(
        &self,
        sensor: &Sensor,
        id: SensorId,
        now: Moment,
    ) -> (Quality, Option<&Rejection>) {
        self.track(id).quality(sensor, now)
    }

    /// Whether one of them has said something good in this life.
    pub(super) fn any_heard(&self, mut sensors: impl Iterator<Item = SensorId>) -> bool {
        sensors.any(|id| self.track(id).last_good().is_some_and(|(_, at)| at >= self.started))
    }

    /// Whether all of them have said something good since then.
    pub(super) fn all_newer(&self, sensors: &BTreeSet<SensorId>, since: Moment) -> bool {
        sensors.iter().all(|id| self.track(*id).last_good().is_some_and(|(_, at)| at > since))
    }

    /// What came with the sensor's last reading.
    pub(super) fn note(&self, id: SensorId) -> Option<&Note> {
        self.notes.get(&id)
    }

    /// How a part of the agent is, if it has been said.
    pub(super) fn part(&self, part: &Part) -> Option<&Health> {
        self.parts.get(part)
    }

    /// Sets the deadline at which the sensor has to be looked at if nothing more is heard from it.
    fn wake_if_silent(&self, ground: &Ground<'_>, id: SensorId, next: &mut Next) {
        next.wake_at_first(DeadlineReason::Stale(id), self.stale_at(ground, id));
    }

    /// When it is lost if nothing more is heard: after an outage of the broker its silence counts
    /// from the broker's return.
    fn stale_at(&self, ground: &Ground<'_>, id: SensorId) -> Moment {
        let sensor = ground.plan.sensor(id);
        if let Some(stale_at) = self.track(id).stale_at(sensor, ground.mono()) {
            return stale_at;
        }
        // What says something that can't be believed is heard, whatever the broker did.
        if self.quality(sensor, id, ground.mono()).0 == Quality::Suspect {
            return self.started + sensor.stale_after;
        }
        let anew = match sensor.feed.topic() {
            Some(_) => self.hears_since.max(self.started),
            None => self.started,
        };
        anew + self.track(id).fresh_for(sensor)
    }

    /// Since when all that the sensor says has been heard; none while the broker is away.
    pub(super) fn listening(&self, sensor: &Sensor) -> Option<Moment> {
        match (sensor.feed.topic(), &self.deaf) {
            (None, _) => Some(self.started),
            (Some(_), Some(_)) => None,
            (Some(_), None) => Some(self.hears_since),
        }
    }
}

/// Whether what was heard before means the same now.
fn reads_alike(before: &Sensor, after: &Sensor) -> bool {
    before.feed == after.feed
        && before.mapping == after.mapping
        && before.measure == after.measure
        && before.available == after.available
}

#[cfg(test)]
mod tests;
