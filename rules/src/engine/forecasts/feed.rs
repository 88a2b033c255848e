//! What each sensor tells the models of tanks: follows from the gear that the plan declares.

use crate::forecast::thermal::{Heater, ThermalInput};
use crate::ids::{SensorId, TankId};
use crate::plan::{Device, Plan};

/// What a sensor tells a model.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::engine) enum ModelFeed {
    Water,
    Sump,
    Of(ThermalInput),
    Pumps,
    Oxygen,
}

/// The place of an input in a model's memory.
pub(super) fn slot(input: ThermalInput) -> usize {
    match input {
        ThermalInput::Room => 0,
        ThermalInput::Heater(Heater::First) => 1,
        ThermalInput::Heater(Heater::Second) => 2,
        ThermalInput::Lamp => 3,
        ThermalInput::Chiller => 4,
    }
}

/// What each sensor tells, by its place, tank by tank.
pub(in crate::engine) fn feeds(plan: &Plan) -> Vec<(usize, (TankId, ModelFeed))> {
    let mut feeds = Vec::new();
    for (id, tank) in (0..).map(TankId).zip(&plan.tanks) {
        let gear = &tank.gear;
        // Without a thermometer there is nothing to learn.
        if gear.water.is_none() && gear.pumps.is_none() {
            continue;
        }
        let shown = |device: Option<Device>| device.and_then(|device| device.sensor);
        let [heater, spare] = gear.heaters.map(shown);
        let all: [(Option<SensorId>, ModelFeed); 9] = [
            (gear.water, ModelFeed::Water),
            (gear.sump, ModelFeed::Sump),
            (gear.room, ModelFeed::Of(ThermalInput::Room)),
            (heater, ModelFeed::Of(ThermalInput::Heater(Heater::First))),
            (spare, ModelFeed::Of(ThermalInput::Heater(Heater::Second))),
            (shown(gear.lamp), ModelFeed::Of(ThermalInput::Lamp)),
            (shown(gear.chiller), ModelFeed::Of(ThermalInput::Chiller)),
            (shown(gear.pumps), ModelFeed::Pumps),
            (gear.oxygen, ModelFeed::Oxygen),
        ];
        let mains = ON_MAINS.map(|feed| (plan.mains, feed));
        for (sensor, feed) in all.into_iter().chain(mains) {
            if let Some(sensor) = sensor {
                feeds.push((sensor.index(), (id, feed)));
            }
        }
    }
    feeds
}

/// What hangs on the mains, and so is told anew when they come or go.
const ON_MAINS: [ModelFeed; 5] = [
    ModelFeed::Of(ThermalInput::Heater(Heater::First)),
    ModelFeed::Of(ThermalInput::Heater(Heater::Second)),
    ModelFeed::Of(ThermalInput::Lamp),
    ModelFeed::Of(ThermalInput::Chiller),
    ModelFeed::Pumps,
];
