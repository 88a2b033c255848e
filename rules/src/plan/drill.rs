//! `[drill]`: when test pages go out, how long they may wait for an answer, and how old an
//! outage drill may get. What is left out does not happen by itself.

use super::callout::time_of_day;
use super::{Drill, Weekly};
use crate::diagnostic::{Item, Table};
use crate::time::{Moment, Now, Span, Wall};
use crate::units::QuantityItem as _;
use jiff::ToSpan;
use jiff::civil::Weekday;
use jiff::tz::TimeZone;
use std::fmt;

/// Long enough for who sleeps or works, short enough to be over before the next one.
const WITHIN: Span = Span::hours(24);
const LONGEST: Span = Span::hours(6 * 24);

const DAYS: [(&str, Weekday); 7] = [
    ("monday", Weekday::Monday),
    ("tuesday", Weekday::Tuesday),
    ("wednesday", Weekday::Wednesday),
    ("thursday", Weekday::Thursday),
    ("friday", Weekday::Friday),
    ("saturday", Weekday::Saturday),
    ("sunday", Weekday::Sunday),
];

impl Default for Drill {
    fn default() -> Self {
        Self { pages: None, within: WITHIN, outage: None }
    }
}

pub(super) fn read(table: Option<Table<'_>>) -> Drill {
    let Some(table) = table else { return Drill::default() };
    let pages = table.get("pages").and_then(Weekly::read);
    let within = table.get("within").and_then(|item| match item.some_duration()? {
        within if within <= LONGEST => Some(within),
        _ => item.wrong(
            "a test page waits for an answer until the next one at the latest",
            format!("at most {LONGEST}"),
            None,
        ),
    });
    let outage = table.get("outage").and_then(Item::some_duration);
    table.finish();
    Drill { pages, within: within.unwrap_or(WITHIN), outage }
}

impl fmt::Display for Weekly {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let name = DAYS.iter().find(|(_, day)| *day == self.day).map_or("", |(name, _)| name);
        write!(f, "{name} {}", self.time.strftime("%H:%M"))
    }
}

impl Weekly {
    /// `"sunday 11:00"`; what is wrong with it is noted.
    pub fn read(item: Item<'_>) -> Option<Self> {
        let text = item.text()?.it;
        let parsed = text.split_once(' ').and_then(|(day, time)| {
            let (_, day) = DAYS.into_iter().find(|(name, _)| day.eq_ignore_ascii_case(name))?;
            Some(Self { day, time: time_of_day(time.trim())? })
        });
        parsed.or_else(|| {
            let title = format!("`{text}` is not a time of the week");
            item.wrong(title, "expected a day and a time, like \"sunday 11:00\"", None)
        })
    }

    /// The last of these times that is not after `now`, and the next after it, on the clock that
    /// delays run on. A time that a change of clocks leaves out is met right after the gap.
    pub(crate) fn around(&self, now: &Now, zone: &TimeZone) -> Option<(Moment, Moment)> {
        let today = now.wall.civil(zone).date();
        let back = today.weekday().since(self.day);
        let week = |weeks: i64| {
            let day = today.checked_sub(i64::from(back).days()).ok()?.checked_add(weeks.weeks()).ok()?;
            let at = day.to_datetime(self.time).to_zoned_datetime(zone.clone()).ok()?;
            let at = Wall(at.timestamp().as_millisecond());
            Some(now.mono + (at - now.wall))
        };
        let this = week(0)?;
        if this <= now.mono { Some((this, week(1)?)) } else { Some((week(-1)?, this)) }
    }
}
