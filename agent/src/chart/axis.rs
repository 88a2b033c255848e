//! The time above the strips: said once, for all of them.

use super::Stretch;
use jiff::ToSpan as _;
use jiff::tz::TimeZone;
use slackwater_rules::time::{Span, Wall};
use std::fmt::Write as _;

/// Labels keep so far from the present's own: so much before, so much behind it.
const BEFORE: Span = Span::minutes(75);
const BEHIND: Span = Span::minutes(120);
/// The same behind it on a phone.
const BEHIND_NARROW: Span = Span::minutes(280);

/// A day and a bit: a tick each three hours, the present on its rule.
pub(crate) fn axis(span: Stretch, now: Wall, zone: &TimeZone) -> String {
    let present = now.civil(zone).strftime("%H:%M").to_string();
    let x = span.percent(now);
    let mut svg = format!(
        "<svg class=\"axis\" aria-hidden=\"true\"><line class=\"nowl\" x1=\"{x:.2}%\" x2=\"{x:.2}%\" y1=\"0\" y2=\"100%\"/>\
         <text class=\"tx\" x=\"{x:.2}%\" dx=\"6\" y=\"15\" font-weight=\"600\">{present}</text>"
    );
    for (at, hour) in hours(span, 3, zone) {
        let x = span.percent(at);
        let near = at > now - BEFORE && at < now + BEHIND;
        let narrow = hour % 6 == 0 && !(at > now && at < now + BEHIND_NARROW);
        let edge = !(1.5..=98.5).contains(&x);
        if !near && !edge {
            let class = if narrow { "" } else { " class=\"w\"" };
            let _ =
                write!(svg, "<text{class} x=\"{x:.2}%\" y=\"15\" text-anchor=\"middle\">{hour:02}</text>");
        }
        let _ = write!(svg, "<line class=\"tick\" x1=\"{x:.2}%\" x2=\"{x:.2}%\" y1=\"19\" y2=\"22\"/>");
    }
    svg + "</svg>"
}

/// Hours of the day that are multiples of `every`, as they come.
pub(super) fn hours(span: Stretch, every: i8, zone: &TimeZone) -> Vec<(Wall, i8)> {
    let mut found = Vec::new();
    let mut day = span.from.civil(zone).date();
    while found.len() < 400 {
        for hour in (0..24).step_by(every.max(1).unsigned_abs().into()) {
            let Ok(at) = zone.to_timestamp(day.at(hour, 0, 0, 0)) else { continue };
            let at = Wall(at.as_millisecond());
            if at > span.to {
                return found;
            }
            if at >= span.from {
                found.push((at, hour));
            }
        }
        let Ok(next) = day.checked_add(1.day()) else { return found };
        day = next;
    }
    found
}

/// Midnights, as they come, with their dates.
pub(super) fn midnights(span: Stretch, zone: &TimeZone) -> Vec<(Wall, jiff::civil::Date)> {
    hours(span, 24, zone).into_iter().map(|(at, _)| (at, at.civil(zone).date())).collect()
}

/// So many days have their months named instead.
const MONTHS_FROM: usize = 100;

/// Days: each has its number in its middle, or every second, fifth … where they are many; hours
/// where there are two days at most.
pub(crate) fn days_axis(span: Stretch, zone: &TimeZone) -> String {
    let mut svg = "<svg class=\"axis\" aria-hidden=\"true\">".to_owned();
    if span.length() <= Span::hours(60) {
        for (at, hour) in hours(span, 3, zone) {
            let x = span.percent(at);
            let _ = write!(svg, "<line class=\"tick\" x1=\"{x:.2}%\" x2=\"{x:.2}%\" y1=\"19\" y2=\"22\"/>");
            if (1.5..=98.5).contains(&x) {
                let class = if hour % 6 == 0 { "" } else { " class=\"w\"" };
                let _ = write!(
                    svg,
                    "<text{class} x=\"{x:.2}%\" y=\"15\" text-anchor=\"middle\">{hour:02}</text>"
                );
            }
        }
        return svg + "</svg>";
    }
    let days = midnights(span, zone);
    let every = (days.len() / 16).max(1);
    let by_month = days.len() > MONTHS_FROM;
    for (nth, (at, date)) in days.iter().enumerate() {
        let x = span.percent(*at);
        if by_month {
            if date.day() == 1 {
                let class = if date.month() % 3 == 1 { "" } else { " class=\"w\"" };
                let anchor = if x > 96.0 { "end" } else { "start" };
                let _ = write!(
                    svg,
                    "<line class=\"tick\" x1=\"{x:.2}%\" x2=\"{x:.2}%\" y1=\"15\" y2=\"22\"/>\
                     <text{class} x=\"{x:.2}%\" y=\"13\" text-anchor=\"{anchor}\">{}</text>",
                    date.strftime("%b")
                );
            }
            continue;
        }
        let _ = write!(svg, "<line class=\"tick\" x1=\"{x:.2}%\" x2=\"{x:.2}%\" y1=\"19\" y2=\"22\"/>");
        let middle = span.percent(*at + Span::hours(12));
        if nth % every == 0 && middle < 99.0 {
            let class = if nth % (every * 2) == 0 { "" } else { " class=\"w\"" };
            let label = if date.day() == 1 || nth == 0 {
                date.strftime("%-d %b").to_string()
            } else {
                date.day().to_string()
            };
            let (at, anchor) = if middle < 4.0 { (x.max(0.0), "start") } else { (middle, "middle") };
            let _ =
                write!(svg, "<text{class} x=\"{at:.2}%\" y=\"15\" text-anchor=\"{anchor}\">{label}</text>");
        }
    }
    svg + "</svg>"
}
