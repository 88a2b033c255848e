//! The present as a condition sees it.

use super::sensed::{Sensed, Undisturbed};
use crate::condition::query::{Holding, Question, Symptom, UntilWhat};
use crate::condition::{Condition, Memory, Present, Truth, World};
use crate::forecast::{CannotSay, Estimate};
use crate::ids::{RelayId, SensorId, TankId};
use crate::plan::{Part, Sight};
use crate::reading::Value;
use crate::time::{Moment, Span};
use jiff::ZonedDateTime;

impl World for Sensed<'_> {
    fn value(&self, sensor: SensorId) -> Option<Value> {
        self.believed(sensor)
    }

    fn heard(&self, sensor: SensorId) -> Moment {
        self.sensors.heard(sensor)
    }

    fn good(&self, sensor: SensorId) -> Moment {
        self.sensors.last_good(sensor)
    }

    fn unmoved(&self, sensor: SensorId) -> Option<Moment> {
        self.sensors.track(sensor).unmoved(self.plan.sensor(sensor), self.now.mono)
    }

    fn commanded(&self, relay: RelayId) -> Option<bool> {
        self.command(relay)
    }

    fn local(&self, at: Moment) -> Option<ZonedDateTime> {
        self.local_time(at)
    }

    fn foretell(&self, asked: &Question) -> Result<Estimate, CannotSay> {
        self.until(asked)
    }

    fn is_guess(&self, asked: &Question) -> bool {
        match asked.until {
            UntilWhat::Water(tank, ..) => !self.has_learned(tank),
            UntilWhat::Oxygen(..) | UntilWhat::Battery(_) => false,
        }
    }

    fn shows(&self, tank: TankId, sign: Symptom) -> Result<bool, CannotSay> {
        self.symptom(tank, sign)
    }

    fn coldest_room(&self, holding: &Holding) -> Result<Estimate, CannotSay> {
        self.coldest(holding)
    }

    fn undeclared(&self, tank: TankId) -> Option<Span> {
        self.stepped(tank)
    }

    fn listening(&self, sensor: SensorId) -> Option<Moment> {
        self.sensors.listening(self.plan.sensor(sensor))
    }

    fn doubt(&self, sensor: SensorId) -> Option<String> {
        Some(self.sensors.why_unseen(self.plan, sensor, self.now.mono))
    }

    fn loss(&self, sight: &Sight) -> Option<String> {
        self.sensors.why_lost(self.plan, sight, self.now.mono)
    }

    fn trouble(&self, part: &Part) -> Option<String> {
        self.trouble_of(part)
    }

    fn blind(&self, sight: &Sight) -> Truth {
        self.lost(sight)
    }
}

impl World for Undisturbed<'_> {
    fn value(&self, sensor: SensorId) -> Option<Value> {
        if self.disturbed.contains(&sensor) { None } else { self.world.value(sensor) }
    }

    fn heard(&self, sensor: SensorId) -> Moment {
        self.world.heard(sensor)
    }

    fn good(&self, sensor: SensorId) -> Moment {
        self.world.good(sensor)
    }

    fn unmoved(&self, sensor: SensorId) -> Option<Moment> {
        self.world.unmoved(sensor)
    }

    fn commanded(&self, relay: RelayId) -> Option<bool> {
        self.world.commanded(relay)
    }

    fn local(&self, at: Moment) -> Option<ZonedDateTime> {
        self.world.local(at)
    }

    fn foretell(&self, asked: &Question) -> Result<Estimate, CannotSay> {
        self.world.foretell(asked)
    }

    fn is_guess(&self, asked: &Question) -> bool {
        self.world.is_guess(asked)
    }

    fn shows(&self, tank: TankId, sign: Symptom) -> Result<bool, CannotSay> {
        self.world.shows(tank, sign)
    }

    fn coldest_room(&self, holding: &Holding) -> Result<Estimate, CannotSay> {
        self.world.coldest_room(holding)
    }

    fn undeclared(&self, tank: TankId) -> Option<Span> {
        self.world.undeclared(tank)
    }

    fn listening(&self, sensor: SensorId) -> Option<Moment> {
        self.world.listening(sensor)
    }

    fn doubt(&self, sensor: SensorId) -> Option<String> {
        self.world.doubt(sensor)
    }

    fn loss(&self, sight: &Sight) -> Option<String> {
        self.world.loss(sight)
    }

    fn trouble(&self, part: &Part) -> Option<String> {
        self.world.trouble(part)
    }

    fn blind(&self, sight: &Sight) -> Truth {
        self.world.blind(sight)
    }
}

impl Sensed<'_> {
    /// Asks something of the present alone, for a condition that doesn't look back.
    pub(super) fn present<T>(&self, ask: impl FnOnce(&Present<'_, Self>) -> T) -> T {
        ask(&Present { world: self, memory: &Memory::default(), now: self.now.mono })
    }

    /// Whether a condition that doesn't look back is true now.
    pub(super) fn truth_of(&self, condition: &Condition) -> Truth {
        self.present(|present| condition.evaluate(present, None).truth)
    }
}
