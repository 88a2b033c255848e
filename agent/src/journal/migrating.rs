//! From version 1, which had a row a sensor and minute, to packs: in the background, a few hours of
//! a few sensors a step, each in one transaction. Before the first step the whole journal is
//! copied, as version 1, and the copy stays beside it until the last row has been moved: whoever
//! wants to go back to the older program can. Then the room that became free is given back, bit by
//! bit.

use super::folding::{Added, Packs};
use super::packing::Packer;
use super::schema::{self, BLOCK, block_of, reading_key};
use super::stored::read_row;
use super::{beside, prune};
use rusqlite::{Connection, OpenFlags, params};
use rustix::fs::statvfs;
use slackwater_rules::time::{Moment, Span};
use std::fs::{self, OpenOptions};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::thread::JoinHandle;

/// Nothing of it happens sooner after a start than this.
const AFTER_START: Span = Span::minutes(1);

/// Between two steps: neither the card nor the loop shall notice.
const PAUSE: Span = Span::seconds(2);

/// When the disk has no room for a copy, or the copy failed.
const RETRY: Span = Span::hours(1);

/// Sensors of one step, each with the minutes of one block at most.
const SENSORS: i64 = 10;

/// Pages that are given back in one step.
const PAGES: u32 = 200;

/// Room left beside a copy, in bytes.
const BREATH: u64 = 16 << 20;

/// What is under way.
#[derive(Debug, Default)]
pub(super) struct Migrating {
    copying: Option<JoinHandle<Result<(), String>>>,
    due: Option<Moment>,
}

/// What a step came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum CopyStep {
    /// The copy is made now, or can't be yet.
    Waits,
    /// The copy is there: rows can be moved.
    Ready,
}

impl Migrating {
    pub(super) fn due(&self) -> Option<Moment> {
        self.due
    }

    /// Whether a step is due.
    pub(super) fn is_due(&mut self, now: Moment) -> bool {
        *self.due.get_or_insert(now + AFTER_START) <= now
    }

    /// Sees to the copy, and sets the time of the next step.
    pub(super) fn look_after_copy(&mut self, path: &Path, now: Moment) -> CopyStep {
        self.due = Some(now + PAUSE);
        if copy_of(path).exists() {
            return CopyStep::Ready;
        }
        match self.copying.take() {
            Some(copying) if copying.is_finished() => {
                let done = copying.join().unwrap_or_else(|_| Err("it broke off".to_owned()));
                if let Err(why) = done {
                    tracing::warn!(
                        "the journal's readings are not packed yet: no copy of it could be made: {why}"
                    );
                    self.due = Some(now + RETRY);
                }
            }
            Some(copying) => self.copying = Some(copying),
            None => match room_for_copy(path) {
                Ok(()) => {
                    let path = path.to_owned();
                    let name = "journal-copy".to_owned();
                    let made = std::thread::Builder::new().name(name).spawn(move || copy(&path));
                    self.copying = made.ok();
                }
                Err(why) => {
                    tracing::warn!("the journal's readings are not packed yet: {why}");
                    self.due = Some(now + RETRY);
                }
            },
        }
        CopyStep::Waits
    }
}

/// Where the copy is.
pub(super) fn copy_of(path: &Path) -> PathBuf {
    beside(path, ".version-1")
}

fn room_for_copy(path: &Path) -> Result<(), String> {
    let size = fs::metadata(path).map_err(|error| error.to_string())?.len();
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let disk = statvfs(folder).map_err(|error| error.to_string())?;
    let (free, wanted) = (disk.f_bavail.saturating_mul(disk.f_frsize), size + BREATH);
    if free >= wanted {
        return Ok(());
    }
    Err(format!("the disk has no room for a copy of it ({} MiB wanted, {} free)", wanted >> 20, free >> 20))
}

/// As it is at one instant, whole or not at all.
fn copy(path: &Path) -> Result<(), String> {
    super::checking::give_way();
    let part = beside(path, ".version-1-part");
    let run = || -> rusqlite::Result<()> {
        let db = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY)?;
        db.pragma_update(None, "cache_size", -1_000)?;
        db.execute("VACUUM INTO ?", [part.to_string_lossy()])?;
        // For the older program it is what it was.
        let copy = Connection::open(&part)?;
        copy.execute_batch(
            "BEGIN; DROP TABLE packs; DROP TABLE reserve; DELETE FROM meta WHERE key = 'folded';
             PRAGMA user_version = 1; COMMIT;",
        )?;
        copy.close().map_err(|(_, error)| error)
    };
    let _ = fs::remove_file(&part);
    let made = OpenOptions::new().write(true).create_new(true).mode(0o600).open(&part);
    let file = made.map_err(|error| error.to_string())?;
    let done = run().map_err(|error| error.to_string());
    let done = done.and_then(|()| file.sync_all().map_err(|error| error.to_string()));
    let done = done.and_then(|()| fs::rename(&part, copy_of(path)).map_err(|error| error.to_string()));
    if done.is_err() {
        let _ = fs::remove_file(&part);
    }
    done
}

/// Moves the oldest rows of some sensors, within the transaction. How many; none if there are none
/// left.
pub(super) fn move_rows(db: &Connection, packer: &mut Packer) -> rusqlite::Result<u64> {
    let Some((boot, minute)) = prune::oldest_row(db)? else { return Ok(0) };
    let block = block_of(minute);
    let keys = [reading_key(boot, block, 0), reading_key(boot, block + BLOCK, 0)];
    let mut packs = Packs::default();
    let mut moved = 0;
    let mut select = db.prepare_cached(
        "SELECT DISTINCT sensor FROM (SELECT sensor FROM readings WHERE key >= ? AND key < ? ORDER BY key LIMIT ?)",
    )?;
    let sensors = select.query_map(params![keys[0], keys[1], SENSORS], |row| row.get::<_, i64>(0))?;
    for sensor in sensors.collect::<Result<Vec<_>, _>>()? {
        for minute in block..block + BLOCK {
            let key = reading_key(boot, minute, sensor);
            let mut select = db.prepare_cached(
                "SELECT sensor, minute, count, rejected, lowest, mean, highest, last, first, changes
                 FROM readings WHERE key = ?",
            )?;
            let mut rows = select.query([key])?;
            if let Some(row) = rows.next()? {
                packs.add(boot, sensor, [read_row(row)?]);
                moved += 1;
            }
            drop(rows);
            db.prepare_cached("DELETE FROM readings WHERE key = ?")?.execute([key])?;
        }
    }
    packs.write(db, packer, Added::Earlier)?;
    Ok(moved)
}

/// Gives some of the free room back; false if there is none left.
pub(super) fn give_room_back(db: &Connection) -> rusqlite::Result<bool> {
    let free: i64 = db.query_row("PRAGMA freelist_count", [], |row| row.get(0))?;
    if free == 0 {
        return Ok(false);
    }
    let mut vacuum = db.prepare(&format!("PRAGMA incremental_vacuum({PAGES})"))?;
    let mut rows = vacuum.query([])?;
    while rows.next()?.is_some() {}
    Ok(true)
}

/// Whether a journal has rows of version 1.
pub(super) fn has_rows(db: &Connection) -> rusqlite::Result<bool> {
    db.query_row("SELECT EXISTS (SELECT 1 FROM readings)", [], |row| row.get(0))
}

/// The copy is of no use any more.
pub(super) fn finished(path: &Path) {
    if fs::remove_file(copy_of(path)).is_ok() {
        tracing::info!("the journal's readings are packed: its copy of before is removed");
    }
}

const _: () = assert!(schema::OLDEST_READ == 1, "copies are of version 1");
