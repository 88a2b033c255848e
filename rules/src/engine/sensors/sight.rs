//! A reading is judged, and whether readings come through is seen: of a sensor, and of a gateway, which is lost while all of its
//! sensors are. Only what is lost by a cause of its own is said.

use super::Sensors;
use crate::condition::Truth;
use crate::engine::ground::Ground;
use crate::engine::index::sight_name;
use crate::engine::task::{Next, Task};
use crate::engine::turn::Sample;
use crate::ids::SensorId;
use crate::plan::{Plan, Sight};
use crate::reading::{Arrival, BadReading, Reading, Value};
use crate::record::Body;
use crate::time::Moment;
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
    /// Judges a reading and looks whether the sensor is lost or found. The sample is for the
    /// history.
    pub(in crate::engine) fn on_reading(
        &mut self,
        ground: &Ground<'_>,
        id: SensorId,
        delivery: Arrival,
        reading: Result<Reading, BadReading>,
        next: &mut Next,
    ) -> Option<Sample> {
        let name = ground.index.sensors.get(id.index())?;
        let peer = self.peer_of(ground, id);
        let track = self.tracks.get_mut(id.index())?;
        let judged = track.take(ground.plan.sensor(id), ground.mono(), delivery, reading, peer);
        self.look(ground, id, next);
        Some(Sample { sensor: Arc::clone(name), at: judged.at, value: judged.value, quality: judged.quality })
    }

    /// What another probe of the same water says, of those that can be believed.
    fn peer_of(&self, ground: &Ground<'_>, id: SensorId) -> Option<f64> {
        let mut peers = ground.index.peers.get(id.index()).into_iter().flatten();
        peers.find_map(|peer| match self.value(ground.plan, *peer, ground.mono())? {
            Value::Number(number) => Some(number),
            Value::Word(_) => None,
        })
    }

    /// Works out anew whether the sensor is lost, and with it its gateway. True if it was lost
    /// just now.
    pub(in crate::engine) fn look(&mut self, ground: &Ground<'_>, id: SensorId, next: &mut Next) -> bool {
        let now = ground.mono();
        let Some(before) = self.sighted.get(id.index()).copied() else { return false };
        let after = match (before, self.value(ground.plan, id, now).is_some()) {
            (_, true) => Sighted::Seen,
            (Sighted::Lost(since), false) => Sighted::Lost(since),
            (_, false) if now >= self.stale_at(ground, id) => Sighted::Lost(now),
            (_, false) => before,
        };
        if !matches!(after, Sighted::Lost(_)) {
            self.wake_if_silent(ground, id, next);
        }
        if after == before {
            return false;
        }
        let was_blind = self.is_blind_by_itself(ground.plan, id);
        self.sighted[id.index()] = after;
        self.look_at_gateway(ground, id, next);
        let of = || ground.plan.sensor(id).name.clone();
        match (before, after) {
            (_, Sighted::Lost(_)) if self.is_blind_by_itself(ground.plan, id) => {
                next.record(Body::SightLost { of: of(), why: self.why_lost(ground, id) });
            }
            (Sighted::Lost(since), _) if was_blind => {
                next.record(Body::SightRegained { of: of(), after: now - since });
            }
            _ => {}
        }
        next.then(Task::JudgeSights);
        matches!(after, Sighted::Lost(_))
    }

    fn is_blind_by_itself(&self, plan: &Plan, id: SensorId) -> bool {
        self.sees(plan, &Sight::Sensor(id)) == Truth::True
    }

    fn why_lost(&self, ground: &Ground<'_>, id: SensorId) -> String {
        let sensor = ground.plan.sensor(id);
        match (self.quality(sensor, id, ground.mono()).1, self.track(id).heard()) {
            (Some(doubt), _) => doubt.words(&sensor.scale),
            (None, Some(heard)) => {
                format!("silent for {}, expected every {}", ground.mono() - heard, sensor.every)
            }
            (None, None) => format!("nothing heard since the start, expected every {}", sensor.every),
        }
    }

    /// A gateway is lost while all of its sensors are.
    fn look_at_gateway(&mut self, ground: &Ground<'_>, id: SensorId, next: &mut Next) {
        let Some(name) = ground.plan.sensor(id).gateway.clone() else { return };
        let sighted = &self.sighted;
        let Some(gateway) = self.gateways.iter_mut().find(|gateway| gateway.name == name) else { return };
        let all = gateway.sensors.iter().all(|sensor| matches!(sighted[sensor.index()], Sighted::Lost(_)));
        let sight = Sight::Gateway(name);
        let of = sight_name(ground.plan, &sight);
        let told = self.deaf.is_none() || !ground.plan.needs_broker(&sight);
        match (gateway.lost, all) {
            (None, true) => {
                gateway.lost = Some(ground.mono());
                let why = format!("all {} sensors behind it are silent", gateway.sensors.len());
                if told {
                    next.record(Body::SightLost { of, why });
                }
            }
            (Some(since), false) => {
                gateway.lost = None;
                if told {
                    next.record(Body::SightRegained { of, after: ground.mono() - since });
                }
            }
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
            Sight::Gateway(name) => match self.gateways.iter().find(|gateway| gateway.name == *name) {
                Some(gateway) if gateway.lost.is_some() => Truth::True,
                Some(gateway)
                    if gateway.sensors.iter().any(|id| self.sighted[id.index()] == Sighted::Seen) =>
                {
                    Truth::False
                }
                Some(_) => Truth::Unknown,
                None => Truth::False,
            },
            Sight::Sensor(id) => match self.sighted[id.index()] {
                Sighted::Seen => Truth::False,
                Sighted::Unsure => Truth::Unknown,
                Sighted::Lost(_) => {
                    let explained = self
                        .gateways
                        .iter()
                        .any(|gateway| gateway.lost.is_some() && gateway.sensors.contains(id));
                    if explained { Truth::Unknown } else { Truth::True }
                }
            },
        }
    }
}
