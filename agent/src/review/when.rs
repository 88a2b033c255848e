//! From what a keeper types after `--since` to a point in time: a date, a date and a time of
//! day, a time ago, a word.

use jiff::civil::{Date, DateTime, Time};
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan, ZonedDateTime};
use slackwater_rules::time::{Span, Wall};
use slackwater_rules::units::{Quantity, QuantityError};
use std::fmt;

/// Why a text is no point in time.
#[derive(Clone, Debug, PartialEq)]
pub enum WhenError {
    /// It is none of the known forms.
    Unknown {
        /// What was written.
        text: String,
    },
    /// It is a quantity, but not a length of time.
    NotATime {
        /// What was written.
        text: String,
        /// What is wrong with it.
        why: QuantityError,
    },
    /// It is a length of time below zero.
    Negative {
        /// What was written.
        text: String,
    },
}

impl fmt::Display for WhenError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let forms = "write a date (2026-08-01 or 1.8.2026), a date and time (2026-08-01 14:30), a time of \
                     today (14:30), a time ago (14 d, 36 h), now, today or yesterday";
        match self {
            Self::Unknown { text } => write!(f, "`{text}` is no point in time: {forms}"),
            Self::NotATime { text, why } => write!(f, "`{text}` is no time ago ({why}): {forms}"),
            Self::Negative { text } => {
                write!(f, "`{text}` would be in the future: a time ago is written without a sign")
            }
        }
    }
}

impl std::error::Error for WhenError {}

/// `30.11.2026`: day, month, year, as much of the world writes it.
fn with_points(text: &str) -> Option<Date> {
    let mut parts = text.split('.');
    let (day, month, year) = (parts.next()?, parts.next()?, parts.next()?);
    let known = parts.next().is_none() && year.len() == 4;
    Date::new(year.parse().ok().filter(|_| known)?, month.parse().ok()?, day.parse().ok()?).ok()
}

/// Reads a point in time. A date is its first moment in `zone`; a time of day that the clock
/// skips is moved forward, one that it shows twice is the first of the two; `14 d` ago is 14
/// times 24 hours ago; a time with an offset (RFC 3339) is itself.
pub fn parse_when(text: &str, now: Wall, zone: &TimeZone) -> Result<Wall, WhenError> {
    let text = text.trim();
    let unknown = || WhenError::Unknown { text: text.to_owned() };
    let wall = |zoned: ZonedDateTime| Wall(zoned.timestamp().as_millisecond());
    let begin = |date: Date| date.to_zoned_datetime(zone.clone()).map(wall).map_err(|_| unknown());
    let today = now.civil(zone).date();
    if text == "now" {
        return Ok(now);
    }
    let (day, time) =
        text.split_once([' ', 'T']).map_or((text, None), |(day, time)| (day, Some(time.trim())));
    let spoken = match day {
        "today" => Some(today),
        "yesterday" => Some(today.checked_sub(1.day()).map_err(|_| unknown())?),
        _ => with_points(day),
    };
    if let Some(date) = spoken {
        let Some(time) = time else { return begin(date) };
        let at = date.to_datetime(time.parse::<Time>().map_err(|_| unknown())?);
        return at.to_zoned_datetime(zone.clone()).map(wall).map_err(|_| unknown());
    }
    // Whether the day or the month comes first, nobody can know.
    if day.contains('/') {
        return Err(unknown());
    }
    // jiff would read the time out of a date and time too.
    if text.find(':').is_some_and(|at| at <= 2)
        && let Ok(time) = text.parse::<Time>()
    {
        return today.to_datetime(time).to_zoned_datetime(zone.clone()).map(wall).map_err(|_| unknown());
    }
    // Three forms that jiff reads, from the strictest; a date alone is a date and time to it.
    if let Ok(stamp) = text.parse::<Timestamp>() {
        return Ok(Wall(stamp.as_millisecond()));
    }
    if text.get(..10).is_some_and(|head| head.parse::<Date>().is_ok()) {
        let written: DateTime = text.parse().map_err(|_| unknown())?;
        return written.to_zoned_datetime(zone.clone()).map(wall).map_err(|_| unknown());
    }
    let quantity = match Quantity::parse(text) {
        Ok(quantity) => quantity,
        Err(QuantityError::NoNumber) => return Err(unknown()),
        // A date that is not in the calendar.
        Err(_) if text.trim_start_matches(|c: char| c.is_ascii_digit()).starts_with('-') => {
            return Err(unknown());
        }
        Err(why) => return Err(WhenError::NotATime { text: text.to_owned(), why }),
    };
    match quantity.span() {
        Ok(span) if span < Span::ZERO => Err(WhenError::Negative { text: text.to_owned() }),
        Ok(span) => Ok(now - span),
        Err(why) => Err(WhenError::NotATime { text: text.to_owned(), why }),
    }
}
