//! One of the futures of a tank on paper: walls, an evaporating surface and a constant heat,
//! integrated step by step, since evaporation has no closed form.

use crate::cooling::crossing;
use crate::evaporation::{PASSES_LID, Surface};
use crate::interval::Interval;
use crate::wording::HORIZON_H;

/// Steps of the integration, h: a tank changes over hours, so a twelfth of one is exact enough for
/// any plan.
const STEP_H: f64 = 1.0 / 12.0;

/// A tank with every figure fixed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cooling {
    /// J/K.
    pub capacity: f64,
    /// Loss without evaporation, W/K.
    pub walls: f64,
    /// Which of the published evaporation models: 0 the lowest, 1 the median, 2 the highest.
    pub evaporates: u8,
    /// Open surface, m².
    pub surface: f64,
    /// Whether a lid lies on it.
    pub lid: bool,
    /// psu.
    pub salinity: f64,
    /// Of the room's air, 0 to 1.
    pub humidity: f64,
    /// degC.
    pub room: f64,
    /// Heat put in, W.
    pub watts: f64,
}

impl Cooling {
    /// The rate of change at a temperature of the water, K/h.
    pub fn rate(&self, water: f64) -> f64 {
        let surface = Surface { water, salinity: self.salinity, air: self.room, humidity: self.humidity };
        let passes = if self.lid { PASSES_LID } else { Interval::exact(1.0) };
        let all = surface.range();
        let evaporation = match self.evaporates {
            0 => all.low * passes.low,
            1 => all.likely * passes.likely,
            _ => all.high * passes.high,
        };
        let lost = self.walls * (water - self.room) + self.surface * evaporation;
        (self.watts - lost) / self.capacity * 3_600.0
    }

    /// The temperature a step later: Runge & Kutta's fourth order.
    fn step(&self, water: f64) -> f64 {
        let k1 = self.rate(water);
        let k2 = self.rate(water + STEP_H / 2.0 * k1);
        let k3 = self.rate(water + STEP_H / 2.0 * k2);
        let k4 = self.rate(water + STEP_H * k3);
        water + STEP_H / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + k4)
    }

    /// The temperature at every step from `from`, with its hour, for as long as somebody asks.
    pub fn course(&self, from: f64) -> impl Iterator<Item = (f64, f64)> {
        let mut water = from;
        std::iter::once((0.0, from)).chain((1..).map(move |i| {
            water = self.step(water);
            (f64::from(i) * STEP_H, water)
        }))
    }

    /// Hours from `from` until the water meets `limit`; infinite if not within three days.
    pub fn time_to(&self, from: f64, limit: f64) -> f64 {
        let rises = limit > from;
        let mut before = (0.0, from);
        for (hour, water) in self.course(from).take_while(|(hour, _)| *hour <= HORIZON_H) {
            if water == limit || (water > limit) == rises {
                let share = if water == before.1 { 0.0 } else { (limit - before.1) / (water - before.1) };
                return before.0 + (hour - before.0) * share;
            }
            before = (hour, water);
        }
        f64::INFINITY
    }

    /// The coldest room, degC, in which the heat put in holds the water at `set`; minus infinity if
    /// any.
    pub fn coldest_room(&self, set: f64) -> f64 {
        let rate = |room: f64| Self { room, ..*self }.rate(set);
        crossing(rate, -40.0, 60.0).unwrap_or(if rate(-40.0) > 0.0 {
            f64::NEG_INFINITY
        } else {
            f64::INFINITY
        })
    }
}
