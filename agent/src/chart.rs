//! Every picture that is drawn: the page in the house, the report and `estimate --plot` take theirs
//! from here. What was seen, what was not, limits and what may come flow in as times and numbers in
//! the unit that people read; SVG flows out that names classes only, so that it obeys a policy
//! without inline style, and takes its inks from one sheet ([`SHEET`]).
//!
//! A strip is a leaf of a tide table: all tanks on one time, the channel between the limits always
//! the same part of the height, no line across what was not seen, and time running on into a fan.
//! Whatever has text or an even width is placed in per cent of the drawing, and only paths are
//! stretched, so that letters keep their size on any screen.

mod axis;
mod days;
mod fans;
mod marks;
pub(crate) mod paper;
mod path;
mod plot;
mod strip;
mod words;

pub(crate) use axis::{axis, days_axis};
pub(crate) use days::{DayBar, days};
pub(crate) use fans::{FanLine, fan_line, hours_axis};
pub(crate) use marks::{DEFS, Mark, mark};
pub(crate) use plot::plot;
pub(crate) use strip::{KEY, mini, strip};
pub(crate) use words::describe;

use slackwater_rules::time::{Span, Wall};

/// The sheet of the two inks, for everything that is looked at.
pub(crate) const SHEET: &str = include_str!("chart/look.css");

/// A stretch of time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Stretch {
    pub(crate) from: Wall,
    pub(crate) to: Wall,
}

impl Stretch {
    /// How long it is; never less than a millisecond.
    pub(crate) fn length(self) -> Span {
        (self.to - self.from).max(Span(1))
    }

    /// Where a time lies in it, in per cent.
    fn percent(self, at: Wall) -> f64 {
        (at - self.from).0 as f64 / self.length().0 as f64 * 100.0
    }

    /// The part of another stretch that lies in this one.
    pub(crate) fn part_of(self, other: Self) -> Option<Self> {
        let part = Self { from: self.from.max(other.from), to: self.to.min(other.to) };
        (part.from < part.to).then_some(part)
    }
}

/// What a sensor said in a while: lowest, mean and highest, in the unit that people read.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct SeenPoint {
    /// The while's middle.
    pub(crate) at: Wall,
    pub(crate) low: f64,
    pub(crate) mean: f64,
    pub(crate) high: f64,
}

impl SeenPoint {
    /// One value.
    pub(crate) fn of(at: Wall, value: f64) -> Self {
        Self { at, low: value, mean: value, high: value }
    }
}

/// How what was seen is drawn.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Stroke {
    /// A line through the means.
    #[default]
    Line,
    /// From one value to the next without a slope: switches, power, words.
    Steps,
    /// From lowest to highest.
    Band,
}

/// What may come: at each time the lowest, the likeliest and the highest.
pub(crate) type FanCourse = Vec<(Wall, f64, f64, f64)>;

/// Something at a time, with a word.
#[derive(Clone, Debug)]
pub(crate) struct ChartEvent {
    pub(crate) at: Wall,
    pub(crate) words: String,
}

/// A bar at the foot of a drawing.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Foot {
    pub(crate) when: Stretch,
    /// Something is wrong; else it is work.
    pub(crate) trouble: bool,
}

/// One drawing of one quantity.
#[derive(Clone, Debug)]
pub(crate) struct Picture {
    /// Unique in its document, for the names of its parts.
    pub(crate) id: String,
    /// What is drawn, over which time.
    pub(crate) title: String,
    /// The same that is to be seen, in words.
    pub(crate) said: String,
    pub(crate) span: Stretch,
    /// The present, if it lies in the drawing.
    pub(crate) now: Option<Wall>,
    pub(crate) pen: Stroke,
    /// Pieces that have nothing missing in them.
    pub(crate) seen: Vec<Vec<SeenPoint>>,
    /// A second sensor, to compare.
    pub(crate) beside: Vec<Vec<SeenPoint>>,
    /// Lower and upper.
    pub(crate) limits: Option<(f64, f64)>,
    /// Its zero means that there is none of it: without limits the scale begins there, or a change
    /// of a hundredth would look like a fall to nothing.
    pub(crate) from_zero: bool,
    pub(crate) nights: Vec<Stretch>,
    /// What was not seen.
    pub(crate) gaps: Vec<Stretch>,
    /// The reading in force is one: else there is neither dot nor fan.
    pub(crate) seen_now: bool,
    pub(crate) fans: Vec<FanCourse>,
    /// When the fan first meets a limit, how the time is said, and the whole in words.
    pub(crate) meets: Option<(Wall, String, String)>,
    pub(crate) feet: Vec<Foot>,
    pub(crate) events: Vec<ChartEvent>,
}

impl Picture {
    /// Nothing yet but its place and its time.
    pub(crate) fn new(id: impl Into<String>, title: impl Into<String>, span: Stretch) -> Self {
        Self {
            id: id.into(),
            title: title.into(),
            said: String::new(),
            span,
            now: None,
            pen: Stroke::default(),
            seen: Vec::new(),
            beside: Vec::new(),
            limits: None,
            from_zero: false,
            nights: Vec::new(),
            gaps: Vec::new(),
            seen_now: false,
            fans: Vec::new(),
            meets: None,
            feet: Vec::new(),
            events: Vec::new(),
        }
    }

    /// The last value, if anything was seen.
    pub(crate) fn last(&self) -> Option<SeenPoint> {
        self.seen.last()?.last().copied()
    }

    /// Whether a value is on the bad side of a limit.
    fn is_outside(&self, value: f64) -> bool {
        self.limits.is_some_and(|(lower, upper)| value < lower || value > upper)
    }

    /// The runs of neighbours that are outside, each with the point before and behind it where a
    /// line is drawn.
    fn outside(&self) -> Vec<Vec<SeenPoint>> {
        let mut runs = Vec::new();
        for piece in &self.seen {
            let mut run: Vec<SeenPoint> = Vec::new();
            for point in piece {
                if self.is_outside(point.mean) {
                    run.push(*point);
                } else if !run.is_empty() {
                    runs.push(std::mem::take(&mut run));
                }
            }
            if !run.is_empty() {
                runs.push(run);
            }
        }
        runs
    }
}

/// Points in order of time, cut wherever more than `hold` lies between two of them.
pub(crate) fn pieces(points: &[SeenPoint], hold: Span) -> Vec<Vec<SeenPoint>> {
    let mut pieces: Vec<Vec<SeenPoint>> = Vec::new();
    for point in points {
        let goes_on =
            pieces.last().and_then(|piece| piece.last()).is_some_and(|last| point.at - last.at <= hold);
        match pieces.last_mut() {
            Some(piece) if goes_on => piece.push(*point),
            Some(_) | None => pieces.push(vec![*point]),
        }
    }
    pieces
}

/// What lies between the pieces, and before and behind them.
pub(crate) fn between(pieces: &[Vec<SeenPoint>], whole: Stretch, hold: Span) -> Vec<Stretch> {
    let mut gaps = Vec::new();
    let mut from = whole.from;
    for piece in pieces {
        let (Some(first), Some(last)) = (piece.first(), piece.last()) else { continue };
        if first.at - from > hold {
            gaps.push(Stretch { from, to: first.at });
        }
        from = last.at;
    }
    if whole.to - from > hold {
        gaps.push(Stretch { from, to: whole.to });
    }
    gaps
}

/// The hours of night in a stretch: from ten in the evening to seven, local time.
pub(crate) fn nights(span: Stretch, zone: &jiff::tz::TimeZone) -> Vec<Stretch> {
    use jiff::ToSpan as _;
    let mut found = Vec::new();
    let Ok(mut day) = span.from.civil(zone).date().yesterday() else { return found };
    let at = |date: jiff::civil::Date, hour: i8| {
        let at = zone.to_timestamp(date.at(hour, 0, 0, 0)).ok()?;
        Some(Wall(at.as_millisecond()))
    };
    // A year has no more; longer drawings have no nights.
    for _ in 0..400 {
        let Ok(next) = day.checked_add(1.day()) else { break };
        if let (Some(from), Some(to)) = (at(day, 22), at(next, 7)) {
            if from >= span.to {
                break;
            }
            found.extend(span.part_of(Stretch { from, to }));
        }
        day = next;
    }
    found
}

/// A number as a limit is written: at most two digits behind the point, thousands with a comma.
pub(crate) fn number(value: f64) -> String {
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    let text = if text == "-0" { "0" } else { text };
    slackwater_rules::words::for_people(text)
}

/// Text that stands in markup.
pub(crate) fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

#[cfg(test)]
mod tests;
