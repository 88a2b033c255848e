//! How long there is, as bars from now: a thick edge where the early end is, which counts, a dot
//! where it is likeliest, an outlined body for the range. The same bar shows in the report what was
//! said and what came.

use super::Stretch;
use super::axis::hours;
use jiff::tz::TimeZone;
use slackwater_rules::time::{Span, Wall};
use std::fmt::Write as _;

/// So long is the axis.
const AHEAD: f64 = 12.0;

/// One harm: hours from the moment at which it was said.
#[derive(Clone, Copy, Debug)]
pub(crate) struct FanLine {
    pub(crate) low: f64,
    pub(crate) likely: f64,
    pub(crate) high: f64,
    /// When it came, if this is over.
    pub(crate) came: Option<f64>,
}

/// The bar.
pub(crate) fn fan_line(line: &FanLine) -> String {
    let axis =
        line.came.map_or(AHEAD, |came| came.max(line.low).max(line.likely.min(AHEAD)) * 1.3).clamp(1.0, 48.0);
    let x = |hours: f64| (hours / axis * 100.0).clamp(0.0, 110.0);
    let (from, to) = (x(line.low), x(if line.high.is_finite() { line.high } else { axis * 2.0 }));
    let mut svg =
        "<svg class=\"fanl\" aria-hidden=\"true\"><line class=\"grid\" x2=\"100%\" y1=\"12\" y2=\"12\"/>"
            .to_owned();
    let _ = write!(
        svg,
        "<rect class=\"fan\" x=\"{from:.1}%\" width=\"{:.1}%\" y=\"5\" height=\"14\"/>\
         <line class=\"bar\" x1=\"{from:.1}%\" x2=\"{from:.1}%\" y1=\"2\" y2=\"22\"/>",
        (to - from).max(0.5)
    );
    let dot = line.came.or(Some(line.likely).filter(|likely| likely.is_finite() && *likely <= axis));
    if let Some(dot) = dot {
        let _ = write!(svg, "<circle class=\"dot\" cx=\"{:.1}%\" cy=\"12\" r=\"4\"/>", x(dot));
    }
    svg + "</svg>"
}

/// The hours from now on, for bars that begin now.
pub(crate) fn hours_axis(now: Wall, zone: &TimeZone) -> String {
    let span = Stretch { from: now, to: now + Span((AHEAD * 3_600_000.0) as i64) };
    let mut svg =
        "<svg class=\"axis\" aria-hidden=\"true\"><text class=\"tx\" x=\"0\" y=\"15\" font-weight=\"600\">now</text>".to_owned();
    for (at, hour) in hours(span, 2, zone) {
        let x = span.percent(at);
        let _ = write!(svg, "<line class=\"tick\" x1=\"{x:.1}%\" x2=\"{x:.1}%\" y1=\"19\" y2=\"22\"/>");
        if (11.0..=97.0).contains(&x) {
            let _ = write!(svg, "<text x=\"{x:.1}%\" y=\"15\" text-anchor=\"middle\">{hour:02}</text>");
        }
    }
    svg + "</svg>"
}
