//! The one place where clocks are read. Out of it comes [`Now`], once a turn: a monotonic moment
//! that counts through suspend (CLOCK_BOOTTIME), the wall time, and whether that may be
//! believed. For the demo the same clock runs many times faster from an invented start.
//!
//! A board without a battery clock wakes up in the past, and quiet hours or dates taken from it
//! would be wrong without a sign. So wall time is trusted only when the kernel says that
//! something keeps it right. The kernel takes that word back about nine hours after the last
//! contact with a time server (its error bound grows by 500 us a second up to 16 s:
//! `second_overflow` in Linux `kernel/time/ntp.c`, from memory), which a long outage of the
//! Internet reaches; but a clock that was right and was not stepped drifts by seconds a day. So
//! trust once given is kept for a week, until the wall clock jumps against the monotonic one.

mod timer;

use crate::settings::Trust;
use rustix::time::{ClockId, clock_gettime};
use slackwater_rules::time::{Moment, Now, Span, Wall};
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
pub use timer::Timer;

/// 2026-11-25T00:00:00Z: no wall time before the day this program was made can be right. To be
/// moved on with each release.
const MADE: Wall = Wall(1_795_564_800_000);

/// How long a clock that was right is believed without news.
const KEPT_FOR: Span = Span::hours(7 * 24);

/// How far the wall clock may move against the monotonic one before that counts as a jump. A
/// poor crystal is off by 100 ppm, which is a minute in a week.
const DRIFT: Span = Span::minutes(2);

/// The kernel is asked so often whether something keeps the clock right: its word holds for hours,
/// and the question costs more than a look at the clocks.
const ASKED_EVERY: Span = Span::seconds(1);

/// A source of [`Now`]; clones are the same clock.
#[derive(Clone, Debug)]
pub struct Clock {
    pace: Pace,
    trust: Trust,
    kept: Arc<Mutex<Option<Now>>>,
    /// When the kernel was asked last, and what it said.
    kernel: Arc<Mutex<Option<(Moment, bool)>>>,
}

#[derive(Clone, Debug)]
enum Pace {
    Real,
    SpedUp { factor: u32, from: Moment, start: Wall },
    Steered(Arc<Steering>),
}

/// What moves a clock that is set from outside while it runs, as a time server or a battery
/// clock that fails sets a board's: to see what a watch does then. It can't be had by any
/// setting of the program.
#[derive(Debug)]
pub struct Steering {
    /// Stands for the kernel's name of this running of the board.
    pub boot: String,
    /// The monotonic clock is ahead of the board's own by this.
    pub ahead: Span,
    wall: AtomicI64,
    trusted: AtomicBool,
}

impl Steering {
    /// A board of this name, right and trusted.
    pub fn new(boot: &str, ahead: Span) -> Self {
        let (wall, trusted) = (AtomicI64::new(0), AtomicBool::new(true));
        Self { boot: boot.to_owned(), ahead, wall, trusted }
    }

    /// From now on the wall clock is off by so much, and something vouches for it or does not.
    pub fn set(&self, off: Span, trusted: bool) {
        self.wall.store(off.0, Ordering::Relaxed);
        self.trusted.store(trusted, Ordering::Relaxed);
    }

    fn now(&self) -> (Now, bool) {
        let off = Span(self.wall.load(Ordering::Relaxed));
        let now = Now { mono: boottime() + self.ahead, wall: realtime() + off, wall_trusted: false };
        (now, self.trusted.load(Ordering::Relaxed))
    }
}

impl Clock {
    /// The board's own clocks.
    pub fn system(trust: Trust) -> Self {
        Self { pace: Pace::Real, trust, kept: Arc::default(), kernel: Arc::default() }
    }

    /// A clock that runs `factor` times as fast (at least 1) from `start` on, and is always
    /// trusted.
    pub fn sped_up(factor: u32, start: Wall) -> Self {
        let pace = Pace::SpedUp { factor: factor.max(1), from: boottime(), start };
        Self { pace, trust: Trust::Always, kept: Arc::default(), kernel: Arc::default() }
    }

    /// A clock that is set from outside, and trusted as a board's own is.
    pub fn steered(steering: Arc<Steering>) -> Self {
        Self {
            pace: Pace::Steered(steering),
            trust: Trust::System,
            kept: Arc::default(),
            kernel: Arc::default(),
        }
    }

    /// What the clocks say.
    pub fn now(&self) -> Now {
        let (now, said) = match &self.pace {
            Pace::Real => {
                let now = Now { mono: boottime(), wall: realtime(), wall_trusted: false };
                (now, self.trust == Trust::Always || self.kernel_vouches(now.mono))
            }
            Pace::Steered(steering) => steering.now(),
            Pace::SpedUp { factor, from, start } => {
                let passed = (boottime() - *from).times(i64::from(*factor));
                return Now { mono: *from + passed, wall: *start + passed, wall_trusted: true };
            }
        };
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        Now { wall_trusted: trusted(now, said, &mut kept), ..now }
    }

    fn kernel_vouches(&self, now: Moment) -> bool {
        let mut kernel = self.kernel.lock().unwrap_or_else(PoisonError::into_inner);
        let known = kernel.filter(|(asked, _)| now - *asked < ASKED_EVERY);
        kernel.insert(known.unwrap_or_else(|| (now, kernel_says_synchronised()))).1
    }

    /// Returns once `moment` has come, at once if it has passed. Can be dropped and begun again at
    /// any time.
    pub async fn sleep_until(&self, moment: Moment) {
        Timer::default().wait(moment, || self.until(moment)).await;
    }

    /// How long it really is until a moment; none if it has come.
    pub fn until(&self, moment: Moment) -> Duration {
        self.real(moment - self.now().mono)
    }

    /// How long `span` of this clock really takes, for time-outs of the outside world's making.
    pub fn real(&self, span: Span) -> Duration {
        let micros = span.0.max(0).cast_unsigned().saturating_mul(1_000);
        match &self.pace {
            Pace::Real | Pace::Steered(_) => Duration::from_micros(micros),
            Pace::SpedUp { factor, .. } => Duration::from_micros(micros.div_ceil(u64::from(*factor))),
        }
    }

    /// What tells this running of the board from every other: moments of two can't be compared.
    /// Where the kernel doesn't say, a text that equals no other.
    pub fn boot(&self) -> String {
        match &self.pace {
            Pace::Steered(steering) => steering.boot.clone(),
            Pace::Real => std::fs::read_to_string("/proc/sys/kernel/random/boot_id")
                .ok()
                .and_then(|text| boot_id(&text))
                .unwrap_or_else(|| format!("unknown, seen at {}", realtime().0)),
            Pace::SpedUp { from, start, .. } => format!("invented, from {} at {}", start.0, from.0),
        }
    }
}

/// A UUID in the usual spelling (RFC 9562, 4).
fn boot_id(text: &str) -> Option<String> {
    let text = text.trim();
    let groups: Vec<_> = text.split('-').collect();
    let lengths: Vec<_> = groups.iter().map(|group| group.len()).collect();
    let hex = groups.iter().all(|group| group.bytes().all(|b| b.is_ascii_hexdigit()));
    (hex && lengths == [8, 4, 4, 4, 12]).then(|| text.to_ascii_lowercase())
}

/// Whether `now.wall` may be believed. `said`: something vouches for it at this moment. `kept`:
/// when something last did.
fn trusted(now: Now, said: bool, kept: &mut Option<Now>) -> bool {
    if now.wall < MADE {
        *kept = None;
    } else if said {
        *kept = Some(now);
    } else if let Some(then) = kept {
        let jumped = now.wall - then.wall_at(now.mono);
        if jumped.0.abs() > DRIFT.0 || now.mono - then.mono > KEPT_FOR {
            *kept = None;
        }
    }
    kept.is_some()
}

fn boottime() -> Moment {
    let time = clock_gettime(ClockId::Boottime);
    Moment(milliseconds(time.tv_sec, time.tv_nsec))
}

fn realtime() -> Wall {
    let time = clock_gettime(ClockId::Realtime);
    Wall(milliseconds(time.tv_sec, time.tv_nsec))
}

fn milliseconds(seconds: i64, nanoseconds: i64) -> i64 {
    seconds.saturating_mul(1_000).saturating_add(nanoseconds / 1_000_000)
}

/// What adjtimex(2) says: TIME_ERROR, or STA_UNSYNC among the flags, means that nothing keeps
/// the clock right. A refused call (a sandbox) says nothing, and so vouches for nothing.
#[expect(unsafe_code, reason = "no safe wrapper of adjtimex is in the tree")]
fn kernel_says_synchronised() -> bool {
    // SAFETY: all-zero is a valid `timex` (integers only), and `modes = 0` makes the call
    // read-only: it writes to the struct that it is given, and to nothing else.
    let (state, flags) = unsafe {
        let mut query: libc::timex = std::mem::zeroed();
        (libc::adjtimex(&mut query), query.status)
    };
    state >= 0 && state != libc::TIME_ERROR && flags & libc::STA_UNSYNC == 0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(mono: Span, wall: Span) -> Now {
        Now { mono: Moment::default() + mono, wall: MADE + wall, wall_trusted: false }
    }

    #[test]
    fn the_day_of_making_is_what_its_comment_says() {
        let day: jiff::Timestamp = "2026-11-25T00:00:00Z".parse().expect("a time");
        assert_eq!(MADE.0, day.as_millisecond());
    }

    #[test]
    fn a_wall_clock_before_the_program_was_made_is_never_trusted() {
        let mut kept = None;
        assert!(!trusted(at(Span::ZERO, Span::millis(-1)), true, &mut kept));
        assert!(trusted(at(Span::ZERO, Span::ZERO), true, &mut kept));
        assert!(!trusted(at(Span::ZERO, Span::hours(-1)), false, &mut kept));
    }

    #[test]
    fn trust_outlives_the_time_server_by_a_week() {
        let mut kept = None;
        assert!(!trusted(at(Span::ZERO, Span::ZERO), false, &mut kept));
        assert!(trusted(at(Span::ZERO, Span::ZERO), true, &mut kept));
        let week = Span::hours(7 * 24);
        assert!(trusted(at(week, week + Span::minutes(1)), false, &mut kept));
        let later = week + Span::minutes(1);
        assert!(!trusted(at(later, later), false, &mut kept));
    }

    #[test]
    fn a_jump_of_the_wall_clock_ends_trust_until_something_vouches_again() {
        let mut kept = None;
        assert!(trusted(at(Span::ZERO, Span::ZERO), true, &mut kept));
        assert!(!trusted(at(Span::minutes(1), Span::minutes(61)), false, &mut kept));
        assert!(!trusted(at(Span::minutes(2), Span::minutes(2)), false, &mut kept), "it was right by chance");
        assert!(trusted(at(Span::minutes(3), Span::minutes(3)), true, &mut kept));
    }

    #[test]
    fn the_monotonic_clock_is_the_kernels_time_since_boot() {
        // proc(5): /proc/uptime counts suspend, as CLOCK_BOOTTIME does.
        let uptime = std::fs::read_to_string("/proc/uptime").expect("proc");
        let seconds: f64 = uptime.split_whitespace().next().and_then(|s| s.parse().ok()).expect("a number");
        let mono = Clock::system(Trust::System).now().mono;
        assert!(((mono - Moment::default()).as_seconds() - seconds).abs() < 5.0);
    }

    #[test]
    fn wall_time_is_trusted_as_the_kernel_or_the_keeper_says() {
        let now = Clock::system(Trust::System).now();
        assert_eq!(now.wall_trusted, kernel_says_synchronised() && now.wall >= MADE);
        assert_eq!(Clock::system(Trust::Always).now().wall_trusted, now.wall >= MADE);
    }

    #[test]
    fn boots_are_told_apart_by_the_kernels_id() {
        let clock = Clock::system(Trust::System);
        assert_eq!(clock.boot(), clock.boot());
        assert_eq!(clock.boot().len(), 36);
        assert_eq!(
            boot_id("8d42bfea-0643-4521-aff0-29e541362f05\n").as_deref(),
            Some("8d42bfea-0643-4521-aff0-29e541362f05")
        );
        for wrong in
            ["", "8d42bfea", "8d42bfea-0643-4521-aff0-29e541362f0x", "8d42bfea064345-21-aff0-29e5-41362f05"]
        {
            assert_eq!(boot_id(wrong), None, "{wrong}");
        }
        assert_ne!(Clock::sped_up(60, MADE).boot(), clock.boot());
    }

    #[tokio::test]
    async fn an_hour_of_a_sped_up_clock_passes_in_a_moment() {
        let start = MADE + Span::hours(20);
        let clock = Clock::sped_up(360_000, start);
        let begun = clock.now();
        assert!(begun.wall_trusted && begun.wall >= start);
        let goal = begun.mono + Span::hours(1);
        clock.sleep_until(goal).await;
        let now = clock.now();
        assert!(now.mono >= goal);
        assert_eq!(now.wall - begun.wall, now.mono - begun.mono);
        clock.sleep_until(goal).await;
    }

    #[test]
    fn real_time_is_the_sped_up_time_divided_and_rounded_up() {
        let clock = Clock::sped_up(60, MADE);
        assert_eq!(clock.real(Span::minutes(1)), Duration::from_secs(1));
        assert_eq!(clock.real(Span::millis(1)), Duration::from_micros(17));
        assert_eq!(clock.real(Span::millis(-1)), Duration::ZERO);
        assert_eq!(Clock::system(Trust::System).real(Span::seconds(2)), Duration::from_secs(2));
    }
}
