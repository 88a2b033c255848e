//! A picture that stands alone, for `estimate --plot`: bands, lines and levels over hours flow in,
//! one SVG document flows out, in the two inks of the page, that names no script or file from
//! elsewhere. Its colours are written out, since a picture may be opened by what knows no sheets.

use super::escaped;
use std::fmt::Write as _;

/// Everything is drawn on a page of this width; a phone in the hand shows it at about its size.
const WIDTH: f64 = 400.0;
const LEFT: f64 = 44.0;
/// Where the plot ends.
const FAR: f64 = WIDTH - 12.0;
const TOP: f64 = 46.0;
const PLOT: f64 = 210.0;
const UNDER: f64 = 34.0;
const KEY: f64 = 20.0;

/// A point: hours, value.
pub(crate) type Point = (f64, f64);

/// How a thing is drawn.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Ink {
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
            Self::Forecast | Self::Other | Self::Seen => "#1b2226",
            Self::Limit => "#757c7c",
        }
    }

    fn dashes(self) -> &'static str {
        match self {
            Self::Seen | Self::Limit => "",
            Self::Forecast => " stroke-dasharray=\"2 4\"",
            Self::Other => " stroke-dasharray=\"9 4\"",
        }
    }
}

/// What is drawn, in order.
#[derive(Clone, Debug)]
pub(crate) enum ChartItem {
    /// Between two edges.
    Band { name: String, low: Vec<Point>, high: Vec<Point> },
    /// A line; several pieces where something is missing between.
    Line { name: String, ink: Ink, pieces: Vec<Vec<Point>> },
    /// A level across.
    Level { name: String, value: f64 },
}

/// One chart.
#[derive(Clone, Debug)]
pub(crate) struct Chart {
    pub(crate) title: String,
    pub(crate) unit: String,
    /// First and last hour.
    pub(crate) hours: (f64, f64),
    /// Lowest and highest value.
    pub(crate) values: (f64, f64),
    pub(crate) items: Vec<ChartItem>,
}

/// Charts under one title, with a line of words below; `hour` words a tick.
pub(crate) fn document(
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
         <style>text{{font:13px sans-serif;fill:#1b2226}}.t{{font:600 16px Charter,Cambria,\"Noto Serif\",serif}}.h{{font-weight:600}}.s{{font-size:12px;fill:#525b5f}}</style>\n\
         <rect width=\"{WIDTH}\" height=\"{height:.0}\" fill=\"#fbfaf6\"/>\n\
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
        let frame = Frame { panel: self, upper: top + TOP, lower: top + TOP + PLOT };
        for (at, class, text) in [(20.0, "h", &self.title), (38.0, "s", &self.unit)] {
            let (at, text) = (top + at, escaped(text));
            let _ = writeln!(body, "<text x=\"10\" y=\"{at:.0}\" class=\"{class}\">{text}</text>");
        }
        frame.grid(body, hour);
        let _ = writeln!(
            body,
            "<clipPath id=\"c{index}\"><rect x=\"{LEFT}\" y=\"{}\" width=\"{}\" height=\"{PLOT}\"/></clipPath><g clip-path=\"url(#c{index})\" fill=\"none\">",
            frame.upper,
            FAR - LEFT
        );
        self.items.iter().for_each(|item| frame.item(body, item));
        body.push_str("</g>\n");
        self.items.iter().for_each(|item| frame.level_name(body, item));
        self.named().enumerate().for_each(|(nth, item)| frame.key(body, nth, item));
    }
}

/// Where a panel's hours and values lie on the page.
struct Frame<'p> {
    panel: &'p Chart,
    upper: f64,
    lower: f64,
}

impl Frame<'_> {
    fn x(&self, hours: f64) -> f64 {
        let (from, to) = self.panel.hours;
        LEFT + (hours - from) / (to - from) * (FAR - LEFT)
    }

    fn y(&self, value: f64) -> f64 {
        let (least, most) = self.panel.values;
        self.lower - (value - least) / (most - least) * (self.lower - self.upper)
    }

    fn path(&self, points: &[Point]) -> String {
        let place = |point: &Point| format!("{:.1},{:.1}", self.x(point.0), self.y(point.1));
        points.iter().map(place).collect::<Vec<_>>().join(" ")
    }

    /// Lines across and down, with their values and hours.
    fn grid(&self, body: &mut String, hour: &dyn Fn(f64) -> String) {
        let Self { panel, upper, lower } = self;
        for value in ticks(panel.values, &[0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0], 6.0) {
            let at = self.y(value);
            let text = format!("{}", (value * 10.0).round() / 10.0);
            let _ = writeln!(
                body,
                "<path d=\"M{LEFT} {at:.1}H{FAR}\" stroke=\"#d3d1c8\"/><text x=\"{:.0}\" y=\"{:.1}\" text-anchor=\"end\">{text}</text>",
                LEFT - 5.0,
                at + 4.5
            );
        }
        for hours in ticks(panel.hours, &[0.5, 1.0, 2.0, 3.0, 6.0, 12.0, 24.0], 8.0) {
            let (at, text) = (self.x(hours), escaped(&hour(hours)));
            let _ = writeln!(
                body,
                "<path d=\"M{at:.1} {upper}V{lower}\" stroke=\"#d3d1c8\" stroke-dasharray=\"1 3\"/><text x=\"{at:.1}\" y=\"{:.0}\" text-anchor=\"middle\">{text}</text>",
                lower + 17.0
            );
        }
    }

    fn item(&self, body: &mut String, item: &ChartItem) {
        let _ = match item {
            ChartItem::Band { low, high, .. } => {
                let around: Vec<Point> = low.iter().chain(high.iter().rev()).copied().collect();
                let path = self.path(&around);
                writeln!(
                    body,
                    "<polygon points=\"{path}\" fill=\"#d4d6d3\" stroke=\"#757c7c\" stroke-width=\".8\"/>"
                )
            }
            ChartItem::Line { ink, pieces, .. } => pieces.iter().try_for_each(|points| {
                let (path, colour, dashes) = (self.path(points), ink.colour(), ink.dashes());
                writeln!(
                    body,
                    "<polyline points=\"{path}\" stroke=\"{colour}\" stroke-width=\"2.2\"{dashes}/>"
                )
            }),
            ChartItem::Level { value, .. } => {
                let (at, colour, dashes) = (self.y(*value), Ink::Limit.colour(), Ink::Limit.dashes());
                writeln!(
                    body,
                    "<path d=\"M{LEFT} {at:.1}H{FAR}\" stroke=\"{colour}\" stroke-width=\"1.5\"{dashes}/>"
                )
            }
        };
    }

    /// A level has its name at the line itself.
    fn level_name(&self, body: &mut String, item: &ChartItem) {
        let ChartItem::Level { name, value } = item else { return };
        let _ = writeln!(
            body,
            "<text x=\"{:.0}\" y=\"{:.1}\" text-anchor=\"end\" style=\"fill:{};paint-order:stroke;stroke:#fbfaf6;stroke-width:3\">{}</text>",
            FAR - 4.0,
            self.y(*value) - 4.0,
            Ink::Limit.colour(),
            escaped(name)
        );
    }

    /// A line of the key: how an item is drawn, and its name.
    fn key(&self, body: &mut String, nth: usize, item: &ChartItem) {
        let at = self.lower + UNDER + KEY * nth as f64;
        let (sign, name) = match item {
            ChartItem::Band { name, .. } => {
                let top = at - 6.0;
                let sign = format!(
                    "<rect x=\"{LEFT}\" y=\"{top:.0}\" width=\"24\" height=\"12\" fill=\"#d4d6d3\" stroke=\"#757c7c\" stroke-width=\".8\"/>"
                );
                (sign, name)
            }
            ChartItem::Line { name, ink, .. } => {
                let (colour, dashes) = (ink.colour(), ink.dashes());
                let sign = format!(
                    "<path d=\"M{LEFT} {at:.0}h24\" stroke=\"{colour}\" stroke-width=\"2.2\"{dashes}/>"
                );
                (sign, name)
            }
            ChartItem::Level { name, .. } => (String::new(), name),
        };
        let _ = writeln!(
            body,
            "{sign}<text x=\"{:.0}\" y=\"{:.0}\">{}</text>",
            LEFT + 32.0,
            at + 4.5,
            escaped(name)
        );
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
