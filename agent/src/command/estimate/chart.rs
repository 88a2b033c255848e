//! Small charts as SVG, readable on a phone: bands, lines and levels over hours flow in, one document
//! flows out. It names no font, script or file from elsewhere.

use std::fmt::Write as _;

/// Everything is drawn on a page of this width; a phone in the hand shows it at about its size.
const WIDTH: f64 = 400.0;
const LEFT: f64 = 44.0;
const RIGHT: f64 = 12.0;
const TOP: f64 = 46.0;
const PLOT: f64 = 210.0;
const UNDER: f64 = 34.0;
const KEY: f64 = 20.0;

/// A point: hours, value.
pub(super) type Point = (f64, f64);

/// How a thing is drawn.
#[derive(Clone, Copy, Debug)]
pub(super) enum Ink {
    /// What is expected.
    Forecast,
    /// The same under another supposition.
    Other,
    /// What came.
    Seen,
    /// A limit.
    Limit,
}

impl Ink {
    fn colour(self) -> &'static str {
        match self {
            Self::Forecast => "#1f5f99",
            Self::Other => "#2c7a3f",
            Self::Seen => "#111111",
            Self::Limit => "#b3261e",
        }
    }

    fn dashes(self) -> &'static str {
        match self {
            Self::Forecast | Self::Seen => "",
            Self::Other => " stroke-dasharray=\"7 4\"",
            Self::Limit => " stroke-dasharray=\"3 3\"",
        }
    }
}

/// What is drawn, in order.
#[derive(Clone, Debug)]
pub(super) enum ChartItem {
    /// Between two edges.
    Band { name: String, low: Vec<Point>, high: Vec<Point> },
    /// A line; several pieces where something is missing between.
    Line { name: String, ink: Ink, pieces: Vec<Vec<Point>> },
    /// A level across.
    Level { name: String, value: f64 },
}

/// One chart.
#[derive(Clone, Debug)]
pub(super) struct Chart {
    pub(super) title: String,
    pub(super) unit: String,
    /// First and last hour.
    pub(super) hours: (f64, f64),
    /// Lowest and highest value.
    pub(super) values: (f64, f64),
    pub(super) items: Vec<ChartItem>,
}

/// Charts under one title, with a line of words below; `hour` words a tick.
pub(super) fn document(
    title: &str,
    charts: &[Chart],
    below: &[String],
    hour: &dyn Fn(f64) -> String,
) -> String {
    let mut body = String::new();
    let mut y = 30.0;
    for (i, chart) in charts.iter().enumerate() {
        chart.draw(&mut body, i, y, hour);
        y += chart.height();
    }
    for line in below {
        let _ = writeln!(body, "<text x=\"10\" y=\"{:.0}\" class=\"s\">{}</text>", y + 12.0, escaped(line));
        y += 16.0;
    }
    let height = y + 12.0;
    let title = escaped(title);
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height:.0}\" width=\"100%\" role=\"img\" aria-label=\"{title}\">\n\
         <title>{title}</title>\n\
         <style>text{{font:13px sans-serif;fill:#222}}.t{{font-size:15px;font-weight:bold}}.h{{font-weight:bold}}.s{{font-size:12px;fill:#444}}</style>\n\
         <rect width=\"{WIDTH}\" height=\"{height:.0}\" fill=\"#fff\"/>\n\
         <text x=\"10\" y=\"20\" class=\"t\">{title}</text>\n{body}</svg>\n"
    )
}

impl Chart {
    fn named(&self) -> impl Iterator<Item = &ChartItem> {
        self.items.iter().filter(|item| !matches!(item, ChartItem::Level { .. }))
    }

    fn height(&self) -> f64 {
        TOP + PLOT + UNDER + KEY * self.named().count() as f64
    }

    fn draw(&self, body: &mut String, index: usize, top: f64, hour: &dyn Fn(f64) -> String) {
        let (left, right, upper, lower) = (LEFT, WIDTH - RIGHT, top + TOP, top + TOP + PLOT);
        let x = |hours: f64| left + (hours - self.hours.0) / (self.hours.1 - self.hours.0) * (right - left);
        let y =
            |value: f64| lower - (value - self.values.0) / (self.values.1 - self.values.0) * (lower - upper);
        let place = |point: &Point| format!("{:.1},{:.1}", x(point.0), y(point.1));
        let path = |points: &[Point]| points.iter().map(place).collect::<Vec<_>>().join(" ");
        let _ = writeln!(
            body,
            "<text x=\"10\" y=\"{:.0}\" class=\"h\">{}</text>",
            top + 20.0,
            escaped(&self.title)
        );
        let _ = writeln!(
            body,
            "<text x=\"10\" y=\"{:.0}\" class=\"s\">{}</text>",
            top + 38.0,
            escaped(&self.unit)
        );
        for value in ticks(self.values, &[0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0], 6.0) {
            let at = y(value);
            let text = format!("{}", (value * 10.0).round() / 10.0);
            let _ = writeln!(
                body,
                "<path d=\"M{left} {at:.1}H{right}\" stroke=\"#ddd\"/><text x=\"{:.0}\" y=\"{:.1}\" text-anchor=\"end\">{text}</text>",
                left - 5.0,
                at + 4.5
            );
        }
        for at in ticks(self.hours, &[0.5, 1.0, 2.0, 3.0, 6.0, 12.0, 24.0], 8.0) {
            let _ = writeln!(
                body,
                "<path d=\"M{:.1} {upper}V{lower}\" stroke=\"#eee\"/><text x=\"{:.1}\" y=\"{:.0}\" text-anchor=\"middle\">{}</text>",
                x(at),
                x(at),
                lower + 17.0,
                escaped(&hour(at))
            );
        }
        let _ = writeln!(
            body,
            "<clipPath id=\"c{index}\"><rect x=\"{left}\" y=\"{upper}\" width=\"{}\" height=\"{PLOT}\"/></clipPath><g clip-path=\"url(#c{index})\" fill=\"none\">",
            right - left
        );
        for item in &self.items {
            let _ = match item {
                ChartItem::Band { low, high, .. } => {
                    let around: Vec<Point> = low.iter().chain(high.iter().rev()).copied().collect();
                    writeln!(
                        body,
                        "<polygon points=\"{}\" fill=\"#1f5f99\" fill-opacity=\".2\"/>",
                        path(&around)
                    )
                }
                ChartItem::Line { ink, pieces, .. } => pieces.iter().try_for_each(|points| {
                    writeln!(
                        body,
                        "<polyline points=\"{}\" stroke=\"{}\" stroke-width=\"2.2\"{}/>",
                        path(points),
                        ink.colour(),
                        ink.dashes()
                    )
                }),
                ChartItem::Level { value, .. } => writeln!(
                    body,
                    "<path d=\"M{left} {:.1}H{right}\" stroke=\"{}\" stroke-width=\"1.5\"{}/>",
                    y(*value),
                    Ink::Limit.colour(),
                    Ink::Limit.dashes()
                ),
            };
        }
        body.push_str("</g>\n");
        for item in &self.items {
            if let ChartItem::Level { name, value } = item {
                let _ = writeln!(
                    body,
                    "<text x=\"{:.0}\" y=\"{:.1}\" text-anchor=\"end\" style=\"fill:{};paint-order:stroke;stroke:#fff;stroke-width:3\">{}</text>",
                    right - 4.0,
                    y(*value) - 4.0,
                    Ink::Limit.colour(),
                    escaped(name)
                );
            }
        }
        for (i, item) in self.named().enumerate() {
            let at = lower + UNDER + KEY * i as f64;
            let (sign, name) = match item {
                ChartItem::Band { name, .. } => (
                    format!(
                        "<rect x=\"{left}\" y=\"{:.0}\" width=\"24\" height=\"12\" fill=\"#1f5f99\" fill-opacity=\".2\"/>",
                        at - 6.0
                    ),
                    name,
                ),
                ChartItem::Line { name, ink, .. } => (
                    format!(
                        "<path d=\"M{left} {at:.0}h24\" stroke=\"{}\" stroke-width=\"2.2\"{}/>",
                        ink.colour(),
                        ink.dashes()
                    ),
                    name,
                ),
                ChartItem::Level { name, .. } => (String::new(), name),
            };
            let _ = writeln!(
                body,
                "{sign}<text x=\"{:.0}\" y=\"{:.0}\">{}</text>",
                left + 32.0,
                at + 4.5,
                escaped(name)
            );
        }
    }
}

/// Multiples of the finest of `steps` that gives at most `most` of them.
fn ticks((from, to): (f64, f64), steps: &[f64], most: f64) -> Vec<f64> {
    let step = steps.iter().copied().find(|step| (to - from) / step <= most);
    let step = step.or(steps.last().copied()).unwrap_or(1.0);
    let first = (from / step).ceil() as i64;
    let last = ((to / step).floor() as i64).min(first + 200);
    (first..=last).map(|i| i as f64 * step).collect()
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}
