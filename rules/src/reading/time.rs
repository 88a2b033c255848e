//! A time as devices write it: RFC 3339 with an offset from UTC, or seconds or milliseconds since
//! 1970. A time of day without its offset could be any of two dozen times, and is refused.

use super::Said;
use super::bad::{BadReading, short};
use jiff::Timestamp;

/// Numbers from here on are milliseconds: as seconds they would lie beyond the year 5138.
const MILLISECONDS_FROM: f64 = 100_000_000_000.0;

/// Numbers below are no time since 1970 but something else, such as seconds since the device began:
/// they would lie before 1979.
const EARLIEST: f64 = 283_996_800.0;

/// Whether a text is a time in one of these forms.
pub fn is_time(text: &str) -> bool {
    read(Said::Text(text)).is_ok()
}

/// Seconds since 1970.
pub(super) fn read(said: Said<'_>) -> Result<f64, BadReading> {
    let number = match said {
        Said::Number(number) => number,
        Said::Text(text) => {
            let text = text.trim();
            if let Ok(time) = text.parse::<Timestamp>() {
                return Ok(time.as_millisecond() as f64 / 1_000.0);
            }
            text.parse().map_err(|_| BadReading::NotATime(short(text)))?
        }
        Said::Truth(truth) => return Err(BadReading::NotATime(truth.to_string())),
    };
    let seconds = if number >= MILLISECONDS_FROM { number / 1_000.0 } else { number };
    match (EARLIEST..MILLISECONDS_FROM).contains(&seconds) {
        true => Ok(seconds),
        false => Err(BadReading::NotATime(short(&number.to_string()))),
    }
}
