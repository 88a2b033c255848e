//! A disk that takes its time: somebody else holds the journal for most of each second, so that
//! whatever is to be kept waits.

use rusqlite::Connection;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{JoinHandle, sleep, spawn};
use std::time::Duration;

/// Held, and let go.
const HELD: Duration = Duration::from_millis(700);
const FREE: Duration = Duration::from_millis(150);

/// Slow until dropped.
pub(super) struct SlowDisk {
    over: Arc<AtomicBool>,
    holder: Option<JoinHandle<()>>,
}

impl SlowDisk {
    /// From now on, for the journal at `path`.
    pub(super) fn under(path: &Path) -> Self {
        let over = Arc::new(AtomicBool::new(false));
        let (path, ends) = (path.to_owned(), Arc::clone(&over));
        let holder = spawn(move || {
            while !ends.load(Ordering::Relaxed) {
                // A journal that is being made, or held by its owner, is held another time.
                if let Ok(db) = Connection::open(&path) {
                    let _ = db.busy_timeout(HELD);
                    if db.execute_batch("BEGIN IMMEDIATE").is_ok() {
                        sleep(HELD);
                        let _ = db.execute_batch("ROLLBACK");
                    }
                }
                sleep(FREE);
            }
        });
        Self { over, holder: Some(holder) }
    }
}

impl Drop for SlowDisk {
    fn drop(&mut self) {
        self.over.store(true, Ordering::Relaxed);
        // It ends by itself; that it panicked would be said by its thread.
        let _ = self.holder.take().map(JoinHandle::join);
    }
}
