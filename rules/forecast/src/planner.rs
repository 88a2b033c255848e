//! A tank on paper: what a keeper writes down about it flows in, and answers to what he plans for
//! flow out: heater size and spare, oxygen, battery, how long an outage he can stand, water and
//! light. Nothing here was measured or learned, so the ranges are as wide as the literature, and
//! each answer names what it rests on. What was not written down is either named as missing, or,
//! where common practice has a value that moves the answer little, assumed and said to be.

mod basis;
mod cooling;
mod outage;

pub use cooling::Cooling;
pub use outage::{End, Outage};

use super::battery::BatteryModel;
use super::circulation::{after_evaporation, after_fresh_water, turnover};
use super::evaporation::{PASSES_LID, Surface};
use super::geometry::Geometry;
use super::interval::{Basis, CannotSay, Estimate, Interval, Origin};
use super::margin::heater_size;
use super::oxygen::{self, AirPump, Before};
use super::water::{SeaWater, pressure_at};
use crate::oxygen::Stocking;
use crate::respiration::LearnedRespiration;

/// Salinity of a reef, if nobody says, psu. 5 psu move the oxygen by 3 %, the heat by less.
pub const USUAL_SALINITY: f64 = 35.0;
/// Too cold and too warm, degC, if nobody says: common practice for tropical tanks.
pub const USUAL_LIMITS: (f64, f64) = (22.0, 29.0);
/// Relative humidity of a lived-in room, if nobody says.
const USUAL_HUMIDITY: f64 = 0.5;
/// What is written down. Units as in all forecasts: m³, degC, W, hours.
#[derive(Clone, Debug, PartialEq)]
pub struct Paper {
    /// Water.
    pub volume: Option<f64>,
    /// Whether `volume` follows from the box, less what rock, sand and rim usually take.
    pub volume_from_box: bool,
    /// Open surface, m².
    pub surface: Option<f64>,
    /// psu.
    pub salinity: Option<f64>,
    /// The water as it is kept.
    pub water: Option<f64>,
    /// The coldest room that is planned for.
    pub room: Option<f64>,
    /// The hottest room that is planned for.
    pub hot_room: Option<f64>,
    /// Where `water`, `room` and `hot_room` come from.
    pub origins: [Origin; 3],
    /// Whether a lid lies on the tank.
    pub lid: bool,
    /// What the tank itself was seen to use of oxygen.
    pub respiration: Option<LearnedRespiration>,
    /// Too cold.
    pub cold: f64,
    /// Too warm.
    pub warm: f64,
    /// Watts of each heater.
    pub heaters: Vec<f64>,
    /// How much lives in it.
    pub stocking: Stocking,
    /// Above the sea, m.
    pub altitude: Option<f64>,
    /// Flow through the tank, m³/h.
    pub flow: Option<f64>,
    /// The air pump and its stone.
    pub air: Option<AirPump>,
    /// What carries the air pump through an outage.
    pub supply: Option<Supply>,
    /// Fresh water that can run in at worst.
    pub reservoir: Option<f64>,
    /// The lamp.
    pub light: Option<Light>,
}

/// A battery and its load.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Supply {
    /// The battery, full.
    pub battery: BatteryModel,
    /// What hangs on it, W; none if nobody says.
    pub load_w: Option<f64>,
}

/// A lamp's day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Light {
    /// PPFD at its brightest, umol/(m² s).
    pub ppfd: f64,
    /// Hours from on to off.
    pub hours: f64,
}

/// Whether a heater alone holds the tank in the coldest room.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Holds {
    /// Even at the highest loss.
    Yes,
    /// At the likely loss, not at the highest.
    Likely,
    /// Not at the likely loss, though at the lowest.
    Hardly,
    /// Not even at the lowest loss.
    No,
}

impl Holds {
    /// In a room of so many degC, if this is the coldest that can be held.
    pub fn of(room: f64, coldest: Interval) -> Self {
        match room {
            room if room >= coldest.high => Self::Yes,
            room if room >= coldest.likely => Self::Likely,
            room if room >= coldest.low => Self::Hardly,
            _ => Self::No,
        }
    }
}

impl Paper {
    /// The box's own volume times this, if the water was not given: rock, sand and rim take the
    /// rest (common practice).
    pub const WATER_IN_BOX: f64 = 0.85;

    /// A tank of which nothing is known but when it would be too cold and too warm, degC.
    pub fn blank(cold: f64, warm: f64) -> Self {
        Self {
            volume: None,
            volume_from_box: false,
            surface: None,
            salinity: None,
            water: None,
            room: None,
            hot_room: None,
            origins: [Origin::Given; 3],
            lid: false,
            respiration: None,
            cold,
            warm,
            heaters: Vec::new(),
            stocking: Stocking::default(),
            altitude: None,
            flow: None,
            air: None,
            supply: None,
            reservoir: None,
            light: None,
        }
    }

    /// Hours until too cold if nothing heats, with all power gone. The early end is the straight
    /// line along the steepest loss: a house without power cools with its tank.
    pub fn cold_without_heat(&self) -> Result<Estimate, CannotSay> {
        let (water, room) = (self.water()?, self.room()?);
        self.geometry()?;
        CannotSay::unless_within("limit in degC", self.cold, -2.0, 40.0)?;
        if water <= self.cold {
            return Ok(self.said(Interval::exact(0.0), self.climate_basis()));
        }
        let [steep, likely, slow] = self.coolings(0.0)?;
        let line = (self.cold - water) / steep.rate(water);
        let early = if line > 0.0 { line } else { f64::INFINITY };
        let range = Interval::new(
            early,
            likely.time_to(water, self.cold).max(early),
            slow.time_to(water, self.cold).max(early),
        );
        let rests_on = [
            Basis::assumed("no heat from pumps and lamp"),
            Basis::assumed(if room < water {
                "the room stays, or falls with the tank"
            } else {
                "the room stays"
            }),
        ];
        Ok(self.said(range, rests_on.into_iter().chain(self.heat_basis())))
    }

    /// Hours until too warm if the strongest heater never switches off, in a room as warm as the
    /// water: heaters stick on in summer too. The early end is the straight line at no loss to
    /// speak of.
    pub fn warm_with_heater_stuck(&self) -> Result<Estimate, CannotSay> {
        let strongest = self.heaters.iter().copied().reduce(f64::max).ok_or(CannotSay::Missing("heater"))?;
        let water = self.water()?;
        CannotSay::unless_within("limit in degC", self.warm, -2.0, 40.0)?;
        if water >= self.warm {
            return Ok(self.said(Interval::exact(0.0), self.climate_basis()));
        }
        let [steep, likely, slow] = self.coolings_in(strongest, water)?;
        let line = (self.warm - water) / (strongest / slow.capacity * 3_600.0);
        let late = [likely, steep].map(|case| case.time_to(water, self.warm));
        let rests_on = [Basis::given("heater"), Basis::assumed("a room as warm as the water")];
        Ok(self.said(Interval::new(line, late[0], late[1]), rests_on.into_iter().chain(self.heat_basis())))
    }

    /// Hours until too warm with all power gone, in the hottest room that is planned for: no
    /// chiller, no fan. The early end is air so damp that nothing evaporates.
    pub fn warm_without_power(&self) -> Result<Estimate, CannotSay> {
        let water = self.water()?;
        CannotSay::unless_within("limit in degC", self.warm, -2.0, 40.0)?;
        if water >= self.warm {
            return Ok(self.said(Interval::exact(0.0), self.climate_basis()));
        }
        let [damp, likely, dry] = self.hot_coolings()?.map(|case| case.time_to(water, self.warm));
        let range = Interval::new(damp, likely.max(damp), dry.max(damp));
        let rests_on = [
            Basis { origin: self.origins[2], what: "hottest room" },
            Basis::assumed("no heat from pumps and lamp"),
            Basis::assumed("the room stays as hot, its air anything from damp to 50 % humidity"),
        ];
        Ok(self.said(range, rests_on.into_iter().chain(self.heat_basis())))
    }

    /// Watts of heater that hold the water in the coldest room, with a third in hand.
    pub fn heater_size(&self) -> Result<Estimate, CannotSay> {
        let size = heater_size(&self.geometry()?, self.water()?, self.room()?, self.lid)?;
        Ok(self.said(size.range, self.heat_basis()))
    }

    /// The coldest room, degC, in which `watts` hold the water. Pumps and lamps are left out.
    pub fn coldest_room(&self, watts: f64) -> Result<Estimate, CannotSay> {
        let water = self.water()?;
        CannotSay::unless_within("heater in W", watts, 1.0, 1e5)?;
        let [steep, likely, slow] = self.coolings_in(watts, water)?.map(|case| case.coldest_room(water));
        let rests_on = [Basis::assumed("no heat from pumps and lamp")];
        Ok(self.said(Interval::new(slow, likely, steep), rests_on.into_iter().chain(self.heat_basis())))
    }

    /// Whether `watts` alone hold the water in the coldest room.
    pub fn holds(&self, watts: f64) -> Result<Holds, CannotSay> {
        Ok(Holds::of(self.room()?, self.coldest_room(watts)?.range))
    }

    /// Hours from when all pumps stop until oxygen falls to `threshold` mg/L; with the air pump, if
    /// it is to run all the while.
    pub fn oxygen(&self, threshold: f64, before: Before, air: bool) -> Result<Estimate, CannotSay> {
        let tank = self.oxygen_tank()?;
        let pump = if air { Some(self.air_pump()?) } else { None };
        let estimate = tank.time_to(threshold, before, pump.as_ref())?;
        Ok(self.said(estimate.range, estimate.rests_on.into_iter().chain(self.oxygen_basis())))
    }

    /// Hours that the battery carries its load.
    pub fn battery(&self) -> Result<Estimate, CannotSay> {
        let Supply { battery, load_w } = self.supply.ok_or(CannotSay::Missing("battery"))?;
        let estimate =
            battery.runtime(load_w.ok_or(CannotSay::Missing("load of the battery"))?, 1.0, false)?;
        let through = if battery.idle_w > 0.0 { "inverter" } else { "no inverter between" };
        let basis = if battery.idle_w > 0.0 { Basis::given(through) } else { Basis::assumed(through) };
        Ok(self.said(estimate.range, estimate.rests_on.into_iter().chain([basis])))
    }

    /// Volumes an hour.
    pub fn turnover(&self) -> Result<Estimate, CannotSay> {
        let flow = self.flow.ok_or(CannotSay::Missing("flow"))?;
        let volumes = turnover(flow, self.volume()?)?;
        Ok(self.said(Interval::exact(volumes), [Basis::given("flow")]))
    }

    /// Salinity, psu, once the whole reservoir of fresh water has run in.
    pub fn salinity_after_reservoir(&self) -> Result<Estimate, CannotSay> {
        let fresh = self.reservoir.ok_or(CannotSay::Missing("reservoir"))?;
        let estimate = after_fresh_water(self.salinity(), self.volume()?, fresh)?;
        Ok(self.said(estimate.range, estimate.rests_on.into_iter().chain(self.salinity_basis())))
    }

    /// Water that evaporates, m³ a day.
    pub fn evaporation(&self) -> Result<Estimate, CannotSay> {
        let (geometry, water, air) = (self.geometry()?, self.water()?, self.room()?);
        let surface = Surface { water, salinity: self.salinity(), air, humidity: USUAL_HUMIDITY };
        let open = surface.range().map(|watts| surface.mm_per_day(watts).max(0.0)) * (geometry.surface / 1e3);
        let a_day = if self.lid { open * PASSES_LID } else { open };
        let under = match self.lid {
            true => Basis::given("lid"),
            false => Basis::assumed("open surface"),
        };
        let open = [under, Basis::assumed("no fan, 50 % humidity")].into_iter();
        Ok(self.said(a_day, open.chain(self.climate_basis()).chain(self.surface_basis())))
    }

    /// Salinity, psu, after `days` of evaporation without top-off.
    pub fn salinity_without_top_off(&self, days: f64) -> Result<Estimate, CannotSay> {
        let (a_day, volume) = (self.evaporation()?, self.volume()?);
        let after = |lost: f64| after_evaporation(self.salinity(), volume, lost * days);
        let range = a_day.range;
        let range = Interval::new(after(range.low)?, after(range.likely)?, after(range.high)?);
        Ok(self.said(range, a_day.rests_on.into_iter().chain(self.salinity_basis())))
    }

    /// Daily light integral, mol/m². High: the lamp is at its brightest from on to off; low: it
    /// follows a half sine.
    pub fn daily_light(&self) -> Result<Estimate, CannotSay> {
        let Light { ppfd, hours } = self.light.ok_or(CannotSay::Missing("light"))?;
        let ppfd = CannotSay::unless_within("PPFD in umol/m2/s", ppfd, 0.0, 3_000.0)?;
        let hours = CannotSay::unless_within("hours of light", hours, 0.0, 24.0)?;
        let most = ppfd * hours * 3_600.0 * 1e-6;
        let range = Interval::new(most * std::f64::consts::FRAC_2_PI, most * 0.85, most);
        Ok(Estimate::new(
            range,
            [Basis::given("light and hours"), Basis::assumed("the shape of the lamp's day")],
        ))
    }

    /// Three tanks that lose as much, as usual, and as little heat as tanks of this size do, with
    /// `watts` put in.
    pub fn coolings(&self, watts: f64) -> Result<[Cooling; 3], CannotSay> {
        self.coolings_in(watts, self.room()?)
    }

    /// The tank in the hottest room without power: in air so damp that nothing evaporates, as
    /// usual, and in air that takes as much as any model says.
    pub fn hot_coolings(&self) -> Result<[Cooling; 3], CannotSay> {
        let room = self.hot_room.ok_or(CannotSay::Missing("hottest room"))?;
        let room = CannotSay::unless_within("hottest room in degC", room, -30.0, 60.0)?;
        let [steep, likely, slow] = self.coolings_in(0.0, room)?;
        Ok([Cooling { surface: 0.0, ..steep }, likely, Cooling { evaporates: 2, ..slow }])
    }

    fn coolings_in(&self, watts: f64, room: f64) -> Result<[Cooling; 3], CannotSay> {
        let geometry = self.geometry()?;
        let all = [(geometry.walls.high, 2), (geometry.walls.likely, 1), (geometry.walls.low, 0)];
        Ok(all.map(|(walls, evaporates)| Cooling {
            capacity: geometry.capacity.likely,
            walls,
            evaporates,
            surface: geometry.surface,
            lid: self.lid,
            salinity: self.salinity(),
            humidity: USUAL_HUMIDITY,
            room,
            watts,
        }))
    }

    /// What the oxygen answers are computed from.
    pub fn oxygen_tank(&self) -> Result<oxygen::TankOxygen, CannotSay> {
        let (geometry, celsius) = (self.geometry()?, self.water()?);
        Ok(oxygen::TankOxygen {
            volume: geometry.volume,
            surface: geometry.surface,
            water: SeaWater::new(celsius, self.salinity())?,
            celsius,
            pressure_hpa: pressure_at(self.altitude.unwrap_or(0.0)),
            stocking: self.stocking,
            learned: self.respiration,
            measured: None,
        })
    }

    /// The air pump, if there is one.
    pub fn air_pump(&self) -> Result<AirPump, CannotSay> {
        let pump = self.air.ok_or(CannotSay::Missing("air pump"))?;
        CannotSay::unless_within("air in L/min", pump.air_l_min, 0.0, 1_000.0)?;
        CannotSay::unless_within("depth of the stone in m", pump.depth_m, 0.01, 5.0)?;
        Ok(pump)
    }

    fn geometry(&self) -> Result<Geometry, CannotSay> {
        Geometry::of(self.volume()?, self.salinity(), self.surface)
    }

    fn volume(&self) -> Result<f64, CannotSay> {
        self.volume.ok_or(CannotSay::Missing("volume"))
    }

    fn water(&self) -> Result<f64, CannotSay> {
        let water = self.water.ok_or(CannotSay::Missing("water temperature"))?;
        CannotSay::unless_within("water temperature in degC", water, 0.0, 40.0)
    }

    fn room(&self) -> Result<f64, CannotSay> {
        let room = self.room.ok_or(CannotSay::Missing("room temperature"))?;
        CannotSay::unless_within("room in degC", room, -30.0, 45.0)
    }

    fn salinity(&self) -> f64 {
        self.salinity.unwrap_or(USUAL_SALINITY)
    }
}
