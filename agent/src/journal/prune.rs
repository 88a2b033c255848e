//! Keeping the file within its bounds. Readings go first, by days, the oldest before the rest;
//! then records, oldest first, but never one that still matters nor the newest. Readings past
//! their age are dropped whole: what a keeper wants of last year is in the records. What was
//! given up flows out as [`Pruned`], so that it can be said.
//!
//! A full file gives up its oldest quarter of a day in the very transaction that writes the newest
//! minutes, which then take the pages that became free ([`make_room`]). Pages that become free by
//! themselves are written for nothing, twice: to the log of writes, and from there to the file. By
//! days goes only what that leaves: a limit made smaller, records that crowd out readings.

use super::JournalLimits;
use super::folding::first_minute;
use super::minutes::MINUTE;
use super::schema::{self, BLOCK};
use rusqlite::{Connection, OptionalExtension, params};
use slackwater_rules::record::Seq;
use slackwater_rules::time::{Now, Span};
use std::fmt;

/// What was given up to stay within the bounds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Pruned {
    /// Minutes of readings, one a sensor, older than [`JournalLimits::keep`].
    pub aged: u64,
    /// Minutes of readings, for want of room.
    pub readings: u64,
    /// Records, for want of room.
    pub records: u64,
    /// Minutes of readings that were lost while the disk could not be written.
    pub unwritten: u64,
}

impl fmt::Display for Pruned {
    /// Nothing at all if nothing was given up.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let parts = [
            (self.aged, "minutes of readings dropped for their age"),
            (self.readings, "minutes of readings dropped for want of room"),
            (self.records, "records dropped for want of room"),
            (self.unwritten, "minutes of readings lost while the disk could not be written"),
        ];
        let mut between = "";
        for (count, what) in parts.into_iter().filter(|(count, _)| *count > 0) {
            write!(f, "{between}{count} {what}")?;
            between = ", ";
        }
        Ok(())
    }
}

/// A day of minutes.
const DAY: i64 = 24 * 60;

/// Room kept beyond what is wanted, in bytes: pages are taken whole, and a night's records come
/// between.
const SPARE: u64 = 64 << 10;

/// No transaction gives up more quarters of a day than this: one that is undone should not have
/// cost much.
const BLOCKS_AT_ONCE: usize = 4;

/// No more free pages are given back to the disk at once.
const PAGES_AT_ONCE: u32 = 4_096;

/// So many records are given up at a time.
const RECORDS: i64 = 500;

/// Makes room for so many bytes of new minutes, within the transaction that writes them. Returns
/// how many old minutes that cost.
pub(super) fn make_room(db: &Connection, limits: &JournalLimits, wanted: u64) -> rusqlite::Result<u64> {
    let mut dropped = 0;
    for _ in 0..BLOCKS_AT_ONCE {
        if used(db)? + wanted + SPARE <= limits.bytes {
            break;
        }
        let Some((boot, minute)) = oldest_reading(db)? else { break };
        dropped += drop_readings(db, boot, schema::block_of(minute) + BLOCK)?;
    }
    Ok(dropped)
}

/// Prunes to the limits; records from `keep_from` on are safe.
pub(super) fn prune(
    db: &Connection,
    limits: &JournalLimits,
    now: &Now,
    keep_from: Seq,
) -> rusqlite::Result<Pruned> {
    let mut pruned = Pruned { aged: drop_aged(db, limits, now)?, ..Pruned::default() };
    while used(db)? > limits.bytes {
        if let Some((boot, minute)) = oldest_reading(db)? {
            pruned.readings += drop_readings(db, boot, schema::block_of(minute) + DAY)?;
            continue;
        }
        let dropped = db.execute(
            "DELETE FROM records WHERE seq < ?1
             AND seq IN (SELECT seq FROM records ORDER BY seq LIMIT ?2)",
            params![keep_from.cast_signed(), RECORDS],
        )?;
        if dropped == 0 {
            break;
        }
        pruned.records += dropped as u64;
    }
    if pruned != Pruned::default() {
        shrink(db)?;
    }
    Ok(pruned)
}

/// Drops what is too old, once it is a day's worth. Only trusted clocks say what is old: a
/// board that thinks it is 1970 must not lose its readings.
fn drop_aged(db: &Connection, limits: &JournalLimits, now: &Now) -> rusqlite::Result<u64> {
    let mut dropped = 0;
    while let Some((boot, oldest)) = oldest_reading(db)? {
        let (offset, trusted): (i64, bool) =
            db.query_row("SELECT offset, trusted FROM boots WHERE id = ?", [boot], |row| {
                Ok((row.get(0)?, row.get(1)?))
            })?;
        let limit = (now.wall - limits.keep - Span(offset)).0.div_euclid(MINUTE);
        if !(trusted && now.wall_trusted) || oldest + DAY > limit {
            break;
        }
        dropped += drop_readings(db, boot, limit)?;
    }
    Ok(dropped)
}

/// Of both forms: where the oldest of them begins.
fn oldest_reading(db: &Connection) -> rusqlite::Result<Option<(i64, i64)>> {
    let pack = "SELECT key FROM packs ORDER BY key LIMIT 1";
    let pack = db.query_row(pack, [], |row| row.get::<_, i64>(0)).optional()?;
    let pack = pack.map(|key| (key >> 43, first_minute(key)));
    Ok(pack.into_iter().chain(oldest_row(db)?).min())
}

/// Of version 1's.
pub(super) fn oldest_row(db: &Connection) -> rusqlite::Result<Option<(i64, i64)>> {
    db.query_row("SELECT boot, minute FROM readings ORDER BY key LIMIT 1", [], |row| {
        Ok((row.get(0)?, row.get(1)?))
    })
    .optional()
}

/// Drops a boot's minutes before this one, packs only whole.
fn drop_readings(db: &Connection, boot: i64, before: i64) -> rusqlite::Result<u64> {
    let keys = |before| [schema::reading_key(boot, 0, 0), schema::reading_key(boot, before, 0)];
    let rows = db.execute("DELETE FROM readings WHERE key >= ? AND key < ?", keys(before))? as u64;
    let packs = keys(schema::block_of(before));
    let sum = "SELECT ifnull(sum(minutes), 0) FROM packs WHERE key >= ? AND key < ?";
    let minutes: i64 = db.query_row(sum, packs, |row| row.get(0))?;
    db.execute("DELETE FROM packs WHERE key >= ? AND key < ?", packs)?;
    Ok(rows + minutes.cast_unsigned())
}

/// Bytes in use. Free pages are about to be given back.
fn used(db: &Connection) -> rusqlite::Result<u64> {
    let pages = number(db, "PRAGMA page_count")? - number(db, "PRAGMA freelist_count")?;
    Ok((pages * number(db, "PRAGMA page_size")?).cast_unsigned())
}

/// Makes the file as small as what is in it.
fn shrink(db: &Connection) -> rusqlite::Result<()> {
    let mut vacuum = db.prepare(&format!("PRAGMA incremental_vacuum({PAGES_AT_ONCE})"))?;
    let mut rows = vacuum.query([])?;
    while rows.next()?.is_some() {}
    // A reader may hold this up; then it happens at some later time.
    db.query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |_| Ok(()))
}

fn number(db: &Connection, sql: &str) -> rusqlite::Result<i64> {
    db.query_row(sql, [], |row| row.get(0))
}
