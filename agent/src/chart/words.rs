//! What a drawing shows, in words, for who can't see it.

use super::{Picture, SeenPoint};
use jiff::tz::TimeZone;
use slackwater_rules::time::{Span, Wall};

/// How its numbers are said.
pub(crate) type Spoken<'s> = &'s dyn Fn(f64) -> String;

/// One to five sentences: now, lowest and highest, outside, not seen, what may come.
pub(crate) fn describe(picture: &Picture, spoken: Spoken<'_>, zone: &TimeZone) -> String {
    let time = |at: Wall| {
        let form = if picture.span.length() > Span::hours(40) { "%-d %b %H:%M" } else { "%H:%M" };
        at.civil(zone).strftime(form).to_string()
    };
    let mut said = Vec::new();
    let points = || picture.seen.iter().flatten();
    let Some(last) = picture.last() else {
        return "Nothing was seen in this time.".to_owned();
    };
    let between = picture.limits.map(|(lower, upper)| {
        let side = match last.mean {
            value if value < lower => "below",
            value if value > upper => "above",
            _ => "between",
        };
        let limits = format!("its limits of {} and {}", spoken(lower), spoken(upper));
        if side == "between" { format!(", between {limits}") } else { format!(", {side} {limits}") }
    });
    let between = between.unwrap_or_default();
    match picture.now {
        Some(_) if picture.seen_now => said.push(format!("Now {}{between}.", spoken(last.mean))),
        Some(_) => said.push(format!(
            "Not seen since {}. The last was {}{between}.",
            time(last.at),
            spoken(last.mean)
        )),
        None => {}
    }
    let lowest = points().min_by(|one, other| one.low.total_cmp(&other.low));
    let highest = points().min_by(|one, other| other.high.total_cmp(&one.high));
    if let (Some(lowest), Some(highest)) = (lowest, highest) {
        said.push(format!(
            "Lowest {} at {}, highest {} at {}.",
            spoken(lowest.low),
            time(lowest.at),
            spoken(highest.high),
            time(highest.at)
        ));
    }
    let outside = picture.outside();
    if let Some(first) = outside.first().and_then(|run: &Vec<SeenPoint>| run.first()) {
        said.push(format!("Outside its limits first at {}.", time(first.at)));
    }
    for gap in picture.gaps.iter().take(3) {
        said.push(format!("Not seen from {} to {}.", time(gap.from), time(gap.to)));
    }
    if picture.gaps.len() > 3 {
        said.push(format!("Not seen {} more times.", picture.gaps.len() - 3));
    }
    if let Some((_, _, words)) = picture.meets.as_ref().filter(|_| picture.seen_now) {
        said.push(format!("If nothing changes: {words}."));
    }
    said.join(" ")
}
