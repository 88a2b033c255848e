//! The journal: what the engine decided and what the sensors said, kept on disk. Records flow
//! in, one transaction a turn, and are safe when [`Journal::commit`] returns; samples flow in,
//! are thinned to minutes in memory, go to a small file beside the database now and then, and into
//! it, packed, every few hours. After a restart [`Journal::restore`] gives back the records that
//! still matter. The review and the page read through a connection of their own, [`JournalLog`].
//!
//! There is one writer, owned by the event loop. Nothing here is needed for a page to go out:
//! every error leaves the file as it was before the call, and the same call may be tried again.
//! A record of something planned without a record of how it ended *is* the pending effect, so
//! there is no other table of things to do.

mod bars;
mod bucket;
mod checking;
mod error;
mod file;
mod folding;
mod log;
mod migrating;
mod minute_log;
mod minutes;
mod odd_times;
mod outgoing;
mod packing;
mod prune;
pub mod pulse;
mod readings;
pub mod reserve;
mod restore;
mod scale;
mod schema;
mod sectors;
mod sites;
mod stored;
mod walking;
pub mod writer;

pub use bars::StepSaid;
pub use bucket::Values;
pub use error::JournalError;
pub use file::{Opened, claim};
pub use log::JournalLog;
pub use outgoing::Outgoing;
pub use prune::Pruned;
pub use restore::Restored;
pub use sites::SiteRow;
pub use walking::Minute;

use checking::Check;
use error::Place;
use file::OnDisk;
use migrating::Migrating;
use minute_log::MinuteLog;
use minutes::Minutes;
use odd_times::LONGEST_RUN;
use packing::Packer;
use pulse::Beat;
use rusqlite::{Connection, OptionalExtension, Transaction, params};
use slackwater_rules::record::{Record, Seq};
use slackwater_rules::time::{Moment, Now, Span};
use std::path::{Path, PathBuf};

/// One running of the board from power-up to power-down: moments of different boots can't be
/// compared. The text of `/proc/sys/kernel/random/boot_id`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BootId(pub String);

/// How much is kept, and how often readings are written.
#[derive(Clone, Copy, Debug)]
pub struct JournalLimits {
    /// The largest the database may grow, in bytes. The log of writes beside it adds some 4 MiB.
    pub bytes: u64,
    /// Readings older than this are dropped, by days.
    pub keep: Span,
    /// Readings are written, and the sign of life with them, this often. A crash loses as much.
    pub every: Span,
    /// So long after it is opened it is looked at whether the readings are sound: what comes first
    /// is the watch.
    pub check_after: Span,
}

impl Default for JournalLimits {
    fn default() -> Self {
        Self {
            bytes: 256 << 20,
            keep: Span::hours(400 * 24),
            every: Span::minutes(10),
            check_after: Span::seconds(90),
        }
    }
}

/// The writing end.
#[derive(Debug)]
pub struct Journal {
    place: Place,
    db: Connection,
    limits: JournalLimits,
    boot: BootId,
    /// Where the present boot stands in the table; found or made by the first write.
    row: Option<BootRow>,
    /// The site's own random number.
    seed: u64,
    /// The highest number ever kept; 0 if none.
    last: Seq,
    horizon: Seq,
    minutes: Minutes,
    /// The latest of them, on the disk and not in the database yet.
    latest: MinuteLog,
    packer: Packer,
    due: Option<Moment>,
    /// The last write of readings failed.
    behind: bool,
    /// Rows of an older version are on their way into packs.
    migrating: Option<Migrating>,
    /// Whether the readings are sound is being looked at.
    check: Option<Check>,
    /// As we left the files.
    on_disk: OnDisk,
}

#[derive(Clone, Copy, Debug)]
struct BootRow {
    id: i64,
    /// Whether its offset comes from a trusted clock, and so is final.
    trusted: bool,
}

impl Journal {
    /// Opens the journal at `path` for writing in the boot `boot`, and makes it if there is none
    /// (with its folder, readable by the owner only). A file that is damaged, another program's or
    /// a newer version's is renamed and kept, and a new one begun: [`Opened::SetAside`] says so.
    ///
    /// # Errors
    /// A full or read-only disk.
    pub fn open(path: &Path, boot: BootId, limits: JournalLimits) -> Result<(Self, Opened), JournalError> {
        let place = Place(path.to_owned());
        let (db, opened) = file::open(&place)?;
        let mut journal = Self::over(place, db, boot, limits)?;
        journal.check = match &opened {
            Opened::Current | Opened::Migrated { .. } => Some(Check::begin(path, limits.check_after)),
            Opened::Created | Opened::SetAside { .. } => None,
        };
        Ok((journal, opened))
    }

    /// Begins anew beside a file that is not the one that was written to (`replaced`), or not sound
    /// (`damaged`).
    ///
    /// # Errors
    /// A full or read-only disk.
    pub fn replace(self, kind: &str, why: &str) -> Result<(Self, Opened), JournalError> {
        let Self { place, db, boot, limits, .. } = self;
        drop(db);
        let (db, opened) = file::begin_anew(&place, kind, why.to_owned())?;
        Self::over(place, db, boot, limits).map(|journal| (journal, opened))
    }

    /// What was found to be wrong with the file since it was opened, if anything was: said once.
    pub fn unsound(&mut self) -> Option<String> {
        let why = self.check.as_ref()?.wrong()?;
        self.check = None;
        Some(why)
    }

    fn over(place: Place, db: Connection, boot: BootId, limits: JournalLimits) -> Result<Self, JournalError> {
        let read = |sql| db.query_row(sql, [], |row| row.get::<_, i64>(0));
        let last = read("SELECT coalesce(max(seq), 0) FROM records").map_err(|e| place.error(e))?;
        let horizon = read("SELECT value FROM meta WHERE key = 'horizon'").map_err(|e| place.error(e))?;
        let seed = read("SELECT value FROM meta WHERE key = 'seed'").map_err(|e| place.error(e))?;
        let folded = stored::folded(&db).map_err(|e| place.error(e))?;
        let has_rows = migrating::has_rows(&db).map_err(|e| place.error(e))?;
        Ok(Self {
            on_disk: OnDisk::look(&place.0),
            latest: MinuteLog::open(&place.0, seed, folded),
            packer: Packer::default(),
            migrating: has_rows.then(Migrating::default),
            check: None,
            place,
            db,
            limits,
            boot,
            row: None,
            seed: seed.cast_unsigned(),
            last: last.cast_unsigned(),
            horizon: horizon.cast_unsigned(),
            minutes: Minutes::default(),
            due: None,
            behind: false,
        })
    }

    /// The highest number kept; 0 if none.
    pub fn last(&self) -> Seq {
        self.last
    }

    /// The site's own random number: another one is another journal.
    pub fn seed(&self) -> u64 {
        self.seed
    }

    /// Lets go of files that are not ours any more: nothing is written to them, and nothing beside
    /// them removed.
    pub fn abandon(self) {
        use rusqlite::config::DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE;
        // Without it, what stands there now would get our log of writes.
        let _ = self.db.set_db_config(SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true);
    }

    /// On a full disk the log of writes is used over and over instead of growing.
    pub fn save_room(&mut self, saving: bool) {
        let pages = if saving { 4 } else { 1_000 };
        let set = self.db.pragma_update(None, "wal_autocheckpoint", pages);
        let over = self.db.query_row("PRAGMA wal_checkpoint(RESTART)", [], |_| Ok(()));
        if let Err(error) = set.and(over) {
            tracing::warn!("the journal's log of writes can't be used over: {error}");
        }
        self.on_disk = OnDisk::look(&self.place.0);
    }

    /// Sets room aside within the file, for records on a full disk.
    ///
    /// # Errors
    /// The disk has not so much room now.
    pub fn set_aside(&mut self) -> Result<(), JournalError> {
        self.set_reserve("INSERT OR IGNORE INTO reserve VALUES (1, zeroblob(524288))")
    }

    /// Gives that room to records: nobody else can take it.
    ///
    /// # Errors
    /// What the disk says.
    pub fn give_up(&mut self) -> Result<(), JournalError> {
        self.set_reserve("DELETE FROM reserve")
    }

    fn set_reserve(&mut self, sql: &str) -> Result<(), JournalError> {
        let run = || match self.db.execute(sql, [])? {
            0 => Ok(()),
            // In the file itself it is of use, not in the log of writes.
            _ => self.db.query_row("PRAGMA wal_checkpoint(RESTART)", [], |_| Ok(())),
        };
        let result = run().map_err(|error| self.place.error(error));
        self.on_disk = OnDisk::look(&self.place.0);
        result
    }

    /// The watch lived at least until this beat.
    pub fn note_alive(&mut self, beat: &Beat) -> Result<(), JournalError> {
        let result = self.db.execute(
            "UPDATE boots SET alive = ?2 WHERE boot_id = ?1 AND ifnull(alive, 0) < ?2",
            params![beat.boot().0, beat.at().mono.0.clamp(0, LONGEST_RUN)],
        );
        result.map_err(|error| self.place.error(error))?;
        self.on_disk = OnDisk::look(&self.place.0);
        Ok(())
    }

    /// Where the file is.
    pub fn path(&self) -> &Path {
        &self.place.0
    }

    /// Keeps the records of a turn: all or none, and on the disk when this returns. `horizon` is
    /// the oldest record that still matters; those from it on are never pruned, and are what
    /// [`Journal::restore`] gives back. Without records nothing is written.
    ///
    /// # Errors
    /// Numbers must rise, over all commits; otherwise nothing is kept.
    pub fn commit(&mut self, records: &[Record], horizon: Seq) -> Result<(), JournalError> {
        let Some(newest) = records.last() else { return Ok(()) };
        let mut last = self.last;
        for record in records {
            if record.seq <= last {
                return Err(JournalError::Order { seq: record.seq, last });
            }
            last = record.seq;
        }
        let row = self.write(&newest.at, |tx, boot| {
            let mut insert = tx.prepare_cached(
                "INSERT INTO records (seq, boot, mono, wall, trusted, body) VALUES (?, ?, ?, ?, ?, ?)",
            )?;
            for Record { seq, at, body } in records {
                let body = serde_json::to_string(body)
                    .map_err(|error| rusqlite::Error::ToSqlConversionFailure(error.into()))?;
                insert.execute(params![
                    seq.cast_signed(),
                    boot,
                    at.mono.0,
                    at.wall.0,
                    at.wall_trusted,
                    body
                ])?;
            }
            tx.prepare_cached("UPDATE meta SET value = ?1 WHERE key = 'horizon' AND value <> ?1")?
                .execute([horizon.cast_signed()])?;
            Ok(())
        })?;
        (self.row, self.last, self.horizon) = (Some(row), last, horizon);
        Ok(())
    }

    /// Keeps the site's name, for readers who have no plan at hand.
    pub fn name_site(&mut self, site: &str) -> Result<(), JournalError> {
        self.db
            .execute("UPDATE meta SET value = ?1 WHERE key = 'site' AND value <> ?1", [site])
            .map_err(|error| self.place.error(error))?;
        self.on_disk = OnDisk::look(&self.place.0);
        Ok(())
    }

    /// The records that still matter, on the clock of the present boot, and how long nobody
    /// watched. To be called once, before the first commit.
    pub fn restore(&self, now: &Now) -> Result<Restored, JournalError> {
        let beat = pulse::read(&self.place.0);
        restore::restore(&self.db, &self.boot, now, beat.as_ref()).map_err(|error| self.place.error(error))
    }

    /// The same from a disk that takes no writes.
    pub fn restore_reading(path: &Path, boot: &BootId, now: &Now) -> Result<Restored, JournalError> {
        let place = Place(path.to_owned());
        let db = file::open_reading(&place)?;
        let beat = pulse::read(path);
        restore::restore(&db, boot, now, beat.as_ref()).map_err(|error| place.error(error))
    }

    /// Whether the files are those that we left.
    fn still_ours(&self) -> Result<(), JournalError> {
        match self.on_disk.meddled(&self.place.0) {
            Some(why) => Err(JournalError::Damaged { path: self.place.0.clone(), why: why.to_owned() }),
            None => Ok(()),
        }
    }

    /// One transaction, with the present boot in its table, dated as well as `now` can.
    fn write(
        &mut self,
        now: &Now,
        work: impl FnOnce(&Transaction<'_>, i64) -> rusqlite::Result<()>,
    ) -> Result<BootRow, JournalError> {
        self.still_ours()?;
        let (boot, known) = (&self.boot, self.row);
        let run = |db: &mut Connection| {
            let tx = db.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
            let row = match known {
                Some(row) if row.trusted || !now.wall_trusted => row,
                _ => date_boot(&tx, boot, now)?,
            };
            work(&tx, row.id)?;
            tx.commit()?;
            Ok(row)
        };
        let written = run(&mut self.db).map_err(|error| self.place.error(error));
        self.on_disk = OnDisk::look(&self.place.0);
        written
    }
}

/// Finds or makes the row of a boot. Its offset, wall less mono, is a guess until the clock is
/// trusted and final from then on: readers date with it what was written under the guess.
fn date_boot(tx: &Transaction<'_>, boot: &BootId, now: &Now) -> rusqlite::Result<BootRow> {
    let offset = now.wall.0.saturating_sub(now.mono.0);
    tx.execute(
        "INSERT INTO boots (boot_id, offset, trusted) VALUES (?1, ?2, ?3)
         ON CONFLICT (boot_id) DO UPDATE SET offset = excluded.offset, trusted = 1
         WHERE excluded.trusted AND NOT boots.trusted",
        params![boot.0, offset, now.wall_trusted],
    )?;
    tx.query_row("SELECT id, trusted FROM boots WHERE boot_id = ?1", [&boot.0], |row| {
        Ok(BootRow { id: row.get(0)?, trusted: row.get(1)? })
    })
}

/// The row of a boot, if it has ever been written in.
fn boot_row(db: &Connection, boot: &BootId) -> rusqlite::Result<Option<i64>> {
    db.query_row("SELECT id FROM boots WHERE boot_id = ?1", [&boot.0], |row| row.get(0)).optional()
}

/// Beside the database: `journal.db` and `-wal` become `journal.db-wal`.
fn beside(path: &Path, suffix: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    name.into()
}

#[cfg(test)]
mod tests;
