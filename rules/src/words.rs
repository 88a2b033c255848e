//! The small vocabulary in which everything is said: values, names, lists, times. Pages, texts,
//! `status`, the review and the records' reasons use the same, so that one thing has one name and a
//! limit never looks like a reading. Units are those of the sensor, written for people: `°C`, not
//! `degC`.

use crate::time::{Moment, Now, Span};
use crate::units::Scale;
use jiff::ToSpan;
use jiff::tz::TimeZone;

/// A number of this scale, for people: `24.4 °C`, `4,200 L/h`.
pub fn value(scale: &Scale, base: f64) -> String {
    for_people(&scale.show(base))
}

/// A value that was written for files, for people: units by their signs, thousands with a comma.
pub fn for_people(shown: &str) -> String {
    let (number, unit) = shown.split_once(' ').unwrap_or((shown, ""));
    let number = thousands(number);
    // A difference of temperatures is one of degrees, as people say it.
    let unit = if unit == "K" { "°C" } else { unit };
    let unit = unit.replace("degC", "°C").replace("degF", "°F").replace("mm/day", "mm a day");
    if unit.is_empty() { number } else { format!("{number} {unit}") }
}

/// What was read behind its name; a name that is its unit too stands once: `pH 8.9`.
pub fn named(name: &str, shown: &str) -> String {
    let bare = shown.split_once(' ').filter(|(_, unit)| name.rsplit(' ').next() == Some(unit));
    format!("{name} {}", bare.map_or(shown, |(number, _)| number))
}

/// The same anywhere in a sentence; thousands stay as they are.
pub fn for_people_in(sentence: &str) -> String {
    let sentence = sentence.replace("degC", "°C").replace("degF", "°F");
    let mut out = String::with_capacity(sentence.len());
    for word in sentence.split_inclusive(' ') {
        let follows_number = out.trim_end().ends_with(|sign: char| sign.is_ascii_digit());
        let rest = word.strip_prefix('K').filter(|_| follows_number);
        match rest.filter(|rest| !rest.starts_with(char::is_alphanumeric)) {
            Some(rest) => out.extend(["°C", rest]),
            None => out.push_str(word),
        }
    }
    out
}

/// `4200` as `4,200`; what is no plain number stays.
fn thousands(number: &str) -> String {
    let (sign, digits) = number.strip_prefix('-').map_or(("", number), |rest| ("-", rest));
    if digits.len() < 4 || !digits.bytes().all(|byte| byte.is_ascii_digit()) {
        return number.to_owned();
    }
    let mut out = String::from(sign);
    for (at, digit) in digits.char_indices() {
        if at > 0 && (digits.len() - at) % 3 == 0 {
            out.push(',');
        }
        out.push(digit);
    }
    out
}

/// The text with a capital at its head; a sign that is spelled otherwise stays as it is.
pub fn capital(text: &str) -> String {
    if text.starts_with("pH") {
        return text.to_owned();
    }
    let mut signs = text.chars();
    signs.next().map_or_else(String::new, |first| first.to_uppercase().chain(signs).collect())
}

/// The text with a small letter at its head.
pub fn uncapital(text: &str) -> String {
    let mut signs = text.chars();
    signs.next().map_or_else(String::new, |first| first.to_lowercase().chain(signs).collect())
}

/// One sentence: a capital at its head, a full stop at its end.
pub fn sentence(text: &str) -> String {
    let text = capital(text.trim());
    if text.is_empty() || text.ends_with(['.', '?', '!']) { text } else { text + "." }
}

/// `a`, `a and b`, `a, b and c`.
pub fn list<T: AsRef<str>>(items: &[T]) -> String {
    match items {
        [] => String::new(),
        [one] => one.as_ref().to_owned(),
        [first @ .., last] => {
            let first: Vec<&str> = first.iter().map(AsRef::as_ref).collect();
            format!("{} and {}", first.join(", "), last.as_ref())
        }
    }
}

/// `1 page`, `2 pages`.
pub fn counted(count: usize, what: &str) -> String {
    format!("{count} {what}{}", if count == 1 { "" } else { "s" })
}

/// What stands behind the place in a name: `lagoon return stopped` in the lagoon is `return
/// stopped`.
pub fn without_place<'t>(title: &'t str, place: &str) -> &'t str {
    let rest = title
        .get(place.len()..)
        .filter(|_| title.get(..place.len()).is_some_and(|head| head.eq_ignore_ascii_case(place)));
    let rest = rest.and_then(|rest| rest.strip_prefix(' ')).map(str::trim_start);
    rest.filter(|rest| !rest.is_empty()).unwrap_or(title)
}

/// What comes within this time is tonight, whatever the date: at 23:16 nobody takes 00:11 for a day
/// later.
const TONIGHT: Span = Span::hours(12);

/// `02:14`; with the day if it is another one, and a mark if the clock is not trusted.
pub fn clock(now: &Now, moment: Moment, zone: &TimeZone) -> String {
    let at = now.wall_at(moment).civil(zone);
    let (day, today) = (at.date(), now.wall.civil(zone).date());
    let near = |days: i64| today.checked_add(days.days()).is_ok_and(|other| other == day);
    let mut text = match day {
        _ if day == today || (moment > now.mono && moment - now.mono < TONIGHT) => {
            at.strftime("%H:%M").to_string()
        }
        _ if near(1) => at.strftime("%H:%M tomorrow").to_string(),
        _ if near(-1) => at.strftime("%H:%M yesterday").to_string(),
        _ => at.strftime("%a %-d %b %H:%M").to_string(),
    };
    if !now.wall_trusted {
        text.push_str(" (clock not set)");
    }
    text
}

/// A time to come as people wait for it: on the clock, or from now if the clock is not trusted.
/// Rounded down to five minutes: nobody may come too late by a figure.
pub fn not_before(now: &Now, hours: f64, zone: &TimeZone) -> String {
    let ahead = Span((hours.clamp(0.0, 24.0 * 365.0) * 3_600_000.0) as i64);
    if !now.wall_trusted {
        let minutes = ahead.0 / 60_000 / 5 * 5;
        return format!("in {}", Span::minutes(minutes));
    }
    let at = now.mono + ahead;
    let past = now.wall_at(at).0.rem_euclid(5 * 60_000);
    clock(now, at - Span(past), zone)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Unit;

    fn scale(name: &str) -> Scale {
        Scale { unit: Unit::named(name).expect("a unit"), name: name.to_owned() }
    }

    #[test]
    fn values_have_the_signs_that_people_write() {
        assert_eq!(value(&scale("degC"), 24.44), "24.4 °C");
        assert_eq!(value(&scale("degF"), 25.0), "77 °F");
        assert_eq!(value(&scale("L/h"), 4200.0 / 3_600_000.0), "4,200 L/h");
        assert_eq!(for_people("1234567"), "1,234,567");
        assert_eq!(for_people("-20 degC"), "-20 °C");
        assert_eq!(named("refugium pH", "8.9 pH"), "refugium pH 8.9");
        assert_eq!(named("pH", "not known"), "pH not known");
        assert_eq!(named("water", "24.4 °C"), "water 24.4 °C");
        assert_eq!(for_people_in("24.6 degC, 2.6 K above, 3 K/h, K 7"), "24.6 °C, 2.6 °C above, 3 °C/h, K 7");
    }

    #[test]
    fn a_place_is_said_once() {
        assert_eq!(without_place("lagoon return stopped", "lagoon"), "return stopped");
        assert_eq!(without_place("Lagoon cold", "lagoon"), "cold");
        assert_eq!(without_place("lagoon", "lagoon"), "lagoon");
        assert_eq!(without_place("lagoons", "lagoon"), "lagoons");
        assert_eq!(without_place("the power is out", "Halyard House"), "the power is out");
    }

    #[test]
    fn lists_and_sentences_are_plain_english() {
        assert_eq!(list(&["a", "b", "c"]), "a, b and c");
        assert_eq!(list::<&str>(&[]), "");
        assert_eq!(sentence("is it wet?"), "Is it wet?");
        assert_eq!(sentence("look at it"), "Look at it.");
        assert_eq!((counted(1, "page"), counted(0, "page")), ("1 page".to_owned(), "0 pages".to_owned()));
    }
}
