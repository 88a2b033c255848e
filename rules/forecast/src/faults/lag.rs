//! How late the heater's heat reaches the probe. A probe that slid into a corner, a tube or slime
//! follows the water late: after each switching the water seems to do as before for a while, and
//! the shortage, divided by the heater's rate, is the time it lags. Sun and weather fall alike on
//! heating and cooling, and cancel.

/// Cells of a phase that tell: twenty minutes. Longer ones would leave out the tanks that cycle
/// fast.
const TELLING: u32 = 4;
/// Phases before the usual lag counts as known.
const KNOWN: u32 = 30;
/// Phases that the present lag is the mean of, and those that the usual one is.
const MEMORIES: (f64, f64) = (6.0, 150.0);
/// More than this beyond the usual is a lag, h: seven minutes.
const LEAST_H: f64 = 0.12;

/// The lag of one probe, h: slow and fast running means.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Lag {
    on: bool,
    /// Cells since the heater switched.
    cells: u32,
    /// What the water is short of since, K.
    short: f64,
    seen: u32,
    slow: f64,
    fast: f64,
    deviation: f64,
}

impl Lag {
    /// The heater's state or the water is not known: this phase tells nothing.
    pub(super) fn interrupted(&mut self) {
        self.cells = TELLING;
    }

    /// Takes a cell: whether the heater is on, how far the water is from what it should have done
    /// in it (K), and the heater's rate (K/h).
    pub(super) fn cell(&mut self, on: bool, residual: f64, rate: f64) {
        if on != self.on {
            (self.on, self.cells, self.short) = (on, 0, 0.0);
        }
        if self.cells >= TELLING || rate < 0.1 {
            return;
        }
        self.cells += 1;
        self.short += if on { -residual } else { residual };
        if self.cells == TELLING {
            self.learn((self.short / rate).clamp(-1.0, 1.0));
        }
    }

    fn learn(&mut self, late: f64) {
        self.seen = self.seen.saturating_add(1);
        let share = |memory: f64| (1.0 / f64::from(self.seen)).max(1.0 / memory);
        let (fast, slow) = (share(MEMORIES.0), share(MEMORIES.1));
        self.deviation += ((1.25 * (late - self.fast).abs()).min(0.5) - self.deviation) * slow;
        self.fast += (late - self.fast) * fast;
        self.slow += (self.fast - self.slow) * slow;
    }

    /// Whether heat reaches the probe later than it long did; `Some(false)` if not, `None` between.
    pub(super) fn lags(&self) -> Option<bool> {
        if self.seen < KNOWN {
            return Some(false);
        }
        let beyond = (self.fast - self.slow) / (1.5 * self.deviation).max(LEAST_H);
        match beyond {
            beyond if beyond > 1.0 => Some(true),
            beyond if beyond < 0.5 => Some(false),
            _ => None,
        }
    }
}
