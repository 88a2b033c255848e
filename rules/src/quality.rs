//! Whether a reading can be believed. A reading is good until something speaks against it: a
//! sentinel that probes send when they have nothing to say, a value outside the plausible
//! range, a jump no water can make, a value that has not moved for too long. [`Track`] takes the
//! readings of one sensor, judges each, and keeps the one that is in force.
//!
//! A jump is not believed because it is repeated, but once the water can have come that far; while
//! another probe of the same water says that it has not, it is doubted for longer.
//!
//! A bad reading is no reading: the last good one stays in force until it is stale. So a single
//! glitch changes nothing, and a stream of them blinds the sensor, as its silence would.

mod late;
mod other_unit;
mod rejection;
#[cfg(test)]
mod tests;
mod trend;

use crate::plan::Sensor;
use crate::reading::{Arrival, BadReading, Reading, Value};
use crate::time::{Moment, Span};
use late::LateReadings;
use other_unit::other_unit;
pub use rejection::Rejection;
use std::fmt;
use trend::Trend;

/// What speaks against a reading, or nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Quality {
    /// Nothing speaks against it.
    Good,
    /// Implausible, an impossible rate, frozen, a sentinel, or unreadable.
    Suspect,
    /// The sensor has been silent for too long.
    Stale,
    /// Retained or backlog: true once, of no use for now.
    Old,
    /// It says when it was measured, and came too late to be of now: for the history.
    Late,
    /// Nothing has been heard from the sensor since the start.
    Absent,
}

impl fmt::Display for Quality {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Good => "good",
            Self::Suspect => "suspect",
            Self::Stale => "stale",
            Self::Old => "old",
            Self::Late => "late",
            Self::Absent => "absent",
        })
    }
}

/// A reading with the judgement on it.
#[derive(Clone, Debug, PartialEq)]
pub struct Judged {
    /// Whether it is believed.
    pub quality: Quality,
    /// What speaks against it; none if it is good.
    pub doubt: Option<Rejection>,
    /// What it said, if it could be read.
    pub value: Option<Value>,
    /// When it was measured.
    pub at: Moment,
}

/// The state of one sensor: what was last believed, and what is held against it now.
#[derive(Clone, Debug, Default)]
pub struct Track {
    good: Option<Good>,
    /// A row of readings that jumped too far to be believed, but agree among themselves.
    step: Option<Box<StepCandidate>>,
    /// A row of readings that are what was said before, in another unit: the first of them.
    misread: Option<Box<StepCandidate>>,
    /// Since when the sensor's sender has said that it is not there.
    away: Option<Moment>,
    /// Against the latest live reading; before the first, against an old one.
    doubt: Option<Rejection>,
    frozen: bool,
    heard: Option<Moment>,
    counts: Counts,
    late: LateReadings,
    trend: Trend,
}

/// How many live readings were believed, and how many not.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Believed.
    pub good: u64,
    /// Not believed, or not understood.
    pub rejected: u64,
}

/// The last good reading.
#[derive(Clone, Copy, Debug)]
struct Good {
    value: Value,
    /// When it was last measured and believed.
    at: Moment,
    /// When the value was first exactly this, without a stale stretch since.
    since: Moment,
    /// When it was last measured at all: later than `at` while the sensor is frozen.
    until: Moment,
    /// Where the value would be if it could follow the readings no faster than the sensor's
    /// fastest believable change. Comparing with this instead of the last reading lets noise
    /// and coarse steps pass, and stops a run of jumps each of which would be small enough.
    follower: f64,
}

/// The first of such a row, which all others must agree with.
#[derive(Clone, Copy, Debug)]
struct StepCandidate {
    value: f64,
    at: Moment,
    /// Where the water was believed to be before.
    from: f64,
}

impl StepCandidate {
    /// Whether another probe of the same water still says what was believed before.
    fn is_contradicted(&self, peer: Option<f64>) -> bool {
        peer.is_some_and(|peer| (peer - self.from).abs() < (peer - self.value).abs())
    }
}

/// A sensor's noise and the steps of its converter are no rates. A reading may be ahead of the
/// fastest believable change by as much as that change makes in this time.
const AHEAD: Span = Span::minutes(1);

/// Readings that contradict the past but not each other are believed after this at the latest, as
/// after a water change, or when a probe was put elsewhere. Common practice, no source.
const LONGEST_DOUBT: Span = Span::minutes(30);

impl Track {
    /// Judges what came from the sensor at `now`. `peer` is what another probe of the same water
    /// says, if there is one that can be believed.
    pub fn take(
        &mut self,
        sensor: &Sensor,
        now: Moment,
        delivery: Arrival,
        reading: Result<Reading, BadReading>,
        peer: Option<f64>,
    ) -> Judged {
        let value = reading.as_ref().ok().map(|reading| reading.value);
        let measured = reading.as_ref().ok().and_then(|reading| reading.measured);
        let at = measured.map_or(now, |measured| measured.min(now));

        let old = match delivery {
            Arrival::Live => None,
            Arrival::Retained => Some(Rejection::Retained),
            Arrival::Backlog => Some(Rejection::Backlog),
        };
        if let Some(doubt) = old {
            if self.heard.is_none() {
                self.doubt = Some(doubt.clone());
            }
            // What the broker keeps comes again at every connection: it is no history.
            let kept = delivery == Arrival::Retained;
            let quality = match reading {
                Ok(reading) if !kept && self.is_history(sensor, &reading) => Quality::Late,
                Ok(_) | Err(_) => doubt.quality(),
            };
            return Judged { quality, doubt: Some(doubt), value, at };
        }

        self.heard = Some(now);
        let before = self.good.map(|good| good.until);
        let mut late = false;
        self.doubt = match reading {
            Ok(reading) => {
                let doubt = self.judge(sensor, now, (at, reading.value), peer).err();
                match &doubt {
                    None => self.late.believed(before, at, sensor.stale_after),
                    Some(Rejection::TooOld { .. } | Rejection::Overtaken { .. }) => {
                        late = self.is_history(sensor, &reading);
                    }
                    Some(_) => {}
                }
                doubt
            }
            Err(bad) => {
                (self.step, self.misread) = (None, None);
                Some(Rejection::Unreadable(bad))
            }
        };
        match &self.doubt {
            None => self.counts.good += 1,
            Some(_) => self.counts.rejected += 1,
        }
        let quality = match &self.doubt {
            Some(_) if late => Quality::Late,
            doubt => doubt.as_ref().map_or(Quality::Good, Rejection::quality),
        };
        Judged { quality, doubt: self.doubt.clone(), value, at }
    }

    /// Whether a reading that can't be of now belongs to the history: it says when it was measured,
    /// could be true, and was not taken before.
    pub(crate) fn is_history(&mut self, sensor: &Sensor, reading: &Reading) -> bool {
        let could_be = match reading.value {
            Value::Number(number) => believable(sensor, number).is_ok(),
            Value::Word(_) => true,
        };
        let last = self.good.map(|good| good.until);
        could_be && reading.measured.is_some_and(|at| self.late.takes(at, last))
    }

    /// Believes a reading, or says why not.
    fn judge(
        &mut self,
        sensor: &Sensor,
        now: Moment,
        (at, value): (Moment, Value),
        peer: Option<f64>,
    ) -> Result<(), Rejection> {
        let step = self.step.take().map(|row| *row);
        let age = now - at;
        if age > sensor.stale_after {
            return Err(Rejection::TooOld { age, limit: sensor.stale_after });
        }
        if let Some(good) = self.good.filter(|good| at < good.until) {
            return Err(Rejection::Overtaken { by: good.until - at });
        }
        let follower = match value {
            Value::Number(number) => {
                believable(sensor, number)?;
                self.follow(sensor, (at, number), step, peer)?
            }
            Value::Word(_) => 0.0,
        };

        let good = match self.good {
            Some(good) if good.value == value && (self.frozen || at - good.until <= sensor.stale_after) => {
                Good { until: at, follower, ..good }
            }
            Some(_) | None => Good { value, at, since: at, until: at, follower },
        };
        let unmoved = at - good.since;
        let stuck = sensor.frozen_after.filter(|limit| unmoved >= *limit);
        self.frozen = stuck.is_some();
        if let Some(limit) = stuck {
            self.good = Some(good);
            let value = match value {
                Value::Number(number) => Some(number),
                Value::Word(_) => None,
            };
            return Err(Rejection::Frozen { value, unmoved, limit });
        }
        self.good = Some(Good { at, ..good });
        if let Value::Number(number) = value {
            self.trend.note(at, number);
        }
        Ok(())
    }

    /// Where the follower comes to with this number, unless the number is too far ahead of it.
    fn follow(
        &mut self,
        sensor: &Sensor,
        (at, number): (Moment, f64),
        step: Option<StepCandidate>,
        peer: Option<f64>,
    ) -> Result<f64, Rejection> {
        let misread = self.misread.take().map(|row| *row);
        let Some(Good { value: Value::Number(before), until: then, follower, .. }) = self.good else {
            return Ok(number);
        };
        if let Some(unit) = other_unit(sensor, before, number) {
            let row = misread.unwrap_or(StepCandidate { value: number, at, from: before });
            if at - row.at < LONGEST_DOUBT || row.is_contradicted(peer) {
                self.misread = Some(row.into());
                return Err(Rejection::OtherUnit { value: number, before, unit });
            }
            return Ok(number);
        }
        let Some(limit) = sensor.max_rate else { return Ok(number) };
        let ahead = limit * AHEAD.as_seconds();
        let reach = limit * (at - then).as_seconds();
        let followed = follower + (number - follower).max(-reach).min(reach);
        let agrees = |row: &StepCandidate| {
            let reach = limit * (at - row.at).as_seconds() + ahead;
            // Who is back where the water was before has given the jump up.
            let is_back = (number - row.from).abs() <= ahead;
            at >= row.at && !is_back && (number - row.value).abs() <= reach
        };
        let row = step.filter(agrees);
        // The water can have come this far by now, if nothing else says that it has not.
        if (number - followed).abs() <= ahead && !row.is_some_and(|row| row.is_contradicted(peer)) {
            return Ok(followed);
        }
        let row = row.unwrap_or(StepCandidate { value: number, at, from: followed });
        if at - row.at >= LONGEST_DOUBT {
            return Ok(number);
        }
        self.step = Some(row.into());
        Err(Rejection::TooFast { value: number, before, within: at - then, limit })
    }

    /// The sensor's sender says whether it is there. What it measured stays in force for as long as
    /// it is meant to sleep between two reports, and not for longer.
    pub fn on_presence(&mut self, here: bool, now: Moment) {
        self.away = if here { None } else { self.away.or(Some(now)) };
    }

    /// Since when the sensor's sender has said that it is not there.
    pub fn away(&self) -> Option<Moment> {
        self.away
    }

    /// For how long a value is in force.
    pub fn fresh_for(&self, sensor: &Sensor) -> Span {
        match self.away {
            Some(_) => sensor.stale_after.min(sensor.every + Span(sensor.every.0 / 2)),
            None => sensor.stale_after,
        }
    }

    /// The value in force: the last good reading while it is fresh. None for a frozen sensor.
    pub fn value(&self, sensor: &Sensor, now: Moment) -> Option<Value> {
        self.in_force(sensor, now).map(|good| good.value)
    }

    /// Since when the sensor, which still reports, has said exactly the same. None while nothing
    /// has been heard from it for too long.
    pub fn unmoved(&self, sensor: &Sensor, now: Moment) -> Option<Moment> {
        self.good.filter(|good| now - good.until <= sensor.stale_after).map(|good| good.since)
    }

    /// The first moment at which the value in force will be stale, if no other reading comes;
    /// always later than `now`. None if no value is in force.
    pub fn stale_at(&self, sensor: &Sensor, now: Moment) -> Option<Moment> {
        self.in_force(sensor, now).map(|good| good.at + self.fresh_for(sensor) + Span::millis(1))
    }

    fn in_force(&self, sensor: &Sensor, now: Moment) -> Option<Good> {
        self.good.filter(|good| !self.frozen && now - good.at <= self.fresh_for(sensor))
    }

    /// The quality of what the sensor says now, and what is held against its latest reading. A
    /// sensor with a value in force is good, also if its latest reading was rejected: then the
    /// doubt says why.
    pub fn quality(&self, sensor: &Sensor, now: Moment) -> (Quality, Option<&Rejection>) {
        let doubt = self.doubt.as_ref();
        let quality = match self.heard {
            _ if self.away.is_some() && self.in_force(sensor, now).is_none() => Quality::Absent,
            None => doubt.map_or(Quality::Absent, Rejection::quality),
            Some(_) if self.in_force(sensor, now).is_some() => Quality::Good,
            Some(heard) if now - heard > sensor.stale_after => Quality::Stale,
            Some(_) => doubt.map_or(Quality::Stale, Rejection::quality),
        };
        (quality, doubt)
    }

    /// When anything live was last heard from the sensor, even if it could not be believed.
    pub fn heard(&self) -> Option<Moment> {
        self.heard
    }

    /// The last good reading, however old, and when it was measured.
    pub fn last_good(&self) -> Option<(Value, Moment)> {
        self.good.map(|good| (good.value, good.at))
    }

    /// How much its number moves in an hour, base units; none if it is no number, or too little was
    /// seen.
    pub fn per_hour(&self, sensor: &Sensor, now: Moment) -> Option<f64> {
        match self.value(sensor, now)? {
            Value::Number(number) => self.trend.per_hour((now, number)),
            Value::Word(_) => None,
        }
    }

    /// How many live readings were believed, and how many not.
    pub fn counts(&self) -> Counts {
        self.counts
    }
}

/// Whether a number can be true by itself.
fn believable(sensor: &Sensor, value: f64) -> Result<(), Rejection> {
    // A sentinel may have come through another unit: 85 degC as 185 degF.
    let same = |sentinel: &f64| (value - sentinel).abs() <= 1e-6 * sentinel.abs() + 1e-12;
    if sensor.reject.iter().any(same) {
        return Err(Rejection::Sentinel { value });
    }
    match sensor.plausible {
        Some((low, high)) if value < low || value > high => Err(Rejection::Implausible { value, low, high }),
        Some(_) | None => Ok(()),
    }
}
