//! The water's own swing, where nobody sees what holds it: the lowest and the highest of each quarter of a day. While
//! something holds the water these fall into one place; while it floats with the room they do not.

#![expect(clippy::indexing_slicing, reason = "windows by places below their number")]

use super::Level;
use slackwater_time::{Moment, Span};

/// A quarter of a day.
const WINDOW: Span = Span::hours(6);
/// Windows that are kept: a week.
const KEPT: usize = 28;
/// Windows that make a day.
const DAY: usize = 4;
/// Windows that a floor is looked for in, and how many of them must meet it.
const LATELY: usize = 12;
const MEET: usize = 4;
/// So near to each other is one place, K.
const NEAR: f64 = 0.1;
/// A turn is never further from its place than this by chance, K.
const MARGINS: (f64, f64) = (0.12, 0.4);
/// Cells of a window that must have been seen: half of it.
const ENOUGH: u32 = 36;
/// A swing that drifts faster than this in a day, K, has left what held it.
const DRIFTS: f64 = 0.3;
/// Suspicion keeps windows out for so many of them at most.
const LASTING: u32 = 6;
/// What stands for "none" where only finite numbers can be kept.
const NONE: f64 = -999.0;

/// Lowest and highest, degC.
type Window = [f32; 2];

#[derive(Clone, Debug)]
pub(super) struct Swing {
    windows: [Window; KEPT],
    count: usize,
    ended: u32,
    /// Number, lowest, highest, cells of the window under way.
    under_way: (i64, f64, f64, u32),
    /// Windows that suspicion kept out.
    kept_out: u32,
    floor: Option<Level>,
    ceiling: Option<Level>,
    /// Where the water turned upwards and downwards lately.
    turns: [Turn; 2],
}

/// The last place where the water turned, counted downwards or upwards, and how far it has come since.
#[derive(Clone, Copy, Debug)]
struct Turn {
    furthest: f64,
    turned: Option<(f64, Moment)>,
}

/// On the way back by so much, K, the water has turned.
const TURNED: f64 = 0.12;
/// A turn counts for so long.
const TURN_COUNTS: Span = Span::hours(24);

impl Turn {
    fn cell(&mut self, water: f64, at: Moment) {
        self.furthest = self.furthest.max(water);
        if water < self.furthest - TURNED {
            let known = self.turned.filter(|(place, when)| *place > self.furthest && at - *when < TURN_COUNTS);
            self.turned = Some(known.unwrap_or((self.furthest, at)));
            self.furthest = water;
        }
        self.turned = self.turned.filter(|(_, when)| at - *when < TURN_COUNTS);
    }
}

impl Default for Swing {
    fn default() -> Self {
        Self {
            windows: [[0.0; 2]; KEPT],
            count: 0,
            ended: 0,
            under_way: (0, f64::INFINITY, f64::NEG_INFINITY, 0),
            kept_out: 0,
            floor: None,
            ceiling: None,
            turns: [Turn { furthest: f64::NEG_INFINITY, turned: None }; 2],
        }
    }
}

impl Swing {
    /// Takes the smoothed water. Returns by how much the whole swing has moved, if it is certain.
    pub(super) fn cell(&mut self, water: f64, at: Moment, quiet: bool) -> Option<f64> {
        let number = (at.0 - 1).div_euclid(WINDOW.0);
        let mut moved = None;
        if number != self.under_way.0 {
            let (_, lowest, highest, cells) =
                std::mem::replace(&mut self.under_way, (number, f64::INFINITY, f64::NEG_INFINITY, 0));
            if cells >= ENOUGH {
                self.kept_out = 0;
                moved = self.end([lowest as f32, highest as f32]);
            } else {
                self.kept_out = self.kept_out.saturating_add(1);
            }
        }
        // A suspicion that has lasted for a day and a half is how it is now.
        if quiet && water.is_finite() {
            let [low, high] = &mut self.turns;
            low.cell(-water, at);
            high.cell(water, at);
        }
        if (quiet || self.kept_out >= LASTING) && water.is_finite() {
            let (_, lowest, highest, cells) = &mut self.under_way;
            (*lowest, *highest, *cells) = (lowest.min(water), highest.max(water), *cells + 1);
        }
        moved
    }

    fn end(&mut self, window: Window) -> Option<f64> {
        self.windows.rotate_left(1);
        self.windows[KEPT - 1] = window;
        self.count = (self.count + 1).min(KEPT);
        self.ended = self.ended.saturating_add(1);
        let moved = self.moved();
        if moved.is_some() {
            self.count = DAY;
        }
        self.refresh();
        moved
    }

    fn seen(&self) -> &[Window] {
        &self.windows[KEPT - self.count..]
    }

    fn refresh(&mut self) {
        (self.floor, self.ceiling) = (level(self.seen(), 0, 1.0), level(self.seen(), 1, -1.0));
    }

    /// By how much a day's swing is away from that of the days before, both ends alike.
    fn moved(&self) -> Option<f64> {
        let (before, day) = self.seen().split_at_checked(self.count.checked_sub(DAY)?)?;
        let [low, high] = [(0, 1.0), (1, -1.0)].map(|(end, sign)| {
            let (then, now) = (level(before, end, sign)?, level(day, end, sign)?);
            let shift = now.place - then.place;
            (shift.abs() > then.margin.max(NEAR)).then_some(shift)
        });
        let (low, high) = (low?, high?);
        (low * high > 0.0 && (low - high).abs() < 0.5 * low.abs().max(high.abs())).then_some(low)
    }

    pub(super) fn floor(&self) -> Option<Level> {
        self.floor
    }

    pub(super) fn ceiling(&self) -> Option<Level> {
        self.ceiling
    }

    /// Between what it has swung in the last week. The last day counts where the water has turned, or as far as it
    /// drifts in a day.
    pub(super) fn range(&self) -> Option<(f64, f64)> {
        let seen = self.seen();
        if seen.len() < DAY {
            return None;
        }
        let (before, day) = seen.split_at(if seen.len() >= 2 * DAY { seen.len() - DAY } else { 0 });
        let ends = |part: &[Window]| {
            let low = part.iter().map(|window| f64::from(window[0])).fold(f64::INFINITY, f64::min);
            let high = part.iter().map(|window| f64::from(window[1])).fold(f64::NEG_INFINITY, f64::max);
            (low, high)
        };
        let now = ends(day);
        if before.is_empty() {
            return Some(now);
        }
        let then = ends(before);
        let [low, high] = self.turns.map(|turn| turn.turned.map(|(place, _)| place));
        let low = low.map_or(then.0, |low| then.0.min(-low));
        let high = high.map_or(then.1, |high| then.1.max(high));
        Some((low.min(now.0.max(then.0 - DRIFTS)), high.max(now.1.min(then.1 + DRIFTS))))
    }

    pub(super) fn seen_h(&self) -> f64 {
        (WINDOW.as_seconds() / 3_600.0) * self.count as f64
    }

    pub(super) fn ended(&self) -> u32 {
        self.ended
    }

    pub(super) const KEPT: usize = 2 * KEPT;

    pub(super) fn kept(&self) -> impl Iterator<Item = f64> + '_ {
        let known = KEPT - self.count;
        let number = move |i: usize, value: f32| if i < known { NONE } else { f64::from(value) };
        self.windows.iter().enumerate().flat_map(move |(i, window)| window.map(|value| number(i, value)))
    }

    pub(super) fn recall(&mut self, kept: &[f64]) -> bool {
        if kept.len() != Self::KEPT {
            return false;
        }
        self.count = 0;
        for (i, pair) in kept.chunks(2).enumerate() {
            let known = pair.iter().all(|value| (-5.0..=60.0).contains(value));
            self.count = if known { (self.count + 1).min(KEPT) } else { 0 };
            self.windows[i] = [pair[0] as f32, pair[1] as f32];
        }
        self.refresh();
        true
    }
}

/// Where the ends of windows meet (counted by `sign`): the lowest place that enough of the last are near to. What came
/// lower lately, and came back, widens its margin; the very lowest may have been anything.
fn level(windows: &[Window], end: usize, sign: f64) -> Option<Level> {
    let lately = &windows[windows.len().saturating_sub(LATELY)..];
    let mut ends = [0.0; LATELY];
    for (to, window) in ends.iter_mut().zip(lately) {
        *to = sign * f64::from(window[end]);
    }
    let ends = &mut ends[..lately.len()];
    ends.sort_by(f64::total_cmp);
    let needed = MEET.max(ends.len() * 5 / 12);
    let meet = |base: f64| ends.iter().filter(move |value| (0.0..=2.0 * NEAR).contains(&(**value - base)));
    let base = *ends.iter().find(|base| meet(**base).count() >= needed)?;
    let count = meet(base).count() as f64;
    let place = meet(base).sum::<f64>() / count;
    let spread = 1.25 * meet(base).map(|value| (value - place).abs()).sum::<f64>() / count;
    let rare = ends.get(1).map_or(0.0, |low| place - low);
    Some(Level { place: sign * place, margin: (3.0 * spread + 0.05).max(rare + 0.05).clamp(MARGINS.0, MARGINS.1) })
}
