//! One sensor's readings for drawings: a stretch of time and a step go in, and what was said in
//! each step comes out. Rows are keyed by time first, so that a card lasts; one sensor's are found
//! by stepping from minute to minute within the database, which costs nothing for the sensors
//! between.

use super::error::JournalError;
use super::log::{JournalLog, boots};
use super::minutes::MINUTE;
use super::schema;
use rusqlite::OptionalExtension as _;
use slackwater_rules::time::{Span, Wall};

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

/// From one minute's key to the next one's of the same sensor.
const NEXT: i64 = 1 << 16;

const STEPS: &str = "
WITH RECURSIVE m(k) AS (VALUES(?1) UNION ALL SELECT k + ?2 FROM m WHERE k + ?2 <= ?3)
SELECT ((k >> 16 & (1 << 27) - 1) - ?4) / ?5 AS step,
       min(ifnull(lowest, last)), sum(ifnull(mean, last) * count) / sum(count), max(ifnull(highest, last)),
       last, max(k), count(*)
FROM m CROSS JOIN readings ON key = m.k WHERE count > 0
GROUP BY step ORDER BY step";

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
            let step = (step.0 / MINUTE).max(1);
            for (boot, dated) in boots(db)? {
                let minute = |wall: Wall| (wall - dated.offset).0.div_euclid(MINUTE);
                let (from, to) = (minute(since), minute(until));
                let all = (schema::reading_key(boot, 0, 0), schema::reading_key(boot + 1, 0, 0) - 1);
                let ends: (Option<i64>, Option<i64>) = db.query_row(
                    "SELECT (SELECT key FROM readings WHERE key BETWEEN ?1 AND ?2 ORDER BY key LIMIT 1),
                            (SELECT key FROM readings WHERE key BETWEEN ?1 AND ?2 ORDER BY key DESC LIMIT 1)",
                    [all.0, all.1],
                    |row| Ok((row.get(0)?, row.get(1)?)),
                )?;
                let (Some(oldest), Some(newest)) = ends else { continue };
                let of = |key: i64| key >> 16 & ((1 << 27) - 1);
                // A boot that began within a step shares that step's place with the one before.
                let (first, last) = (from.max(of(oldest)), to.min(of(newest)));
                if first > last {
                    continue;
                }
                let key = |minute| schema::reading_key(boot, minute, id);
                let mut select = db.prepare_cached(STEPS)?;
                let mut rows = select.query([key(first), NEXT, key(last), from, step])?;
                while let Some(row) = rows.next()? {
                    found.push(StepSaid {
                        from: since + Span(row.get::<_, i64>(0)? * step * MINUTE),
                        low: row.get(1)?,
                        mean: row.get(2)?,
                        high: row.get(3)?,
                        last: row.get(4)?,
                        minutes: row.get(6)?,
                    });
                }
            }
            found.sort_by_key(|said| said.from);
            Ok(found)
        })
    }
}
