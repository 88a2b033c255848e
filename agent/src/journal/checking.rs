//! Whether the whole file is sound, looked at in the background. What the watch goes on from, its
//! records, is looked at before it is used; the readings are a hundred times as much, and nothing
//! rings by them.

use super::JournalError;
use super::error::Place;
use rusqlite::{Connection, OpenFlags};
use slackwater_rules::time::Span;
use std::path::Path;
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

/// A look that is under way.
#[derive(Debug)]
pub(super) struct Check(Receiver<String>);

impl Check {
    /// Looks at the journal at `path`, so long from now.
    pub(super) fn begin(path: &Path, after: Span) -> Self {
        let (said, heard) = channel();
        let place = Place(path.to_owned());
        let look = move || {
            std::thread::sleep(Duration::from_millis(u64::try_from(after.0).unwrap_or(0)));
            give_way();
            match verdict(&place.0).map_err(|error| place.error(error)) {
                Ok(verdict) if verdict == "ok" => {}
                Ok(why) | Err(JournalError::Damaged { why, .. }) => drop(said.send(why)),
                Err(error) => {
                    tracing::warn!("whether the readings are sound could not be looked at: {error}")
                }
            }
        };
        if let Err(error) = std::thread::Builder::new().name("journal-check".to_owned()).spawn(look) {
            tracing::warn!("whether the readings are sound is not looked at: {error}");
        }
        Self(heard)
    }

    /// What is wrong with the file, once that is known.
    pub(super) fn wrong(&self) -> Option<String> {
        self.0.try_recv().ok()
    }
}

pub(super) fn verdict(path: &Path) -> rusqlite::Result<String> {
    let db = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY)?;
    db.busy_timeout(Duration::from_secs(5))?;
    db.pragma_update(None, "cache_size", -500)?;
    db.query_row("PRAGMA quick_check(1)", [], |row| row.get(0))
}

/// This thread works when nobody else does.
pub(super) fn give_way() {
    // Nice values are of threads on Linux; without the right to it the thread is a thread as
    // others.
    let _ = rustix::process::setpriority_process(None, 19);
}
