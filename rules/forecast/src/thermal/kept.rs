//! What a tank's model has learned, as plain numbers that survive a restart: the normal equations
//! of both regressions, the running means, and what holds the tank. What belongs to the last hour
//! (cells, thermostat turns, work, suspicion) does not: it has to be seen again.

#![expect(clippy::indexing_slicing, reason = "places of a list whose length was looked at")]

use super::day::Day;
use super::{CONSTANTS, Thermal};
use crate::hold::Hold;
use crate::regression::Regression;

/// Numbers of the running means.
const MEANS: usize = 9;
/// Numbers of a regression: its prior, to know whether it is still the same tank; its equations.
const REGRESSION: usize = 2 * CONSTANTS + CONSTANTS * CONSTANTS + CONSTANTS;
/// All that a journal of earlier versions has.
const NUMBERS: usize = MEANS + 2 * REGRESSION;

impl Thermal {
    /// What was learned, if anything was.
    pub fn kept(&self) -> Option<Vec<f64>> {
        let seen = &self.learned;
        if self.gathered() == 0 {
            return None;
        }
        let mut numbers = vec![
            f64::from(seen.equations),
            f64::from(seen.with_room),
            seen.gap,
            seen.gap_square,
            seen.noise,
            seen.bias,
            seen.bias_size,
            seen.surprise,
            seen.lamp,
        ];
        numbers.extend(self.with_room.kept());
        numbers.extend(self.without_room.kept());
        numbers.extend(self.hold.kept());
        numbers.extend(self.day.kept());
        numbers.extend(self.hold.kept_floor());
        numbers.extend(self.hold.kept_sinks());
        numbers.extend(self.hold.kept_cooler());
        Some(numbers)
    }

    /// How much was learned: half hours of the model, and quarters of a day of what holds the tank.
    pub fn gathered(&self) -> u32 {
        self.learned.equations.saturating_add(self.hold.windows())
    }

    /// Goes on from what was learned. Refuses, and stays as it is, what another form or another
    /// tank (one of another size, other watts) has learned.
    pub fn recall(&mut self, numbers: &[f64]) -> bool {
        let later = NUMBERS + Hold::KEPT + Day::KEPT;
        let newest = later + 4 + Hold::KEPT_COOLER;
        let whole = [NUMBERS, later, later + 2, later + 4, newest].contains(&numbers.len())
            && numbers.iter().all(|number| number.is_finite());
        let Some((numbers, hold)) = numbers.split_at_checked(NUMBERS).filter(|_| whole) else { return false };
        let (hold, floor) = hold.split_at(hold.len().min(later - NUMBERS));
        let (means, rest) = numbers.split_at(MEANS);
        let (with_room, without_room) = rest.split_at(REGRESSION);
        let mut model = self.clone();
        if let Some((hold, day)) = hold.split_at_checked(Hold::KEPT)
            && !(model.hold.recall(hold) && model.day.recall(day))
        {
            return false;
        }
        if let [place, margin, sinks @ ..] = floor {
            model.hold.recall_floor([*place, *margin]);
            if let [place, times, cooler @ ..] = sinks {
                model.hold.recall_sinks([*place, *times]);
                if let Ok(cooler) = cooler.try_into() {
                    model.hold.recall_cooler(cooler);
                }
            }
        }
        if !model.with_room.recall(with_room) || !model.without_room.recall(without_room) {
            return false;
        }
        let seen = &mut model.learned;
        (seen.equations, seen.with_room) = (means[0] as u32, means[1] as u32);
        (seen.gap, seen.gap_square, seen.noise) = (means[2], means[3].max(0.0), means[4].clamp(0.005, 1.0));
        (seen.bias, seen.bias_size) = (means[5].clamp(-0.5, 0.5), means[6].max(0.0));
        (seen.surprise, seen.lamp) = (means[7].clamp(0.0, 1.0), means[8].clamp(0.0, 1.0));
        *self = model;
        true
    }
}

impl<const N: usize> Regression<N> {
    fn kept(&self) -> impl Iterator<Item = f64> + '_ {
        let prior = self.prior.iter().flat_map(|(weight, likely)| [*weight, *likely]);
        prior.chain(self.information.iter().flatten().copied()).chain(self.target)
    }

    fn recall(&mut self, numbers: &[f64]) -> bool {
        let (prior, rest) = numbers.split_at(2 * N);
        let same = |known: f64, kept: f64| (known - kept).abs() <= 1e-9 * known.abs().max(1e-9);
        let alike = self
            .prior
            .iter()
            .zip(prior.chunks(2))
            .all(|((weight, likely), kept)| same(*weight, kept[0]) && same(*likely, kept[1]));
        if !alike {
            return false;
        }
        let (information, target) = rest.split_at(N * N);
        for (row, kept) in self.information.iter_mut().zip(information.chunks(N)) {
            row.copy_from_slice(kept);
        }
        self.target.copy_from_slice(target);
        self.refresh();
        self.solved.iter().all(|constant| constant.is_finite())
    }
}
