//! One simple future of the water: a rate that slows down as it goes, in a room that goes on
//! changing for a while.

use crate::wording::HORIZON_H;

/// The room goes on as it does for this long, h, in the early and late futures.
const ROOM_GOES_ON_H: f64 = 3.0;

/// One future, counted towards the limit: `dD/dt = rate - slows * D + loss * room's change`.
pub(super) struct Future {
    pub(super) rate: f64,
    pub(super) slows: f64,
    pub(super) loss: f64,
    pub(super) trend: f64,
}

impl Future {
    /// Hours until it has gone `distance` kelvin; infinite if not within the horizon.
    pub(super) fn meets(&self, distance: f64) -> f64 {
        if self.trend == 0.0 {
            return self.without_trend(distance);
        }
        // A quarter of an hour at a time, exact for the rate in its middle.
        let (step, mut gone, mut at) = (0.25, 0.0, 0.0);
        let (decay, gain) = if self.slows > 0.0 {
            let decay = (-self.slows * step).exp();
            (decay, (1.0 - decay) / self.slows)
        } else {
            (1.0, step)
        };
        while at < HORIZON_H {
            let changed = self.trend * (at + step / 2.0_f64).min(ROOM_GOES_ON_H);
            let next = gone * decay + (self.rate + self.loss * changed) * gain;
            if next >= distance {
                return at + step * (distance - gone) / (next - gone);
            }
            (gone, at) = (next, at + step);
        }
        f64::INFINITY
    }

    fn without_trend(&self, distance: f64) -> f64 {
        if self.rate <= 0.0 {
            return f64::INFINITY;
        }
        let slowed = self.slows * distance / self.rate;
        let hours = if slowed >= 1.0 {
            f64::INFINITY
        } else if self.slows * distance < 1e-9 {
            distance / self.rate
        } else {
            -(1.0 - slowed).ln() / self.slows
        };
        if hours > HORIZON_H { f64::INFINITY } else { hours }
    }
}
