//! Minutes become packs: what the file beside the database holds, and what an older version kept in
//! a row a minute, flow in; one row a sensor and six hours is written, completed if it is there
//! already.

use super::bucket::{Bucket, in_order};
use super::packing::{Means, Packer};
use super::schema::{block_of, reading_key};
use rusqlite::{Connection, OptionalExtension, params};
use std::collections::BTreeMap;

/// When what is added to packs was said, against what is in them.
#[derive(Clone, Copy, Debug)]
pub(super) enum Added {
    /// Afterwards: new minutes.
    Later,
    /// Before: rows of an older version, which come back to the last bit.
    Earlier,
}

/// Minutes by the key of their pack.
#[derive(Debug, Default)]
pub(super) struct Packs(BTreeMap<i64, Vec<Bucket>>);

impl Packs {
    /// Adds minutes of one sensor in one boot.
    pub(super) fn add(&mut self, boot: i64, sensor: i64, buckets: impl IntoIterator<Item = Bucket>) {
        for bucket in buckets {
            let key = reading_key(boot, block_of(bucket.minute), sensor);
            self.0.entry(key).or_default().push(bucket);
        }
    }

    /// Writes them, beside what is in these packs already.
    pub(super) fn write(
        self,
        db: &Connection,
        packer: &mut Packer,
        added_are: Added,
    ) -> rusqlite::Result<()> {
        let mut select = db.prepare_cached("SELECT body FROM packs WHERE key = ?")?;
        let mut insert =
            db.prepare_cached("INSERT OR REPLACE INTO packs (key, minutes, body) VALUES (?, ?, ?)")?;
        for (key, mut added) in self.0 {
            let from = first_minute(key);
            let kept: Option<Vec<u8>> = select.query_row([key], |row| row.get(0)).optional()?;
            let kept = kept.and_then(|body| {
                let unpacked = packer.unpack(from, &body);
                if unpacked.is_none() {
                    tracing::warn!(
                        key,
                        "six hours of a sensor's readings can't be read and are written anew"
                    );
                }
                unpacked
            });
            let mut means = match added_are {
                Added::Later => Means::Rounded,
                Added::Earlier => Means::Exact,
            };
            if let Some(kept) = kept {
                if kept.means() == Means::Exact {
                    means = Means::Exact;
                }
                match added_are {
                    Added::Later => drop(added.splice(0..0, kept)),
                    Added::Earlier => added.extend(kept),
                }
            }
            let buckets = in_order(added);
            let body = packer.pack(from, &buckets, means);
            insert.execute(params![key, buckets.len() as i64, body])?;
        }
        Ok(())
    }
}

/// The minute of a key.
pub(super) fn first_minute(key: i64) -> i64 {
    key >> 16 & ((1 << 27) - 1)
}
