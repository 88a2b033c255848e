//! Readings, thinned. Samples flow in, one bucket a sensor and minute flows out: how many were
//! believed and how many rejected, the lowest, mean, highest and last number, or the first and
//! last word and how often it changed. Minutes are those of the boot's monotonic clock, which
//! never jumps; readers date them by the boot's offset.
//!
//! A million messages an hour pass here, so a sample of a known sensor in its open minute costs
//! one look-up by name and no allocation.

use super::schema;
use rusqlite::{Connection, params};
use slackwater_rules::engine::Sample;
use slackwater_rules::quality::Quality;
use slackwater_rules::reading::Value;
use slackwater_rules::time::Moment;
use std::collections::{HashMap, VecDeque};
use std::sync::Arc;

pub(super) const MINUTE: i64 = 60_000;

/// How many finished buckets may wait for a disk that can't be written: some 5 MiB, a day and
/// a half of 20 sensors.
const MOST_WAITING: usize = 50_000;

/// What believed readings said in a minute.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Values {
    /// Numbers, base units.
    Numbers {
        /// The lowest.
        lowest: f64,
        /// The mean of the readings, each counting the same.
        mean: f64,
        /// The highest.
        highest: f64,
        /// The last.
        last: f64,
    },
    /// Words, by their place in the sensor's mapping.
    Words {
        /// The first.
        first: u16,
        /// The last.
        last: u16,
        /// How often a word differed from the one before, within the minute.
        changes: u32,
    },
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Bucket {
    minute: i64,
    count: u32,
    rejected: u32,
    values: Option<Values>,
}

impl Bucket {
    fn new(minute: i64) -> Self {
        Self { minute, count: 0, rejected: 0, values: None }
    }

    fn add(&mut self, value: Value) {
        self.count += 1;
        let values = match (self.values, value) {
            (Some(Values::Numbers { lowest, mean, highest, .. }), Value::Number(x)) => Values::Numbers {
                lowest: lowest.min(x),
                mean: mean + (x - mean) / f64::from(self.count),
                highest: highest.max(x),
                last: x,
            },
            (Some(Values::Words { first, last, changes }), Value::Word(word)) => {
                Values::Words { first, last: word, changes: changes + u32::from(word != last) }
            }
            // The first of the minute, or of a sensor that a new plan reads in another way.
            (_, Value::Number(x)) => {
                self.count = 1;
                Values::Numbers { lowest: x, mean: x, highest: x, last: x }
            }
            (_, Value::Word(word)) => {
                self.count = 1;
                Values::Words { first: word, last: word, changes: 0 }
            }
        };
        self.values = Some(values);
    }
}

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
            None => bucket.rejected += 1,
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

    /// Writes what is finished. A minute that is there already (before a restart of the program,
    /// or of readings that came late) is completed, not replaced.
    pub(super) fn write(&mut self, db: &Connection, boot: i64) -> rusqlite::Result<()> {
        let mut upsert = db.prepare_cached(
            "INSERT INTO readings
                 (key, count, rejected, lowest, mean, highest, last, first, changes)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)
             ON CONFLICT DO UPDATE SET
                 count = count + excluded.count,
                 rejected = rejected + excluded.rejected,
                 lowest = min(ifnull(lowest, excluded.lowest), ifnull(excluded.lowest, lowest)),
                 highest = max(ifnull(highest, excluded.highest), ifnull(excluded.highest, highest)),
                 mean = CASE WHEN excluded.mean IS NULL THEN mean WHEN mean IS NULL THEN excluded.mean
                     ELSE (mean * count + excluded.mean * excluded.count) / (count + excluded.count) END,
                 last = ifnull(excluded.last, last),
                 first = ifnull(first, excluded.first),
                 changes = CASE WHEN excluded.changes IS NULL THEN changes
                     WHEN changes IS NULL THEN excluded.changes
                     ELSE changes + excluded.changes + (last <> excluded.first) END",
        )?;
        for (place, bucket) in &self.finished {
            let Some(sensor) = self.sensors.get_mut(*place) else { continue };
            let row = match sensor.row {
                Some(row) => row,
                None => sensor_row(db, &sensor.name)?,
            };
            sensor.row = Some(row);
            let Bucket { minute, count, rejected, values } = *bucket;
            let key = schema::reading_key(boot, minute, row);
            let (numbers, last, words) = match values {
                None => (None, None, None),
                Some(Values::Numbers { lowest, mean, highest, last }) => {
                    (Some((lowest, mean, highest)), Some(last), None)
                }
                Some(Values::Words { first, last, changes }) => {
                    (None, Some(f64::from(last)), Some((first, changes)))
                }
            };
            upsert.execute(params![
                key,
                count,
                rejected,
                numbers.map(|(lowest, ..)| lowest),
                numbers.map(|(_, mean, _)| mean),
                numbers.map(|(.., highest)| highest),
                last,
                words.map(|(first, _)| first),
                words.map(|(_, changes)| changes)
            ])?;
        }
        Ok(())
    }

    /// How many finished buckets wait to be written.
    pub(super) fn waiting(&self) -> usize {
        self.finished.len()
    }

    /// What was finished is safe.
    pub(super) fn written(&mut self) {
        self.finished.clear();
    }

    /// What was given to [`Minutes::write`] was not kept: nor were the rows of new sensors.
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
