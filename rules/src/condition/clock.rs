//! Time of day and days of the week, as people mean them: on the local clock of the site,
//! daylight saving included.

use super::{Truth, Verdict};
use crate::site::Hours;
use crate::time::{Moment, Span};
use jiff::ZonedDateTime;
use jiff::civil::Weekday;

/// Some days of the week.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Days(u8);

const NAMES: [(&str, u8); 9] = [
    ("monday", 0b000_0001),
    ("tuesday", 0b000_0010),
    ("wednesday", 0b000_0100),
    ("thursday", 0b000_1000),
    ("friday", 0b001_0000),
    ("saturday", 0b010_0000),
    ("sunday", 0b100_0000),
    ("weekday", 0b001_1111),
    ("weekend", 0b110_0000),
];

/// The clock may be set: what rests on it is looked at again after this at the latest.
const AGAIN: Span = Span::minutes(15);

impl Days {
    /// `saturday`, `weekday`, `weekend`.
    pub fn named(name: &str) -> Option<Self> {
        NAMES.iter().find(|(known, _)| *known == name).map(|(_, days)| Self(*days))
    }

    /// All names.
    pub(super) fn names() -> impl Iterator<Item = &'static str> {
        NAMES.iter().map(|(name, _)| *name)
    }

    /// Whether the day is one of these.
    pub fn cover(self, day: Weekday) -> bool {
        self.0 & (1 << day.to_monday_zero_offset()) != 0
    }
}

/// Whether the time of day lies in the stretch, and when it next enters or leaves it.
pub(super) fn time(hours: Hours, now: Moment, local: Option<ZonedDateTime>) -> Verdict {
    let Some(local) = local else { return Verdict { truth: Truth::Unknown, until: Some(now + AGAIN) } };
    let next = [hours.from, hours.until].into_iter().filter_map(|edge| {
        let today = local.date().to_datetime(edge);
        let date =
            if today > local.datetime() { today } else { local.date().tomorrow().ok()?.to_datetime(edge) };
        date.to_zoned_datetime(local.time_zone().clone()).ok()
    });
    Verdict { truth: hours.cover(local.time()).into(), until: Some(soonest(now, &local, next)) }
}

/// Whether the day is one of these, and when the day ends.
pub(super) fn day(days: Days, now: Moment, local: Option<ZonedDateTime>) -> Verdict {
    let Some(local) = local else { return Verdict { truth: Truth::Unknown, until: Some(now + AGAIN) } };
    let midnight = local.tomorrow().and_then(|day| day.start_of_day()).ok();
    Verdict { truth: days.cover(local.weekday()).into(), until: Some(soonest(now, &local, midnight)) }
}

fn soonest(now: Moment, local: &ZonedDateTime, edges: impl IntoIterator<Item = ZonedDateTime>) -> Moment {
    let here = local.timestamp().as_millisecond();
    let ahead = edges.into_iter().map(|edge| Span(edge.timestamp().as_millisecond() - here));
    now + ahead.filter(|span| *span > Span::ZERO).fold(AGAIN, Span::min)
}
