//! How long to wait before the next attempt, and whether somebody keeps pushing us out.
//!
//! The client library reconnects at once, tens of thousands of times a second against a closed
//! port. Here the pause doubles from half a second to a minute, with jitter, so that the clients of
//! a restarted broker do not come back in step. A connection that lasted proves that the cause is
//! gone.

use std::hash::{BuildHasher, Hasher, RandomState};
use std::time::Duration;

const FIRST: Duration = Duration::from_millis(500);
const LAST: Duration = Duration::from_secs(60);
/// Connections in a row that the broker accepted and soon closed again, before we blame a double.
const QUICK_CLOSINGS: u32 = 3;

/// A number that differs from call to call and from run to run. Good for jitter and for telling
/// runs apart, not for secrets.
pub(super) fn random() -> u64 {
    RandomState::new().build_hasher().finish()
}

#[derive(Default)]
pub(super) struct Retry {
    failures: u32,
    quick_closings: u32,
}

impl Retry {
    /// A connection ended, or never came about (`lived` is `None`). True when the broker now has
    /// closed several in a row, each soon after it had accepted it.
    pub(super) fn ended(
        &mut self,
        lived: Option<Duration>,
        closed_by_broker: bool,
        lasting: Duration,
    ) -> bool {
        match lived {
            Some(lived) if lived >= lasting => *self = Self::default(),
            Some(_) if closed_by_broker => self.quick_closings += 1,
            Some(_) | None => self.quick_closings = 0,
        }
        self.failures = self.failures.saturating_add(1);
        self.quick_closings >= QUICK_CLOSINGS
    }

    /// Between half and the whole of the current step.
    pub(super) fn pause(&self) -> Duration {
        let doublings = self.failures.saturating_sub(1).min(16);
        let step = (FIRST * (1 << doublings)).min(LAST);
        let jitter = (random() % 1000) as u32;
        step / 2 + step * jitter / 2000
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LASTING: Duration = Duration::from_secs(30);

    #[test]
    fn pauses_double_from_half_a_second_to_a_minute_and_start_afresh_after_a_lasting_connection() {
        let mut retry = Retry::default();
        for step in [500, 1000, 2000, 4000, 8000, 16000, 32000, 60000, 60000] {
            retry.ended(None, false, LASTING);
            let step = Duration::from_millis(step);
            let pause = retry.pause();
            assert!(pause >= step / 2 && pause <= step, "{pause:?} is not within half and whole of {step:?}");
        }
        retry.ended(Some(LASTING), true, LASTING);
        assert!(retry.pause() <= FIRST);
    }

    #[test]
    fn three_quick_closings_in_a_row_point_to_a_double() {
        let quick = Some(Duration::from_secs(1));
        let mut retry = Retry::default();
        assert!(!retry.ended(quick, true, LASTING));
        assert!(!retry.ended(quick, true, LASTING));
        assert!(retry.ended(quick, true, LASTING));
        assert!(!retry.ended(None, true, LASTING), "a refused attempt is something else");
        assert!(!retry.ended(quick, true, LASTING));
    }
}
