//! The tables, and how older ones become the present ones. A file says by its `application_id`
//! whose it is and by its `user_version` which of the [`MIGRATIONS`] it has seen.
//!
//! What a record says is JSON in `body`; its kind, alarm, episode and call-out are read out of
//! it by computed columns, which cost no bytes. Readings lie in packs ([`super::packing`]), one a
//! sensor and [`BLOCK`], keyed by time first, so that all that is written together lies together: a
//! card is worn by pages, not by rows. The key is one number, see [`reading_key`], because SQLite
//! fills pages to the brim only behind the largest integer key: a compound key writes a fifth more.
//!
//! Version 1 had a row a minute. Such rows are read as they are, and become packs bit by bit
//! ([`super::migrating`]).

use rusqlite::Connection;

/// "SlkW": marks the file as a journal of this program.
pub(super) const APPLICATION_ID: i64 = 0x536C_6B57;

/// The version of the tables that this program reads and writes.
pub(super) const VERSION: i64 = MIGRATIONS.len() as i64;

/// The oldest that it can read as it is.
pub(super) const OLDEST_READ: i64 = 1;

/// Minutes of a pack, by the boot's monotonic clock: six hours.
pub(super) const BLOCK: i64 = 360;

/// The first makes an empty file version 1, the second makes version 1 version 2, and so on.
/// What has been released is never edited.
const MIGRATIONS: &[&str] = &[VERSION_1, VERSION_2, VERSION_3];

const VERSION_1: &str = "
CREATE TABLE meta (key TEXT PRIMARY KEY, value ANY) STRICT, WITHOUT ROWID;
INSERT INTO meta VALUES ('seed', 0), ('site', ''), ('horizon', 0);

-- One row a boot. offset: wall less mono, ms; final once trusted. alive: last sign of life, mono.
CREATE TABLE boots (
    id      INTEGER PRIMARY KEY CHECK (id < 1 << 20),
    boot_id TEXT NOT NULL UNIQUE,
    offset  INTEGER NOT NULL,
    trusted INTEGER NOT NULL,
    alive   INTEGER
) STRICT;

CREATE TABLE records (
    seq     INTEGER PRIMARY KEY,
    boot    INTEGER NOT NULL REFERENCES boots (id),
    mono    INTEGER NOT NULL,
    wall    INTEGER NOT NULL,
    trusted INTEGER NOT NULL,
    body    TEXT NOT NULL,
    kind    TEXT AS (body ->> '$.kind') VIRTUAL,
    alarm   TEXT AS (body ->> '$.alarm') VIRTUAL,
    episode INTEGER AS (body ->> '$.episode') VIRTUAL,
    call    INTEGER AS (body ->> '$.call') VIRTUAL
) STRICT;

-- Records with the best date there is: wall, ms, and whether it is sure.
CREATE VIEW dated AS
SELECT r.seq, r.boot, r.mono,
       iif(b.trusted AND NOT r.trusted, r.mono + b.offset, r.wall) AS wall,
       b.trusted OR r.trusted AS sure,
       r.kind, r.alarm, r.episode, r.call, r.body
FROM records r JOIN boots b ON b.id = r.boot;

CREATE TABLE sensors (id INTEGER PRIMARY KEY CHECK (id < 1 << 16), name TEXT NOT NULL UNIQUE) STRICT;

-- One row a sensor and minute of the boot's monotonic clock. lowest, mean, highest: numbers,
-- base units. first, changes: words. last: either.
CREATE TABLE readings (
    key      INTEGER PRIMARY KEY,
    boot     INTEGER AS (key >> 43) VIRTUAL,
    minute   INTEGER AS (key >> 16 & (1 << 27) - 1) VIRTUAL,
    sensor   INTEGER AS (key & (1 << 16) - 1) VIRTUAL,
    count    INTEGER NOT NULL,
    rejected INTEGER NOT NULL,
    lowest   REAL,
    mean     REAL,
    highest  REAL,
    last     REAL,
    first    INTEGER,
    changes  INTEGER
) STRICT;
";

const VERSION_2: &str = "
-- One row a sensor and six hours of the boot's monotonic clock: key as in readings, of the block's first minute.
CREATE TABLE packs (
    key     INTEGER PRIMARY KEY,
    boot    INTEGER AS (key >> 43) VIRTUAL,
    minute  INTEGER AS (key >> 16 & (1 << 27) - 1) VIRTUAL,
    sensor  INTEGER AS (key & (1 << 16) - 1) VIRTUAL,
    minutes INTEGER NOT NULL,
    body    BLOB NOT NULL
) STRICT;
-- The latest generation of the minutes beside this file that is in it.
INSERT INTO meta VALUES ('folded', 0);
";

/// What is long has no place among the words of `meta`: whoever looks one up reads past it.
const VERSION_3: &str = "
-- Room for records on a full disk: a row, or none once it is given up.
CREATE TABLE reserve (id INTEGER PRIMARY KEY CHECK (id = 1), room BLOB NOT NULL) STRICT;
DELETE FROM meta WHERE key = 'reserve';
";

/// The first minute of the block in which a minute lies.
pub(super) fn block_of(minute: i64) -> i64 {
    minute.div_euclid(BLOCK) * BLOCK
}

/// The key of a row of readings: boot, minute (27 bits: two and a half centuries of running) and
/// sensor (16 bits), in this order of weight, so that a stretch of a boot's minutes is a stretch
/// of keys.
pub(super) fn reading_key(boot: i64, minute: i64, sensor: i64) -> i64 {
    boot << 43 | minute.clamp(0, (1 << 27) - 1) << 16 | sensor
}

/// Brings the tables from version `from` to the present one, all or nothing. `seed` is the
/// site's own random number, used if the file is new.
pub(super) fn migrate(db: &mut Connection, from: i64, seed: i64) -> rusqlite::Result<()> {
    let tx = db.transaction()?;
    for step in MIGRATIONS.iter().skip(usize::try_from(from).unwrap_or(0)) {
        tx.execute_batch(step)?;
    }
    if from == 0 {
        tx.execute("UPDATE meta SET value = ? WHERE key = 'seed'", [seed])?;
        tx.pragma_update(None, "application_id", APPLICATION_ID)?;
    }
    tx.pragma_update(None, "user_version", VERSION)?;
    tx.commit()
}
