//! What each sensor tells the models of tanks: follows from the gear that the plan declares.

use crate::forecast::thermal::{Heater, Input};
use crate::ids::{SensorId, TankId};
use crate::plan::{Device, Plan};

/// What a sensor tells a model.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::engine) enum Feed {
    Water,
    Sump,
    Of(Input),
    Pumps,
    Oxygen,
}

/// The place of an input in a model's memory.
pub(super) fn slot(input: Input) -> usize {
    match input {
        Input::Room => 0,
        Input::Heater(Heater::First) => 1,
        Input::Heater(Heater::Second) => 2,
        Input::Lamp => 3,
        Input::Chiller => 4,
    }
}

/// What each sensor tells, tank by tank.
pub(in crate::engine) fn feeds(plan: &Plan) -> Vec<Vec<(TankId, Feed)>> {
    let mut feeds = vec![Vec::new(); plan.sensors.len()];
    for (id, tank) in (0..).map(TankId).zip(&plan.tanks) {
        let gear = &tank.gear;
        // Without a thermometer there is nothing to learn.
        if gear.water.is_none() && gear.pumps.is_none() {
            continue;
        }
        let shown = |device: Option<Device>| device.and_then(|device| device.sensor);
        let [heater, spare] = gear.heaters.map(shown);
        let all: [(Option<SensorId>, Feed); 9] = [
            (gear.water, Feed::Water),
            (gear.sump, Feed::Sump),
            (gear.room, Feed::Of(Input::Room)),
            (heater, Feed::Of(Input::Heater(Heater::First))),
            (spare, Feed::Of(Input::Heater(Heater::Second))),
            (shown(gear.lamp), Feed::Of(Input::Lamp)),
            (shown(gear.chiller), Feed::Of(Input::Chiller)),
            (shown(gear.pumps), Feed::Pumps),
            (gear.oxygen, Feed::Oxygen),
        ];
        let mains = ON_MAINS.map(|feed| (plan.mains, feed));
        for (sensor, feed) in all.into_iter().chain(mains) {
            if let Some(sensor) = sensor {
                feeds[sensor.index()].push((id, feed));
            }
        }
    }
    feeds
}

/// What hangs on the mains, and so is told anew when they come or go.
const ON_MAINS: [Feed; 5] = [
    Feed::Of(Input::Heater(Heater::First)),
    Feed::Of(Input::Heater(Heater::Second)),
    Feed::Of(Input::Lamp),
    Feed::Of(Input::Chiller),
    Feed::Pumps,
];
