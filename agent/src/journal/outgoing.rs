//! Records on their way out of the house: a few at a time by their numbers, as they stand in the
//! file, so that what is told of one stays the same whichever version of the program tells it.

use super::error::JournalError;
use super::log::{JournalLog, boots};
use ring::digest::{SHA256, digest};
use rusqlite::{OptionalExtension, params};
use serde_json::{Value, json};
use slackwater_rules::record::Seq;
use slackwater_rules::time::Wall;
use std::fmt::Write as _;

/// Digits of a digest: half of those of SHA-256, which is enough to tell two journals apart.
const DIGITS: usize = 32;

/// A record as it is told to others.
#[derive(Clone, Debug, PartialEq)]
pub struct Outgoing {
    /// Its number.
    pub seq: Seq,
    /// When, as well as that is known now.
    pub at: Wall,
    /// Whether that comes from a clock that was known to be right.
    pub sure: bool,
    /// What it says.
    pub body: Value,
    /// Of what stands in the file, which no later version writes otherwise.
    pub digest: String,
}

impl JournalLog {
    /// The journal's own random number.
    pub fn seed(&self) -> Result<u64, JournalError> {
        let sql = "SELECT value FROM meta WHERE key = 'seed'";
        Ok(self.sql(|db| db.query_row(sql, [], |row| row.get::<_, i64>(0)))?.cast_unsigned())
    }

    /// The number of the newest record; 0 if there is none.
    pub fn newest(&self) -> Result<Seq, JournalError> {
        let sql = "SELECT ifnull(max(seq), 0) FROM records";
        Ok(self.sql(|db| db.query_row(sql, [], |row| row.get::<_, i64>(0)))?.cast_unsigned())
    }

    /// Of the record of this number, if there is one.
    pub fn digest_of(&self, seq: Seq) -> Result<Option<String>, JournalError> {
        let sql = "SELECT mono, body FROM records WHERE seq = ?";
        self.sql(|db| {
            let read = |row: &rusqlite::Row<'_>| Ok(digested(seq, row.get(0)?, row.get_ref(1)?.as_str()?));
            db.query_row(sql, [seq.cast_signed()], read).optional()
        })
    }

    /// Records from number `from` on, oldest first, `most` of them.
    pub fn outgoing(&self, from: Seq, most: usize) -> Result<Vec<Outgoing>, JournalError> {
        self.sql(|db| {
            let boots = boots(db)?;
            let mut select = db.prepare_cached(
                "SELECT seq, boot, mono, wall, trusted, body FROM records WHERE seq >= ? ORDER BY seq LIMIT ?",
            )?;
            let most = i64::try_from(most).unwrap_or(i64::MAX);
            let mut rows = select.query(params![from.cast_signed(), most])?;
            let mut found = Vec::new();
            while let Some(row) = rows.next()? {
                let seq = row.get::<_, i64>(0)?.cast_unsigned();
                let (mono, wall, trusted): (i64, i64, bool) = (row.get(2)?, row.get(3)?, row.get(4)?);
                let body = row.get_ref(5)?.as_str()?;
                let offset = boots.get(&row.get(1)?).and_then(|boot| boot.sure()).filter(|_| !trusted);
                found.push(Outgoing {
                    seq,
                    at: Wall(offset.map_or(wall, |offset| offset.0.saturating_add(mono))),
                    sure: trusted || offset.is_some(),
                    digest: digested(seq, mono, body),
                    body: serde_json::from_str(body).unwrap_or_else(|_| json!({"kind": "unreadable"})),
                });
            }
            Ok(found)
        })
    }
}

fn digested(seq: Seq, mono: i64, body: &str) -> String {
    let mut digits = String::with_capacity(DIGITS);
    for byte in digest(&SHA256, format!("{seq}\n{mono}\n{body}").as_bytes()).as_ref().iter().take(DIGITS / 2)
    {
        // Writing to a text can't fail.
        let _ = write!(digits, "{byte:02x}");
    }
    digits
}
