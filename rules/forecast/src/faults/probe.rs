//! A probe that jumps to the room's temperature has left the water; two probes that part have lost
//! the flow between them.

use crate::thermal::Cell;
use slackwater_time::{Moment, Span};

/// A probe in air is this share of the way to the room after half an hour at the latest.
const SHARE: f64 = 0.6;
/// The room must be this far from the water to tell, K.
const APART: f64 = 1.5;
/// How long after a jump it is looked for.
const LOOKED_FOR: Span = Span::minutes(45);

/// A sudden jump, and where it started.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Jump {
    from: Option<(f64, Moment)>,
    out: bool,
}

impl Jump {
    /// A jump begins after `before`. One that is being followed stays the one.
    pub(super) fn begin(&mut self, before: &Cell) {
        self.from.get_or_insert((before.temperature, before.end));
    }

    /// Whether the probe is out of the water: `Some(true)` if found, `Some(false)` if it is in.
    pub(super) fn judge(&mut self, cell: &Cell) -> Option<bool> {
        let Some((from, since)) = self.from else { return Some(false) };
        // Without a room sensor: no room is warmer than 3 K below a tank that needs a heater by much.
        let room = if cell.room.is_finite() { cell.room } else { from - 4.0 };
        let way = (cell.temperature - from) / (room - from);
        if self.out {
            if way < 0.3 {
                *self = Self::default();
            }
        } else if (room - from).abs() > APART && way > SHARE && way < 1.5 {
            self.out = true;
        } else if cell.end - since > LOOKED_FOR {
            *self = Self::default();
        }
        if self.out { Some(true) } else { self.from.is_none().then_some(false) }
    }
}

/// Two probes of one system, in sump and display: the flow between them keeps their difference; without
/// it they part.
#[derive(Clone, Copy, Debug, Default)]
pub struct Apart {
    seen: u32,
    mean: f64,
    deviation: f64,
    parted: u32,
}

/// A parting that no tank has while water flows, K.
const LEAST_APART: f64 = 0.3;
/// Pairs before the difference counts as known: a day of cells.
const PAIRS: u32 = 288;

impl Apart {
    /// Takes both probes' means of one cell. Returns whether they have parted: for a quarter of an hour
    /// further from their usual difference than six times what is usual, and 0.3 K.
    pub fn cell(&mut self, one: f64, other: f64) -> bool {
        let difference = one - other;
        if !difference.is_finite() {
            return self.parted >= 3;
        }
        let off = difference - self.mean;
        let far = self.seen >= PAIRS && off.abs() > (6.0 * self.deviation).max(LEAST_APART);
        self.parted = if far { self.parted.saturating_add(1) } else { 0 };
        if !far {
            self.seen = self.seen.saturating_add(1);
            let share = (1.0 / f64::from(self.seen)).max(0.002);
            self.mean += off * share;
            self.deviation += (1.25 * off.abs() - self.deviation) * share;
        }
        self.parted >= 3
    }
}
