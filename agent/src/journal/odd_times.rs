//! Times that no clock can have said: a bit that flipped on a card, a row that something else
//! wrote. Moments and dates of rows flow in; what can't be is replaced by what the rows beside it
//! say, so that nobody is told of an alarm that stands since the year 292277026.

use slackwater_rules::record::Record;
use slackwater_rules::time::{Moment, Now, Span, Wall};

/// No board runs for longer without a restart: 100 years, in milliseconds.
pub(super) const LONGEST_RUN: i64 = 100 * 365 * 24 * 3_600_000;

/// 2100-01-01: no date is later. The earliest is 1970-01-01, where clocks without a battery begin.
pub(super) const LATEST: i64 = 4_102_444_800_000;

/// Nothing that still matters is older.
const OLDEST: Span = Span::hours(10 * 365 * 24);

/// Dates differ by so much at most where a clock was set, between two that are trusted.
pub(super) const SET_BY: Span = Span::hours(24);

pub(super) fn is_moment(mono: i64) -> bool {
    (0..=LONGEST_RUN).contains(&mono)
}

pub(super) fn is_date(wall: i64) -> bool {
    (0..=LATEST).contains(&wall)
}

/// When a clock that now shows such a date began: before 1970 for one that began there.
pub(super) fn is_offset(offset: i64) -> bool {
    (-LONGEST_RUN..=LATEST).contains(&offset)
}

/// 2020-01-01: a clock that shows an earlier date is not to be trusted, whatever a row says.
const EARLIEST_SURE: i64 = 1_577_836_800_000;

/// The same for a clock that could be trusted.
pub(super) fn is_sure_offset(offset: i64) -> bool {
    (EARLIEST_SURE..=LATEST).contains(&offset)
}

/// Holds a restored record within the present: it has happened, and not in another age.
pub(super) fn hold(record: &mut Record, now: &Now) {
    let at = &mut record.at;
    at.mono = at.mono.min(now.mono).max(now.mono - OLDEST);
    let ago = now.mono - at.mono;
    if now.wall_trusted && at.wall > now.wall + SET_BY {
        (at.wall, at.wall_trusted) = (now.wall - ago, false);
    }
    at.wall = Wall(at.wall.0.clamp(0, LATEST));
}

/// The last time that could be believed, for rows that say one that can't.
#[derive(Clone, Copy, Debug)]
pub(super) struct LastBelieved {
    boot: i64,
    mono: i64,
    wall: i64,
}

impl Default for LastBelieved {
    fn default() -> Self {
        Self { boot: -1, mono: 0, wall: 0 }
    }
}

impl LastBelieved {
    /// The row's time, or what is nearest to it that can be.
    pub(super) fn take(&mut self, boot: i64, mono: i64, wall: i64, trusted: bool) -> Now {
        if self.boot != boot {
            (self.boot, self.mono) = (boot, 0);
        }
        if is_moment(mono) {
            self.mono = mono;
        }
        let trusted = trusted && is_date(wall);
        if is_date(wall) {
            self.wall = wall;
        }
        Now { mono: Moment(self.mono), wall: Wall(self.wall), wall_trusted: trusted }
    }
}
