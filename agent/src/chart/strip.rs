//! A strip: one tank on the common time. The channel between the limits is always the same part of
//! the height, so that all tanks look alike while they are well.

use super::path::{self, HIGH};
use super::{Picture, SeenPoint, Stroke, escaped, number};
use slackwater_rules::time::Wall;
use std::fmt::Write as _;

/// Where the limits lie, in per cent from the top.
const UPPER: f64 = 22.0;
const LOWER: f64 = 78.0;
/// What is beyond stays at the edge: its number stands in the head.
const EDGE: (f64, f64) = (3.0, 97.0);
/// A fan leaves the strip.
const FAR: (f64, f64) = (-30.0, 130.0);

/// What its signs mean, below the last of them.
pub(crate) const KEY: &str = concat!(
    r#"<p class="key"><span><svg aria-hidden="true"><rect class="ch" y="2" width="28" height="10"/><line class="lim" x2="28" y1="2" y2="2"/><line class="lim" x2="28" y1="12" y2="12"/></svg>between the limits</span>"#,
    r#"<span><svg aria-hidden="true"><rect class="nt" width="28" height="14"/></svg>night</span>"#,
    r#"<span><svg aria-hidden="true"><rect class="gap" x="1" y="1" width="26" height="12"/></svg>not seen</span>"#,
    r#"<span><svg aria-hidden="true"><path class="fan" d="M0 7L28 0v14z"/></svg>what may come</span></p>"#
);

/// How values become heights.
pub(super) struct Heights {
    low: f64,
    high: f64,
}

impl Heights {
    /// The limits where they belong; without limits, what was seen lies there.
    pub(super) fn of(picture: &Picture) -> Self {
        let (low, high) = picture.limits.unwrap_or_else(|| {
            let values = picture.seen.iter().flatten();
            let found = values.fold(None, |found: Option<(f64, f64)>, point| {
                let (low, high) = found.unwrap_or((point.low, point.high));
                Some((low.min(point.low), high.max(point.high)))
            });
            let (low, high) = found.unwrap_or((0.0, 1.0));
            (if picture.from_zero { low.min(0.0) } else { low }, high)
        });
        // What never moved lies in the middle.
        if high - low > 1e-6 { Self { low, high } } else { Self { low: low - 1.0, high: high + 1.0 } }
    }

    fn raw(&self, value: f64) -> f64 {
        LOWER - (value - self.low) / (self.high - self.low) * (LOWER - UPPER)
    }

    /// In per cent from the top, held at the edge.
    fn held(&self, value: f64) -> f64 {
        self.raw(value).clamp(EDGE.0, EDGE.1)
    }
}

/// The strip.
pub(crate) fn strip(picture: &Picture) -> String {
    let heights = Heights::of(picture);
    let span = picture.span;
    let x = |at: Wall| span.percent(at);
    // A unit a minute, or so many that the widest drawing has some two thousand.
    let wide = (span.length().0 as f64 / 60_000.0).clamp(1.0, 2_000.0);
    let unit = |at: Wall| x(at) / 100.0 * wide;
    let id = &picture.id;
    let mut svg = format!(
        "<svg class=\"strip\" role=\"img\" aria-labelledby=\"{id}-t {id}-d\"><title id=\"{id}-t\">{}</title><desc id=\"{id}-d\">{}</desc>",
        escaped(&picture.title),
        escaped(&picture.said)
    );
    for night in picture.nights.iter().filter_map(|night| span.part_of(*night)) {
        let (from, to) = (x(night.from), x(night.to));
        let _ =
            write!(svg, "<rect class=\"nt\" x=\"{from:.2}%\" width=\"{:.2}%\" height=\"100%\"/>", to - from);
    }
    if picture.limits.is_some() {
        svg += "<rect class=\"ch\" y=\"22%\" width=\"100%\" height=\"56%\"/>\
                <line class=\"lim\" x2=\"100%\" y1=\"22%\" y2=\"22%\"/><line class=\"lim\" x2=\"100%\" y1=\"78%\" y2=\"78%\"/>";
    }
    for gap in picture.gaps.iter().filter_map(|gap| span.part_of(*gap)) {
        let (from, to) = (x(gap.from), x(gap.to));
        let width = (to - from).max(0.3);
        let _ = write!(
            svg,
            "<rect class=\"gap\" x=\"{from:.2}%\" y=\"12%\" width=\"{width:.2}%\" height=\"76%\"/>"
        );
    }
    let _ = write!(
        svg,
        "<svg viewBox=\"0 0 {wide:.0} {HIGH}\" preserveAspectRatio=\"none\" width=\"100%\" height=\"100%\">"
    );
    let far = |value: f64| heights.raw(value).clamp(FAR.0, FAR.1) / 100.0 * HIGH;
    for fan in picture.fans.iter().filter(|_| picture.seen_now) {
        let upper = fan.iter().map(|(at, _, _, high)| (unit(*at), far(*high)));
        let lower = fan.iter().map(|(at, low, _, _)| (unit(*at), far(*low))).collect();
        let _ = write!(svg, "<path class=\"fan\" d=\"{}\"/>", path::area(upper, lower));
        let likely = fan.iter().map(|(at, _, likely, _)| (unit(*at), far(*likely)));
        let _ = write!(svg, "<path class=\"ln ln3\" d=\"{}\"/>", path::line(likely));
    }
    let y = |value: f64| heights.held(value) / 100.0 * HIGH;
    what_was_seen(&mut svg, picture, unit, y);
    svg += "</svg>";
    feet(&mut svg, picture);
    if let Some((lower, upper)) = picture.limits {
        let _ = write!(
            svg,
            "<text class=\"halo\" x=\"2\" y=\"22%\" dy=\"-4\">{}</text><text class=\"halo\" x=\"2\" y=\"78%\" dy=\"13\">{}</text>",
            number(upper),
            number(lower)
        );
    }
    if let Some(now) = picture.now {
        let at = x(now);
        let dashed = if picture.seen_now { "" } else { " stroke-dasharray=\"3 3\"" };
        let _ = write!(
            svg,
            "<line class=\"nowl\" x1=\"{at:.2}%\" x2=\"{at:.2}%\" y1=\"0\" y2=\"100%\"{dashed}/>"
        );
        if let Some(last) = picture.last().filter(|_| picture.seen_now) {
            let red = if picture.is_outside(last.mean) { " dotr" } else { "" };
            let _ = write!(
                svg,
                "<circle class=\"dot{red}\" cx=\"{at:.2}%\" cy=\"{:.1}%\" r=\"4.5\"/>",
                heights.held(last.mean)
            );
        } else if at < 90.0 {
            let _ = write!(
                svg,
                "<text class=\"tx halo\" x=\"{at:.2}%\" dx=\"8\" y=\"50%\" dy=\"4\">not seen</text>"
            );
        }
    }
    if let Some((at, words, _)) = picture.meets.as_ref().filter(|(at, ..)| picture.seen_now && *at < span.to)
    {
        let at = x(*at);
        let _ = write!(
            svg,
            "<line class=\"bar\" x1=\"{at:.2}%\" x2=\"{at:.2}%\" y1=\"70%\" y2=\"86%\"/>\
             <text class=\"tx halo\" x=\"{at:.2}%\" dx=\"4\" y=\"78%\" dy=\"-7\">{}</text>",
            escaped(words)
        );
    }
    svg + "</svg>"
}

/// A small line beside a value: the channel, what was seen and what was not, and no letters.
pub(crate) fn mini(picture: &Picture) -> String {
    const WIDE: f64 = 480.0;
    const LOW: f64 = 100.0;
    let heights = Heights::of(picture);
    let span = picture.span;
    let unit = |at: Wall| span.percent(at) / 100.0 * WIDE;
    let y = |value: f64| heights.held(value) / 100.0 * LOW;
    let mut svg = format!(
        "<svg class=\"mini\" role=\"img\" viewBox=\"0 0 {WIDE} {LOW}\" preserveAspectRatio=\"none\" aria-label=\"{}: {}\">",
        escaped(&picture.title),
        escaped(&picture.said)
    );
    if picture.limits.is_some() {
        svg += "<path class=\"ch\" d=\"M0 22h480v56H0z\"/><path class=\"lim\" d=\"M0 22h480M0 78h480\"/>";
    }
    for gap in picture.gaps.iter().filter_map(|gap| span.part_of(*gap)) {
        let (from, to) = (unit(gap.from), unit(gap.to));
        let wide = (to - from).max(2.0);
        let _ =
            write!(svg, "<rect class=\"gap\" x=\"{from:.0}\" y=\"8\" width=\"{wide:.0}\" height=\"84\"/>");
    }
    what_was_seen(&mut svg, picture, unit, y);
    svg + "</svg>"
}

/// Bars at the foot: work in ink, what is wrong in the second ink.
pub(super) fn feet(svg: &mut String, picture: &Picture) {
    for foot in &picture.feet {
        let Some(when) = picture.span.part_of(foot.when) else { continue };
        let (from, to) = (picture.span.percent(when.from), picture.span.percent(when.to));
        let class = if foot.trouble { "evr" } else { "ev" };
        let to = to.max(from + 0.4);
        let _ =
            write!(svg, "<line class=\"{class}\" x1=\"{from:.2}%\" x2=\"{to:.2}%\" y1=\"97%\" y2=\"97%\"/>");
    }
}

/// What the sensor said, and heavier what of it lay outside its limits.
pub(super) fn what_was_seen(
    svg: &mut String,
    picture: &Picture,
    unit: impl Fn(Wall) -> f64 + Copy,
    y: impl Fn(f64) -> f64 + Copy,
) {
    for piece in &picture.seen {
        let _ = write!(
            svg,
            "<path class=\"{}\" d=\"{}\"/>",
            class(picture.pen),
            drawn(picture.pen, piece, unit, y)
        );
    }
    for run in picture.outside() {
        let _ = write!(
            svg,
            "<path class=\"ln ln2\" d=\"{}\"/>",
            path::line(run.iter().map(|p| (unit(p.at), y(p.mean))))
        );
    }
}

fn class(pen: Stroke) -> &'static str {
    match pen {
        Stroke::Line | Stroke::Steps => "ln",
        Stroke::Band => "ln band",
    }
}

/// A piece as its pen draws it.
pub(super) fn drawn(
    pen: Stroke,
    piece: &[SeenPoint],
    unit: impl Fn(Wall) -> f64,
    y: impl Fn(f64) -> f64,
) -> String {
    match pen {
        Stroke::Line => path::line(piece.iter().map(|point| (unit(point.at), y(point.mean)))),
        Stroke::Steps => path::steps(piece.iter().map(|point| (unit(point.at), y(point.mean)))),
        Stroke::Band => {
            let upper = piece.iter().map(|point| (unit(point.at), y(point.high)));
            path::area(upper, piece.iter().map(|point| (unit(point.at), y(point.low))).collect())
        }
    }
}
