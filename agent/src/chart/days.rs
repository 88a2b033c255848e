//! Days: one bar each, from the lowest to the highest, for a week, a month or a year.

use super::plot::ticks;
use super::{ChartEvent, Stretch, days_axis, escaped, number};
use jiff::tz::TimeZone;
use slackwater_rules::time::Wall;
use std::fmt::Write as _;

/// What a day came to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct DayBar {
    /// Its middle.
    pub(crate) at: Wall,
    pub(crate) low: f64,
    pub(crate) high: f64,
}

/// So many of the worst days outside have their numbers.
const NUMBERS: usize = 6;

/// The drawing.
pub(crate) fn days(
    (id, title, said): (&str, &str, &str),
    span: Stretch,
    (bars, gaps): (&[DayBar], &[Stretch]),
    limits: Option<(f64, f64)>,
    events: &[ChartEvent],
    zone: &TimeZone,
) -> String {
    let seen = bars.iter().fold(limits, |found: Option<(f64, f64)>, bar| {
        let (low, high) = found.unwrap_or((bar.low, bar.high));
        Some((low.min(bar.low), high.max(bar.high)))
    });
    let (low, high) = seen.unwrap_or((0.0, 1.0));
    let margin = ((high - low) * 0.14).max(0.05);
    let (low, high) = (low - margin, high + margin);
    let percent = |value: f64| 100.0 - (value - low) / (high - low) * 100.0;
    let mut svg = format!(
        "<svg class=\"plot\" role=\"img\" aria-labelledby=\"{id}-t {id}-d\"><title id=\"{id}-t\">{}</title><desc id=\"{id}-d\">{}</desc>",
        escaped(title),
        escaped(said)
    );
    if let Some((lower, upper)) = limits {
        let (top, bottom) = (percent(upper), percent(lower));
        let _ = write!(
            svg,
            "<rect class=\"ch\" y=\"{top:.1}%\" width=\"100%\" height=\"{:.1}%\"/>\
             <line class=\"lim\" x2=\"100%\" y1=\"{top:.1}%\" y2=\"{top:.1}%\"/><line class=\"lim\" x2=\"100%\" y1=\"{bottom:.1}%\" y2=\"{bottom:.1}%\"/>\
             <text class=\"halo\" x=\"2\" y=\"{top:.1}%\" dy=\"-4\">{}</text><text class=\"halo\" x=\"2\" y=\"{bottom:.1}%\" dy=\"13\">{}</text>",
            bottom - top,
            number(upper),
            number(lower)
        );
    } else {
        for tick in ticks(low, high) {
            let at = percent(tick);
            let _ = write!(
                svg,
                "<line class=\"grid\" x2=\"100%\" y1=\"{at:.1}%\" y2=\"{at:.1}%\"/><text class=\"halo\" x=\"2\" y=\"{at:.1}%\" dy=\"-3\">{}</text>",
                number(tick)
            );
        }
    }
    for gap in gaps.iter().filter_map(|gap| span.part_of(*gap)) {
        let (from, to) = (span.percent(gap.from), span.percent(gap.to));
        let _ = write!(
            svg,
            "<rect class=\"gap\" x=\"{from:.2}%\" y=\"12%\" width=\"{:.2}%\" height=\"76%\"/>",
            (to - from).max(0.3)
        );
    }
    for event in events {
        let at = span.percent(event.at);
        if (0.0..=100.0).contains(&at) {
            let _ =
                write!(svg, "<line class=\"evl\" x1=\"{at:.2}%\" x2=\"{at:.2}%\" y1=\"92%\" y2=\"100%\"/>");
        }
    }
    let beyond =
        |bar: &DayBar| limits.map_or(0.0, |(lower, upper)| (lower - bar.low).max(bar.high - upper).max(0.0));
    let mut worst: Vec<&DayBar> = bars.iter().filter(|bar| beyond(bar) > 0.0).collect();
    worst.sort_by(|one, other| beyond(other).total_cmp(&beyond(one)));
    for bar in bars {
        let (x, top, bottom) = (span.percent(bar.at), percent(bar.high), percent(bar.low));
        let _ = write!(
            svg,
            "<line class=\"day\" x1=\"{x:.2}%\" x2=\"{x:.2}%\" y1=\"{top:.1}%\" y2=\"{:.1}%\"/>",
            bottom.max(top + 0.8)
        );
        for (from, to) in limits
            .iter()
            .flat_map(|(lower, upper)| [(bar.high, bar.low.max(*upper)), (bar.high.min(*lower), bar.low)])
        {
            if from > to {
                let _ = write!(
                    svg,
                    "<line class=\"dayr\" x1=\"{x:.2}%\" x2=\"{x:.2}%\" y1=\"{:.1}%\" y2=\"{:.1}%\"/>",
                    percent(from),
                    percent(to)
                );
            }
        }
    }
    for bar in worst.iter().take(NUMBERS) {
        let above = limits.is_some_and(|(_, upper)| bar.high > upper);
        let (value, dy) = if above { (bar.high, -6) } else { (bar.low, 15) };
        let x = span.percent(bar.at);
        let _ = write!(
            svg,
            "<text class=\"tr halo\" x=\"{x:.2}%\" y=\"{:.1}%\" dy=\"{dy}\" text-anchor=\"middle\">{}</text>",
            percent(value),
            number((value * 10.0).round() / 10.0)
        );
    }
    svg += "</svg>";
    svg + &days_axis(span, zone)
}
