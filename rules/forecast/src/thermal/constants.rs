//! The constants of a tank as ranges. The loss to the room is the least sure of them: it turns
//! about the mean gap that was seen, where the rate is known well. What was never seen keeps the
//! prior's range.

#![expect(
    clippy::indexing_slicing,
    reason = "a place among the coefficients, of which there is a fixed number"
)]

use super::{CONSTANTS, DAY_OF_EQUATIONS, Thermal, ThermalInput};
use crate::interval::{CannotSay, Interval};

/// What is structural in the loss to the room, as a share.
const STRUCTURAL: f64 = 0.15;
/// The loss answers to the water more than to the room, from which it was learned: warm water
/// evaporates by its own vapour pressure, a warm room takes back only its humidity's share. Walls
/// of 19 W/K and 0.6 m² of surface give 1.2; the published evaporation models, lids and humidities
/// 1.05 to 1.4.
const WATER_OVER_ROOM: Interval = Interval { low: 1.05, likely: 1.2, high: 1.4 };
/// A statistical spread is this many times wider than the filter believes.
const DISTRUST: f64 = 1.2;

/// What is believed of a tank. Rates are K/h.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Constants {
    /// How the rate answers to the room, 1/h.
    pub loss: Interval,
    /// How the rate answers to the water's own temperature, 1/h: one over the time constant.
    pub slows: Interval,
    /// Mean of room minus water that was seen, K.
    pub gap: f64,
    /// Rate at this gap without heater, lamp and chiller, K/h; negative is falling.
    pub at_gap: f64,
    /// Rate that each heater adds at full power.
    pub heaters: [Interval; 2],
    /// Rate that the lamp adds.
    pub lamp: f64,
    /// Rate that the chiller adds; negative.
    pub chiller: f64,
    /// Whether the room was an input. If not, `loss` is the prior's, and `gap` is 0.
    pub room_known: bool,
    /// Standard deviation of the rate at this gap, K/h, by the filter, times a distrust.
    pub deviation: f64,
}

impl Constants {
    pub(super) fn of(model: &Thermal) -> Self {
        let room_known = model.room().is_some();
        let regression = if room_known { &model.with_room } else { &model.without_room };
        let learned = regression.constants();
        let rated = model.held_to_rating(learned);
        let [loss, first, second, other, lamp, chiller] = rated;
        let gap = match (room_known, model.learned.with_room) {
            (false, _) => 0.0,
            (true, 0) => model.room().zip(model.water()).map_or(-5.0, |(room, water)| room - water),
            (true, _) => model.learned.gap,
        };
        let noise = DISTRUST * model.noise();
        let along = |x: [f64; CONSTANTS]| regression.deviation(&x, noise);
        let unit = |index: usize| {
            let mut x = [0.0; CONSTANTS];
            x[index] = 1.0;
            along(x)
        };
        // A loss outside of what its prior could mean is not a loss: hold it to a factor of six.
        let prior = 1.0 / model.prior.tau_h.likely;
        let held = loss.clamp(prior / 6.0, prior * 6.0);
        let spread = (STRUCTURAL * held).max(1.28 * unit(0)).min(0.7 * held);
        let heater = |rate: f64, index: usize| {
            let rate = rate.max(0.0);
            Interval::plus_minus(rate, (0.08 * rate).max(1.28 * unit(index))).clamp(0.0, f64::INFINITY)
        };
        Self {
            loss: Interval::plus_minus(held, spread),
            slows: Interval::plus_minus(held, spread) * WATER_OVER_ROOM,
            gap,
            at_gap: match model.day.mean().filter(|_| rated != learned) {
                // What the heaters bring by their rating is what is lost.
                Some(mean) => mean - lamp * model.learned.lamp,
                None => other + loss * gap,
            },
            heaters: [heater(first, 1), heater(second, 2)],
            lamp,
            chiller,
            room_known,
            deviation: along([gap, 0.0, 0.0, 1.0, 0.0, 0.0]),
        }
    }

    /// Rate without heater, lamp and chiller at a gap (room minus water, K) if the loss is
    /// `loss`, K/h.
    pub fn rate_without_heat(&self, loss: f64, gap: f64) -> f64 {
        if self.room_known { self.at_gap + loss * (gap - self.gap) } else { self.at_gap }
    }

    /// How the rate answers to the water itself if it answers so to the room, 1/h: the likely
    /// value.
    pub(super) fn slows_by(&self, loss: f64) -> f64 {
        loss * WATER_OVER_ROOM.likely
    }

    /// The time constant, h.
    pub fn tau_h(&self) -> Interval {
        self.slows.map(|slows| 1.0 / slows)
    }
}

impl Thermal {
    /// The time constant in hours, if what was seen tells it; why not, if it does not.
    pub fn tau_h(&self) -> Result<Interval, CannotSay> {
        if self.room().is_none() {
            return Err(CannotSay::NotIdentifiable(
                "without a room sensor a thermostat hides how fast the tank loses heat",
            ));
        }
        self.heater_known()?;
        if self.learned.with_room < DAY_OF_EQUATIONS {
            let seen_h = f64::from(self.learned.with_room) / 2.0;
            return Err(CannotSay::TooEarly { seen_h, needed_h: f64::from(DAY_OF_EQUATIONS) / 2.0 });
        }
        let swing = (self.learned.gap_square - self.learned.gap * self.learned.gap).max(0.0).sqrt();
        if swing < 0.3 {
            return Err(CannotSay::NotIdentifiable("the room has hardly moved against the tank"));
        }
        let constants = self.constants();
        if constants.loss.high - constants.loss.low > 0.9 * constants.loss.likely {
            return Err(CannotSay::NotIdentifiable("the readings are too noisy against the room's swing"));
        }
        Ok(constants.tau_h())
    }

    /// Fails if no heater's state is known, or that of one was lost: its heat then passes for other
    /// heat. In a power cut it is known: whoever sees the cut says that the heater is off, and that
    /// it is lost again afterwards.
    pub fn heater_known(&self) -> Result<(), CannotSay> {
        use super::Heater::{First, Second};
        let heaters = [First, Second].map(ThermalInput::Heater);
        let known = heaters.iter().any(|heater| self.cells.heard(*heater))
            && heaters.iter().all(|heater| self.cells.held(*heater).is_finite());
        if known || self.prior.unheated { Ok(()) } else { Err(CannotSay::Missing("heater state")) }
    }
}
