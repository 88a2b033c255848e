//! Opening the file: whose is it, is it sound, is it up to date. A path comes in, a connection
//! ready for writing goes out, with a word on what was found. What
//! can't be used, damaged, newer or another program's, is renamed and kept, so that the watch can
//! run.

use super::error::{JournalError, Place};
use super::{beside, schema};
use rusqlite::{Connection, OpenFlags};
use std::fmt;
use std::fs::{self, DirBuilder, File, OpenOptions, TryLockError};
use std::io::{ErrorKind, Read};
use std::os::unix::fs::{DirBuilderExt, MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// What was found when the journal was opened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Opened {
    /// Nothing was there: a new one was made.
    Created,
    /// It was sound and up to date.
    Current,
    /// It was brought up to date.
    Migrated {
        /// The version it had.
        from: i64,
    },
    /// It was damaged, another program's, or a newer one's: it was renamed and kept, and a new one
    /// was made.
    SetAside {
        /// Where that file is now.
        path: PathBuf,
        /// What is wrong with it.
        why: String,
    },
}

impl fmt::Display for Opened {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Created => write!(f, "a new journal was begun"),
            Self::Current => write!(f, "the journal is sound and up to date"),
            Self::Migrated { from } => {
                write!(f, "the journal was brought up to date from version {from}")?;
                match from {
                    1 => f.write_str(": its readings are packed in the background"),
                    _ => Ok(()),
                }
            }
            Self::SetAside { path, why } => {
                write!(f, "{why}: it is kept as {}, and a new journal was begun", path.display())
            }
        }
    }
}

/// The sole right to write to the journal at `path`, for as long as the file that comes back is
/// held, and never longer than the process lives. SQLite lets several processes write in turn;
/// two watches would number their records alike, and neither could keep them.
///
/// # Errors
/// [`JournalError::InUse`] if another process has it; anything else is the disk.
pub fn claim(path: &Path) -> Result<File, JournalError> {
    let place = Place(path.to_owned());
    let name = beside(path, "-lock");
    create(&name).map_err(|error| place.io(&error))?;
    let file = OpenOptions::new().write(true).open(&name).map_err(|error| place.io(&error))?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(JournalError::InUse { path: place.0 }),
        Err(TryLockError::Error(error)) => Err(place.io(&error)),
    }
}

pub(super) fn open(place: &Place) -> Result<(Connection, Opened), JournalError> {
    create(&place.0).map_err(|error| place.io(&error))?;
    match open_sound(place) {
        Err(error) => {
            let (kind, why) = match &error {
                JournalError::Damaged { why, .. } => ("damaged", format!("the journal was damaged ({why})")),
                JournalError::Version { found, known, .. } if found > known => (
                    "newer",
                    format!("the journal is of a newer program (version {found}, this one knows {known})"),
                ),
                JournalError::Foreign { .. } => {
                    ("foreign", "what stood in the journal's place is another program's".to_owned())
                }
                JournalError::Full { .. }
                | JournalError::ReadOnly { .. }
                | JournalError::Version { .. }
                | JournalError::InUse { .. }
                | JournalError::Order { .. }
                | JournalError::Other { .. } => return Err(error),
            };
            begin_anew(place, kind, why)
        }
        other => other,
    }
}

/// Keeps what stands in the journal's place under another name, and makes a new one.
pub(super) fn begin_anew(
    place: &Place,
    kind: &str,
    why: String,
) -> Result<(Connection, Opened), JournalError> {
    let path = set_aside(&place.0, kind).map_err(|error| place.io(&error))?;
    create(&place.0).map_err(|error| place.io(&error))?;
    let (db, _) = open_sound(place)?;
    Ok((db, Opened::SetAside { path, why }))
}

/// A connection that only reads, where the disk takes no writes. Without the files that SQLite
/// keeps beside a journal it can't look at the log of writes; then the main file alone is read.
pub(super) fn open_reading(place: &Place) -> Result<Connection, JournalError> {
    let read = OpenFlags::SQLITE_OPEN_READ_ONLY;
    let ours = |db: Connection| match belongs(&db).map_err(|error| place.error(error))? {
        Belongs::Ours { version: schema::OLDEST_READ..=schema::VERSION } => Ok(db),
        Belongs::Ours { version: found } => {
            Err(JournalError::Version { path: place.0.clone(), found, known: schema::VERSION })
        }
        Belongs::Nobody | Belongs::Other => Err(JournalError::Foreign { path: place.0.clone() }),
    };
    let whole = Connection::open_with_flags(&place.0, read).map_err(|error| place.error(error));
    whole.and_then(ours).or_else(|first| {
        let Some(path) = place.0.to_str() else { return Err(first) };
        let escaped = path.replace('%', "%25").replace('?', "%3f").replace('#', "%23");
        let uri = format!("file:{escaped}?immutable=1");
        let db = Connection::open_with_flags(uri, read | OpenFlags::SQLITE_OPEN_URI);
        db.map_err(|error| place.error(error)).and_then(ours).map_err(|_| first)
    })
}

/// The files of an open journal as they are on the disk: another file in the place of one of them,
/// or one that has become shorter than we left it, is not what we write to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct OnDisk {
    main: Option<(u64, u64, u64)>,
    log: Option<(u64, u64, u64)>,
}

impl OnDisk {
    pub(super) fn look(path: &Path) -> Self {
        let one = |path: &Path| fs::metadata(path).ok().map(|it| (it.dev(), it.ino(), it.len()));
        Self { main: one(path), log: one(&beside(path, "-wal")) }
    }

    /// What has been done to the files since, if anything has.
    pub(super) fn meddled(self, path: &Path) -> Option<&'static str> {
        let now = Self::look(path);
        let same = |before: Option<(u64, u64, u64)>, now: Option<(u64, u64, u64)>| match (before, now) {
            (Some((dev, ino, len)), Some((dev_now, ino_now, len_now))) => {
                (dev, ino) == (dev_now, ino_now) && len <= len_now
            }
            (Some(_), None) => false,
            (None, _) => true,
        };
        match (same(self.main, now.main), same(self.log, now.log)) {
            (false, _) => Some("its file was removed, cut or replaced while the watch ran"),
            (true, false) => Some("its log of writes was removed or cut while the watch ran"),
            (true, true) => None,
        }
    }
}

fn open_sound(place: &Place) -> Result<(Connection, Opened), JournalError> {
    let sql = |error| place.error(error);
    let mut db = Connection::open_with_flags(&place.0, OpenFlags::SQLITE_OPEN_READ_WRITE).map_err(sql)?;
    let version = match belongs(&db).map_err(sql)? {
        Belongs::Ours { version } if version > schema::VERSION => {
            return Err(JournalError::Version {
                path: place.0.clone(),
                found: version,
                known: schema::VERSION,
            });
        }
        Belongs::Ours { version } => version,
        Belongs::Nobody => 0,
        Belongs::Other => return Err(JournalError::Foreign { path: place.0.clone() }),
    };
    prepare(&mut db, version).map_err(sql)?;
    let opened = match version {
        schema::VERSION => Opened::Current,
        0 => Opened::Created,
        from => Opened::Migrated { from },
    };
    Ok((db, opened))
}

/// Makes sure that the file is sound and up to date, and sets how it is written.
fn prepare(db: &mut Connection, version: i64) -> rusqlite::Result<()> {
    db.busy_timeout(Duration::from_secs(5))?;
    if version == 0 {
        // Must be set before the first table, or the file can never shrink.
        db.pragma_update(None, "auto_vacuum", "INCREMENTAL")?;
    } else {
        // What the watch goes on from. The readings are looked at in the background.
        for table in ["meta", "boots", "records", "sensors"] {
            let sql = format!("PRAGMA quick_check({table})");
            let verdict: String = db.query_row(&sql, [], |row| row.get(0))?;
            if verdict != "ok" {
                let code = rusqlite::ffi::Error::new(rusqlite::ffi::SQLITE_CORRUPT);
                return Err(rusqlite::Error::SqliteFailure(code, Some(verdict)));
            }
        }
    }
    db.pragma_update(None, "journal_mode", "WAL")?;
    db.pragma_update(None, "synchronous", "FULL")?;
    db.pragma_update(None, "journal_size_limit", 4 << 20)?;
    // In KiB: enough for the upper pages of the tables, and little of a small board.
    db.pragma_update(None, "cache_size", -1_000)?;
    if version < schema::VERSION {
        schema::migrate(db, version, seed())?;
    }
    Ok(())
}

/// Whose a database is.
pub(super) enum Belongs {
    Ours { version: i64 },
    Nobody,
    Other,
}

pub(super) fn belongs(db: &Connection) -> rusqlite::Result<Belongs> {
    let number = |sql| db.query_row(sql, [], |row| row.get::<_, i64>(0));
    let application = number("PRAGMA application_id")?;
    let empty = number("SELECT count(*) FROM sqlite_schema")? == 0;
    Ok(match application {
        schema::APPLICATION_ID => Belongs::Ours { version: number("PRAGMA user_version")? },
        0 if empty => Belongs::Nobody,
        _ => Belongs::Other,
    })
}

/// An empty file and its folder, for the owner only, unless they are there. SQLite gives the
/// files beside it the same mode.
fn create(path: &Path) -> std::io::Result<()> {
    if let Some(folder) = path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
        DirBuilder::new().recursive(true).mode(0o700).create(folder)?;
    }
    match OpenOptions::new().write(true).create_new(true).mode(0o600).open(path) {
        Err(error) if error.kind() != ErrorKind::AlreadyExists => Err(error),
        _ => Ok(()),
    }
}

/// Renames the file, and its log of writes, which may hold what the file lacks. The name
/// carries no date, since the clock may be wrong at this time.
fn set_aside(path: &Path, kind: &str) -> std::io::Result<PathBuf> {
    let mut number = 1;
    let aside = loop {
        let candidate = beside(path, &format!(".{kind}-{number}"));
        if !candidate.exists() {
            break candidate;
        }
        number += 1;
    };
    fs::rename(path, &aside)?;
    for suffix in ["-wal", "-shm", "-minutes"] {
        match fs::rename(beside(path, suffix), beside(&aside, suffix)) {
            Err(error) if error.kind() != ErrorKind::NotFound => return Err(error),
            _ => {}
        }
    }
    Ok(aside)
}

/// Random bits for the site: they make the codes on pages hard to guess.
fn seed() -> i64 {
    let mut bytes = [0; 8];
    match File::open("/dev/urandom").and_then(|mut file| file.read_exact(&mut bytes)) {
        Ok(()) => i64::from_ne_bytes(bytes),
        // No /dev in the sandbox: the standard library's own keys come from the system, too.
        Err(_) => {
            use std::hash::{BuildHasher, Hasher};
            std::hash::RandomState::new().build_hasher().finish().cast_signed()
        }
    }
}
