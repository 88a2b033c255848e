//! What is known about a tank's heat before anything was measured: from its size, and from the
//! watts that the keeper wrote down.

use super::CONSTANTS;
use crate::evaporation::{PASSES_LID, Surface};
use crate::geometry::Geometry;
use crate::interval::Interval;

/// The prior of a tank's constants.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Prior {
    /// Heat capacity, J/K, if the volume is known.
    pub capacity: Option<Interval>,
    /// Time constant, h.
    pub tau_h: Interval,
    /// Heat of the two heaters, W, where known.
    pub heaters_w: [Option<f64>; 2],
    /// Heat of the lamp that reaches the water, W, where known.
    pub lamp_w: Option<f64>,
    /// Heat of the pumps that reaches the water, W, where known.
    pub pumps_w: Option<f64>,
    /// Whether nothing heats this tank. If something does, and its state is not heard of, nothing
    /// is learned: its heat would pass for the pumps'.
    pub unheated: bool,
    /// Heat lost by evaporation at a room as warm as the water, W.
    pub evaporation_w: Interval,
}

/// Watts that pumps bring per litre if nobody wrote it down (from memory): 0.05 to 0.2.
const PUMPS_W_PER_J_K: f64 = 0.1 / 4_090.0;

/// A heater's rate is within these shares of what its rating makes of the water alone: volumes are
/// written down by guess, rock takes its part, ratings are off.
const RATED: (f64, f64) = (0.75, 1.35);

impl Prior {
    /// From a tank's size. Watts are filled in by whoever knows them.
    pub fn of(geometry: &Geometry) -> Self {
        let surface = Surface { water: 25.5, salinity: 35.0, air: 25.5, humidity: 0.5 };
        Self {
            capacity: Some(geometry.capacity),
            tau_h: geometry.tau_h(),
            heaters_w: [None; 2],
            lamp_w: None,
            pumps_w: None,
            unheated: false,
            evaporation_w: surface.range() * geometry.surface,
        }
    }

    /// The same tank under a lid: less of its evaporation passes.
    pub fn under_lid(self) -> Self {
        Self { evaporation_w: self.evaporation_w * PASSES_LID, ..self }
    }

    /// A tank of which not even the volume is known.
    pub fn unknown() -> Self {
        Self {
            capacity: None,
            tau_h: Interval::new(4.0, 12.0, 36.0),
            heaters_w: [None; 2],
            lamp_w: None,
            pumps_w: None,
            unheated: false,
            evaporation_w: Interval::exact(0.0),
        }
    }

    /// What a heater's rate can be by its rating, K/h, if rating and volume are known.
    pub(super) fn of_rating(&self, heater: usize) -> Option<(f64, f64)> {
        let rate = self.rate(self.heaters_w.get(heater).copied().flatten()?)?;
        Some((rate * RATED.0, rate * RATED.1))
    }

    /// Watts as a rate, K/h.
    fn rate(&self, watts: f64) -> Option<f64> {
        self.capacity.map(|capacity| watts * 3_600.0 / capacity.likely)
    }

    /// The rate that the pumps' heat makes, K/h: what is lost with the power.
    pub fn pumps(&self) -> Interval {
        match (self.pumps_w, self.capacity) {
            (Some(watts), Some(capacity)) => Interval::exact(watts * 3_600.0).over(capacity),
            (None, Some(capacity)) => {
                let likely = PUMPS_W_PER_J_K * capacity.likely * 3_600.0 / capacity.likely;
                Interval::new(0.4 * likely, likely, 2.0 * likely)
            }
            (_, None) => Interval::new(0.0, 0.05, 0.15),
        }
    }

    /// Standard deviation and likely value of each constant, with the room as an input.
    pub(super) fn with_room(&self) -> [(f64, f64); CONSTANTS] {
        let loss = 1.0 / self.tau_h.likely;
        let heater = |watts: Option<f64>| match watts.and_then(|watts| self.rate(watts)) {
            Some(rate) => (0.3 * rate + 0.02, rate),
            None => (1.0, 0.8),
        };
        let pumps = self.pumps();
        let evaporation = self.capacity.map_or(Interval::new(0.0, 0.1, 0.3), |capacity| {
            self.evaporation_w * (3_600.0 / capacity.likely)
        });
        let other = pumps - evaporation;
        let lamp = match self.lamp_w.and_then(|watts| self.rate(watts)) {
            Some(rate) => (0.5 * rate + 0.02, rate),
            None => (0.15, 0.08),
        };
        [
            (0.5 * loss, loss),
            heater(self.heaters_w[0]),
            heater(self.heaters_w[1]),
            ((other.high - other.low) / 2.0 + 0.05, other.likely),
            lamp,
            (1.0, -0.5),
        ]
    }

    /// The same without a room: the loss to the room is part of the other heat, and nearly unknown.
    pub(super) fn without_room(&self) -> [(f64, f64); CONSTANTS] {
        let mut prior = self.with_room();
        // A room 2 to 10 K below the tank is what people live in.
        prior[3] = (0.35, prior[3].1 - 5.0 * prior[0].1);
        prior
    }
}
