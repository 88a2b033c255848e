//! The readings as a reader finds them at one instant: packs and rows of an older version in the
//! database, and the latest minutes in the file beside it. Block after block flows out, each
//! sensor's minutes in order of time.

use super::bucket::{Bucket, Values, in_order};
use super::folding::first_minute;
use super::minute_log::{self, Chunk};
use super::packing::{Packer, Unpacked};
use super::schema::{BLOCK, block_of, reading_key};
use rusqlite::{Connection, OptionalExtension, Row, Transaction};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// A snapshot.
pub(super) struct StoredReadings<'db> {
    pub(super) db: Transaction<'db>,
    chunks: Vec<Chunk>,
    /// Version 1 has none.
    has_packs: bool,
    /// Rows of version 1 that are no packs yet.
    has_rows: bool,
    packer: Packer,
}

/// A reader's few rows of a boot's first and last key.
const ENDS: &str = "SELECT (SELECT key FROM TABLE WHERE key BETWEEN ?1 AND ?2 ORDER BY key LIMIT 1),
                           (SELECT key FROM TABLE WHERE key BETWEEN ?1 AND ?2 ORDER BY key DESC LIMIT 1)";

/// One sensor's rows of version 1: steps from minute to minute within the database.
const ROWS_OF_ONE: &str = "
WITH RECURSIVE m(k) AS (VALUES(?1) UNION ALL SELECT k + 65536 FROM m WHERE k + 65536 < ?2)
SELECT sensor, minute, count, rejected, lowest, mean, highest, last, first, changes
FROM m CROSS JOIN readings ON key = m.k";

const ROWS: &str = "SELECT sensor, minute, count, rejected, lowest, mean, highest, last, first, changes
FROM readings WHERE key >= ? AND key < ?";

impl<'db> StoredReadings<'db> {
    pub(super) fn of(path: &Path, db: &'db Connection) -> rusqlite::Result<Self> {
        let number = |db: &Connection, sql| db.query_row(sql, [], |row| row.get::<_, i64>(0));
        let seed = number(db, "SELECT value FROM meta WHERE key = 'seed'")?;
        // First the file, then the database: what is folded between the two is not counted twice.
        let chunks = minute_log::read(path, seed, 0);
        let db = db.unchecked_transaction()?;
        let has_packs = number(&db, "SELECT count(*) FROM sqlite_schema WHERE name = 'packs'")? > 0;
        let has_rows = number(&db, "SELECT EXISTS (SELECT 1 FROM readings)")? > 0;
        let chunks = minute_log::newer(chunks, folded(&db)?);
        Ok(Self { db, chunks, has_packs, has_rows, packer: Packer::default() })
    }

    /// The first and last minute that there may be of a boot, if there are any.
    pub(super) fn ends(&self, boot: i64) -> rusqlite::Result<Option<(i64, i64)>> {
        let keys = [reading_key(boot, 0, 0), reading_key(boot + 1, 0, 0) - 1];
        let mut ends: Option<(i64, i64)> = None;
        let mut widen = |first: i64, last: i64| {
            ends = Some(ends.map_or((first, last), |(from, to)| (from.min(first), to.max(last))));
        };
        for (table, is_there, reach) in [("packs", self.has_packs, BLOCK - 1), ("readings", self.has_rows, 0)]
        {
            if is_there {
                let found = self.db.query_row(&ENDS.replace("TABLE", table), keys, |row| {
                    Ok((row.get::<_, Option<i64>>(0)?, row.get::<_, Option<i64>>(1)?))
                })?;
                if let (Some(first), Some(last)) = found {
                    widen(first_minute(first), first_minute(last) + reach);
                }
            }
        }
        for (first, last) in self.chunks.iter().filter(|chunk| chunk.boot == boot).filter_map(Chunk::ends) {
            widen(first, last);
        }
        Ok(ends)
    }

    /// The first block from `from` on, up to the minute `to`, in which there is anything of a boot.
    pub(super) fn next_block(&self, boot: i64, from: i64, to: i64) -> rusqlite::Result<Option<i64>> {
        let keys = [reading_key(boot, block_of(from), 0), reading_key(boot, to.max(0) + 1, 0)];
        let mut next: Option<i64> = None;
        let mut nearer = |minute: i64| next = Some(next.map_or(minute, |known: i64| known.min(minute)));
        for (is_there, sql) in [
            (self.has_packs, "SELECT key FROM packs WHERE key >= ? AND key < ? ORDER BY key LIMIT 1"),
            (self.has_rows, "SELECT key FROM readings WHERE key >= ? AND key < ? ORDER BY key LIMIT 1"),
        ] {
            if is_there {
                let mut select = self.db.prepare_cached(sql)?;
                select
                    .query_row(keys, |row| row.get(0))
                    .optional()?
                    .map(first_minute)
                    .into_iter()
                    .for_each(&mut nearer);
            }
        }
        let latest = self.chunks.iter().filter(|chunk| chunk.boot == boot).flat_map(|chunk| &chunk.minutes);
        let latest = latest.flat_map(|(_, buckets)| buckets).map(|bucket| bucket.minute);
        latest.filter(|minute| (block_of(from)..=to).contains(minute)).for_each(&mut nearer);
        Ok(next.map(block_of))
    }

    /// The minutes of a boot's block by sensor; of all sensors, or of some.
    pub(super) fn block(
        &mut self,
        boot: i64,
        block: i64,
        only: Option<&BTreeSet<i64>>,
    ) -> rusqlite::Result<Vec<(i64, StoredMinutes)>> {
        let keys = [reading_key(boot, block, 0), reading_key(boot, block + BLOCK, 0)];
        let mut earlier: BTreeMap<i64, Vec<Bucket>> = BTreeMap::new();
        let mut packed: BTreeMap<i64, Unpacked> = BTreeMap::new();
        if self.has_rows {
            let mut take = |row: &Row<'_>| {
                let sensor: i64 = row.get(0)?;
                if only.is_none_or(|only| only.contains(&sensor)) {
                    earlier.entry(sensor).or_default().push(read_row(row)?);
                }
                rusqlite::Result::Ok(())
            };
            match only.filter(|only| only.len() <= FEW) {
                None => each(&self.db, ROWS, keys, &mut take)?,
                Some(only) => {
                    for sensor in only {
                        each(&self.db, ROWS_OF_ONE, [keys[0] + sensor, keys[1]], &mut take)?;
                    }
                }
            }
        }
        if self.has_packs {
            let packer = &mut self.packer;
            let mut take = |row: &Row<'_>| {
                let key: i64 = row.get(0)?;
                let sensor = key & ((1 << 16) - 1);
                if only.is_none_or(|only| only.contains(&sensor)) {
                    match packer.unpack(first_minute(key), row.get_ref(1)?.as_blob()?) {
                        Some(minutes) => drop(packed.insert(sensor, minutes)),
                        None => tracing::warn!(key, "six hours of a sensor's readings can't be read"),
                    }
                }
                rusqlite::Result::Ok(())
            };
            match only.filter(|only| only.len() <= FEW) {
                None => {
                    each(&self.db, "SELECT key, body FROM packs WHERE key >= ? AND key < ?", keys, &mut take)?
                }
                Some(only) => {
                    for sensor in only {
                        let one = "SELECT key, body FROM packs WHERE key = ? AND key < ?";
                        each(&self.db, one, [keys[0] + sensor, keys[1]], &mut take)?;
                    }
                }
            }
        }
        let mut latest: BTreeMap<i64, Vec<Bucket>> = BTreeMap::new();
        for (sensor, buckets) in
            self.chunks.iter().filter(|chunk| chunk.boot == boot).flat_map(|chunk| &chunk.minutes)
        {
            if only.is_none_or(|only| only.contains(sensor)) {
                let within = buckets.iter().filter(|bucket| block_of(bucket.minute).max(0) == block);
                latest.entry(*sensor).or_default().extend(within);
            }
        }
        let sensors: BTreeSet<i64> =
            earlier.keys().chain(packed.keys()).chain(latest.keys()).copied().collect();
        let one = |sensor: i64| {
            let (before, after) =
                (earlier.remove(&sensor).unwrap_or_default(), latest.remove(&sensor).unwrap_or_default());
            let minutes = match packed.remove(&sensor) {
                Some(packed) if before.is_empty() && after.is_empty() => {
                    StoredMinutes::Packed(Box::new(packed))
                }
                packed => {
                    let all = before.into_iter().chain(packed.into_iter().flatten()).chain(after).collect();
                    StoredMinutes::Listed(in_order(all).into_iter())
                }
            };
            (sensor, minutes)
        };
        Ok(sensors.into_iter().map(one).collect())
    }
}

/// Few enough to be looked for one by one.
const FEW: usize = 8;

/// One sensor's minutes of a block, in order of time.
pub(super) enum StoredMinutes {
    Packed(Box<Unpacked>),
    Listed(std::vec::IntoIter<Bucket>),
}

impl Iterator for StoredMinutes {
    type Item = Bucket;

    fn next(&mut self) -> Option<Bucket> {
        match self {
            Self::Packed(minutes) => minutes.next(),
            Self::Listed(minutes) => minutes.next(),
        }
    }
}

/// The latest generation of the file beside it that a database has taken up.
pub(super) fn folded(db: &Connection) -> rusqlite::Result<u64> {
    let sql = "SELECT ifnull((SELECT value FROM meta WHERE key = 'folded'), 0)";
    db.query_row(sql, [], |row| row.get::<_, i64>(0)).map(i64::cast_unsigned)
}

fn each(
    db: &Connection,
    sql: &str,
    keys: [i64; 2],
    take: &mut impl FnMut(&Row<'_>) -> rusqlite::Result<()>,
) -> rusqlite::Result<()> {
    let mut select = db.prepare_cached(sql)?;
    let mut rows = select.query(keys)?;
    while let Some(row) = rows.next()? {
        take(row)?;
    }
    Ok(())
}

/// A row of version 1, with its columns from the second on as [`ROWS`] has them.
pub(super) fn read_row(row: &Row<'_>) -> rusqlite::Result<Bucket> {
    let values = match (row.get(4)?, row.get(8)?) {
        (Some(lowest), _) => {
            Some(Values::Numbers { lowest, mean: row.get(5)?, highest: row.get(6)?, last: row.get(7)? })
        }
        (None, Some(first)) => {
            // `as` saturates; words are few.
            let last = row.get::<_, f64>(7)? as u16;
            Some(Values::Words { first, last, changes: row.get(9)? })
        }
        (None, None) => None,
    };
    Ok(Bucket { minute: row.get(1)?, count: row.get(2)?, rejected: row.get(3)?, values })
}
