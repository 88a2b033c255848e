//! How fast this water changes by itself: a high share of its changes in twenty minutes. What is much faster than all
//! that its own devices and its room ever did is work that nobody declared, or a probe that was lifted.

#![expect(clippy::indexing_slicing, reason = "a fixed number of cells, by fixed places")]

use crate::thermal::{CELL, Cell};
use slackwater_time::Moment;

/// Cells kept: the newest and the half hour before it.
const KEPT: usize = 7;
/// Cells over which a change is measured: twenty minutes.
const OVER: usize = 4;
/// The share of changes that are smaller.
const SHARE: f64 = 0.97;
/// Times the usual, and K beyond, that no water does by itself.
const BEYOND: (f64, f64) = (1.6, 0.12);
/// And of the fastest that heaters and losses make.
const OWN_SHARE: f64 = 1.25;
/// Changes before the usual is known; until then this, K.
const KNOWN: u32 = 72;
const UNKNOWN: f64 = 0.4;

/// The newest cells, and the usual change.
#[derive(Clone, Copy, Debug)]
pub(super) struct Pace {
    newest: [f64; KEPT],
    usual: f64,
    seen: u32,
    jumped: Option<Moment>,
}

impl Default for Pace {
    fn default() -> Self {
        Self { newest: [f64::NAN; KEPT], usual: 0.15, seen: 0, jumped: None }
    }
}

impl Pace {
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
        let change = |cells: usize| (self.newest[KEPT - 1] - self.newest[KEPT - 1 - cells]).abs();
        let (one, over) = (change(1), change(OVER));
        let usual = if self.seen < KNOWN { self.usual.max(UNKNOWN) } else { self.usual };
        let by_itself = own * OVER as f64 * CELL.as_seconds() / 3_600.0;
        let most = (BEYOND.0 * usual).max(OWN_SHARE * by_itself) + BEYOND.1;
        // In five minutes not as much as it usually does in twenty at most.
        let forbidden = over > most || one > 0.75 * most;
        if forbidden {
            self.jumped = Some(cell.end);
        }
        if over.is_finite() {
            self.seen = self.seen.saturating_add(1);
            let step = (0.004 * self.usual).max(2e-4) * if self.seen < 2 * KNOWN { 4.0 } else { 1.0 };
            self.usual += if over.min(most) > self.usual { step * SHARE / (1.0 - SHARE) } else { -step };
            self.usual = self.usual.clamp(0.02, 2.0);
        }
        if cell.disturbed {
            // Declared: nothing to guess.
            self.jumped = self.jumped.filter(|at| cell.end - *at > CELL.times(OVER as i64));
        }
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
        let before = (self.newest[0] + self.newest[1]) / 2.0;
        (now + before).is_finite().then_some((before, now))
    }

    pub(super) fn kept(&self) -> f64 {
        if self.seen >= KNOWN { self.usual } else { 0.0 }
    }

    pub(super) fn recall(&mut self, usual: f64) {
        if usual > 0.0 {
            (self.usual, self.seen) = (usual.clamp(0.02, 2.0), KNOWN);
        }
    }
}
