//! The tank's own day: what lamps, sun and the room's daily course make of the rate at which its
//! water would change without its heaters, hour by hour, learned from half hours with what the
//! heaters brought taken out. So a forecast that begins at dusk knows the night.
//!
//! How far such forecasts are off is learned as well: each half hour one is made for 1, 3, 6 and 12
//! h ahead and, when that time has come, held against what was. The ends of 80 % ranges move by
//! what missed them (adaptive conformal inference: Gibbs & Candès 2021), for each quarter of the
//! day by itself. They begin where plain physics puts them.

#![expect(clippy::indexing_slicing, reason = "hours, quarters and horizons by places below their number")]

use slackwater_time::{Moment, Span};

const HOURS: usize = 24;
/// Horizons of the forecasts that are held against what was, in half hours.
const HORIZONS: [usize; 4] = [2, 6, 12, 24];
/// Half hours that are kept.
const KEPT: usize = 24;
/// A course is the mean of so many days.
const DAYS: f64 = 7.0;
/// What is left of weather after this long, h: half of it is gone in two thirds of that.
const WEATHER_H: f64 = 12.0;
/// How fast an end moves, of the usual miss.
const STEP: f64 = 0.06;
/// Half hours in which the ends move faster: the first six days.
const SOON: u32 = 288;
/// The share of past forecasts that may miss each end: what they are held against is the half
/// hours' own scatter too.
const MISSES: f32 = 0.13;
/// Half hours before anything is said of the day.
const KNOWN: u32 = 44;
/// What physics leaves open before anything was held against anything: a share of the rate, and
/// K/h.
const OPEN: (f64, f64) = (0.19, 0.02);
/// An end is never nearer than this, K/h.
const LEAST: f64 = 0.004;

/// One half hour: what the rate was, and how much was forecast then for each horizon, K.
#[derive(Clone, Copy, Debug)]
struct Half {
    rate: f32,
    forecast: [f32; HORIZONS.len()],
}

/// The day of one tank.
#[derive(Clone, Debug)]
pub(super) struct Day {
    /// Rate without heaters for each hour, K/h, on how many half hours it rests, and the lamp's
    /// share.
    course: [f32; HOURS],
    visits: [u8; HOURS],
    lamp: [f32; HOURS],
    seen: u32,
    mean: f64,
    /// By how much the rate is away from the course by now.
    weather: f64,
    /// Ends of the error of a mean rate: by quarter of the day, by horizon, low and high, K/h.
    ends: [[[f32; 2]; HORIZONS.len()]; 4],
    /// Usual size of that error.
    miss: [f32; HORIZONS.len()],
    newest: Option<Moment>,
    /// The newest half hours without a gap, newest last.
    halves: [Half; KEPT],
    count: usize,
}

impl Default for Day {
    fn default() -> Self {
        Self {
            course: [0.0; HOURS],
            visits: [0; HOURS],
            lamp: [0.0; HOURS],
            seen: 0,
            mean: 0.0,
            weather: 0.0,
            ends: [[[0.0; 2]; HORIZONS.len()]; 4],
            miss: [0.0; HORIZONS.len()],
            newest: None,
            halves: [Half { rate: 0.0, forecast: [0.0; HORIZONS.len()] }; KEPT],
            count: 0,
        }
    }
}

/// The hour of the day, 0 to 24, as far as the watch's own clock tells: the same each day.
fn hour(at: Moment) -> f64 {
    at.0.rem_euclid(86_400_000) as f64 / 3_600_000.0
}

impl Day {
    /// Takes one half hour around `middle`: the rate without heaters, K/h, and the lamp's share.
    pub(super) fn take(&mut self, middle: Moment, rate: f64, lamp: f64) {
        if !rate.is_finite() || rate.abs() > 10.0 {
            self.count = 0;
            return;
        }
        if self.newest.is_none_or(|newest| middle - newest != Span::minutes(30)) {
            self.count = 0;
        }
        self.newest = Some(middle);
        if self.seen == 0 {
            self.mean = rate;
            let open = (OPEN.0 * rate.abs() + OPEN.1) as f32;
            self.ends = [[[-open, open]; HORIZONS.len()]; 4];
            self.miss = [open / 2.0; HORIZONS.len()];
        }
        self.seen = self.seen.saturating_add(1);
        self.mean += (rate - self.mean) / f64::from(self.seen.min(48 * 7));
        let before = self.at(hour(middle));
        self.weather += (rate - before - self.weather) * 0.35;
        self.compare(middle);
        let slot = hour(middle) as usize % HOURS;
        self.visits[slot] = self.visits[slot].saturating_add(1);
        // Two half hours a day fall into each hour.
        let share = (1.0 / f64::from(self.visits[slot])).max(0.5 / DAYS) as f32;
        self.course[slot] += (rate as f32 - self.course[slot]) * share;
        self.lamp[slot] += (lamp as f32 - self.lamp[slot]) * share;
        let forecast = HORIZONS.map(|halves| self.gain(middle, self.weather, halves as f64 / 2.0) as f32);
        self.halves.rotate_left(1);
        self.halves[KEPT - 1] = Half { rate: rate as f32, forecast };
        self.count = (self.count + 1).min(KEPT);
    }

    /// Holds the forecasts whose time has come against what was: called before the newest half hour
    /// is kept.
    fn compare(&mut self, middle: Moment) {
        for (i, halves) in HORIZONS.into_iter().enumerate() {
            if self.count < halves {
                continue;
            }
            let start = KEPT - halves;
            let gained: f32 = self.halves[start..].iter().map(|half| half.rate / 2.0).sum();
            let hours = halves as f32 / 2.0;
            let error = (gained - self.halves[start].forecast[i]) / hours;
            self.miss[i] += (error.abs() - self.miss[i]) * 0.02;
            let began = middle - Span::minutes(30).times(halves as i64);
            let quickly = if self.seen < SOON { 2.0 } else { 1.0 };
            let step = quickly * STEP as f32 * self.miss[i].max(LEAST as f32);
            let [low, high] = &mut self.ends[(hour(began) / 6.0) as usize % 4][i];
            *low += if error < *low { -step * (1.0 - MISSES) } else { step * MISSES };
            *high += if error > *high { step * (1.0 - MISSES) } else { -step * MISSES };
            *low = low.min(-LEAST as f32);
            *high = high.max(LEAST as f32);
        }
    }

    /// Whether the day is known well enough to be counted on.
    pub(super) fn is_known(&self) -> bool {
        self.seen >= KNOWN && self.visits.iter().filter(|visits| **visits > 0).count() >= HOURS - 3
    }

    /// The mean rate without heaters, K/h, once the day is known.
    pub(super) fn mean(&self) -> Option<f64> {
        self.is_known().then_some(self.mean)
    }

    fn slot(&self, slot: usize) -> f64 {
        if self.visits[slot % HOURS] == 0 { self.mean } else { f64::from(self.course[slot % HOURS]) }
    }

    /// The course at an hour of the day, between the middles of hours.
    fn at(&self, hour: f64) -> f64 {
        let from_middle = (hour - 0.5).rem_euclid(HOURS as f64);
        let (slot, part) = (from_middle as usize, from_middle.fract());
        self.slot(slot) * (1.0 - part) + self.slot(slot + 1) * part
    }

    /// The lamp's share to be expected at an hour of the day.
    fn lamp_at(&self, hour: f64) -> f64 {
        f64::from(self.lamp[hour as usize % HOURS])
    }

    /// The course `hours` after `now`, less `lamp` (K/h at its full power) if there will be none.
    pub(super) fn ahead(&self, now: Moment, hours: f64, lamp: f64) -> f64 {
        let hour = (hour(now) + hours).rem_euclid(HOURS as f64);
        self.at(hour) - lamp * self.lamp_at(hour)
    }

    /// What is left of weather, `hours` later.
    pub(super) fn left_of(weather: f64, hours: f64) -> f64 {
        weather * (-hours / WEATHER_H).exp()
    }

    /// What the water gains in some hours, K.
    fn gain(&self, from: Moment, weather: f64, hours: f64) -> f64 {
        let steps = (hours * 2.0) as usize;
        let rate = |step: usize| {
            let later = step as f64 / 2.0 + 0.5;
            self.ahead(from, later, 0.0) + Self::left_of(weather, later)
        };
        (0..steps).map(rate).sum::<f64>() / 2.0
    }

    /// The ends of the error of a mean rate over so many hours from now, K/h.
    pub(super) fn ends(&self, now: Moment, hours: f64) -> (f64, f64) {
        let ends = &self.ends[(hour(now) / 6.0) as usize % 4];
        let at = |i: usize, end: usize| f64::from(ends[i][end]);
        let places = HORIZONS.map(|halves| halves as f64 / 2.0);
        let (mut low, mut high) = (at(0, 0), at(0, 1));
        for i in 1..places.len() {
            if hours >= places[i] {
                (low, high) = (at(i, 0), at(i, 1));
            } else if hours > places[i - 1] {
                let part = (hours - places[i - 1]) / (places[i] - places[i - 1]);
                let between = |end: usize| at(i - 1, end) * (1.0 - part) + at(i, end) * part;
                (low, high) = (between(0), between(1));
            }
        }
        (low, high)
    }

    pub(super) const KEPT: usize = 3 * HOURS + 3 + 4 * HORIZONS.len() * 2 + HORIZONS.len();

    /// What survives a restart. The half hours do not: what was forecast then can't be held against
    /// a gap.
    pub(super) fn kept(&self) -> Vec<f64> {
        let mut numbers = vec![f64::from(self.seen), self.mean, self.weather];
        numbers.extend(self.course.iter().chain(&self.lamp).map(|value| f64::from(*value)));
        numbers.extend(self.visits.iter().map(|visits| f64::from(*visits)));
        numbers.extend(self.ends.iter().flatten().flatten().chain(&self.miss).map(|value| f64::from(*value)));
        numbers
    }

    pub(super) fn recall(&mut self, kept: &[f64]) -> bool {
        let mut numbers = kept.iter().copied();
        let mut next = || numbers.next().map(|number| number.clamp(-1e6, 1e6));
        let mut read = || {
            let mut day = Self { seen: next()?.max(0.0) as u32, ..Self::default() };
            (day.mean, day.weather) = (next()?, next()?);
            for value in day.course.iter_mut().chain(&mut day.lamp) {
                *value = next()? as f32;
            }
            for visits in &mut day.visits {
                *visits = next()?.clamp(0.0, 255.0) as u8;
            }
            for value in day.ends.iter_mut().flatten().flatten().chain(&mut day.miss) {
                *value = next()? as f32;
            }
            Some(day)
        };
        match read() {
            Some(day) => {
                *self = day;
                true
            }
            None => false,
        }
    }
}
