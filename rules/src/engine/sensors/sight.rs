//! A reading is judged, and whether readings come through is seen: of a sensor, and of a gateway,
//! which is lost while all of its sensors are. Only what is lost by a cause of its own is said.

use super::{Gateway, Sensors};
use crate::condition::Truth;
use crate::engine::ground::Ground;
use crate::engine::index::sight_name;
use crate::engine::task::{Next, Task};
use crate::engine::turn::Sample;
use crate::ids::SensorId;
use crate::plan::{Plan, Sight};
use crate::quality::Quality;
use crate::reading::{Arrival, BadReading, Reading, Value};
use crate::time::Moment;
use crate::words;
use std::sync::Arc;

/// Whether readings come through.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::engine) enum Sighted {
    /// Nothing good has come yet, and it may still be on its way.
    Unsure,
    /// They do.
    Seen,
    /// No value has been in force since then, although one should.
    Lost(Moment),
}

impl Sensors {
    /// Judges a reading: the sample is for the history. Says too whether it has to be looked at
    /// anew whether the sensor is lost or found; who was seen and is, has its deadline already.
    pub(in crate::engine) fn on_reading(
        &mut self,
        ground: &Ground<'_>,
        id: SensorId,
        delivery: Arrival,
        reading: Result<Reading, BadReading>,
    ) -> Option<(Sample, bool)> {
        let name = ground.index.sensors.get(id.index())?;
        // Only a jump beyond what the sensor can do is held against another probe.
        let peer = ground.plan.sensor(id).max_rate.and_then(|_| self.peer_of(ground, id));
        let track = self.tracks.get_mut(id.index())?;
        let judged = track.take(ground.plan.sensor(id), ground.mono(), delivery, reading, peer);
        let sees = judged.quality == Quality::Good && self.sighted.get(id.index()) == Some(&Sighted::Seen);
        let (at, value, quality) = (judged.at, judged.value, judged.quality);
        if let Some(heard) = track.heard() {
            for place in ground.index.topic_tree.above(id) {
                self.heard_below
                    .get_mut(*place)
                    .into_iter()
                    .for_each(|below| *below = (*below).max(Some(heard)));
            }
        }
        Some((Sample { sensor: Arc::clone(name), at, value, quality }, !sees))
    }

    /// A reading of the past that came with a newer one: for the history, if it was not taken
    /// before.
    pub(in crate::engine) fn on_past(
        &mut self,
        ground: &Ground<'_>,
        id: SensorId,
        reading: &Reading,
    ) -> Option<Sample> {
        let sensor = Arc::clone(ground.index.sensors.get(id.index())?);
        let at = reading.measured?;
        let new = self.tracks.get_mut(id.index())?.is_history(ground.plan.sensor(id), reading);
        new.then_some(Sample { sensor, at, value: Some(reading.value), quality: Quality::Late })
    }

    /// What another probe of the same water says, of those that can be believed.
    fn peer_of(&self, ground: &Ground<'_>, id: SensorId) -> Option<f64> {
        // Of those that come through: there may be thousands that don't.
        let mut peers = self.seen_in(ground.index.peers.group(id)?).copied().filter(|peer| *peer != id);
        // One that is doubted itself, perhaps since it jumped as well, contradicts nobody.
        let is_sure = |peer: &SensorId| {
            let sensor = ground.plan.sensor(*peer);
            self.quality(sensor, *peer, ground.mono()).1.is_none()
        };
        peers.by_ref().filter(is_sure).find_map(|peer| {
            match self.value(ground.plan, peer, ground.mono())? {
                Value::Number(number) => Some(number),
                Value::Word(_) => None,
            }
        })
    }

    /// Works out anew whether the sensor is lost, and with it its gateway. True if it was lost
    /// just now.
    pub(in crate::engine) fn look(&mut self, ground: &Ground<'_>, id: SensorId, next: &mut Next) -> bool {
        let now = ground.mono();
        let Some(before) = self.sighted.get(id.index()).copied() else { return false };
        let beached = self.is_beached(id);
        let after = match (before, !beached && self.value(ground.plan, id, now).is_some()) {
            (_, true) => Sighted::Seen,
            (Sighted::Lost(since), false) => Sighted::Lost(since),
            (_, false) if beached || now >= self.stale_at(ground, id) => Sighted::Lost(now),
            // After an outage of the broker it has its time again.
            (_, false) => Sighted::Unsure,
        };
        if !matches!(after, Sighted::Lost(_)) {
            self.wake_if_silent(ground, id, next);
        }
        if after == before {
            return false;
        }
        let turned = self.note_sighted(ground, id, after);
        self.look_at_gateway(ground, id, turned, next);
        let of = ground.plan.sensor(id).name.clone();
        match after {
            Sighted::Lost(_) if self.is_blind_by_itself(ground.plan, id) => {
                self.tell_lost(of, self.why_unseen(ground.plan, id, now), next);
            }
            Sighted::Seen => self.tell_found(of, now, next),
            Sighted::Lost(_) | Sighted::Unsure => {}
        }
        next.then(Task::JudgeSightOf(id));
        matches!(after, Sighted::Lost(_))
    }

    fn is_blind_by_itself(&self, plan: &Plan, id: SensorId) -> bool {
        self.sees(plan, &Sight::Sensor(id)) == Truth::True
    }

    /// That its sender says that the sensor is not there, in words, if it does.
    pub(in crate::engine) fn said_away(&self, id: SensorId, now: Moment) -> Option<String> {
        let since = self.track(id).away()?;
        Some(format!("its sender has said for {} that it is not there", now - since))
    }

    /// Why no reading of a sensor is in force, in words; what speaks against its latest reading
    /// otherwise.
    pub(in crate::engine) fn why_unseen(&self, plan: &Plan, id: SensorId, now: Moment) -> String {
        let sensor = plan.sensor(id);
        let (quality, doubt) = self.quality(sensor, id, now);
        let doubt = doubt.map(|doubt| doubt.words(&sensor.scale));
        let heard = self.track(id).heard();
        if self.is_beached(id) && quality == Quality::Good {
            return "its probe seems to be out of the water".to_owned();
        }
        if let Some(said) = self.said_away(id, now) {
            return said;
        }
        match (heard.filter(|_| quality == Quality::Stale), doubt) {
            (Some(heard), Some(doubt)) if now - heard > sensor.stale_after => {
                format!("silent for {}, and before that: {doubt}", now - heard)
            }
            (_, Some(doubt)) => doubt,
            (Some(heard), None) => format!("silent for {}, expected every {}", now - heard, sensor.every),
            (None, None) if heard.is_none() => {
                format!("nothing heard since the start, expected every {}", sensor.every)
            }
            (None, None) => quality.to_string(),
        }
    }

    /// Why sight of this is lost, in words; none if it isn't, or if a part says so itself.
    pub(in crate::engine) fn why_lost(&self, plan: &Plan, sight: &Sight, now: Moment) -> Option<String> {
        match sight {
            Sight::Part(_) => None,
            Sight::Broker => self.deaf.as_ref().map(|(why, _)| why.clone()),
            Sight::Gateway(name) => {
                let gateway = self.gateways.get(name)?;
                gateway.lost.map(|_| all_silent(gateway))
            }
            Sight::Sensor(id) => match self.sighted.get(id.index())? {
                Sighted::Lost(_) => Some(self.why_unseen(plan, *id, now)),
                Sighted::Seen | Sighted::Unsure => None,
            },
        }
    }

    /// Whether a sensor's readings come through is counted for its gateway and for its peers. True
    /// if it is the first behind its gateway that is seen, or was the last.
    pub(super) fn note_sighted(&mut self, ground: &Ground<'_>, id: SensorId, after: Sighted) -> bool {
        let Some(sighted) = self.sighted.get_mut(id.index()) else { return false };
        let before = std::mem::replace(sighted, after);
        let gateway = ground.plan.sensor(id).gateway.as_ref();
        let mut turned = false;
        if let Some(gateway) = gateway.and_then(|name| self.gateways.get_mut(name)) {
            let any_seen = gateway.seen > 0;
            let is_lost = |sighted| usize::from(matches!(sighted, Sighted::Lost(_)));
            let is_seen = |sighted| usize::from(sighted == Sighted::Seen);
            gateway.silent = (gateway.silent + is_lost(after)).saturating_sub(is_lost(before));
            gateway.seen = (gateway.seen + is_seen(after)).saturating_sub(is_seen(before));
            turned = (gateway.seen > 0) != any_seen;
        }
        let seen = ground.index.peers.group(id).and_then(|group| self.seen.get_mut(group));
        if let Some(seen) = seen {
            match after {
                Sighted::Seen => drop(seen.insert(id)),
                Sighted::Lost(_) | Sighted::Unsure => drop(seen.remove(&id)),
            }
        }
        turned
    }

    /// A gateway is lost while all of its sensors are, and known not to be while one is seen.
    fn look_at_gateway(&mut self, ground: &Ground<'_>, id: SensorId, turned: bool, next: &mut Next) {
        let Some(name) = ground.plan.sensor(id).gateway.clone() else { return };
        let Some(gateway) = self.gateways.get_mut(&name) else { return };
        let all = gateway.silent == gateway.sensors.len();
        let sight = Sight::Gateway(name);
        let of = sight_name(ground.plan, &sight);
        let told = self.deaf.is_none() || !ground.plan.needs_broker(&sight);
        if turned || gateway.lost.is_some() != all {
            next.then(Task::JudgeGatewayOf(id));
        }
        match (gateway.lost, all) {
            (None, true) => {
                gateway.lost = Some(ground.mono());
                let why = all_silent(gateway);
                if told {
                    self.tell_lost(of, why, next);
                }
            }
            (Some(_), false) => {
                gateway.lost = None;
                let behind = gateway.sensors.clone();
                self.tell_found(of, ground.mono(), next);
                // What stays lost is no longer explained by it.
                for id in behind.into_iter().filter(|id| self.is_blind_by_itself(ground.plan, *id)) {
                    let why = self.why_unseen(ground.plan, id, ground.mono());
                    self.tell_lost(ground.plan.sensor(id).name.clone(), why, next);
                }
            }
            // Lost in a life before, and found in this one.
            (None, false) if gateway.seen > 0 => self.tell_found(of, ground.mono(), next),
            (None, false) | (Some(_), true) => {}
        }
    }

    /// Whether sight of this is lost; of a part of the agent, as it has said itself. One cause is
    /// blind at a time. What lies behind a gateway can't be told while the gateway is lost, and
    /// nothing can while the broker is: so nothing is said to be over, either.
    pub(in crate::engine) fn sees(&self, plan: &Plan, sight: &Sight) -> Truth {
        use crate::engine::input::Health;
        match sight {
            Sight::Part(part) => match self.parts.get(part) {
                Some(Health::Fails { .. }) => Truth::True,
                Some(Health::Well) => Truth::False,
                Some(Health::Unknown) | None => Truth::Unknown,
            },
            Sight::Broker => self.deaf.is_some().into(),
            _ if self.deaf.is_some() && plan.needs_broker(sight) => Truth::Unknown,
            Sight::Gateway(name) => match self.gateways.get(name) {
                Some(gateway) if gateway.lost.is_some() => Truth::True,
                Some(gateway) if gateway.seen > 0 => Truth::False,
                Some(_) => Truth::Unknown,
                None => Truth::False,
            },
            Sight::Sensor(id) => match self.sighted[id.index()] {
                Sighted::Seen => Truth::False,
                Sighted::Unsure => Truth::Unknown,
                Sighted::Lost(_) => {
                    let gateway = plan.sensor(*id).gateway.as_ref();
                    let gateway = gateway.and_then(|name| self.gateways.get(name));
                    let explained = gateway.is_some_and(|gateway| gateway.lost.is_some());
                    if explained { Truth::Unknown } else { Truth::True }
                }
            },
        }
    }
}

fn all_silent(gateway: &Gateway) -> String {
    format!("all that is behind it is silent: {}", words::counted(gateway.sensors.len(), "sensor"))
}
