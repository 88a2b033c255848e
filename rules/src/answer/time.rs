//! How long somebody says that they have it: until a time of day, or for a while. A bare number is
//! neither: it could be a slip, and too long a silence is the worse mistake.

use crate::time::{Now, Span, Wall};
use jiff::civil::Time;
use jiff::tz::TimeZone;
use std::fmt;

/// HoldsUntil when somebody has it, as they said it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HoldsUntil {
    /// A time of day: the next one.
    Clock {
        /// 0 to 23.
        hour: i8,
        /// 0 to 59.
        minute: i8,
    },
    /// So long from now on; more than nothing, less than 100 h.
    For(Span),
}

/// A time of day says nothing to a watch whose clock is not set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClockNotSet;

impl fmt::Display for ClockNotSet {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("the watch's clock is not set: say for how long instead, as in \"for 2 h\"")
    }
}

/// An answer that came while nobody could hear it counts for so long: later, whoever gave it may
/// have other things to do.
pub const FRESH: Span = Span::minutes(30);

/// Whether a message counts: heard as it came, or not long ago by both its own word and that of the
/// server that took it. Without a clock nobody can tell how old one is that was found.
pub fn is_fresh(now: &Now, live: bool, arrived: Option<Wall>, written: Option<Wall>) -> bool {
    let lately = |at: Wall| now.wall - at <= FRESH;
    if !now.wall_trusted {
        return live;
    }
    (live || arrived.is_some_and(lately)) && written.is_none_or(lately)
}

/// Words that times are made of, and that no code may be.
pub(super) const WORDS: &[&str] = &[
    "until", "till", "til", "for", "at", "least", "am", "pm", "noon", "midnight", "h", "hr", "hrs", "hour",
    "hours", "min", "mins", "minute", "minutes", "an", "half",
];

impl HoldsUntil {
    /// How long that is from now on, on the clock of the site.
    ///
    /// # Errors
    /// If it is a time of day, and nobody knows what time it is.
    pub fn length(self, now: &Now, zone: &TimeZone) -> Result<Span, ClockNotSet> {
        let (hour, minute) = match self {
            Self::For(span) => return Ok(span),
            Self::Clock { hour, minute } => (hour, minute),
        };
        if !now.wall_trusted {
            return Err(ClockNotSet);
        }
        let here = now.wall.civil(zone);
        let time = Time::new(hour, minute, 0, 0).map_err(|_| ClockNotSet)?;
        let today = here.date();
        // Of the days around a change of the clock, too, it is the first moment after now.
        let days = [Ok(today), today.tomorrow(), today.tomorrow().and_then(|day| day.tomorrow())];
        let at = days.into_iter().flatten().find_map(|day| {
            let at = day.to_datetime(time).to_zoned_datetime(zone.clone()).ok()?;
            let ahead = at.timestamp().as_millisecond() - now.wall.0;
            (ahead > 0).then_some(Span(ahead))
        });
        at.ok_or(ClockNotSet)
    }
}

/// The time that these words begin with, and the words after it.
pub(super) fn begins(words: &[String]) -> Option<(HoldsUntil, &[String])> {
    let (first, rest) = words.split_first()?;
    match first.as_str() {
        "until" | "till" | "til" => clock(rest, true),
        "at" if rest.first().is_some_and(|word| word == "least") => begins(rest.get(1..)?),
        "for" => span(rest),
        _ => span(words).filter(|_| !first.contains(':')).or_else(|| clock(words, false)),
    }
}

/// A time of day. After "until" a bare hour is one too.
fn clock(words: &[String], after_until: bool) -> Option<(HoldsUntil, &[String])> {
    let (first, rest) = words.split_first()?;
    match first.as_str() {
        "noon" => return Some((HoldsUntil::Clock { hour: 12, minute: 0 }, rest)),
        "midnight" => return Some((HoldsUntil::Clock { hour: 0, minute: 0 }, rest)),
        _ => {}
    }
    let (bare, half) = match (first.strip_suffix("am"), first.strip_suffix("pm")) {
        (Some(bare), _) => (bare, Some(false)),
        (_, Some(bare)) => (bare, Some(true)),
        _ => (first.as_str(), None),
    };
    let (half, rest) = match (half, rest.split_first()) {
        (None, Some((word, rest))) if word == "am" || word == "pm" => (Some(word == "pm"), rest),
        _ => (half, rest),
    };
    let parts = bare
        .split_once([':', '.'])
        .or_else(|| bare.split_once('h').filter(|_| after_until && half.is_none()));
    let (hour, minute) = match parts {
        Some((hour, minute)) if minute.len() == 2 => (number(hour)?, number(minute)?),
        Some((hour, "")) => (number(hour)?, 0),
        Some(_) => return None,
        None if after_until || half.is_some() => (number(bare)?, 0),
        None => return None,
    };
    let hour: i8 = match half {
        None => hour,
        Some(_) if !(1..=12).contains(&hour) => return None,
        Some(after_noon) => hour % 12 + if after_noon { 12 } else { 0 },
    };
    (hour < 24 && minute < 60).then_some((HoldsUntil::Clock { hour, minute }, rest))
}

/// A while: `2 h`, `90min`, `an hour`, `half an hour`, `1 h 30 min`.
fn span(words: &[String]) -> Option<(HoldsUntil, &[String])> {
    let texts: Vec<&str> = words.iter().take(3).map(String::as_str).collect();
    let (span, used) = match texts.as_slice() {
        ["half", "an", "hour", ..] => (Span::minutes(30), 3),
        ["an", "hour", ..] => (Span::hours(1), 2),
        _ => {
            let (one, used) = quantity(words)?;
            let rest = words.get(used..)?;
            match quantity(rest) {
                // Hours, then the minutes beyond them.
                Some((more, also)) if one.0 % Span::hours(1).0 == 0 && more < Span::hours(1) => {
                    (Span(one.0 + more.0), used + also)
                }
                _ => (one, used),
            }
        }
    };
    (span > Span::ZERO && span < Span::hours(100)).then_some(())?;
    Some((HoldsUntil::For(span), words.get(used..)?))
}

fn quantity(words: &[String]) -> Option<(Span, usize)> {
    let first = words.first()?;
    let at = first.find(|sign: char| !sign.is_ascii_digit()).unwrap_or(first.len());
    let (digits, joined) = first.split_at_checked(at)?;
    let (unit, used) = if joined.is_empty() { (words.get(1)?.as_str(), 2) } else { (joined, 1) };
    let count = number(digits)?;
    match unit {
        "h" | "hr" | "hrs" | "hour" | "hours" => Some((Span::hours(count), used)),
        "min" | "mins" | "minute" | "minutes" => Some((Span::minutes(count), used)),
        _ => None,
    }
}

/// One to three digits.
fn number<N: std::str::FromStr>(digits: &str) -> Option<N> {
    let few = (1..=3).contains(&digits.len()) && digits.bytes().all(|digit| digit.is_ascii_digit());
    few.then(|| digits.parse().ok())?
}
