//! Readings, thinned. Samples flow in, one bucket a sensor and minute flows out: how many were
//! believed and how many rejected, the lowest, mean, highest and last number, or the first and
//! last word and how often it changed. Minutes are those of the boot's monotonic clock, which
//! never jumps; readers date them by the boot's offset.
//!
//! A million messages an hour pass here, so a sample of a known sensor in its open minute costs
//! one look-up by name and no allocation.

use super::bucket::{Bucket, in_order};
use rusqlite::Connection;
use slackwater_rules::engine::Sample;
use slackwater_rules::quality::Quality;
use slackwater_rules::time::Moment;
use std::collections::{BTreeMap, HashMap, VecDeque};
use std::sync::Arc;

pub(super) const MINUTE: i64 = 60_000;

/// How many finished buckets may wait for a disk that can't be written: some 5 MiB, a day and
/// a half of 20 sensors.
const MOST_WAITING: usize = 50_000;

/// With so many there is no waiting for the next flush: a witness of thousands of sites has them
/// within a minute.
const MANY_WAITING: usize = 10_000;

#[derive(Debug)]
struct SensorMinutes {
    name: Arc<str>,
    /// Its row, once it is known to be safe there.
    row: Option<i64>,
    open: Option<Bucket>,
}

/// The buckets in memory.
#[derive(Debug, Default)]
pub(super) struct Minutes {
    places: HashMap<Arc<str>, usize>,
    sensors: Vec<SensorMinutes>,
    finished: VecDeque<(usize, Bucket)>,
    lost: u64,
}

impl Minutes {
    pub(super) fn add(&mut self, sample: &Sample) {
        let believed = match (sample.quality, sample.value) {
            (Quality::Good, Some(value)) => Some(value),
            // Before this boot's clock began there is no minute to put it in.
            (Quality::Late, Some(value)) if sample.at.0 >= 0 => Some(value),
            (Quality::Good | Quality::Suspect, _) => None,
            // True once, or no reading at all: neither believed nor rejected.
            (Quality::Stale | Quality::Old | Quality::Late | Quality::Absent, _) => return,
        };
        let place = match self.places.get(&sample.sensor) {
            Some(place) => *place,
            None => {
                self.places.insert(sample.sensor.clone(), self.sensors.len());
                self.sensors.push(SensorMinutes { name: sample.sensor.clone(), row: None, open: None });
                self.sensors.len() - 1
            }
        };
        let minute = sample.at.0.div_euclid(MINUTE);
        let Some(sensor) = self.sensors.get_mut(place) else { return };
        let open = &mut sensor.open;
        if let Some(bucket) = open.take_if(|bucket| bucket.minute != minute) {
            self.finished.push_back((place, bucket));
            if self.finished.len() > MOST_WAITING {
                self.finished.pop_front();
                self.lost += 1;
            }
        }
        let bucket = open.get_or_insert_with(|| Bucket::new(minute));
        match believed {
            Some(value) => bucket.add(value),
            None => bucket.rejected = bucket.rejected.saturating_add(1),
        }
    }

    /// Finishes the minutes that are over at `now`, or all of them.
    pub(super) fn finish(&mut self, now: Option<Moment>) {
        let present = now.map_or(i64::MAX, |now| now.0.div_euclid(MINUTE));
        for (place, sensor) in self.sensors.iter_mut().enumerate() {
            if let Some(bucket) = sensor.open.take_if(|bucket| bucket.minute < present) {
                self.finished.push_back((place, bucket));
            }
        }
    }

    /// Whether so many are finished that they want to be written before their time.
    pub(super) fn are_many(&self) -> bool {
        self.finished.len() >= MANY_WAITING
    }

    /// Whether there are finished minutes of a sensor that has no row yet.
    pub(super) fn has_new_sensors(&self) -> bool {
        self.finished.iter().any(|(place, _)| self.sensors.get(*place).is_some_and(|it| it.row.is_none()))
    }

    /// Gives every sensor with finished minutes its row.
    pub(super) fn name_sensors(&mut self, db: &Connection) -> rusqlite::Result<()> {
        for (place, _) in &self.finished {
            if let Some(sensor) = self.sensors.get_mut(*place).filter(|sensor| sensor.row.is_none()) {
                sensor.row = Some(sensor_row(db, &sensor.name)?);
            }
        }
        Ok(())
    }

    /// What is finished, by the rows of sensors, in order of time.
    pub(super) fn finished(&self) -> Vec<(i64, Vec<Bucket>)> {
        let mut by_sensor: BTreeMap<i64, Vec<Bucket>> = BTreeMap::new();
        for (place, bucket) in &self.finished {
            if let Some(row) = self.sensors.get(*place).and_then(|sensor| sensor.row) {
                by_sensor.entry(row).or_default().push(*bucket);
            }
        }
        by_sensor.into_iter().map(|(row, buckets)| (row, in_order(buckets))).collect()
    }

    /// What was finished is safe.
    pub(super) fn written(&mut self) {
        self.finished.clear();
    }

    /// The rows that new sensors were given were not kept.
    pub(super) fn refused(&mut self) {
        for sensor in &mut self.sensors {
            sensor.row = None;
        }
    }

    /// How many buckets had to be given up since this was last asked.
    pub(super) fn take_lost(&mut self) -> u64 {
        std::mem::take(&mut self.lost)
    }
}

fn sensor_row(db: &Connection, name: &str) -> rusqlite::Result<i64> {
    db.execute("INSERT INTO sensors (name) VALUES (?) ON CONFLICT DO NOTHING", [name])?;
    db.query_row("SELECT id FROM sensors WHERE name = ?", [name], |row| row.get(0))
}
