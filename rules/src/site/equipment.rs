//! Gear and batteries, as far as the keeper wrote them down.

use crate::forecast::oxygen::AirPump;
use crate::ids::{RelayId, SensorId};
use std::collections::BTreeSet;

/// The gear of one tank, as far as the keeper wrote it down.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Gear {
    /// Open water surface, m2.
    pub surface: Option<f64>,
    /// Whether a lid lies on it.
    pub lid: bool,
    /// The thermometer in the water.
    pub water: Option<SensorId>,
    /// A second one, in the sump: the two part when the flow between them is lost.
    pub sump: Option<SensorId>,
    /// The room's thermometer.
    pub room: Option<SensorId>,
    /// The oxygen probe.
    pub oxygen: Option<SensorId>,
    /// The heater and the spare.
    pub heaters: [Option<Device>; 2],
    /// Whether the keeper says that nothing heats it.
    pub unheated: bool,
    /// The lamp.
    pub lamp: Option<Device>,
    /// A chiller or fan.
    pub chiller: Option<Device>,
    /// The pumps that move its water.
    pub pumps: Option<Device>,
    /// The air pump.
    pub air: Option<Air>,
}

/// A device that adds heat or takes it, and the sensor that shows it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Device {
    /// Rated power, W.
    pub power: Option<f64>,
    /// What shows whether it runs.
    pub sensor: Option<SensorId>,
    /// At least this much, in the sensor's base unit, is running; for pumps.
    pub least: Option<f64>,
}

/// An air pump, and the relay or sensor that says whether it runs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Air {
    /// The relay that switches it.
    pub relay: Option<RelayId>,
    /// What it brings.
    pub pump: AirPump,
}

/// A battery that feeds something when the mains are out.
#[derive(Clone, Debug, PartialEq)]
pub struct Battery {
    /// Unique in the site.
    pub name: String,
    /// The relay of what it feeds; if none, its load runs whenever the mains are out.
    pub feeds: Option<RelayId>,
    /// Its rating, if the keeper wrote it down, and the load on it, W.
    pub rating: Option<(crate::forecast::battery::BatteryModel, f64)>,
    /// Shows its charge, as a share of full or in Ah.
    pub charge: Option<SensorId>,
    /// Shows the runtime that is left, as a UPS reckons it.
    pub runtime: Option<SensorId>,
}

impl Gear {
    /// Every sensor that shows something of it, each once.
    pub fn sensors(&self) -> BTreeSet<SensorId> {
        let devices = [self.lamp, self.chiller, self.pumps].into_iter().chain(self.heaters);
        let devices = devices.flatten().map(|device| device.sensor);
        devices.chain([self.water, self.sump, self.room, self.oxygen]).flatten().collect()
    }
}

impl Battery {
    /// The sensors that show it.
    pub fn sensors(&self) -> impl Iterator<Item = SensorId> {
        [self.charge, self.runtime].into_iter().flatten()
    }
}
