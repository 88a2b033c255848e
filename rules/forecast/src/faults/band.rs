//! Where the heater switches on and off, as the probe reads it. A thermostat keeps its own band; so
//! water colder than it with no heater on means that none comes, and a band that wanders
//! means that the probe or the thermostat does.

use crate::thermal::Cell;

/// Switchings before the band counts as known.
const KNOWN: u32 = 8;
/// Never closer to the band than this, K: two steps of a coarse probe.
const LEAST_MARGIN: f64 = 0.15;
/// A shift worth telling, K.
const LEAST_SHIFT: f64 = 0.4;
/// Cells for which it must be colder: a quarter of an hour.
const COLDER_CELLS: u32 = 3;

/// Cells for which a heater must have been on in vain: half an hour.
const STRUGGLING_CELLS: u32 = 6;

/// The lower edge of the band: slow and fast running means.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Band {
    seen: u32,
    slow: f64,
    fast: f64,
    /// Mean size of what one switching is off, times 1.25.
    deviation: f64,
    colder: u32,
    /// Cells for which it has been colder than the edge with a heater on, and how warm it was then.
    struggling: u32,
    struggled_from: f64,
}

impl Band {
    /// Takes two neighbouring cells: a heater that came on between them tells the edge.
    pub(super) fn learn(&mut self, before: &Cell, cell: &Cell) {
        let on = |cell: &Cell| cell.heaters[0] + cell.heaters[1];
        if on(before) > 0.05 || on(cell) <= 0.05 || !before.temperature.is_finite() {
            return;
        }
        let edge = before.temperature;
        self.seen = self.seen.saturating_add(1);
        if self.seen == 1 {
            (self.slow, self.fast, self.deviation) = (edge, edge, 0.1);
            return;
        }
        let share = |memory: u32| 1.0 / f64::from(self.seen.min(memory));
        let (slow, fast) = (share(100), share(5));
        let off = edge - self.fast;
        self.deviation += ((1.25 * off.abs()).min(0.5) - self.deviation) * slow.max(0.02);
        // A single switching far off (cold water poured in) moves the means a little only.
        let held = off.clamp(-4.0 * self.deviation - 0.1, 4.0 * self.deviation + 0.1);
        self.slow += (self.fast + held - self.slow) * slow;
        self.fast += held * fast;
    }

    /// Whether the water has been colder than the edge for a while with no heater on; `Some(false)` if that
    /// is over, `None` between.
    pub(super) fn silent(&mut self, cell: &Cell, quiet: u32) -> Option<bool> {
        if self.seen < KNOWN {
            return Some(false);
        }
        let below = self.fast - cell.temperature;
        if quiet == 0 || below < 0.0 {
            self.colder = 0;
            return Some(false);
        }
        self.colder = if below > self.margin() { self.colder.saturating_add(1) } else { 0 };
        (self.colder >= COLDER_CELLS).then_some(true)
    }

    /// Whether a heater has been on for half an hour while the water was colder than the edge, and it is no warmer
    /// for it. Cold water poured in warms; a tank that loses more than the heater brings does not.
    pub(super) fn overwhelmed(&mut self, cell: &Cell, quiet: u32) -> Option<bool> {
        let below = self.fast - cell.temperature;
        if self.seen < KNOWN || below < 0.0 {
            self.struggling = 0;
            return Some(false);
        }
        if quiet > 0 || below < self.margin() {
            self.struggling = 0;
            return None;
        }
        if self.struggling == 0 {
            self.struggled_from = cell.temperature;
        }
        self.struggling = self.struggling.saturating_add(1);
        let no_warmer = cell.temperature <= self.struggled_from;
        (self.struggling >= STRUGGLING_CELLS && no_warmer).then_some(true)
    }

    fn margin(&self) -> f64 {
        (4.0 * self.deviation).clamp(LEAST_MARGIN, 0.6)
    }

    /// Whether the edge is elsewhere than it long was.
    pub(super) fn shifted(&self) -> bool {
        self.seen >= 3 * KNOWN && (self.fast - self.slow).abs() > (6.0 * self.deviation).max(LEAST_SHIFT)
    }
}
