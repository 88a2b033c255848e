//! What the models say when they are asked: times until limits, faults, what heaters can hold. The
//! readings in force are looked at as well, since a model whose thermometer is out of sight says
//! nothing.

use super::feed::{ModelFeed, slot};
use super::{Model, Since, USUAL_SALINITY};
use crate::condition::query::{Holding, Question, Symptom, UntilWhat, WhatIf};
use crate::engine::sensed::Sensed;
use crate::forecast::faults::Fault;
use crate::forecast::geometry::Geometry;
use crate::forecast::margin::Held;
use crate::forecast::oxygen::{self, Before};
use crate::forecast::thermal::{Heater, Scenario, ThermalInput};
use crate::forecast::water::{SeaWater, pressure_at};
use crate::forecast::{Basis, CannotSay, Estimate, Interval, battery};
use crate::ids::{BatteryId, RelayId, TankId};
use crate::plan::{Air, Device, Tank};
use crate::time::{Moment, Span};
use crate::units::Dimension;

/// What was poured in explains what is found for so long.
const EXPLAINS: Span = Span::hours(12);

impl Sensed<'_> {
    /// How far a device runs, 0 to 1.
    fn share(&self, device: Option<Device>) -> Option<f64> {
        let Device { power, sensor, least } = device?;
        let sensor = sensor?;
        if let Some(on) = self.is_on(sensor) {
            return Some(if on { 1.0 } else { 0.0 });
        }
        let number = self.number(Some(sensor))?;
        match least {
            Some(least) => Some(if number >= least { 1.0 } else { 0.0 }),
            None => power.map(|power| (number / power).clamp(0.0, 1.2)),
        }
    }

    /// What a model is to be told.
    pub(in crate::engine) fn level(&self, tank: &Tank, feed: ModelFeed) -> Option<f64> {
        let gear = &tank.gear;
        let dark = self.mains() == Some(false);
        let off = |device: Option<Device>| match device {
            // What hangs on the mains is off without them, whatever its last reading was.
            Some(_) if dark => Some(0.0),
            device => self.share(device),
        };
        match feed {
            ModelFeed::Water => self.number(gear.water),
            ModelFeed::Sump => self.number(gear.sump),
            ModelFeed::Of(ThermalInput::Room) => self.number(gear.room),
            ModelFeed::Of(ThermalInput::Heater(heater)) => {
                off(gear.heaters[slot(ThermalInput::Heater(heater)) - 1])
            }
            ModelFeed::Of(ThermalInput::Lamp) => off(gear.lamp.filter(|lamp| lamp.sensor.is_some())),
            ModelFeed::Of(ThermalInput::Chiller) => {
                off(gear.chiller.filter(|chiller| chiller.sensor.is_some()))
            }
            // A pump on a battery says for itself that it runs.
            ModelFeed::Pumps => {
                let sensor = gear.pumps.and_then(|pumps| pumps.sensor);
                let since = self.forecasts.dark.map(|since| since.at);
                let spoke = sensor.zip(since).is_some_and(|(id, since)| self.sensors.heard(id) > since);
                match (dark && !spoke, sensor) {
                    (true, _) => Some(0.0),
                    // Nobody says more of them than the mains do.
                    (false, None) => Some(1.0),
                    (false, Some(_)) => self.share(gear.pumps),
                }
            }
            ModelFeed::Oxygen => None,
        }
    }

    fn model(&self, tank: TankId) -> Option<&Model> {
        self.forecasts.models.get(tank.index())
    }

    /// A model whose water is in sight.
    fn seen(&self, tank: TankId) -> Result<&Model, CannotSay> {
        let known = self.number(self.plan.tanks[tank.index()].gear.water).is_some();
        self.model(tank).filter(|_| known).ok_or(CannotSay::Missing("water temperature"))
    }

    /// That its thermometer is not believed to be out of the water.
    fn wet(&self, tank: TankId) -> Result<(), CannotSay> {
        let water = self.plan.tanks[tank.index()].gear.water;
        match water.is_some_and(|water| self.sensors.is_beached(water)) {
            true => Err(CannotSay::Missing("water temperature: its probe seems to be out of the water")),
            false => Ok(()),
        }
    }

    /// How long until what is asked, h.
    pub(in crate::engine) fn until(&self, asked: &Question) -> Result<Estimate, CannotSay> {
        match asked.until {
            UntilWhat::Water(tank, side, limit) => {
                let gear = &self.plan.tanks[tank.index()].gear;
                let dark = self.mains() == Some(false);
                self.wet(tank)?;
                let supposed = scenario(&asked.supposing, dark, gear.heaters[0].is_some());
                self.seen(tank)?.thermal.time_to(side, limit, &supposed)
            }
            UntilWhat::Oxygen(tank, mg_l) => self.oxygen(tank, mg_l, &asked.supposing),
            UntilWhat::Battery(id) => self.battery(id, asked.supposing.no_power),
        }
    }

    fn oxygen(&self, id: TankId, mg_l: f64, supposing: &WhatIf) -> Result<Estimate, CannotSay> {
        let tank = &self.plan.tanks[id.index()];
        let still = self.model(id).and_then(|model| model.still);
        if still.is_none() && !supposing.still && !supposing.no_power {
            if self.share(tank.gear.pumps).is_none() && self.mains().is_none() {
                return Err(CannotSay::Missing("sight of the pumps"));
            }
            let moves = [Basis::measured("water that moves")];
            return Ok(Estimate::new(Interval::exact(f64::INFINITY), moves));
        }
        let budget = self.oxygen_tank(id)?;
        let began = still.map_or(self.now.mono, |since| since.at);
        let before = if self.is_day(tank, began) == Some(true) { Before::Day } else { Before::Night };
        let runs =
            |air: &Air| supposing.air.unwrap_or_else(|| air.relay.is_some_and(|relay| self.air_runs(relay)));
        let air = tank.gear.air.filter(runs);
        let found = budget.time_to(mg_l, before, air.as_ref().map(|air| &air.pump))?;
        Ok(match still.filter(|_| budget.measured.is_none()) {
            Some(since) => since.left_of(found, self.now.mono),
            None => found,
        })
    }

    /// What is known of a tank's oxygen.
    fn oxygen_tank(&self, id: TankId) -> Result<oxygen::TankOxygen, CannotSay> {
        let tank = &self.plan.tanks[id.index()];
        let volume = tank.volume.ok_or(CannotSay::Missing("volume"))?;
        self.wet(id)?;
        let celsius = self.number(tank.gear.water).ok_or(CannotSay::Missing("water temperature"))?;
        let salinity = tank.salinity.unwrap_or(USUAL_SALINITY);
        let known = oxygen::TankOxygen {
            volume,
            surface: Geometry::of(volume, salinity, tank.gear.surface)?.surface,
            water: SeaWater::new(celsius, salinity)?,
            celsius,
            pressure_hpa: pressure_at(self.plan.altitude),
            stocking: tank.stocking,
            learned: self.model(id).and_then(|model| model.declines.learned(tank.stocking)),
            measured: None,
        };
        let says = self.probe(tank, known.saturated());
        Ok(oxygen::TankOxygen { measured: says.and_then(|mg_l| known.believed(mg_l)), ..known })
    }

    /// What the oxygen probe says, mg/L.
    fn probe(&self, tank: &Tank, saturated: f64) -> Option<f64> {
        let sensor = tank.gear.oxygen?;
        let number = self.number(Some(sensor))?;
        let share = self.plan.sensor(sensor).measure.dimension == Dimension::NUMBER;
        Some(if share { number * saturated } else { number * 1_000.0 })
    }

    /// Whether the tank's photoperiod covered a moment; none if it has none, or the clock is not
    /// trusted.
    fn is_day(&self, tank: &Tank, at: Moment) -> Option<bool> {
        Some(tank.photoperiod?.cover(self.local_time(at)?.time()))
    }

    /// The probe's reading and what is known of the tank, if nothing but its animals moves the
    /// oxygen: the pumps stand still, no air pump runs or may run unseen, and the lamp or the
    /// photoperiod says that it is dark.
    pub(in crate::engine) fn decline(&self, id: TankId) -> Option<(f64, oxygen::TankOxygen)> {
        let tank = &self.plan.tanks[id.index()];
        self.model(id)?.still?;
        let unaired = |air: Air| air.relay.is_some_and(|relay| self.command(relay) != Some(true));
        let lamp = self.level(tank, ModelFeed::Of(ThermalInput::Lamp)).map(|share| share > 0.0);
        let lit = [lamp, self.is_day(tank, self.now.mono)];
        let dark = lit.contains(&Some(false)) && !lit.contains(&Some(true));
        if !dark || !tank.gear.air.is_none_or(unaired) {
            return None;
        }
        let known = self.oxygen_tank(id).ok()?;
        Some((known.measured?, known))
    }

    /// Whether the watch has switched the air pump on, and nothing speaks against it.
    fn air_runs(&self, relay: RelayId) -> bool {
        let seems_so = self.relays.run(relay).is_some_and(|run| !run.needs_a_hand());
        seems_so && self.command(relay) == Some(true)
    }

    fn battery(&self, id: BatteryId, supposed: bool) -> Result<Estimate, CannotSay> {
        let found = &self.plan.batteries[id.index()];
        let dark = self.forecasts.dark;
        if !supposed && dark.is_none() {
            let on = [Basis::measured("mains")];
            let never = Estimate::new(Interval::exact(f64::INFINITY), on);
            return self.mains().map(|_| never).ok_or(CannotSay::Missing("sight of the mains"));
        }
        if let Some(seconds) = self.number(found.runtime) {
            return Ok(battery::from_ups(seconds / 3_600.0));
        }
        let (rating, load) = found.rating.ok_or(CannotSay::Missing("battery's rating or its runtime"))?;
        if let Some(sensor) = found.charge {
            let number = self.number(Some(sensor)).ok_or(CannotSay::Missing("battery charge"))?;
            let share = self.plan.sensor(sensor).measure.dimension == Dimension::NUMBER;
            let charge = if share { number } else { number / 3_600.0 / rating.rated_ah };
            return rating.runtime(load, charge.clamp(0.0, 1.0), true);
        }
        let full = rating.runtime(load, 1.0, false)?;
        // What hangs on a relay draws from when the watch switched it on.
        let began = match (found.feeds, dark) {
            (_, None) => None,
            (None, Some(since)) => Some(since),
            (Some(relay), Some(since)) => {
                let run = self.relays.run(relay).filter(|_| self.command(relay) == Some(true));
                run.map(|run| Since { at: run.began.max(since.at), ..since })
            }
        };
        Ok(match began {
            Some(since) => since.left_of(full, self.now.mono),
            None => full,
        })
    }

    pub(in crate::engine) fn symptom(&self, tank: TankId, sign: Symptom) -> Result<bool, CannotSay> {
        let model = self.seen(tank)?;
        if sign != Symptom::Fault(Fault::ProbeOutOfWater) {
            self.wet(tank)?;
        }
        match sign {
            Symptom::Parted => {
                let known = self.number(self.plan.tanks[tank.index()].gear.sump).is_some();
                if known { Ok(model.parted) } else { Err(CannotSay::Missing("temperature of the sump")) }
            }
            Symptom::Fault(fault) => model.faults.says(&model.thermal, fault),
            Symptom::HeatMissing => model.faults.any(&model.thermal, &Fault::HEAT_MISSING),
            Symptom::CoolingMissing => model.faults.any(&model.thermal, &Fault::COOLING_MISSING),
        }
    }

    /// How long ago the water last stepped as nothing of the tank makes it, if that may still
    /// explain something.
    pub(in crate::engine) fn stepped(&self, tank: TankId) -> Option<Span> {
        let at = self.seen(tank).ok()?.thermal.holds().jumped()?;
        Some(self.now.mono - at).filter(|ago| *ago < EXPLAINS)
    }

    /// Whether the constants of a tank's model are its own by now.
    pub(in crate::engine) fn has_learned(&self, tank: TankId) -> bool {
        self.seen(tank).is_ok_and(|model| model.thermal.is_learned().is_ok())
    }

    pub(in crate::engine) fn coldest(&self, holding: &Holding) -> Result<Estimate, CannotSay> {
        let model = self.seen(holding.tank)?;
        model.thermal.heater_known()?;
        model.thermal.is_learned()?;
        let constants = model.thermal.constants();
        let heaters = match holding.on {
            Some(Heater::First) => vec![0],
            Some(Heater::Second) => vec![1],
            None => {
                (0..2).filter(|i| self.plan.tanks[holding.tank.index()].gear.heaters[*i].is_some()).collect()
            }
        };
        let held = Held { constants: &constants, set: holding.set, lamp: 0.0 };
        // The range of the heater's own strength widens that of the room.
        let rates =
            heaters.iter().map(|i| constants.heaters[*i]).fold(Interval::exact(0.0), |sum, rate| sum + rate);
        let likely = held.coldest_room(rates.likely)?;
        let ends = [held.coldest_room(rates.low)?.range, held.coldest_room(rates.high)?.range];
        let range = likely.range.hull(ends[0]).hull(ends[1]);
        Ok(Estimate { range, ..likely })
    }
}

impl Since {
    /// What is left of a time that began to run then.
    fn left_of(self, whole: Estimate, now: Moment) -> Estimate {
        let gone = (now - self.at).as_seconds() / 3_600.0;
        let left = |hours: f64| (hours - gone).max(0.0);
        let Interval { low, likely, high } = whole.range;
        // If nobody saw it begin, it may be over already.
        let low = if self.seen { left(low) } else { 0.0 };
        Estimate::new(Interval::new(low, left(likely), left(high)), whole.rests_on)
    }
}

/// In the dark no thermostat holds anything, as little as it is.
fn scenario(supposing: &WhatIf, dark: bool, heater: bool) -> Scenario {
    let off = Some(0.0);
    let base = match (supposing.no_power, supposing.no_heat, supposing.stuck) {
        (true, ..) => Scenario::no_power(),
        (_, true, _) => Scenario::no_heat(),
        (_, _, true) => Scenario::heater_stuck(),
        (false, false, false) if dark && heater => {
            Scenario { lamp: off, chiller: off, unheld: true, ..Scenario::no_heat() }
        }
        (false, false, false) if dark => Scenario { unheld: true, ..Scenario::now() },
        (false, false, false) => Scenario::now(),
    };
    Scenario { room: supposing.room, ..base }
}
