//! What is known at this moment, out of the components that conditions may ask about: readings,
//! relays, models, and what limited channels have carried. Plain facts are looked up here; what the
//! models say of them is in `forecasts`, and [`world`](super::world) shows both to conditions.

use super::forecasts::Forecasts;
use super::input::Health;
use super::relays::Relays;
use super::sensors::Sensors;
use crate::condition::Truth;
use crate::ids::{RelayId, SensorId};
use crate::plan::{Part, Plan, Sight};
use crate::reading::Value;
use crate::stopgap::Stage;
use crate::time::{Moment, Now};
use jiff::ZonedDateTime;

/// The components that conditions may ask about.
#[derive(Clone, Copy)]
pub(super) struct Sensed<'a> {
    pub(super) plan: &'a Plan,
    pub(super) now: Now,
    pub(super) sensors: &'a Sensors,
    pub(super) relays: &'a Relays,
    pub(super) forecasts: &'a Forecasts,
}

/// The same, without what sensors say that work disturbs just now.
pub(super) struct Undisturbed<'a> {
    pub(super) world: &'a Sensed<'a>,
    pub(super) disturbed: &'a [SensorId],
}

impl Sensed<'_> {
    /// The value in force.
    pub(super) fn said(&self, sensor: SensorId) -> Option<Value> {
        self.sensors.value(self.plan, sensor, self.now.mono)
    }

    /// The same for conditions: a thermometer that seems to be out of the water says nothing of the
    /// water.
    pub(super) fn believed(&self, sensor: SensorId) -> Option<Value> {
        if self.sensors.is_beached(sensor) { None } else { self.said(sensor) }
    }

    /// The number in force, if it says numbers.
    pub(super) fn number(&self, sensor: Option<SensorId>) -> Option<f64> {
        match self.said(sensor?)? {
            Value::Number(number) => Some(number),
            Value::Word(_) => None,
        }
    }

    /// Whether it is on, if it says so in words.
    pub(super) fn is_on(&self, sensor: SensorId) -> Option<bool> {
        let Value::Word(word) = self.said(sensor)? else { return None };
        match self.plan.sensor(sensor).words().get(usize::from(word))?.name.as_str() {
            "on" => Some(true),
            "off" => Some(false),
            _ => None,
        }
    }

    /// Whether the mains are on.
    pub(super) fn mains(&self) -> Option<bool> {
        self.is_on(self.plan.mains?)
    }

    /// What the relay is commanded to, or shows if a person's hand has it.
    pub(super) fn command(&self, relay: RelayId) -> Option<bool> {
        let run = self.relays.run(relay)?;
        match run.stage {
            Stage::LeftAlone { shows } => Some(!shows),
            Stage::Waiting { .. } | Stage::Commanded(_) | Stage::Held { .. } | Stage::Undoing(_) => {
                run.order().map(|order| order.on)
            }
        }
    }

    /// The local time of a moment; none if the wall clock has not been right in this life.
    pub(super) fn local_time(&self, at: Moment) -> Option<ZonedDateTime> {
        self.sensors.clock_was_right().then(|| self.now.wall_at(at).civil(&self.plan.zone))
    }

    /// What is wrong with a part of the agent, as it says. A limit of the keeper's own that is used
    /// up is no failure of a channel.
    pub(super) fn trouble_of(&self, part: &Part) -> Option<String> {
        match self.sensors.part(part) {
            Some(Health::Fails { why }) => Some(why.clone()),
            Some(Health::Well | Health::Unknown) | None => None,
        }
    }

    /// Whether sight of this is lost.
    pub(super) fn lost(&self, sight: &Sight) -> Truth {
        match sight {
            Sight::Part(part) if self.trouble_of(part).is_some() => Truth::True,
            Sight::Part(_) | Sight::Broker | Sight::Gateway(_) | Sight::Sensor(_) => {
                self.sensors.sees(self.plan, sight)
            }
        }
    }
}
