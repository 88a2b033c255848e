//! A plot: one sensor at large, with values at its side, hours below, and what happened marked
//! above.

use super::axis::hours;
use super::path::{self, HIGH};
use super::strip::{drawn, feet, what_was_seen};
use super::{Picture, Stroke, escaped, number};
use jiff::tz::TimeZone;
use slackwater_rules::time::{Span, Wall};
use std::fmt::Write as _;

/// So many events have their words; the others are only lines.
const WORDS: usize = 8;

/// The plot. `hourly` is how many hours lie between two labels.
pub(crate) fn plot(picture: &Picture, zone: &TimeZone) -> String {
    let (low, high) = bounds(picture);
    let span = picture.span;
    let x = |at: Wall| span.percent(at);
    let wide = (span.length().0 as f64 / 60_000.0).clamp(1.0, 2_000.0);
    let unit = |at: Wall| x(at) / 100.0 * wide;
    let percent = |value: f64| 100.0 - (value - low) / (high - low) * 100.0;
    let y = |value: f64| percent(value).clamp(0.0, 100.0) / 100.0 * HIGH;
    let id = &picture.id;
    let mut svg = format!(
        "<svg class=\"plot\" role=\"img\" aria-labelledby=\"{id}-t {id}-d\"><title id=\"{id}-t\">{}</title><desc id=\"{id}-d\">{}</desc>",
        escaped(&picture.title),
        escaped(&picture.said)
    );
    for night in picture.nights.iter().filter_map(|night| span.part_of(*night)) {
        let (from, to) = (x(night.from), x(night.to));
        let _ =
            write!(svg, "<rect class=\"nt\" x=\"{from:.2}%\" width=\"{:.2}%\" height=\"100%\"/>", to - from);
    }
    if let Some((lower, upper)) = picture.limits {
        let (top, bottom) = (percent(upper).clamp(0.0, 100.0), percent(lower).clamp(0.0, 100.0));
        let _ = write!(
            svg,
            "<rect class=\"ch\" y=\"{top:.1}%\" width=\"100%\" height=\"{:.1}%\"/>",
            bottom - top
        );
    }
    for tick in ticks(low, high) {
        let at = percent(tick);
        let near = picture.limits.is_some_and(|(lower, upper)| {
            (percent(lower) - at).abs() < 12.0 || (percent(upper) - at).abs() < 12.0
        });
        if !near && (6.0..=94.0).contains(&at) {
            let _ = write!(
                svg,
                "<line class=\"grid\" x2=\"100%\" y1=\"{at:.1}%\" y2=\"{at:.1}%\"/><text class=\"halo\" x=\"2\" y=\"{at:.1}%\" dy=\"-3\">{}</text>",
                number(tick)
            );
        }
    }
    for (limit, dy) in picture.limits.iter().flat_map(|(lower, upper)| [(*upper, -4), (*lower, 13)]) {
        let at = percent(limit);
        if (0.0..=100.0).contains(&at) {
            let _ = write!(
                svg,
                "<line class=\"lim\" x2=\"100%\" y1=\"{at:.1}%\" y2=\"{at:.1}%\"/><text class=\"halo\" x=\"2\" y=\"{at:.1}%\" dy=\"{dy}\">{}</text>",
                number(limit)
            );
        }
    }
    for gap in picture.gaps.iter().filter_map(|gap| span.part_of(*gap)) {
        let width = (x(gap.to) - x(gap.from)).max(0.3);
        let _ = write!(
            svg,
            "<rect class=\"gap\" x=\"{:.2}%\" y=\"6%\" width=\"{width:.2}%\" height=\"88%\"/>",
            x(gap.from)
        );
    }
    let _ = write!(
        svg,
        "<svg viewBox=\"0 0 {wide:.0} {HIGH}\" preserveAspectRatio=\"none\" width=\"100%\" height=\"100%\">"
    );
    for fan in picture.fans.iter().filter(|_| picture.seen_now) {
        let upper = fan.iter().map(|(at, _, _, high)| (unit(*at), y(*high)));
        let lower = fan.iter().map(|(at, low, _, _)| (unit(*at), y(*low))).collect();
        let _ = write!(svg, "<path class=\"fan\" d=\"{}\"/>", path::area(upper, lower));
    }
    for piece in &picture.beside {
        let _ = write!(svg, "<path class=\"ln ln3\" d=\"{}\"/>", drawn(Stroke::Line, piece, unit, y));
    }
    what_was_seen(&mut svg, picture, unit, y);
    svg += "</svg>";
    feet(&mut svg, picture);
    events(&mut svg, picture);
    if let Some(now) = picture.now.filter(|now| *now < span.to) {
        let at = x(now);
        let _ = write!(svg, "<line class=\"nowl\" x1=\"{at:.2}%\" x2=\"{at:.2}%\" y1=\"0\" y2=\"100%\"/>");
    }
    svg += "</svg>";
    svg + &below(picture, zone)
}

/// Lines down, each with its word beside it, none on top of another.
fn events(svg: &mut String, picture: &Picture) {
    let mut lines = [f64::NEG_INFINITY; 3];
    for (nth, event) in picture.events.iter().enumerate() {
        let at = picture.span.percent(event.at);
        if !(0.0..=100.0).contains(&at) {
            continue;
        }
        let _ = write!(svg, "<line class=\"evl\" x1=\"{at:.2}%\" x2=\"{at:.2}%\" y1=\"0\" y2=\"100%\"/>");
        // Some 1.1 % of the width a letter, on a desk.
        let wide = event.words.chars().count() as f64 * 1.1;
        let (from, anchor, dx) = if at > 60.0 { (at - wide, "end", -4) } else { (at, "start", 4) };
        let free = lines.iter().position(|end| *end < from);
        if let Some(row) = free.filter(|_| nth < WORDS) {
            if let Some(end) = lines.get_mut(row) {
                *end = from + wide;
            }
            let _ = write!(
                svg,
                "<text class=\"tx halo w\" x=\"{at:.2}%\" dx=\"{dx}\" y=\"{}\" text-anchor=\"{anchor}\">{}</text>",
                14 + row * 15,
                escaped(&event.words)
            );
        }
    }
}

/// The hours below; days where there are many.
fn below(picture: &Picture, zone: &TimeZone) -> String {
    let span = picture.span;
    let every: i8 = match span.length().0 / Span::hours(1).0 {
        ..=9 => 1,
        10..=14 => 2,
        15..=40 => 3,
        41..=80 => 6,
        _ => 24,
    };
    let mut svg = "<svg class=\"axis\" aria-hidden=\"true\">".to_owned();
    for (nth, (at, hour)) in hours(span, every, zone).into_iter().enumerate() {
        let x = span.percent(at);
        let text =
            if every == 24 { at.civil(zone).strftime("%-d").to_string() } else { format!("{hour:02}") };
        let class = if nth % 2 == 0 { "" } else { " class=\"w\"" };
        if (1.5..=98.5).contains(&x) {
            let _ = write!(svg, "<text{class} x=\"{x:.2}%\" y=\"17\" text-anchor=\"middle\">{text}</text>");
        }
        let _ = write!(svg, "<line class=\"tick\" x1=\"{x:.2}%\" x2=\"{x:.2}%\" y1=\"0\" y2=\"3\"/>");
    }
    svg + "</svg>"
}

/// What has to be seen: what was, and the limits if they are near.
fn bounds(picture: &Picture) -> (f64, f64) {
    let points = picture.seen.iter().chain(&picture.beside).flatten();
    let seen = points.fold(None, |found: Option<(f64, f64)>, point| {
        let (low, high) = found.unwrap_or((point.low, point.high));
        Some((low.min(point.low), high.max(point.high)))
    });
    let (mut low, mut high) = seen.or(picture.limits).unwrap_or((0.0, 1.0));
    if let Some((lower, upper)) = picture.limits {
        (low, high) = (low.min(lower), high.max(upper));
    }
    let margin = ((high - low) * 0.12).max(0.05);
    (low - margin, high + margin)
}

/// Round values within bounds: at most six.
pub(super) fn ticks(low: f64, high: f64) -> Vec<f64> {
    let raw = ((high - low) / 5.0).max(1e-9);
    let power = 10f64.powf(raw.log10().floor());
    let step =
        [1.0, 2.0, 5.0, 10.0].into_iter().map(|nice| nice * power).find(|step| *step >= raw).unwrap_or(raw);
    let first = (low / step).ceil() as i64;
    (first..first + 12).map(|i| i as f64 * step).take_while(|value| *value <= high).collect()
}
