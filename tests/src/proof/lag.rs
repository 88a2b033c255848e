//! How the machine kept us waiting: a thread that wants to run every twentieth of a second notes
//! each time that it could not. A bound of the oracle is moved by what lies in it, so that a busy
//! machine makes no difference.

use std::sync::{Arc, Mutex, PoisonError, Weak};
use std::thread;
use std::time::{Duration, Instant};

const EVERY: Duration = Duration::from_millis(50);
/// Less is no wait worth a note.
const WORTH: Duration = Duration::from_millis(200);

type Waits = Vec<(Instant, Duration)>;

/// What was noted; clones are the same. Its thread ends with the last of them.
#[derive(Clone, Debug, Default)]
pub struct Lag(Arc<Mutex<Waits>>);

impl Lag {
    /// Watches the machine from now on.
    pub fn watch() -> Self {
        let lag = Self::default();
        let notes: Weak<Mutex<Waits>> = Arc::downgrade(&lag.0);
        thread::spawn(move || {
            let mut before = Instant::now();
            loop {
                thread::sleep(EVERY);
                let Some(notes) = notes.upgrade() else { return };
                let late = before.elapsed().saturating_sub(EVERY);
                if late > WORTH {
                    Self(notes).note(before, late);
                }
                before = Instant::now();
            }
        });
        lag
    }

    /// It waited for so long from then on.
    pub fn note(&self, from: Instant, late: Duration) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).push((from, late));
    }

    /// How long it waited in all since then, several times over: what waits here waits in each of
    /// the processes that a page goes through.
    pub fn since(&self, at: Instant) -> Duration {
        const PROCESSES: u32 = 10;
        let notes = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let waits = notes.iter().rev().take_while(|(from, late)| *from + *late >= at);
        waits.map(|(_, late)| *late).sum::<Duration>() * PROCESSES
    }
}
