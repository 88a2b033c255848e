//! One timer for a loop that waits again and again, mostly for another moment than it comes to: a
//! moment flows in, and the wait ends once it has come. It is the kernel's (timerfd_create(2)), on
//! the clock that counts through suspend, and wakes the board once; one of the async runtime stands
//! still meanwhile, and wakes three times for a long sleep, on its way from coarse slots to fine
//! ones. Kept from turn to turn, it costs one call a turn, and none while the moment stays.

use rustix::fd::OwnedFd;
use rustix::time::{
    Itimerspec, TimerfdClockId, TimerfdFlags, TimerfdTimerFlags, Timespec, timerfd_create, timerfd_settime,
};
use std::io;
use std::time::Duration;
use tokio::io::Interest;
use tokio::io::unix::AsyncFd;

/// The longest sleep if the kernel gives no timer: a deadline that passed while the board was
/// suspended is noticed at most this late.
const SLICE: Duration = Duration::from_secs(30);

/// A wait for moments of somebody's clock, begun anew as often as wanted.
#[derive(Debug)]
pub struct Timer<T> {
    /// The kernel's; made by the first wait.
    kernel: Option<AsyncFd<OwnedFd>>,
    /// What it is set to.
    set: Option<T>,
}

impl<T> Default for Timer<T> {
    fn default() -> Self {
        Self { kernel: None, set: None }
    }
}

impl<T: Copy + PartialEq> Timer<T> {
    /// Returns once `moment` has come, at once if it has passed: `left` says by its clock how long
    /// that is from now. Can be dropped and begun again at any time, with the same moment or
    /// another.
    pub async fn wait(&mut self, moment: T, left: impl Fn() -> Duration) {
        loop {
            let left = left();
            if left.is_zero() {
                return;
            }
            if self.elapses(moment, left).await.is_err() {
                (self.kernel, self.set) = (None, None);
                tokio::time::sleep(left.min(SLICE)).await;
            }
        }
    }

    /// Until the kernel's timer has something to say: that its time has come, or of an earlier one.
    async fn elapses(&mut self, moment: T, left: Duration) -> io::Result<()> {
        let timer = match &mut self.kernel {
            Some(timer) => timer,
            none => none.insert(made()?),
        };
        if self.set != Some(moment) {
            set(timer, left)?;
            self.set = Some(moment);
        }
        timer.readable().await?.clear_ready();
        // What it has told may be a moment of before: it is set anew if there is more to wait for.
        self.set = None;
        Ok(())
    }
}

#[expect(unsafe_code, reason = "who registers a descriptor has to promise that it stays what it is")]
fn made() -> io::Result<AsyncFd<OwnedFd>> {
    let flags = TimerfdFlags::NONBLOCK | TimerfdFlags::CLOEXEC;
    let timer = timerfd_create(TimerfdClockId::Boottime, flags)?;
    // SAFETY: the timer owns its descriptor, which stays open, and the same, for as long as it is
    // registered.
    let timer = unsafe { AsyncFd::register_with_interest(timer, Interest::READABLE) };
    timer.map_err(|refused| refused.into_parts().1)
}

fn set(timer: &AsyncFd<OwnedFd>, left: Duration) -> io::Result<()> {
    let it_interval = Timespec { tv_sec: 0, tv_nsec: 0 };
    let it_value = Timespec {
        tv_sec: i64::try_from(left.as_secs()).unwrap_or(i64::MAX),
        tv_nsec: left.subsec_nanos().into(),
    };
    timerfd_settime(timer, TimerfdTimerFlags::empty(), &Itimerspec { it_interval, it_value })?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Instant;
    use tokio::time::timeout;

    async fn wait(timer: &mut Timer<Instant>, until: Instant) {
        timer.wait(until, || until.saturating_duration_since(Instant::now())).await;
    }

    #[tokio::test]
    async fn a_wait_ends_once_its_moment_has_come_whatever_was_waited_for_before() {
        let mut timer = Timer::default();
        let (begun, second) = (Instant::now(), Duration::from_secs(1));
        wait(&mut timer, begun).await;
        let (soon, later) = (begun + second / 50, begun + second / 15);
        for far in [begun + second * 3600, begun + second * 7200] {
            // Given up before it has come, as a loop does that something else has woken.
            assert!(timeout(Duration::ZERO, wait(&mut timer, far)).await.is_err(), "{far:?}");
        }
        for near in [later, soon] {
            // It may have come by now.
            let _ = timeout(Duration::ZERO, wait(&mut timer, near)).await;
        }
        // Its time passes while nobody waits.
        std::thread::sleep(second / 30);
        wait(&mut timer, soon).await;
        wait(&mut timer, later).await;
        assert!(Instant::now() >= later);
        let next = Instant::now() + second / 50;
        wait(&mut timer, next).await;
        assert!(Instant::now() >= next);
    }
}
