//! What a tank itself uses of oxygen, learned from declines: spells of still, dark, unaired water
//! that a probe saw. Readings flow in with what is known of the tank ([`Declines::take`]); one
//! straight line is laid through a spell without keeping its readings, and what the line shows
//! ([`oxygen::TankOxygen::consumption_seen`]) is held for the last few spells. Out comes a
//! consumption ([`Declines::learned`]) that narrows the literature's.
//!
//! A probe is a poor witness: it drifts, it is not calibrated, it hangs in a dead corner. So a
//! decline counts only if the consumption it shows is one that the literature knows of any tank,
//! some have to be seen before one is believed, and what is believed may move the answer to the
//! sooner side of the keeper's stocking but never past its later one.

#![expect(
    clippy::indexing_slicing,
    reason = "a ring of a fixed size, and a table of as many words as it has places"
)]

use super::interval::Interval;
use super::oxygen::{self, REFERENCE_C, consumption};
use crate::oxygen::Stocking;
use slackwater_time::{Moment, Span};

/// After the pumps stop the water still turns, and a probe lags: the line begins later.
const SETTLES: Span = Span::minutes(5);
/// A line shorter than this tells noise.
const SHORTEST_H: f64 = 0.5;
/// A longer spell teaches no more: temperature and exchange move, and animals begin to save.
const LONGEST_H: f64 = 2.0;
/// Readings on a line.
const FEWEST: f64 = 10.0;
/// Uptake depends on what is left below this, mg/L: reef fish keep it up to 1.0-1.7 (Nilsson et al.
/// 2007).
const SAVING_MG_L: f64 = 3.0;
/// A probe's last digit, mg/L.
const DIGIT_MG_L: f64 = 0.1;
/// A probe out of calibration by this share, of its slope and of saturation.
const CALIBRATION: f64 = 0.1;
/// How many declines are held, and how many have to be seen.
const HELD: usize = 8;
const NEEDED: usize = 3;
/// Declines are seen on sleeping animals: awake, fed or frightened they use more.
const AWAKE: f64 = 2.0;
/// And one night differs from the next.
const NIGHTS: f64 = 1.5;

/// A consumption that was learned, mg/(L h) at 26 degC, and from how many declines.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LearnedRespiration {
    /// The consumption.
    pub range: Interval,
    /// How many declines showed it.
    pub declines: usize,
}

impl LearnedRespiration {
    /// What an estimate rests on.
    pub(super) fn words(&self) -> &'static str {
        const WORDS: [&str; HELD - NEEDED + 1] = [
            "oxygen consumption, 3 declines",
            "oxygen consumption, 4 declines",
            "oxygen consumption, 5 declines",
            "oxygen consumption, 6 declines",
            "oxygen consumption, 7 declines",
            "oxygen consumption, 8 declines or more",
        ];
        WORDS[self.declines.clamp(NEEDED, HELD) - NEEDED]
    }
}

/// The declines of one tank, and the one under way. No heap.
#[derive(Clone, Copy, Debug, Default)]
pub struct Declines {
    seen: [Option<Interval>; HELD],
    next: usize,
    under_way: Option<DeclineLine>,
}

/// Sums for a straight line through one spell: hours since it began, mg/L.
#[derive(Clone, Copy, Debug)]
struct DeclineLine {
    began: Moment,
    first_h: f64,
    last_h: f64,
    count: f64,
    t: f64,
    c: f64,
    tt: f64,
    tc: f64,
    cc: f64,
    /// What was known of the tank at the newest reading.
    tank: Option<oxygen::TankOxygen>,
}

/// The consumption that any tank may have, mg/(L h) at 26 degC: from the low end of light stocking
/// to the high one of heavy.
pub fn possible() -> Interval {
    let [light, heavy] = [Stocking::Light, Stocking::Heavy].map(|it| consumption(it, REFERENCE_C));
    light.hull(heavy)
}

impl Declines {
    /// Takes a reading, mg/L, of still, dark, unaired water, and what is known of the tank; `None`
    /// as soon as it is not so. Returns whether a decline was learned.
    pub fn take(&mut self, at: Moment, reading: Option<(f64, oxygen::TankOxygen)>) -> bool {
        match reading {
            Some((mg_l, tank)) => {
                self.under_way.get_or_insert_with(|| DeclineLine::new(at)).take(at, mg_l, tank);
                false
            }
            None => {
                let seen = self.under_way.take().and_then(|line| line.shows());
                let seen = seen.filter(|seen| possible().holds(seen.likely));
                if let Some(seen) = seen {
                    self.keep(seen);
                }
                seen.is_some()
            }
        }
    }

    fn keep(&mut self, seen: Interval) {
        self.seen[self.next] = Some(seen);
        self.next = (self.next + 1) % HELD;
    }

    /// What was learned, for a tank that its keeper says is stocked so: nothing before three
    /// declines, nor if they tell less than the literature does. Never below the literature's low
    /// end for this stocking.
    pub fn learned(&self, stocking: Stocking) -> Option<LearnedRespiration> {
        let declines = self.seen.iter().flatten().count();
        let (literature, most) = (consumption(stocking, REFERENCE_C), possible().high);
        let middle = Interval::spread(self.seen.iter().flatten().map(|seen| seen.likely))?;
        let ends = self.seen.iter().flatten().copied().reduce(Interval::hull)?;
        let likely = middle.likely.clamp(literature.low, most);
        let range = Interval::new(
            ends.low.min(likely / NIGHTS).max(literature.low),
            likely,
            ends.high.max(likely * AWAKE).min(most),
        );
        let narrower = range.high / range.low < literature.high / literature.low;
        (declines >= NEEDED && narrower).then_some(LearnedRespiration { range, declines })
    }

    /// The declines as plain numbers that survive a restart, oldest first.
    pub fn kept(&self) -> Vec<f64> {
        let oldest_first = self.seen[self.next..].iter().chain(&self.seen[..self.next]);
        oldest_first.flatten().flat_map(|seen| [seen.low, seen.likely, seen.high]).collect()
    }

    /// Goes on from what was kept. Refuses, and stays as it is, what no declines of its own can
    /// have left.
    pub fn recall(&mut self, numbers: &[f64]) -> bool {
        let (triples, rest) = numbers.as_chunks::<3>();
        let possible = possible();
        let sound = |&[low, likely, high]: &[f64; 3]| {
            (0.0..=likely).contains(&low) && likely <= high && high.is_finite() && possible.holds(likely)
        };
        let whole = rest.is_empty() && triples.len() <= HELD && triples.iter().all(sound);
        if whole && !triples.is_empty() {
            (self.seen, self.next) = ([None; HELD], 0);
            for &[low, likely, high] in triples {
                self.keep(Interval { low, likely, high });
            }
        }
        whole && !triples.is_empty()
    }
}

impl DeclineLine {
    fn new(began: Moment) -> Self {
        Self {
            began,
            first_h: 0.0,
            last_h: 0.0,
            count: 0.0,
            t: 0.0,
            c: 0.0,
            tt: 0.0,
            tc: 0.0,
            cc: 0.0,
            tank: None,
        }
    }

    fn take(&mut self, at: Moment, mg_l: f64, tank: oxygen::TankOxygen) {
        let since = at - self.began;
        let t = since.as_seconds() / 3_600.0;
        if since < SETTLES || t > LONGEST_H || mg_l < SAVING_MG_L || !mg_l.is_finite() {
            return;
        }
        if self.count == 0.0 {
            self.first_h = t;
        }
        self.last_h = t;
        self.count += 1.0;
        self.t += t;
        self.c += mg_l;
        self.tt += t * t;
        self.tc += t * mg_l;
        self.cc += mg_l * mg_l;
        self.tank = Some(tank);
    }

    /// The consumption that the line shows, if it is long enough to show one.
    fn shows(&self) -> Option<Interval> {
        let long = self.last_h - self.first_h;
        if long < SHORTEST_H || self.count < FEWEST {
            return None;
        }
        let tank = self.tank?;
        let (mean_t, mean_c) = (self.t / self.count, self.c / self.count);
        let (tt, tc) = (self.tt - self.count * mean_t * mean_t, self.tc - self.count * mean_t * mean_c);
        let cc = self.cc - self.count * mean_c * mean_c;
        let slope = tc / tt;
        let scatter = ((cc - slope * tc).max(0.0) / (self.count - 2.0) / tt).sqrt();
        let slack = 2.0 * scatter + DIGIT_MG_L / long + CALIBRATION * slope.abs();
        let off = CALIBRATION * tank.saturated();
        let seen =
            tank.consumption_seen(Interval::plus_minus(slope, slack), Interval::plus_minus(mean_c, off));
        (seen.low.is_finite() && seen.high.is_finite()).then_some(seen)
    }
}
