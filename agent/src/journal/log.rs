//! The reading end: a connection of its own that can't write, and that works while the daemon
//! runs and when it does not. A stretch of time goes in; records, minutes of readings, and what
//! still stands come out, with the best dates there are.
//!
//! A record written under an untrusted clock is dated afresh if the clock became trusted later
//! in the same boot. If it never did, its own date stands, but not before that of an earlier
//! record or sign of life whose date is sure; and it says that it is not trusted.

use super::error::{JournalError, Place};
use super::file::{Belongs, belongs};
use super::minute_log;
use super::odd_times::{LATEST, LastBelieved, SET_BY, is_moment, is_offset, is_sure_offset};
use super::pulse;
use super::stored::folded;
use super::{boot_row, schema};
use rusqlite::{Connection, OpenFlags, params};
use slackwater_rules::record::{Body, Record, Seq};
use slackwater_rules::time::{Moment, Span, Wall};
use std::collections::BTreeMap;
use std::path::Path;
use std::time::Duration;

/// The reading end of a journal.
#[derive(Debug)]
pub struct JournalLog {
    pub(super) place: Place,
    pub(super) db: Connection,
}

/// How a boot's clock is dated, and when it was last known to live.
#[derive(Clone, Copy, Debug)]
pub(super) struct Boot {
    pub(super) offset: Wall,
    pub(super) trusted: bool,
    pub(super) alive: Option<Moment>,
}

impl Boot {
    /// The wall time at which its monotonic clock was 0, if that is sure.
    pub(super) fn sure(self) -> Option<Wall> {
        self.trusted.then_some(self.offset)
    }
}

impl JournalLog {
    /// Opens the journal at `path` for reading.
    pub fn open(path: &Path) -> Result<Self, JournalError> {
        let place = Place(path.to_owned());
        let run = || {
            let db = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY)?;
            db.busy_timeout(Duration::from_secs(5))?;
            let whose = belongs(&db)?;
            Ok((db, whose))
        };
        let (db, whose) = run().map_err(|error| place.error(error))?;
        match whose {
            Belongs::Ours { version: schema::OLDEST_READ..=schema::VERSION } => Ok(Self { place, db }),
            Belongs::Ours { version: found } => {
                Err(JournalError::Version { path: place.0, found, known: schema::VERSION })
            }
            Belongs::Nobody | Belongs::Other => Err(JournalError::Foreign { path: place.0 }),
        }
    }

    /// The site's name; empty if nobody said it.
    pub fn site(&self) -> Result<String, JournalError> {
        self.sql(|db| db.query_row("SELECT value FROM meta WHERE key = 'site'", [], |row| row.get(0)))
    }

    /// Gives each record from number `from` on to `take`, oldest first, until it says false.
    /// Gives back the numbers of those that this version of the program can't read.
    pub fn walk(&self, from: Seq, mut take: impl FnMut(Record) -> bool) -> Result<Vec<Seq>, JournalError> {
        self.sql(|db| walk(db, from, |_, record| take(record)))
    }

    /// The records of a stretch of time, both ends included.
    pub fn records(&self, since: Wall, until: Wall) -> Result<Vec<Record>, JournalError> {
        let mut found = Vec::new();
        self.walk(0, |record| {
            if since <= record.at.wall && record.at.wall <= until {
                found.push(record);
            }
            true
        })?;
        Ok(found)
    }

    /// What had begun and not ended when the journal was last written: the records that began
    /// it. Alarms that stand or are put aside, work, lost sight, call-outs.
    pub fn standing(&self) -> Result<Vec<Record>, JournalError> {
        let horizon: i64 = self
            .sql(|db| db.query_row("SELECT value FROM meta WHERE key = 'horizon'", [], |row| row.get(0)))?;
        let mut standing: BTreeMap<(&'static str, String), Record> = BTreeMap::new();
        self.walk(horizon.cast_unsigned(), |record| {
            let (kind, name, begins) = match &record.body {
                Body::Raised { alarm, .. } => ("alarm", alarm.clone(), true),
                Body::Returned { alarm, .. } | Body::Suppressed { alarm } => ("alarm", alarm.clone(), false),
                Body::Shelved { alarm, .. } => ("shelf", alarm.clone(), true),
                Body::Unshelved { alarm, .. } => ("shelf", alarm.clone(), false),
                Body::TakenOut { alarm, .. } => ("out", alarm.clone(), true),
                Body::PutBack { alarm, .. } => ("out", alarm.clone(), false),
                Body::WorkBegan { tank, .. } => ("work", tank.clone(), true),
                Body::WorkEnded { tank, .. } => ("work", tank.clone(), false),
                Body::SightLost { of, .. } => ("sight", of.clone(), true),
                Body::SightRegained { of, .. } => ("sight", of.clone(), false),
                Body::CallBegan { .. } => ("call", record.seq.to_string(), true),
                Body::CallEnded { call } => ("call", call.to_string(), false),
                Body::Started { .. }
                | Body::Stopped { .. }
                | Body::Reloaded { .. }
                | Body::ClockSet { .. }
                | Body::Worsened { .. }
                | Body::LostSight { .. }
                | Body::FoundSight { .. }
                | Body::Chattering { .. }
                | Body::Settled { .. }
                | Body::Blipped { .. }
                | Body::Acknowledged { .. }
                | Body::Reset { .. }
                | Body::Marked { .. }
                | Body::Learned { .. }
                | Body::Foretold { .. }
                | Body::Unsuppressed { .. }
                | Body::Joined { .. }
                | Body::Stepped { .. }
                | Body::CallChanged { .. }
                | Body::Paged { .. }
                | Body::Skipped { .. }
                | Body::Delivered { .. }
                | Body::Answered { .. }
                | Body::HandedOn { .. }
                | Body::Ticked { .. }
                | Body::Hushed { .. }
                | Body::Resumed { .. }
                | Body::Refused { .. }
                | Body::SilencePlanned { .. }
                | Body::SilenceEnded { .. }
                | Body::SiteChanged { .. }
                | Body::Switched { .. }
                | Body::Released { .. }
                | Body::Proved { .. }
                | Body::Withheld { .. }
                | Body::Held { .. }
                | Body::ByHand { .. }
                | Body::CommandKept { .. }
                | Body::NotProved { .. }
                | Body::Drill(_) => return true,
            };
            // An alarm that is put aside does not stand any more.
            if matches!(kind, "shelf" | "out") && begins {
                standing.remove(&("alarm", name.clone()));
            }
            match begins {
                true => drop(standing.insert((kind, name), record)),
                false => drop(standing.remove(&(kind, name))),
            }
            true
        })?;
        let mut standing: Vec<Record> = standing.into_values().collect();
        standing.sort_by_key(|record| record.seq);
        Ok(standing)
    }

    /// The last sign of life of every boot there was, oldest first: when, and whether that date
    /// is sure: to a minute for the last one, to a flush of readings for those before it that ended
    /// without notice.
    pub fn alive(&self) -> Result<Vec<(Wall, bool)>, JournalError> {
        let beat = pulse::read(&self.place.0);
        self.sql(|db| {
            let mut boots = boots(db)?;
            if let Some(beat) = &beat {
                outlive(db, &mut boots, beat)?;
            }
            let alive = boots.into_values();
            Ok(alive.filter_map(|b| Some((b.offset + Span(b.alive?.0), b.trusted))).collect())
        })
    }

    /// The number of the newest record of before `until` by the clock of its time; 0 if there is
    /// none.
    pub fn newest_until(&self, until: Wall) -> Result<Seq, JournalError> {
        let sql = "SELECT ifnull(max(seq), 0) FROM records WHERE wall <= ?";
        let newest = self.sql(|db| db.query_row(sql, [until.0], |row| row.get::<_, i64>(0)))?;
        Ok(newest.cast_unsigned())
    }

    /// The number of the oldest record since `since` by the clock of its time; past the newest if
    /// there is none.
    pub fn oldest_since(&self, since: Wall) -> Result<Seq, JournalError> {
        let sql = "SELECT ifnull((SELECT min(seq) FROM records WHERE wall >= ?), max(seq) + 1) FROM records";
        let oldest = self.sql(|db| db.query_row(sql, [since.0], |row| row.get::<_, Option<i64>>(0)))?;
        Ok(oldest.unwrap_or(0).cast_unsigned())
    }

    /// Whether the sign of life is known to a minute, beside the one that comes with readings.
    pub fn has_pulse(&self) -> bool {
        pulse::read(&self.place.0).is_some()
    }

    pub(super) fn sql<T>(
        &self,
        work: impl FnOnce(&Connection) -> rusqlite::Result<T>,
    ) -> Result<T, JournalError> {
        work(&self.db).map_err(|error| self.place.error(error))
    }
}

/// All boots, in order. One whose date is not sure is not dated before the last sure sign of
/// life of those before it.
pub(super) fn boots(db: &Connection) -> rusqlite::Result<BTreeMap<i64, Boot>> {
    let mut boots = BTreeMap::new();
    let mut not_before = Wall(i64::MIN);
    // A flush of readings is a sign of life too, and the latest ones are not in the database yet.
    let seed = db.query_row("SELECT value FROM meta WHERE key = 'seed'", [], |row| row.get(0))?;
    let folded = folded(db)?;
    let flushed = db.path().map(|path| minute_log::alive(Path::new(path), seed, folded)).unwrap_or_default();
    let mut select = db.prepare_cached("SELECT id, offset, trusted, alive FROM boots ORDER BY id")?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        let (offset, trusted, alive) = (Wall(row.get(1)?), row.get(2)?, row.get::<_, Option<i64>>(3)?);
        let id: i64 = row.get(0)?;
        let alive = alive.into_iter().chain(flushed.get(&id).map(|alive| alive.0));
        let alive = alive.filter(|alive| is_moment(*alive)).max().map(Moment);
        let trusted = trusted && is_sure_offset(offset.0);
        let offset = match is_offset(offset.0) {
            true if trusted => offset,
            true => offset.max(not_before),
            false => not_before.max(Wall(0)),
        };
        if let Some(alive) = alive.filter(|_| trusted) {
            not_before = not_before.max(offset + Span(alive.0));
        }
        boots.insert(id, Boot { offset, trusted, alive });
    }
    Ok(boots)
}

/// The last sign of life of the beat's boot is the beat, if it came later than what the table has.
pub(super) fn outlive(
    db: &Connection,
    boots: &mut BTreeMap<i64, Boot>,
    beat: &pulse::Beat,
) -> rusqlite::Result<()> {
    let at = beat.at();
    let row = boot_row(db, &beat.boot())?;
    if let Some(boot) = row.and_then(|id| boots.get_mut(&id)).filter(|_| is_moment(at.mono.0)) {
        boot.alive = boot.alive.max(Some(at.mono));
        // Two that both are sure and lie far apart: the one of a row may have been changed on a
        // card.
        let offset = at.wall - Span(at.mono.0);
        let apart = boot.offset.max(offset) - boot.offset.min(offset);
        if at.wall_trusted && is_sure_offset(offset.0) && (!boot.trusted || apart > SET_BY) {
            (boot.offset, boot.trusted) = (offset, true);
        }
    }
    Ok(())
}

/// Gives each record from number `from` on to `take`, with its boot and the best date there is,
/// until it says false. Gives back the numbers of those that can't be read.
pub(super) fn walk(
    db: &Connection,
    from: Seq,
    mut take: impl FnMut(i64, Record) -> bool,
) -> rusqlite::Result<Vec<Seq>> {
    let mut not_before: i64 = db.query_row(
        "SELECT ifnull(max(wall), ?2) FROM
             (SELECT wall FROM dated WHERE seq < ?1 AND sure AND typeof(wall) = 'integer'
              AND wall BETWEEN 0 AND ?3 ORDER BY seq DESC LIMIT 1)",
        params![from.cast_signed(), i64::MIN, LATEST],
        |row| row.get(0),
    )?;
    let boots = boots(db)?;
    let mut unreadable = Vec::new();
    let mut believed = LastBelieved::default();
    let mut select = db.prepare_cached(
        "SELECT seq, boot, mono, wall, trusted, body FROM records WHERE seq >= ? ORDER BY seq",
    )?;
    let mut rows = select.query([from.cast_signed()])?;
    while let Some(row) = rows.next()? {
        let seq = row.get::<_, i64>(0)?.cast_unsigned();
        let boot = row.get(1)?;
        let (mono, wall, trusted): (i64, i64, bool) = (row.get(2)?, row.get(3)?, row.get(4)?);
        // A clock that became trusted later in the same boot dates what came before.
        let began = boots.get(&boot);
        let (wall, trusted) = match began.and_then(|boot| boot.sure()) {
            Some(offset) if !trusted => (offset.0.saturating_add(mono), true),
            _ => (wall, trusted),
        };
        let mut at = believed.take(boot, mono, wall, trusted);
        if at.wall_trusted {
            not_before = at.wall.0;
        } else {
            let began = began.map_or(i64::MIN, |boot| boot.offset.0);
            at.wall = Wall(at.wall.0.max(not_before).max(began));
        }
        let Ok(body) = serde_json::from_str(row.get_ref(5)?.as_str()?) else {
            unreadable.push(seq);
            continue;
        };
        if !take(boot, Record { seq, at, body }) {
            break;
        }
    }
    Ok(unreadable)
}
