//! One sensor's readings for drawings: a stretch of time and a step go in, and what was said in
//! each step comes out. Packs are keyed by time first, so that a card lasts; one sensor's are found
//! by stepping from block to block, which costs nothing for the sensors between.

use super::bucket::{Bucket, Values};
use super::error::JournalError;
use super::log::{JournalLog, boots};
use super::minutes::MINUTE;
use super::schema;
use super::stored::StoredReadings;
use rusqlite::OptionalExtension as _;
use slackwater_rules::time::{Span, Wall};
use std::collections::BTreeSet;

/// What a sensor said in one step: base units, or words by their place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StepSaid {
    /// The step's beginning.
    pub from: Wall,
    /// The lowest.
    pub low: f64,
    /// The mean of the readings.
    pub mean: f64,
    /// The highest.
    pub high: f64,
    /// The last.
    pub last: f64,
    /// How many of its minutes have readings.
    pub minutes: u32,
}

impl JournalLog {
    /// What a sensor said in each step of a stretch, in order of time; steps in which nothing was
    /// said are left out. Steps count from the stretch's beginning.
    pub fn bars(
        &self,
        sensor: &str,
        since: Wall,
        until: Wall,
        step: Span,
    ) -> Result<Vec<StepSaid>, JournalError> {
        self.sql(|db| {
            let mut found = Vec::new();
            let row =
                db.query_row("SELECT id FROM sensors WHERE name = ?", [sensor], |row| row.get::<_, i64>(0));
            let Some(id) = row.optional()? else { return Ok(found) };
            let (step, only) = ((step.0 / MINUTE).max(1), BTreeSet::from([id]));
            let mut stored = StoredReadings::of(&self.place.0, db)?;
            for (boot, dated) in boots(&stored.db)? {
                let minute = |wall: Wall| (wall - dated.offset).0.div_euclid(MINUTE);
                let Some((oldest, newest)) = stored.ends(boot)? else { continue };
                let (from, first, last) =
                    (minute(since), minute(since).max(oldest), minute(until).min(newest));
                // A boot that began within a step shares that step's place with the one before.
                let mut open: Option<(i64, StepSums)> = None;
                let mut block = schema::block_of(first).max(0);
                while block <= last {
                    for (_, minutes) in stored.block(boot, block, Some(&only))? {
                        for bucket in minutes.filter(|bucket| (first..=last).contains(&bucket.minute)) {
                            let Some(said) = StepSums::of(&bucket) else { continue };
                            let at = (bucket.minute - from) / step;
                            match &mut open {
                                Some((of, sums)) if *of == at => sums.add(&said),
                                _ => {
                                    let done = open.replace((at, said));
                                    found.extend(done.map(|(of, sums)| sums.end(since, of * step)));
                                }
                            }
                        }
                    }
                    block += schema::BLOCK;
                }
                found.extend(open.map(|(of, sums)| sums.end(since, of * step)));
            }
            found.sort_by_key(|said| said.from);
            Ok(found)
        })
    }
}

/// A step, while its minutes are added up.
struct StepSums {
    low: f64,
    high: f64,
    last: f64,
    /// Of all readings.
    sum: f64,
    count: f64,
    minutes: u32,
}

impl StepSums {
    /// One minute; none if nothing of it was believed.
    fn of(bucket: &Bucket) -> Option<Self> {
        let (low, mean, high, last) = match bucket.values? {
            Values::Numbers { lowest, mean, highest, last } => (lowest, mean, highest, last),
            Values::Words { last, .. } => {
                let last = f64::from(last);
                (last, last, last, last)
            }
        };
        let count = f64::from(bucket.count);
        (bucket.count > 0).then_some(Self { low, high, last, sum: mean * count, count, minutes: 1 })
    }

    fn add(&mut self, later: &Self) {
        (self.low, self.high) = (self.low.min(later.low), self.high.max(later.high));
        self.last = later.last;
        self.sum += later.sum;
        self.count += later.count;
        self.minutes += later.minutes;
    }

    fn end(self, since: Wall, minutes: i64) -> StepSaid {
        let Self { low, high, last, sum, count, minutes: known } = self;
        StepSaid { from: since + Span(minutes * MINUTE), low, mean: sum / count, high, last, minutes: known }
    }
}
