//! Where the heater switches on and off, as the probe reads it. A thermostat keeps its own band; so
//! water colder than it with no heater on means that none comes, and a band that wanders
//! means that the probe or the thermostat does.

use crate::forecast::thermal::Cell;

/// Switchings before the band counts as known.
const KNOWN: u32 = 8;
/// Never closer to the band than this, K: two steps of a coarse probe.
const LEAST_MARGIN: f64 = 0.15;
/// A shift worth telling, K.
const LEAST_SHIFT: f64 = 0.4;
/// Cells for which it must be colder: a quarter of an hour.
const COLDER_CELLS: u32 = 3;

/// The lower edge of the band: slow and fast running means.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Band {
    seen: u32,
    slow: f64,
    fast: f64,
    /// Mean size of what one switching is off, times 1.25.
    deviation: f64,
    colder: u32,
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
        let margin = (4.0 * self.deviation).clamp(LEAST_MARGIN, 0.6);
        let below = self.fast - cell.temperature;
        if quiet == 0 || below < 0.0 {
            self.colder = 0;
            return Some(false);
        }
        self.colder = if below > margin { self.colder.saturating_add(1) } else { 0 };
        (self.colder >= COLDER_CELLS).then_some(true)
    }

    /// Whether the edge is elsewhere than it long was.
    pub(super) fn shifted(&self) -> bool {
        self.seen >= 3 * KNOWN && (self.fast - self.slow).abs() > (6.0 * self.deviation).max(LEAST_SHIFT)
    }
}
