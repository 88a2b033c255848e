//! What a new start needs of the old one. Records from the horizon on flow out, with their
//! moments carried over to the clock of the present boot, so that a delay that had run for a
//! minute before a power cut of an hour has now run for an hour and a minute.
//!
//! Two boots are joined by their wall clocks where both were trusted. Where that is not so, or
//! the later one would be the earlier, nobody knows how long the board was away: they are joined
//! as if it had been no time at all, and the gap is told as unknown.

use super::log::{self, Boot};
use super::odd_times::{self, LONGEST_RUN};
use super::pulse::Beat;
use super::{BootId, boot_row};
use rusqlite::{Connection, OptionalExtension};
use slackwater_rules::record::{Record, Seq};
use slackwater_rules::time::{Moment, Now, Span};
use std::collections::BTreeMap;

/// The database hears of a sign of life at least this often: with its readings.
const AFTER_LIFE: Span = Span::hours(12);

/// What [`super::Journal::restore`] gives back.
#[derive(Clone, Debug, PartialEq)]
pub struct Restored {
    /// All from the horizon on, oldest first, on the present boot's monotonic clock.
    pub records: Vec<Record>,
    /// Since the last sign of life; none if nobody knows, or if there never was one.
    pub gap: Option<Span>,
    /// The number of the next record.
    pub next_seq: Seq,
    /// The site's own random number.
    pub seed: u64,
    /// Records that this version of the program can't read.
    pub unreadable: Vec<Seq>,
}

pub(super) fn restore(
    db: &Connection,
    boot: &BootId,
    now: &Now,
    beat: Option<&Beat>,
) -> rusqlite::Result<Restored> {
    let meta = |key| db.query_row("SELECT value FROM meta WHERE key = ?", [key], |row| row.get::<_, i64>(0));
    let horizon = meta("horizon")?.cast_unsigned();
    let last: i64 = db.query_row("SELECT coalesce(max(seq), 0) FROM records", [], |row| row.get(0))?;

    let mut records = Vec::new();
    let unreadable = log::walk(db, horizon, |boot, record| {
        records.push((boot, record));
        true
    })?;
    let mut boots = log::boots(db)?;
    if let Some(beat) = beat {
        log::outlive(db, &mut boots, beat)?;
    }
    let present = boot_row(db, boot)?;
    let spans = spans(db, &boots, &records, present)?;
    let (shifts, gap) = shifts(&boots, &spans, present, now);
    // A journal that lost its end doesn't know the boot that the pulse tells of.
    let gap = gap.into_iter().chain(beat.and_then(|beat| beat.ago(boot, now))).min();
    for (boot, record) in &mut records {
        record.at.mono = record.at.mono + shifts.get(boot).copied().unwrap_or_default();
        odd_times::hold(record, now);
    }
    Ok(Restored {
        records: records.into_iter().map(|(_, record)| record).collect(),
        gap,
        next_seq: last.cast_unsigned() + 1,
        seed: meta("seed")?.cast_unsigned(),
        unreadable,
    })
}

/// First and last known moment of the boots that have records to restore, of the last boot
/// there was, and of the present one.
fn spans(
    db: &Connection,
    boots: &BTreeMap<i64, Boot>,
    records: &[(i64, Record)],
    present: Option<i64>,
) -> rusqlite::Result<BTreeMap<i64, (Moment, Moment)>> {
    let mut spans = BTreeMap::new();
    let kept = records.iter().map(|(boot, _)| *boot);
    for id in kept.chain(boots.keys().next_back().copied()).chain(present) {
        if spans.contains_key(&id) {
            continue;
        }
        let alive = boots.get(&id).and_then(|boot| boot.alive);
        // Nothing was recorded long after the last sign of life.
        let latest = alive.map_or(LONGEST_RUN, |alive| (alive + AFTER_LIFE).0);
        let moment = |order| {
            let sql = format!(
                "SELECT mono FROM records WHERE boot = ? AND mono BETWEEN 0 AND ? ORDER BY seq {order} LIMIT 1"
            );
            db.query_row(&sql, [id, latest], |row| row.get(0).map(Moment)).optional()
        };
        let (first, last) = (moment("ASC")?, moment("DESC")?);
        if let (Some(first), Some(last)) = (first.or(alive), last.max(alive)) {
            spans.insert(id, (first, last));
        }
    }
    Ok(spans)
}

/// How much to add to the moments of each boot, and the gap before now.
fn shifts(
    boots: &BTreeMap<i64, Boot>,
    spans: &BTreeMap<i64, (Moment, Moment)>,
    present: Option<i64>,
    now: &Now,
) -> (BTreeMap<i64, Span>, Option<Span>) {
    // What the later side of a seam is: where it begins on its own clock, how its clock is
    // dated, and what carries it over to the present.
    let offset = now.wall_trusted.then(|| now.wall - Span(now.mono.0));
    let mut later = (now.mono, offset, Span::ZERO);
    let mut shifts = BTreeMap::new();
    let mut gap = None;
    for (nth, (id, (first, last))) in spans.iter().rev().enumerate() {
        let dated = boots.get(id).and_then(|boot| boot.sure());
        let (begin, later_offset, carried) = later;
        let away = match (dated, later_offset) {
            _ if Some(*id) == present => Some(begin - *last),
            (Some(mine), Some(theirs)) => Some((theirs + Span(begin.0)) - (mine + Span(last.0))),
            _ => None,
        };
        let away = away.filter(|away| *away >= Span::ZERO);
        if nth == 0 {
            gap = away;
        }
        let shift = if Some(*id) == present {
            Span::ZERO
        } else {
            (begin + carried - away.unwrap_or_default()) - *last
        };
        shifts.insert(*id, shift);
        later = (*first, dated, shift);
    }
    (shifts, gap)
}
