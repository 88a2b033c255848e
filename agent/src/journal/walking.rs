//! Readings, read: a stretch of time goes in, and every minute of every sensor that is asked for
//! comes out, in order of time, with the best date there is.

use super::bucket::{Bucket, Values};
use super::error::JournalError;
use super::log::{Boot, JournalLog, boots};
use super::minutes::MINUTE;
use super::schema;
use super::stored::StoredReadings;
use slackwater_rules::time::{Span, Wall};
use std::collections::{BTreeMap, BTreeSet};

/// What one sensor said in one minute.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Minute {
    /// When it began.
    pub wall: Wall,
    /// Whether that comes from a trusted clock.
    pub sure: bool,
    /// How many readings were believed.
    pub count: u32,
    /// How many were not.
    pub rejected: u32,
    /// What the believed ones said.
    pub values: Option<Values>,
}

impl Minute {
    fn of(bucket: &Bucket, boot: Boot) -> Self {
        Self {
            wall: boot.offset + Span(bucket.minute * MINUTE),
            sure: boot.trusted,
            count: bucket.count,
            rejected: bucket.rejected,
            values: bucket.values,
        }
    }
}

impl JournalLog {
    /// Gives every sensor's minutes within a stretch of time to `take`, in order of time.
    pub fn walk_readings(
        &self,
        since: Wall,
        until: Wall,
        take: impl FnMut(&str, Minute),
    ) -> Result<(), JournalError> {
        self.walk_readings_since(|_| Some(since), until, take)
    }

    /// The same of some sensors, each since a time of its own.
    pub fn walk_readings_since(
        &self,
        since: impl Fn(&str) -> Option<Wall>,
        until: Wall,
        mut take: impl FnMut(&str, Minute),
    ) -> Result<(), JournalError> {
        self.sql(|db| {
            let mut stored = StoredReadings::of(&self.place.0, db)?;
            let mut wanted: BTreeMap<i64, (String, Wall)> = BTreeMap::new();
            let mut sensors = 0;
            {
                let mut select = stored.db.prepare("SELECT id, name FROM sensors")?;
                let mut rows = select.query([])?;
                while let Some(row) = rows.next()? {
                    sensors += 1;
                    let name: String = row.get(1)?;
                    if let Some(since) = since(&name) {
                        wanted.insert(row.get(0)?, (name, since));
                    }
                }
            }
            let Some(earliest) = wanted.values().map(|(_, since)| *since).min() else { return Ok(()) };
            for (id, boot) in boots(&stored.db)? {
                let minute = |wall: Wall| (wall - boot.offset).0.div_euclid(MINUTE);
                let (mut from, to) = (minute(earliest).max(0), minute(until));
                while let Some(block) = stored.next_block(id, from, to)? {
                    from = block + schema::BLOCK;
                    // Those that look back so far.
                    let ends = boot.offset + Span(from * MINUTE);
                    let some: BTreeSet<i64> =
                        wanted.iter().filter(|(_, (_, since))| *since < ends).map(|(id, _)| *id).collect();
                    let only = Some(&some).filter(|some| some.len() < sensors);
                    let mut sources: Vec<_> = stored
                        .block(id, block, only)?
                        .into_iter()
                        .filter_map(|(sensor, minutes)| {
                            let (name, since) = wanted.get(&sensor)?;
                            Some((name.as_str(), minute(*since), minutes.peekable()))
                        })
                        .collect();
                    for at in block..from {
                        for (name, since, minutes) in &mut sources {
                            while let Some(bucket) = minutes.next_if(|bucket| bucket.minute <= at) {
                                if *since <= bucket.minute && bucket.minute <= to {
                                    take(name, Minute::of(&bucket, boot));
                                }
                            }
                        }
                    }
                }
            }
            Ok(())
        })
    }

    /// The minutes of one sensor within a stretch of time.
    pub fn readings(&self, sensor: &str, since: Wall, until: Wall) -> Result<Vec<Minute>, JournalError> {
        let mut found = Vec::new();
        self.walk_readings(since, until, |name, minute| {
            if name == sensor {
                found.push(minute);
            }
        })?;
        Ok(found)
    }
}
