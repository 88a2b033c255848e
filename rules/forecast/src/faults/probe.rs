//! A probe that jumps to the room's temperature has left the water; two probes that part have lost
//! the flow between them.

use crate::thermal::Cell;
use slackwater_time::{Moment, Span};

/// A probe in air is this share of the way to the room after half an hour at the latest.
const SHARE: f64 = 0.6;
/// The room must be this far from the water to tell, K.
const APART: f64 = 1.5;
/// Out for less than this it was lifted by somebody who put it back.
const LIFTED: Span = Span::minutes(45);
/// How long after a jump it is looked for.
const LOOKED_FOR: Span = Span::minutes(90);

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
    /// `swing`: between what the water has swung for days, degC.
    pub(super) fn judge(&mut self, cell: &Cell, swing: Option<(f64, f64)>) -> Option<bool> {
        let Some((from, since)) = self.from else { return Some(false) };
        // Back where the water is every day: it was away from there, and no probe is in the air.
        if swing.is_some_and(|(low, high)| (low..=high).contains(&cell.temperature)) {
            *self = Self::default();
            return Some(false);
        }
        // Without a room sensor: no room is warmer than 3 K below a tank that needs a heater by
        // much.
        let room = if cell.room.is_finite() { cell.room } else { from - 4.0 };
        let way = (cell.temperature - from) / (room - from);
        if self.out {
            // Back at the water's, or where no air of this room is: it is the water that is so
            // cold.
            if !(0.3..1.5).contains(&way) {
                *self = Self::default();
            }
        } else if (room - from).abs() > APART && way > SHARE && way < 1.5 {
            self.out = cell.end - since >= LIFTED;
        } else if cell.end - since > LOOKED_FOR {
            *self = Self::default();
        }
        if self.out { Some(true) } else { self.from.is_none().then_some(false) }
    }
}

/// Two probes of one system, in sump and display: the flow between them keeps their difference;
/// without it they part.
#[derive(Clone, Copy, Debug, Default)]
pub struct Apart {
    seen: u32,
    mean: f64,
    deviation: f64,
    parted: u32,
    /// One of the two has made a step: what they differ by after it is their difference.
    stepped: bool,
    /// The two newest differences, and the least and most of it since they are apart; whether
    /// they came apart at once.
    before: [f32; 2],
    since: (f32, f32),
    at_once: bool,
    /// Cells since a parting has ended, and the sum of their differences.
    back: Option<(u32, f32)>,
}

/// Cells for which they must be apart: longer than a hand in the tank or a return that rests for a
/// feeding.
const PARTED: u32 = 12;
/// Apart for so long, they are so for good: a probe was moved.
const LASTING: u32 = 288;

/// This share of the parting within two cells is a step, which water makes only where a heater
/// stands in it; and such water goes on by more than this, K.
const AT_ONCE: f64 = 0.6;
const STANDS_STILL: f64 = 0.12;
/// A parting that no tank has while water flows, K.
const LEAST_APART: f64 = 0.3;
/// Cells after a parting in which it shows where the probes are now.
const COME_BACK: u32 = 24;
/// Pairs before the difference counts as known: a day of cells.
const PAIRS: u32 = 288;

impl Apart {
    /// Takes both probes' means of one cell. Returns whether they have parted: for an hour further
    /// from their usual difference than six times what is usual, and 0.3 K.
    pub fn cell(&mut self, one: f64, other: f64) -> bool {
        let difference = one - other;
        if !difference.is_finite() {
            return self.parted >= PARTED;
        }
        if std::mem::take(&mut self.stepped) && self.seen >= PAIRS {
            self.mean = difference;
        }
        let off = difference - self.mean;
        let here = difference as f32;
        let step = difference - f64::from(self.before[0]);
        self.before = [self.before[1], here];
        let far = self.seen >= PAIRS && off.abs() > (6.0 * self.deviation).max(LEAST_APART);
        if far && self.parted == 0 {
            self.at_once = step.abs() > AT_ONCE * off.abs();
        }
        if self.parted <= 1 {
            // A probe lags: the step ends in the second cell.
            self.since = (here, here);
        }
        self.since = (self.since.0.min(here), self.since.1.max(here));
        let was_parted = self.parted >= PARTED;
        self.parted = if far { self.parted.saturating_add(1) } else { 0 };
        let stands_still = f64::from(self.since.1 - self.since.0) < STANDS_STILL.max(4.0 * self.deviation);
        if self.parted == PARTED && self.at_once && stands_still {
            // Apart within minutes and no further since: one of the probes was moved, not the
            // water.
            *self = Self { mean: difference, parted: 0, ..*self };
        }
        if self.parted > LASTING {
            *self = Self { mean: difference, seen: PAIRS, deviation: self.deviation, ..Self::default() };
        }
        if !far {
            self.seen = self.seen.saturating_add(1);
            let share = (1.0 / f64::from(self.seen)).max(0.002);
            self.mean += off * share;
            self.deviation += (1.25 * off.abs() - self.deviation) * share;
        }
        self.come_back(here, was_parted && !far);
        self.parted >= PARTED
    }

    /// Flow that is back brings the probes to where they were within minutes. What is half way out
    /// on the whole for two hours after a parting has ended is where they are now: one was moved.
    fn come_back(&mut self, difference: f32, ended: bool) {
        let Some((cells, sum)) = &mut self.back else {
            self.back = ended.then_some((0, 0.0));
            return;
        };
        (*cells, *sum) = (*cells + 1, *sum + difference);
        if *cells == COME_BACK {
            let place = f64::from(*sum) / f64::from(COME_BACK);
            if (place - self.mean).abs() > LEAST_APART / 2.0 {
                (self.mean, self.parted) = (place, 0);
            }
            self.back = None;
        }
    }

    /// The pumps are known to stand, or hands are in the tank: it tells nothing, and what began is
    /// forgotten.
    pub fn interrupted(&mut self) {
        self.parted = 0;
    }

    /// One probe has made a step that no water makes: work, or it was moved.
    pub fn stepped(&mut self) {
        (self.parted, self.stepped) = (0, true);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minutes: i64, temperature: f64) -> Cell {
        let (lamp, chiller) = (f64::NAN, f64::NAN);
        let (end, heaters) = (Moment(0) + Span::minutes(minutes), [f64::NAN; 2]);
        Cell { end, temperature, room: f64::NAN, heaters, lamp, chiller, disturbed: false, held: false }
    }

    #[test]
    fn a_probe_that_reads_what_the_tank_swings_between_is_in_the_water() {
        // A night too warm, and within minutes back where it is every day.
        let mut jump = Jump::default();
        jump.begin(&at(0, 28.8));
        let found: Vec<_> = (1..40).map(|cell| jump.judge(&at(5 * cell, 25.2), Some((24.9, 25.4)))).collect();
        assert!(found.iter().all(|out| *out == Some(false)), "{found:?}");
        // To where it never was.
        let mut jump = Jump::default();
        jump.begin(&at(0, 25.2));
        let last = (1..40).fold(None, |_, cell| jump.judge(&at(5 * cell, 21.5), Some((24.9, 25.4))));
        assert_eq!(last, Some(true));
        assert_eq!(jump.judge(&at(205, 25.1), Some((24.9, 25.4))), Some(false), "it was hung back");
    }

    /// Two probes 0.1 K apart, give or take what a heater in the sump does, for two days; then by
    /// so much more. How often they part in the three days after that.
    fn partings(more: impl Fn(u32) -> f64) -> u32 {
        let mut apart = Apart::default();
        let (mut was, mut count) = (false, 0);
        for cell in 0..1_440 {
            let swing = 0.02 * (f64::from(cell) / 30.0 * std::f64::consts::TAU).sin();
            let parted = apart.cell(25.1 + swing + more(cell), 25.0);
            count += u32::from(parted && !was);
            was = parted;
        }
        count
    }

    #[test]
    fn a_probe_that_was_moved_to_the_edge_of_parting_is_told_twice_at_most() {
        let moved = partings(|cell| if cell < 590 { 0.0 } else { 0.32 });
        assert!((1..=2).contains(&moved), "{moved}");
        let stood = partings(|cell| {
            let since = [576, 1_100].into_iter().filter_map(|start| cell.checked_sub(start)).min();
            since
                .filter(|since| *since < 44)
                .map_or(0.0, |since| 0.8 * (1.0 - (-f64::from(since) / 9.0).exp()))
        });
        assert_eq!(stood, 2, "a pump that stands is told each time");
    }
}
