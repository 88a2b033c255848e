//! Heater margin: how cold the room may get before the heaters cannot hold, what each heater
//! holds alone, how large a heater a tank needs, and whether the duty creeps up over weeks.
//!
//! On paper it comes from watts ([`Balance`]); for a known tank from what was learned
//! ([`Held`]), with no watts and no volume in it.

#![expect(clippy::indexing_slicing, reason = "indices run below the length of what they look into")]

use super::cooling::crossing;
use super::evaporation::{EvaporationModel, PASSES_LID, Surface};
use super::geometry::Geometry;
use super::interval::{Basis, CannotSay, Estimate, Interval};
use super::thermal::Constants;

/// A tank's heat balance in watts with every figure known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Balance {
    /// Heat loss without evaporation, W/K.
    pub walls_w_k: f64,
    /// Heat from pumps and lamps that reaches the water, W.
    pub other_w: f64,
    /// Evaporation: the law, the open surface (m²), the room's relative humidity (0 to 1).
    pub evaporation: Option<(EvaporationModel, f64, f64)>,
    /// psu.
    pub salinity: f64,
}

impl Balance {
    /// Watts a heater must bring on average to hold `set` in a `room`, degC.
    pub fn need_w(&self, set: f64, room: f64) -> f64 {
        let evaporation = self.evaporation.map_or(0.0, |(model, area, humidity)| {
            area * Surface { water: set, salinity: self.salinity, air: room, humidity }.watts_per_m2(model)
        });
        self.walls_w_k * (set - room) + evaporation - self.other_w
    }

    /// The coldest room, degC, in which `heater_w` can hold `set`; infinite if none between -60 and
    /// 60.
    pub fn coldest_room(&self, set: f64, heater_w: f64) -> f64 {
        crossing(|room| self.need_w(set, room) - heater_w, -60.0, 60.0).unwrap_or(f64::INFINITY)
    }
}

/// Watts of heater that a tank needs to hold `set` in the coldest `room`, degC, with a third in
/// hand (common practice): over the range of heat losses and evaporation models. Pumps and lamps
/// are left out: the heater must also hold when the lamps are off. `lid`: one lies on the tank.
pub fn heater_size(tank: &Geometry, set: f64, room: f64, lid: bool) -> Result<Estimate, CannotSay> {
    CannotSay::unless_within("set-point in degC", set, 0.0, 40.0)?;
    CannotSay::unless_within("room in degC", room, -30.0, 45.0)?;
    let surface = Surface { water: set, salinity: 35.0, air: room, humidity: 0.5 };
    let passes = if lid { PASSES_LID } else { Interval::exact(1.0) };
    let need = tank.walls * (set - room).max(0.0) + surface.range() * passes * tank.surface;
    let rests_on = [
        Basis::given("volume, set-point and coldest room"),
        Basis::assumed("heat loss of a tank of this size"),
        Basis::assumed("evaporation at 50 % humidity"),
    ];
    Ok(Estimate::new((need * (4.0 / 3.0)).clamp(0.0, f64::INFINITY), rests_on))
}

/// What the learned constants say about holding a temperature.
#[derive(Clone, Copy, Debug)]
pub struct Held<'a> {
    /// The constants.
    pub constants: &'a Constants,
    /// The set-point, degC.
    pub set: f64,
    /// Lamp's share on, 0 to 1: 0 is the cautious answer.
    pub lamp: f64,
}

impl Held<'_> {
    /// Share of the time that heaters of together `rate` K/h must run in a `room`. Over 1 they
    /// cannot hold.
    pub fn duty(&self, rate: f64, room: f64) -> Interval {
        self.fall(room) * (1.0 / rate)
    }

    /// The coldest room, degC, in which heaters of together `rate` K/h hold.
    pub fn coldest_room(&self, rate: f64) -> Result<Estimate, CannotSay> {
        let c = self.constants;
        if !c.room_known {
            return Err(CannotSay::NotIdentifiable(
                "without a room sensor nothing says what the room takes away",
            ));
        }
        let ends = [c.loss.low, c.loss.likely, c.loss.high]
            .map(|loss| self.set + c.gap - (c.at_gap + c.lamp * self.lamp + rate) / loss);
        let range = Interval::new(ends[0].min(ends[2]), ends[1], ends[0].max(ends[2]));
        let rests_on =
            [Basis::learned("heat loss and heater rate"), Basis::assumed("humidity and lid as they were")];
        Ok(Estimate::new(range, rests_on))
    }

    /// How fast it falls without heat at the set-point, K/h, positive.
    fn fall(&self, room: f64) -> Interval {
        let c = self.constants;
        let rate = |loss: f64| -(c.rate_without_heat(loss, room - self.set) + c.lamp * self.lamp);
        Interval::spread([c.loss.low, c.loss.likely, c.loss.high].map(rate))
            .unwrap_or(Interval::exact(f64::NAN))
    }
}

/// Days of duty that a trend is taken over.
const TREND_DAYS: usize = 56;

/// The heater's duty day by day, against how far the room was below the tank, so that a cold week
/// is no trend.
#[derive(Clone, Debug)]
pub struct DutyTrend {
    days: [f32; TREND_DAYS],
    known: usize,
}

impl Default for DutyTrend {
    fn default() -> Self {
        Self { days: [f32::NAN; TREND_DAYS], known: 0 }
    }
}

impl DutyTrend {
    /// Takes one day's mean duty (0 to 1) and mean of tank minus room, K. A day with the room
    /// within 1 K of the tank tells nothing and leaves a gap; so does a day not seen (NaN).
    pub fn day(&mut self, duty: f64, above_room: f64) {
        self.days.rotate_left(1);
        self.days[TREND_DAYS - 1] = if above_room > 1.0 { (duty / above_room) as f32 } else { f32::NAN };
        self.known = (self.known + 1).min(TREND_DAYS);
    }

    /// Change of the duty for the same room, as a share per week: median of all slopes between two
    /// days (Theil 1950, Sen 1968), with their quartiles as the range. Needs two weeks.
    pub fn per_week(&self) -> Result<Estimate, CannotSay> {
        let days: Vec<(f64, f64)> = (0..TREND_DAYS)
            .map(|day| (day as f64, f64::from(self.days[day])))
            .filter(|(_, duty)| duty.is_finite())
            .collect();
        if days.len() < 14 {
            return Err(CannotSay::TooEarly { seen_h: 24.0 * days.len() as f64, needed_h: 336.0 });
        }
        let mut slopes = Vec::with_capacity(days.len() * days.len() / 2);
        for (i, (day, duty)) in days.iter().enumerate() {
            slopes.extend(days[i + 1..].iter().map(|(later, then)| (then - duty) / (later - day) * 7.0));
        }
        slopes.sort_by(f64::total_cmp);
        let mean = days.iter().map(|(_, duty)| duty).sum::<f64>() / days.len() as f64;
        let at = |share: usize| slopes[slopes.len() * share / 4] / mean.max(1e-6);
        Ok(Estimate::new(Interval::new(at(1), at(2), at(3)), [Basis::learned("duty day by day")]))
    }
}
