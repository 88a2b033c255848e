//! The water's own swing, where nobody sees what holds it: the lowest and the highest of each
//! quarter of a day. While something holds the water these fall into one place, and the water turns
//! there sharply; while it floats with the room it turns gently, and elsewhere each day.

#![expect(clippy::indexing_slicing, reason = "windows by places below their number")]

use super::Level;
use super::edge::NEWS;
use crate::thermal::CELL;
use slackwater_time::{Moment, Span};

/// A quarter of a day.
const WINDOW: Span = Span::hours(6);
/// Windows that are kept: a week.
const KEPT: usize = 28;
/// Windows that make a day.
const DAY: usize = 4;
/// Windows that a floor is looked for in; how many of them must have turned sharply at it; or how
/// many must be as low if the swing is too small to see how it turns.
const LATELY: usize = 12;
const SHARP: usize = 5;
const FLAT: usize = 8;
/// With fewer windows than those it is the same share of them, and at least so many.
const LEAST: usize = 3;
/// Where the water floats for most of the day: so near to each other, so many, and turned by so
/// much together, K; and what it may be below there by chance.
const SELDOM: (f64, usize, f64) = (0.05, 5, 0.1);
const SELDOM_MARGIN: f64 = 0.15;
/// What one window says of who turned the water, at most, K.
const VOTE: f32 = 0.3;
/// So near to each other is one place, K: for sharp turns, and for flat ones.
const NEAR: (f64, f64) = (0.2, 0.12);
/// A turn is sharp if the water came so far down and went so far up in three quarters of an hour
/// each, together, K.
const SHARPLY: f64 = 0.1;
/// A fall this many times as steep as the rise after it was no heater's turn.
const STEEPER: f64 = 1.5;
/// Cells of three quarters of an hour.
const ARM: usize = 9;
/// A turn is never further from its place than this by chance, K.
const MARGINS: (f64, f64) = (0.11, 0.45);
/// Cells of a window that must have been seen: half of it.
const ENOUGH: u32 = 36;
/// A swing that drifts faster than this in a day, K, has left what held it.
const DRIFTS: f64 = 0.3;
/// Suspicion keeps windows out for so many of them at most.
const LASTING: u32 = 2;
/// What stands for "none" where only finite numbers can be kept.
const NONE: f64 = -999.0;

/// Lowest and highest, degC, and how sharply the water turned at each, K: at the lowest negative if
/// it came down more steeply than it went up.
type SwingWindow = [f32; 4];

/// A window in which nothing was seen yet.
const BEGUN: SwingWindow = [f32::INFINITY, f32::NEG_INFINITY, 0.0, 0.0];

#[derive(Clone, Debug)]
pub(super) struct Swing {
    windows: [SwingWindow; KEPT],
    count: usize,
    /// A day is enough: it is the new place of what was known before.
    settled: bool,
    ended: u32,
    /// Those that a restart brought back.
    recalled: u32,
    /// The smoothed water of an hour and a half.
    newest: [f32; 2 * ARM + 1],
    /// Number of the window under way, what it is so far, its cells.
    under_way: (i64, SwingWindow, u32),
    /// Numbers of the windows that ended last, newest last, by two bytes: a day, and the one before
    /// it.
    numbers: [u16; DAY + 1],
    /// Windows that suspicion kept out.
    kept_out: u32,
    floor: Option<Level>,
    ceiling: Option<Level>,
    /// The last floor that was known, which goes on below water that floats above it; windows for
    /// which another one has held the water above.
    below: Option<(f32, f32)>,
    above: u8,
    /// Where the water turned upwards and downwards lately.
    turns: [SwingTurn; 2],
}

/// The last place where the water turned, counted downwards or upwards, and how far it has come
/// since.
#[derive(Clone, Copy, Debug)]
struct SwingTurn {
    furthest: f64,
    turned: Option<(f64, Moment)>,
}

/// On the way back by so much, K, the water has turned.
const TURNED: f64 = 0.12;
/// A turn counts for so long.
const TURN_COUNTS: Span = Span::hours(24);

impl SwingTurn {
    fn cell(&mut self, water: f64, at: Moment) {
        self.furthest = self.furthest.max(water);
        if water < self.furthest - TURNED {
            let known =
                self.turned.filter(|(place, when)| *place > self.furthest && at - *when < TURN_COUNTS);
            self.turned = Some(known.unwrap_or((self.furthest, at)));
            self.furthest = water;
        }
        self.turned = self.turned.filter(|(_, when)| at - *when < TURN_COUNTS);
    }
}

impl Default for Swing {
    fn default() -> Self {
        Self {
            windows: [[0.0; 4]; KEPT],
            count: 0,
            settled: false,
            ended: 0,
            recalled: 0,
            newest: [f32::NAN; 2 * ARM + 1],
            under_way: (0, BEGUN, 0),
            numbers: [0; DAY + 1],
            kept_out: 0,
            floor: None,
            ceiling: None,
            below: None,
            above: 0,
            turns: [SwingTurn { furthest: f64::NEG_INFINITY, turned: None }; 2],
        }
    }
}

impl Swing {
    /// Takes the smoothed water. Returns by how much the whole swing has moved, if it is certain.
    pub(super) fn cell(&mut self, water: f64, at: Moment, quiet: bool) -> Option<f64> {
        self.newest.rotate_left(1);
        self.newest[2 * ARM] = if quiet || self.kept_out >= LASTING { water as f32 } else { f32::NAN };
        // What is looked at is in the middle of what came before it and after.
        let [first, middle, last] = [0, ARM, 2 * ARM].map(|i| f64::from(self.newest[i]));
        let number = at.0.saturating_sub(1 + CELL.0 * ARM as i64).div_euclid(WINDOW.0);
        let mut moved = None;
        if number != self.under_way.0 {
            let (ended, window, cells) = std::mem::replace(&mut self.under_way, (number, BEGUN, 0));
            if cells >= ENOUGH {
                self.numbers.rotate_left(1);
                self.numbers[DAY] = ended as u16;
                self.kept_out = 0;
                moved = self.end(window);
            } else {
                self.kept_out = self.kept_out.saturating_add(1);
            }
        }
        if quiet && water.is_finite() {
            let [low, high] = &mut self.turns;
            low.cell(-water, at);
            high.cell(water, at);
        }
        // A suspicion that has lasted for a day and a half is how it is now.
        if (first + middle + last).is_finite() {
            let (_, [lowest, highest, up, down], cells) = &mut self.under_way;
            *cells += 1;
            let turn = first + last - 2.0 * middle;
            if middle < f64::from(*lowest) {
                // A chiller that lets go leaves a steep fall behind and a slow rise before it; a
                // heater does not.
                let by_heat = first - middle <= STEEPER * (last - middle);
                (*lowest, *up) = (middle as f32, if by_heat { turn } else { -turn } as f32);
            }
            if middle > f64::from(*highest) {
                (*highest, *down) = (middle as f32, -turn as f32);
            }
        }
        moved
    }

    fn end(&mut self, window: SwingWindow) -> Option<f64> {
        self.windows.rotate_left(1);
        self.windows[KEPT - 1] = window;
        self.count = (self.count + 1).min(KEPT);
        self.ended = self.ended.saturating_add(1);
        let moved = self.moved();
        if moved.is_some() {
            (self.count, self.settled) = (DAY, true);
        }
        self.below = self.below.filter(|_| moved.is_none());
        let moved = moved.filter(|_| self.is_news());
        self.settled &= self.count < 2 * DAY;
        self.refresh();
        moved
    }

    /// Whether the window before the last day is not long ago; not known after a restart.
    fn is_news(&self) -> bool {
        let [before, .., newest] = self.numbers;
        let windows = i64::from(newest.wrapping_sub(before));
        (self.ended as usize) <= DAY || WINDOW.times(windows) <= NEWS
    }

    fn seen(&self) -> &[SwingWindow] {
        &self.windows[KEPT - self.count..]
    }

    fn refresh(&mut self) {
        // Two days make a floor; less may have been one quiet day.
        let known = self.count >= 2 * DAY || self.settled;
        let ceiling = level(self.seen(), 1, -1.0).filter(|_| known);
        let seldom = || floor_of_warm_days(self.seen()).filter(|_| ceiling.is_none());
        let floor = level(self.seen(), 0, 1.0).or_else(seldom);
        self.floor = floor.filter(|_| known && turned_by_heat(self.seen()));
        self.ceiling = ceiling;
        let below = self.below.map(|(place, margin)| Level { place: place.into(), margin: margin.into() });
        let is_above = |floor: &Level, below: &Level| floor.place > below.place + below.margin;
        let floats = below.filter(|below| self.floor.is_none_or(|floor| is_above(&floor, below)));
        self.above = if floats.is_some() && self.floor.is_some() { self.above + 1 } else { 0 };
        // What has held it above for a week is its floor by now.
        match floats.filter(|_| usize::from(self.above) < KEPT) {
            Some(below) => self.floor = Some(below),
            None => {
                self.below = self.floor.map(|floor| (floor.place as f32, floor.margin as f32));
                self.above = 0;
            }
        }
    }

    /// The floor to go on with after a restart.
    pub(super) fn kept_floor(&self) -> [f64; 2] {
        self.below.map_or([NONE; 2], |(place, margin)| [place.into(), margin.into()])
    }

    pub(super) fn recall_floor(&mut self, [place, margin]: [f64; 2]) {
        let known = (-5.0..=60.0).contains(&place);
        self.below = known.then(|| (place as f32, margin.clamp(MARGINS.0, MARGINS.1) as f32));
        self.refresh();
    }

    /// By how much a day's swing is away from that of the days before, both ends alike.
    fn moved(&self) -> Option<f64> {
        let (before, day) = self.seen().split_at_checked(self.count.checked_sub(DAY)?)?;
        let [low, high] = [(0, 1.0), (1, -1.0)].map(|(end, sign)| {
            let (then, now) = (level(before, end, sign)?, level(day, end, sign)?);
            let shift = now.place - then.place;
            (shift.abs() > then.margin.max(NEAR.1)).then_some(shift)
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

    /// Between what it has swung in the last week. The last day counts where the water has turned,
    /// or as far as it drifts in a day.
    pub(super) fn range(&self) -> Option<(f64, f64)> {
        let seen = self.seen();
        if seen.len() < DAY {
            return None;
        }
        let (before, day) = seen.split_at(if seen.len() >= 2 * DAY { seen.len() - DAY } else { 0 });
        let ends = |part: &[SwingWindow]| {
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
        self.ended.saturating_add(self.recalled)
    }

    pub(super) const KEPT: usize = 4 * KEPT;

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
        for (window, kept) in self.windows.iter_mut().zip(kept.chunks(4)) {
            let known = kept.iter().all(|value| (-5.0..=60.0).contains(value));
            self.count = if known { (self.count + 1).min(KEPT) } else { 0 };
            for (to, value) in window.iter_mut().zip(kept) {
                *to = *value as f32;
            }
        }
        self.recalled = self.count as u32;
        self.refresh();
        true
    }
}

/// Whether what turned the water lately at its lowest was rather a heater than a chiller that let
/// go: below that one nothing holds it.
fn turned_by_heat(windows: &[SwingWindow]) -> bool {
    let lately = windows.iter().rev().take(LATELY);
    lately.map(|[_, _, up, _]| up.clamp(-VOTE, VOTE)).sum::<f32>() >= 0.0
}

/// The floor of water that floats above it for most of the day: it came down to one and the same
/// place too often for chance, and turned there.
fn floor_of_warm_days(windows: &[SwingWindow]) -> Option<Level> {
    let (near, often, sharply) = SELDOM;
    let lately = &windows[windows.len().saturating_sub(LATELY)..];
    let at = |base: f64| {
        let lows = lately.iter().map(move |[low, _, up, _]| (f64::from(*low) - base, f64::from(*up)));
        lows.filter(move |(above, _)| (0.0..=near).contains(above))
    };
    let turns =
        |base: &f64| at(*base).count() >= often && at(*base).map(|(_, up)| up).sum::<f64>() >= sharply;
    let lowest = lately.iter().map(|[low, ..]| f64::from(*low)).fold(f64::INFINITY, f64::min);
    let base = [Some(lowest), second(lately, 0, 1.0)].into_iter().flatten().find(turns)?;
    Some(Level { place: base + near / 2.0, margin: SELDOM_MARGIN })
}

/// The second lowest of the week (counted by `sign`).
fn second(windows: &[SwingWindow], end: usize, sign: f64) -> Option<f64> {
    let mut lows = (f64::INFINITY, f64::INFINITY);
    for value in windows.iter().map(|window| sign * f64::from(window[end])) {
        lows = if value < lows.0 { (value, lows.0) } else { (lows.0, lows.1.min(value)) };
    }
    lows.1.is_finite().then_some(lows.1)
}

/// Where the ends of windows meet (counted by `sign`): the lowest place at which enough of the last
/// have turned sharply, or at which nearly all lie. What came lower lately, and came back, widens
/// its margin; the very lowest may have been anything.
fn level(windows: &[SwingWindow], end: usize, sign: f64) -> Option<Level> {
    let lately = &windows[windows.len().saturating_sub(LATELY)..];
    let mut all = [(0.0, false); LATELY];
    for (to, window) in all.iter_mut().zip(lately) {
        *to = (sign * f64::from(window[end]), f64::from(window[end + 2]) >= SHARPLY);
    }
    let all = &mut all[..lately.len()];
    all.sort_by(|one, other| one.0.total_cmp(&other.0));
    let of = |share: usize| (share * all.len()).div_ceil(LATELY).max(LEAST);
    let place_of = |near: f64, needed: usize, sharp: bool| {
        let fits = move |(value, sharply): &(f64, bool)| (*sharply || !sharp).then_some(*value);
        let meet = |base: f64| {
            all.iter().filter_map(fits).filter(move |value| (0.0..=near).contains(&(value - base)))
        };
        let base = all.iter().filter_map(fits).find(|base| meet(*base).count() >= needed)?;
        let count = meet(base).count() as f64;
        let place = meet(base).sum::<f64>() / count;
        Some((place, 1.25 * meet(base).map(|value| (value - place).abs()).sum::<f64>() / count))
    };
    let (place, spread) = place_of(NEAR.0, of(SHARP), true).or_else(|| place_of(NEAR.1, of(FLAT), false))?;
    let rare = second(windows, end, sign).map_or(0.0, |low| place - low);
    let margin = (3.0 * spread + 0.05).max(rare + 0.05).clamp(MARGINS.0, MARGINS.1);
    Some(Level { place: sign * place, margin })
}
