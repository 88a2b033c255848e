//! Own time types. Delays run on [`Moment`]: milliseconds of a clock that counts through
//! suspend and never jumps. [`Wall`] is for people and for time of day. The agent samples both
//! once per turn as [`Now`]; nothing in this crate reads a clock. All are plain numbers, so
//! that a night can be stored, printed and played again.

use jiff::{Timestamp, ZonedDateTime, tz::TimeZone};
use serde::{Deserialize, Serialize};
use std::{fmt, ops};

/// A length of time in milliseconds. Negative only as the result of a subtraction.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Span(pub i64);

impl Span {
    /// No time at all.
    pub const ZERO: Self = Self(0);

    /// `n` milliseconds.
    pub const fn millis(n: i64) -> Self {
        Self(n)
    }

    /// `n` seconds.
    pub const fn seconds(n: i64) -> Self {
        Self(n * 1_000)
    }

    /// `n` minutes.
    pub const fn minutes(n: i64) -> Self {
        Self(n * 60_000)
    }

    /// `n` hours.
    pub const fn hours(n: i64) -> Self {
        Self(n * 3_600_000)
    }

    /// The length in seconds.
    pub fn as_seconds(self) -> f64 {
        self.0 as f64 / 1_000.0
    }

    /// The length `n` times over, never past the largest span there is.
    pub const fn times(self, n: i64) -> Self {
        Self(self.0.saturating_mul(n))
    }
}

impl fmt::Display for Span {
    /// The two largest parts that matter: `45 s`, `1 min 30 s`, `2 h 5 min`, `3 d 4 h`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0 < 0 {
            return write!(f, "-{}", Span(self.0.saturating_neg()));
        }
        if self.0 < 1_000 && self.0 > 0 {
            return write!(f, "{} ms", self.0);
        }
        let seconds = self.0 / 1_000;
        let (big, big_unit, small, small_unit) = match seconds {
            0..60 => return write!(f, "{seconds} s"),
            60..3_600 => (seconds / 60, "min", seconds % 60, "s"),
            3_600..86_400 => (seconds / 3_600, "h", seconds % 3_600 / 60, "min"),
            _ => (seconds / 86_400, "d", seconds % 86_400 / 3_600, "h"),
        };
        match small {
            0 => write!(f, "{big} {big_unit}"),
            _ => write!(f, "{big} {big_unit} {small} {small_unit}"),
        }
    }
}

impl ops::Add for Span {
    type Output = Span;
    fn add(self, other: Span) -> Span {
        Span(self.0.saturating_add(other.0))
    }
}

impl ops::Sub for Span {
    type Output = Span;
    fn sub(self, other: Span) -> Span {
        Span(self.0.saturating_sub(other.0))
    }
}

/// A point on the monotonic clock: milliseconds since the board's boot, suspend included.
/// Moments from before the boot (read back from the journal) are negative.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Moment(pub i64);

impl ops::Add<Span> for Moment {
    type Output = Moment;
    fn add(self, span: Span) -> Moment {
        Moment(self.0.saturating_add(span.0))
    }
}

impl ops::Sub<Span> for Moment {
    type Output = Moment;
    fn sub(self, span: Span) -> Moment {
        Moment(self.0.saturating_sub(span.0))
    }
}

impl ops::Sub for Moment {
    type Output = Span;
    fn sub(self, earlier: Moment) -> Span {
        Span(self.0.saturating_sub(earlier.0))
    }
}

/// Wall-clock time: milliseconds since 1970-01-01T00:00:00Z. May be wrong and may jump.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Wall(pub i64);

impl Wall {
    /// The civil time in `zone`. A time out of the calendar's range is held at its nearest end.
    pub fn civil(self, zone: &TimeZone) -> ZonedDateTime {
        let end = if self.0 < 0 { Timestamp::MIN } else { Timestamp::MAX };
        let stamp = Timestamp::from_millisecond(self.0).unwrap_or(end);
        stamp.to_zoned_datetime(zone.clone())
    }
}

impl ops::Add<Span> for Wall {
    type Output = Wall;
    fn add(self, span: Span) -> Wall {
        Wall(self.0.saturating_add(span.0))
    }
}

impl ops::Sub<Span> for Wall {
    type Output = Wall;
    fn sub(self, span: Span) -> Wall {
        Wall(self.0.saturating_sub(span.0))
    }
}

impl ops::Sub for Wall {
    type Output = Span;
    fn sub(self, earlier: Wall) -> Span {
        Span(self.0.saturating_sub(earlier.0))
    }
}

/// What the clocks said at the start of a turn.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Now {
    /// The clock that delays run on.
    pub mono: Moment,
    /// The clock that people read.
    pub wall: Wall,
    /// Whether the system says that its wall clock is synchronised.
    pub wall_trusted: bool,
}

impl Now {
    /// The wall time that `moment` had, or will have if the wall clock does not jump.
    pub fn wall_at(&self, moment: Moment) -> Wall {
        self.wall + (moment - self.mono)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_span_is_shown_by_the_two_largest_parts_that_matter() {
        let table = [
            (Span::ZERO, "0 s"),
            (Span::millis(1), "1 ms"),
            (Span::millis(999), "999 ms"),
            (Span::millis(1_999), "1 s"),
            (Span::seconds(59), "59 s"),
            (Span::seconds(60), "1 min"),
            (Span::seconds(90), "1 min 30 s"),
            (Span::minutes(60), "1 h"),
            (Span::minutes(125), "2 h 5 min"),
            (Span::seconds(3_600 + 59), "1 h"),
            (Span::hours(24), "1 d"),
            (Span::hours(76), "3 d 4 h"),
            (Span::seconds(-90), "-1 min 30 s"),
            (Span::millis(-5), "-5 ms"),
        ];
        for (span, shown) in table {
            assert_eq!(span.to_string(), shown);
        }
    }

    #[test]
    fn the_ends_of_time_neither_wrap_nor_panic() {
        let (first, last) = (Moment(i64::MIN), Moment(i64::MAX));
        assert_eq!(last + Span::seconds(1), last);
        assert_eq!(first - Span::seconds(1), first);
        assert_eq!(last - first, Span(i64::MAX));
        assert_eq!(Span(i64::MAX).times(2), Span(i64::MAX));
        assert!(Span(i64::MIN).to_string().starts_with("-106751991167 d"));
        assert_eq!(Wall(i64::MAX).civil(&TimeZone::UTC).year(), 9999);
        assert_eq!(Wall(i64::MIN).civil(&TimeZone::UTC).year(), -9999);
    }

    #[test]
    fn a_moment_has_the_wall_time_that_lies_as_far_from_now() {
        let now = Now { mono: Moment(10_000), wall: Wall(1_700_000_000_000), wall_trusted: true };
        assert_eq!(now.wall_at(Moment(4_000)), Wall(1_699_999_994_000));
        assert_eq!(now.wall_at(Moment(11_000)), Wall(1_700_000_001_000));
    }
}
