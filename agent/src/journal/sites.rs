//! What a witness knows of the sites that it watches, a row each: for its pages after a restart,
//! and so that nothing is believed twice. The table is made with its first row, so only a witness's
//! journal has one.

use super::error::Place;
use super::{Journal, JournalError, file};
use rusqlite::{Connection, params};
use slackwater_rules::time::Now;
use std::path::Path;

const TABLE: &str =
    "CREATE TABLE IF NOT EXISTS sites (name TEXT PRIMARY KEY, known TEXT NOT NULL) STRICT, WITHOUT ROWID";

/// What is known of any site is far shorter, in characters.
const LONGEST: i64 = 64 << 10;

/// A site's name, and what is known of it as text.
pub type SiteRow = (String, String);

impl Journal {
    /// Keeps what is known of these sites: all of it or nothing, and on the disk when this returns.
    ///
    /// # Errors
    /// What the disk says.
    pub fn keep_sites(&mut self, sites: &[SiteRow], now: &Now) -> Result<(), JournalError> {
        let row = self.write(now, |tx, _| {
            tx.execute(TABLE, [])?;
            let mut insert = tx.prepare_cached("INSERT OR REPLACE INTO sites (name, known) VALUES (?, ?)")?;
            for (name, known) in sites {
                insert.execute(params![name, known])?;
            }
            Ok(())
        })?;
        self.row = Some(row);
        Ok(())
    }

    /// What was kept of each site.
    ///
    /// # Errors
    /// What the disk says.
    pub fn sites(&self) -> Result<Vec<SiteRow>, JournalError> {
        read(&self.db).map_err(|error| self.place.error(error))
    }

    /// The same from a disk that takes no writes.
    ///
    /// # Errors
    /// What the disk says.
    pub fn sites_reading(path: &Path) -> Result<Vec<SiteRow>, JournalError> {
        let place = Place(path.to_owned());
        let db = file::open_reading(&place)?;
        read(&db).map_err(|error| place.error(error))
    }
}

fn read(db: &Connection) -> rusqlite::Result<Vec<SiteRow>> {
    let is_there = "SELECT EXISTS (SELECT 1 FROM sqlite_schema WHERE type = 'table' AND name = 'sites')";
    if !db.query_row(is_there, [], |row| row.get::<_, bool>(0))? {
        return Ok(Vec::new());
    }
    let mut select = db.prepare("SELECT name, known FROM sites WHERE length(known) <= ?")?;
    let rows = select.query_map([LONGEST], |row| Ok((row.get(0)?, row.get(1)?)))?;
    rows.collect()
}
