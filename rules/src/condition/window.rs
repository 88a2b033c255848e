//! A window's memory. The past is kept in equal parts that lie on a fixed grid, each with its
//! mean, its lowest and highest value and its spells, so that a fortnight takes no more room
//! than an hour and a sensor that talks too much takes none at all. The window is made of its
//! whole parts and the one that has begun: it reaches back by up to one part more than it says.
//!
//! What a step function says is exact over that stretch: a value counts from the moment it was
//! seen until the next one, or until it went stale.

mod checking;
mod statistics;

pub(super) use checking::CheckedWindow;

use super::{Aggregate, Bounds, Operand, Window};
use crate::time::{Moment, Span};
use statistics::{median, slope};
use std::collections::VecDeque;

/// Up to this share of a window may be missing. Then the rest stands for the whole; beyond it
/// only that counts which is certain whatever the missing stretches held.
pub const MISSING: f64 = 0.25;

/// A window may end at most so many of its own lengths ago: its memory stays bounded.
pub const LONGEST_LAG: i64 = 9;

/// A day in parts of six minutes, an hour in parts of a quarter minute.
const PARTS: i64 = 240;
/// A shorter window has fewer parts, of this length, but never fewer than a dozen.
const SHORTEST: i64 = 15_000;
const FEWEST: i64 = 12;
/// Without readings a window is looked at again after this at the earliest, or a twelfth of it.
const LOOK: i64 = 60_000;

/// The length of a part.
fn grain(over: Span) -> i64 {
    (over.0 / PARTS).max(SHORTEST.min(over.0 / FEWEST)).max(1)
}

/// How many whole parts the window has, and how many lie between its end and now.
fn parts(over: Span, lag: Span) -> (usize, usize) {
    let count = |span: Span| ((span.0 + grain(over) - 1) / grain(over)).max(0) as usize;
    (count(over), count(lag))
}

/// Whether what is made of a window can move with it, part by part. The others are made anew.
fn slides(what: Aggregate) -> bool {
    match what {
        Aggregate::Mean | Aggregate::Total | Aggregate::Duty | Aggregate::Changes | Aggregate::Spells => true,
        Aggregate::Median
        | Aggregate::Lowest
        | Aggregate::Highest
        | Aggregate::Swing
        | Aggregate::Slope
        | Aggregate::Longest => false,
    }
}

/// How many bytes a window takes.
pub(super) fn bytes(over: Span, lag: Span) -> usize {
    let (whole, behind) = parts(over, lag);
    (whole + behind) * size_of::<WindowPart>() + whole * size_of::<f64>() + size_of::<Kept>()
}

/// One part. Times are milliseconds; a part is never longer than a year's 240th.
#[derive(Clone, Copy, Debug, PartialEq)]
struct WindowPart {
    length: u32,
    /// For how much of it there was a value.
    known: u32,
    /// Of value times seconds.
    integral: f64,
    low: f64,
    high: f64,
    changes: u32,
    /// Spells that began in it.
    starts: u32,
    /// Whether it opened in the middle of a spell.
    carried: bool,
    /// The spell that reaches from its beginning, the one that reaches to its end, the longest.
    lead: u32,
    trail: u32,
    longest: u32,
}

impl WindowPart {
    const EMPTY: Self = Self {
        length: 0,
        known: 0,
        integral: 0.0,
        low: f64::INFINITY,
        high: f64::NEG_INFINITY,
        changes: 0,
        starts: 0,
        carried: false,
        lead: 0,
        trail: 0,
        longest: 0,
    };

    fn add(&mut self, value: Option<f64>, length: u32) {
        if let Some(value) = value {
            self.known += length;
            self.integral += value * f64::from(length) / 1_000.0;
            self.touch(value);
        }
        if value.is_some_and(|value| value != 0.0) {
            self.trail += length;
            if self.lead == self.length {
                self.lead += length;
            }
            self.longest = self.longest.max(self.trail);
        } else if length > 0 {
            self.trail = 0;
        }
        self.length += length;
    }

    fn touch(&mut self, value: f64) {
        self.low = self.low.min(value);
        self.high = self.high.max(value);
    }

    fn mean(&self) -> Option<f64> {
        (self.known > 0).then(|| self.integral / (f64::from(self.known) / 1_000.0))
    }
}

/// What several parts come to.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Summary {
    length: u64,
    known: u64,
    integral: f64,
    low: f64,
    high: f64,
    changes: u32,
    spells: u32,
    trail: u64,
    longest: u64,
    /// The median or the slope, if that is wanted: these move at the end of a part.
    centre: Option<f64>,
}

impl Summary {
    const EMPTY: Self = Self {
        length: 0,
        known: 0,
        integral: 0.0,
        low: f64::INFINITY,
        high: f64::NEG_INFINITY,
        changes: 0,
        spells: 0,
        trail: 0,
        longest: 0,
        centre: None,
    };

    fn and(mut self, part: &WindowPart) -> Self {
        if self.length == 0 && part.carried {
            self.spells += 1;
        }
        self.length += u64::from(part.length);
        self.known += u64::from(part.known);
        self.integral += part.integral;
        self.low = self.low.min(part.low);
        self.high = self.high.max(part.high);
        self.changes += part.changes;
        self.spells += part.starts;
        let across = self.trail + u64::from(part.lead);
        self.longest = self.longest.max(across).max(u64::from(part.longest));
        self.trail = if part.lead == part.length { across } else { u64::from(part.trail) };
        self
    }
}

/// The memory of one window.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Kept {
    grain: i64,
    what: Aggregate,
    /// Whole parts, the oldest first; always as many.
    parts: VecDeque<WindowPart>,
    /// Of these, how many belong to the window; the rest lie between its end and now.
    whole: usize,
    /// What the window's whole parts come to.
    closed: Summary,
    /// How many parts have turned since all were summed up, within the window's length.
    slid: usize,
    /// The integrals of the parts that stood there then: of the newest one, of the two newest …
    /// of all that are still in the window. The last one goes with each part that leaves.
    tails: Vec<f64>,
    /// The integral of the parts that have entered since.
    fresh: f64,
    current: WindowPart,
    /// Up to when the past has been taken in.
    fed: Moment,
    value: Option<f64>,
    last_known: Option<f64>,
}

impl Kept {
    /// Before `now` everything is unknown.
    pub(super) fn new(window: &Window, now: Moment) -> Self {
        let grain = grain(window.over);
        let (whole, behind) = parts(window.over, window.lag);
        let unseen = WindowPart { length: grain.min(i64::from(u32::MAX)) as u32, ..WindowPart::EMPTY };
        let mut kept = Self {
            grain,
            what: window.what,
            parts: vec![unseen; whole + behind].into(),
            whole,
            closed: Summary::EMPTY,
            slid: 0,
            tails: Vec::new(),
            fresh: 0.0,
            current: WindowPart { length: now.0.rem_euclid(grain) as u32, ..WindowPart::EMPTY },
            fed: now,
            value: None,
            last_known: None,
        };
        kept.sum_up();
        kept
    }

    /// The value was as before up to `now`, and is this from then on.
    pub(super) fn feed(&mut self, value: Option<f64>, now: Moment) {
        self.pass(now);
        if value == self.value {
            return;
        }
        if let Some(value) = value {
            self.current.touch(value);
            if self.last_known.is_some_and(|last| last != value) {
                self.current.changes += 1;
            }
            if value != 0.0 && self.last_known.is_none_or(|last| last == 0.0) {
                self.current.starts += 1;
            }
            self.last_known = Some(value);
        }
        self.value = value;
    }

    fn pass(&mut self, now: Moment) {
        // A gap longer than all that is kept leaves nothing but the value before it.
        let kept = self.grain.saturating_mul(self.parts.len() as i64 + 2);
        if now.0.saturating_sub(self.fed.0) > kept {
            let edge = (now.0 - kept).div_euclid(self.grain) * self.grain;
            self.fed = self.fed.max(Moment(edge));
            self.current = WindowPart { carried: self.is_true(), ..WindowPart::EMPTY };
        }
        while self.fed < now {
            let edge = self.edge_after(self.fed);
            let until = edge.min(now);
            self.current.add(self.value, (until - self.fed).0 as u32);
            self.fed = until;
            if until == edge {
                self.turn();
            }
        }
    }

    /// The current part is whole.
    fn turn(&mut self) {
        let next = WindowPart { carried: self.is_true(), ..WindowPart::EMPTY };
        let left = self.parts.pop_front();
        self.parts.push_back(std::mem::replace(&mut self.current, next));
        self.slid = (self.slid + 1) % self.whole.max(1);
        match left {
            Some(left) if self.slid != 0 && slides(self.what) => self.slide(&left),
            Some(_) | None => self.sum_up(),
        }
    }

    /// The sums without the part that left the window and with the one that entered it: an hour
    /// turns four times a minute, and a year is to be played in seconds. Counts are taken away;
    /// an integral is not, since what is left of a difference may be no more than its roundings.
    fn slide(&mut self, left: &WindowPart) {
        let (first, entered) = (self.parts.front(), self.parts.get(self.whole.saturating_sub(1)));
        let (Some(first), Some(entered)) = (first, entered) else { return };
        self.tails.pop();
        self.fresh += entered.integral;
        let sums = &mut self.closed;
        sums.integral = self.tails.last().map_or(0.0, |tail| *tail) + self.fresh;
        sums.length = sums.length + u64::from(entered.length) - u64::from(left.length);
        sums.known = sums.known + u64::from(entered.known) - u64::from(left.known);
        sums.changes = sums.changes + entered.changes - left.changes;
        sums.spells += entered.starts + u32::from(first.carried);
        sums.spells -= left.starts + u32::from(left.carried);
    }

    fn is_true(&self) -> bool {
        self.value.is_some_and(|value| value != 0.0)
    }

    /// When the window is looked at again although no reading comes: at the end of a part, but
    /// not so soon that a window on sensors that report anyway is asked more often than they.
    pub(super) fn next_look(&self) -> Moment {
        let pause = LOOK.min(self.grain.saturating_mul(self.whole as i64) / FEWEST);
        self.edge_after(self.fed + Span(pause - 1))
    }

    fn edge_after(&self, moment: Moment) -> Moment {
        Moment((moment.0.div_euclid(self.grain) + 1).saturating_mul(self.grain))
    }

    fn sum_up(&mut self) {
        let parts = self.parts.iter().take(self.whole);
        self.closed = parts.clone().fold(Summary::EMPTY, Summary::and);
        self.closed.centre = match self.what {
            Aggregate::Median => median(parts),
            Aggregate::Slope => slope(parts, self.grain as f64 / 1_000.0),
            _ => None,
        };
        if slides(self.what) {
            (self.slid, self.fresh) = (0, 0.0);
            self.tails.clear();
            self.tails.reserve_exact(self.whole);
            let sums = self.parts.iter().take(self.whole).rev().scan(0.0, |sum, part| {
                *sum += part.integral;
                Some(*sum)
            });
            self.tails.extend(sums);
        }
    }

    /// How much of the window was seen.
    pub(super) fn seen(&self) -> f64 {
        let all = self.summary();
        if all.length == 0 { 0.0 } else { all.known as f64 / all.length as f64 }
    }

    /// The lowest and the highest that was seen in it.
    pub(super) fn span(&self) -> (f64, f64) {
        let all = self.summary();
        (all.low, all.high)
    }

    fn summary(&self) -> Summary {
        if self.parts.len() > self.whole { self.closed } else { self.closed.and(&self.current) }
    }

    /// What the window comes to, base units.
    pub(super) fn bounds(&self, of: &Operand) -> Bounds {
        let all = self.summary();
        let seconds = |millis: u64| millis as f64 / 1_000.0;
        let (span, known) = (seconds(all.length), seconds(all.known));
        let missing = span - known;
        let enough = missing <= MISSING * span && all.known > 0;
        let at_least = |value: f64| match enough {
            true => Bounds::exactly(value),
            false => Bounds { low: value, high: f64::INFINITY },
        };
        let is_truth = matches!(of, Operand::Truth(_));
        match self.what {
            Aggregate::Mean if enough => Bounds::exactly(all.integral / known),
            Aggregate::Median | Aggregate::Slope if enough => Bounds::maybe(all.centre),
            Aggregate::Mean | Aggregate::Median | Aggregate::Slope => Bounds::UNKNOWN,
            Aggregate::Lowest if enough => Bounds::exactly(all.low),
            Aggregate::Lowest => Bounds { low: f64::NEG_INFINITY, high: all.low },
            Aggregate::Highest if enough => Bounds::exactly(all.high),
            Aggregate::Highest => Bounds { low: all.high, high: f64::INFINITY },
            Aggregate::Swing if all.low <= all.high => at_least(all.high - all.low),
            Aggregate::Swing => Bounds { low: 0.0, high: f64::INFINITY },
            Aggregate::Total if enough => Bounds::exactly(all.integral),
            Aggregate::Total if is_truth => Bounds { low: all.integral, high: all.integral + missing },
            Aggregate::Total => Bounds::UNKNOWN,
            Aggregate::Duty if enough => Bounds::exactly(all.integral / known),
            Aggregate::Duty => Bounds { low: all.integral / span, high: (all.integral + missing) / span },
            Aggregate::Changes => at_least(f64::from(all.changes)),
            Aggregate::Spells => at_least(f64::from(all.spells)),
            Aggregate::Longest => at_least(seconds(all.longest)),
        }
    }
}
