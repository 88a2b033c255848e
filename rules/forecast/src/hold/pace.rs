//! How fast this water changes by itself: a high share of its changes in twenty minutes. What is
//! much faster than all that its own devices and its room ever did is work that nobody declared, or
//! a probe that was lifted.

#![expect(clippy::indexing_slicing, reason = "a fixed number of cells, by fixed places")]

use crate::thermal::{CELL, Cell};
use slackwater_time::Moment;

/// Cells kept: the newest and the forty minutes before it.
const KEPT: usize = 9;
/// Cells over which changes are measured, and what is too much beyond the usual for chance alone,
/// K: twenty and forty minutes.
const OVER: [(usize, f64); 2] = [(4, 0.12), (8, 0.10)];
/// The share of changes that are smaller.
const SHARE: f64 = 0.97;
/// Times the usual that no water does by itself.
const BEYOND: f64 = 1.6;
/// And of the fastest that heaters and losses make.
const OWN_SHARE: f64 = 1.25;
/// Times its usual fastest fall is steep, beyond so much by chance, K.
const STEEP: f64 = 1.3;
const STEEP_BY_CHANCE: f64 = 0.06;
/// Changes before the usual is known; until then this, K.
const KNOWN: u32 = 72;
const UNKNOWN: f64 = 0.4;

/// The newest cells, and the usual changes.
#[derive(Clone, Copy, Debug)]
pub(super) struct SwingPace {
    newest: [f64; KEPT],
    usual: [f64; 2],
    seen: u32,
    jumped: Option<Moment>,
    /// What it falls in twenty minutes at its usual fastest, K, and when it last fell faster.
    falls: f32,
    steep: Moment,
}

impl Default for SwingPace {
    fn default() -> Self {
        Self {
            newest: [f64::NAN; KEPT],
            usual: [0.15, 0.25],
            seen: 0,
            jumped: None,
            falls: 0.05,
            steep: Moment(i64::MIN),
        }
    }
}

impl SwingPace {
    /// A cell without a reading: what comes next is no neighbour.
    pub(super) fn gap(&mut self) {
        self.push(f64::NAN);
    }

    /// Nothing was heard for longer than a cell.
    pub(super) fn away(&mut self) {
        self.newest = [f64::NAN; KEPT];
    }

    fn push(&mut self, water: f64) {
        self.newest.rotate_left(1);
        self.newest[KEPT - 1] = water;
    }

    pub(super) fn cell(&mut self, cell: &Cell, own: f64) {
        self.push(cell.temperature);
        let newest = self.newest;
        let change = |cells: usize| (newest[KEPT - 1] - newest[KEPT - 1 - cells]).abs();
        let settling = self.jumped.is_some_and(|at| cell.end - at <= CELL.times(KEPT as i64));
        for ((over, chance), usual) in OVER.into_iter().zip(&mut self.usual) {
            let seen = if self.seen < KNOWN { usual.max(UNKNOWN) } else { *usual };
            let by_itself = own * over as f64 * CELL.as_seconds() / 3_600.0;
            let most = (BEYOND * seen).max(OWN_SHARE * by_itself) + chance;
            // In five minutes not as much as it does in twenty at most.
            if change(over) > most || change(1) > 0.75 * most {
                self.jumped = Some(cell.end);
            }
            if change(over).is_finite() && !settling {
                let step = (0.004 * *usual).max(2e-4) * if self.seen < 2 * KNOWN { 4.0 } else { 1.0 };
                *usual += if change(over).min(most) > *usual { step * SHARE / (1.0 - SHARE) } else { -step };
                *usual = usual.clamp(0.02, 2.0);
            }
        }
        self.fall(newest[KEPT - 5] - newest[KEPT - 1], own, cell.end, settling);
        if change(1).is_finite() {
            self.seen = self.seen.saturating_add(1);
        }
        if cell.disturbed {
            // Declared: nothing to guess.
            self.jumped = self.jumped.filter(|at| cell.end - *at > CELL.times(KEPT as i64));
        }
    }

    /// Takes what the water fell in twenty minutes.
    fn fall(&mut self, fell: f64, own: f64, at: Moment, settling: bool) {
        if !fell.is_finite() {
            return;
        }
        let by_itself = own / 3.0;
        let mut falls = f64::from(self.falls);
        if fell > (STEEP * falls).max(by_itself) + STEEP_BY_CHANCE {
            self.steep = at;
        }
        if !settling {
            let step = (0.004 * falls).max(2e-4) * if self.seen < 2 * KNOWN { 4.0 } else { 1.0 };
            falls += if fell > falls { step * SHARE / (1.0 - SHARE) } else { -step };
            self.falls = falls.clamp(0.02, 2.0) as f32;
        }
    }

    /// When it last fell faster than it does by itself.
    pub(super) fn fell_steeply(&self) -> Moment {
        self.steep
    }

    pub(super) fn jumped(&self) -> Option<Moment> {
        self.jumped
    }

    /// Mean of the newest quarter of an hour.
    pub(super) fn smooth(&self) -> f64 {
        (self.newest[KEPT - 1] + self.newest[KEPT - 2] + self.newest[KEPT - 3]) / 3.0
    }

    /// Means of ten minutes, half an hour apart.
    pub(super) fn lately(&self) -> Option<(f64, f64)> {
        let now = (self.newest[KEPT - 1] + self.newest[KEPT - 2]) / 2.0;
        let before = (self.newest[KEPT - 7] + self.newest[KEPT - 6]) / 2.0;
        (now + before).is_finite().then_some((before, now))
    }

    /// What the newest ten minutes are away from those of twenty minutes ago, K; right after a gap
    /// twice what it did in the last ten.
    pub(super) fn just_now(&self) -> f64 {
        let mean = |back: usize| (self.newest[KEPT - 1 - back] + self.newest[KEPT - 2 - back]) / 2.0;
        let change = mean(0) - mean(4);
        if change.is_finite() { change } else { 2.0 * (self.newest[KEPT - 1] - self.newest[KEPT - 3]) }
    }

    /// The newest cell, less the lowest of the four before it.
    pub(super) fn turned_by(&self) -> f64 {
        let before = &self.newest[KEPT - 5..KEPT - 1];
        self.newest[KEPT - 1] - before.iter().copied().fold(f64::INFINITY, f64::min)
    }

    pub(super) fn kept(&self) -> [f64; 2] {
        if self.seen >= KNOWN { self.usual } else { [0.0; 2] }
    }

    pub(super) fn recall(&mut self, usual: [f64; 2]) {
        if usual.iter().all(|usual| *usual > 0.0) {
            (self.usual, self.seen) = (usual.map(|usual| usual.clamp(0.02, 2.0)), KNOWN);
        }
    }
}
