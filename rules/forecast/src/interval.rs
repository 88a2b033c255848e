//! The one idea of an estimate: an [`Interval`] with a likely value inside, and what it rests
//! on. Intervals add, scale and multiply; monotone laws are mapped end by end. Nothing here
//! knows about tanks.

use std::{fmt, ops};

/// A range with a likely value in it: `low <= likely <= high`. Ends may be infinite; for a time
/// that means never.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Interval {
    /// The low end: for a time, the earliest.
    pub low: f64,
    /// Where the truth most likely is.
    pub likely: f64,
    /// The high end: for a time, the latest.
    pub high: f64,
}

impl Interval {
    /// The range from `low` to `high`. Ends out of order are put in order, and the likely value
    /// is held between them.
    pub fn new(low: f64, likely: f64, high: f64) -> Self {
        let (low, high) = if low <= high { (low, high) } else { (high, low) };
        Self { low, likely: likely.max(low).min(high), high }
    }

    /// One value, known exactly.
    pub const fn exact(value: f64) -> Self {
        Self { low: value, likely: value, high: value }
    }

    /// `likely` times or divided by `factor` (at least 1).
    pub fn within_factor(likely: f64, factor: f64) -> Self {
        Self::new(likely / factor, likely, likely * factor)
    }

    /// `likely` plus or minus `by`.
    pub fn plus_minus(likely: f64, by: f64) -> Self {
        Self::new(likely - by, likely, likely + by)
    }

    /// The values that several published models or runs give: their lowest, median and highest.
    /// `None` if there are none, or if one is not a number.
    pub fn spread(values: impl IntoIterator<Item = f64>) -> Option<Self> {
        let mut values: Vec<f64> = values.into_iter().collect();
        if values.iter().any(|value| value.is_nan()) {
            return None;
        }
        values.sort_by(f64::total_cmp);
        let (low, high) = (*values.first()?, *values.last()?);
        let middle = |at: usize| values.get(at).copied();
        let (left, right) = (middle((values.len() - 1) / 2)?, middle(values.len() / 2)?);
        let likely = if left == right { left } else { (left + right) / 2.0 };
        Some(Self { low, likely, high })
    }

    /// A law that never falls as its input rises, or never rises, applied to the three values.
    pub fn map(self, law: impl Fn(f64) -> f64) -> Self {
        Self::new(law(self.low), law(self.likely), law(self.high))
    }

    /// The quotient; the divisor must not hold zero, or the answer is everything.
    pub fn over(self, divisor: Self) -> Self {
        if divisor.low <= 0.0 && divisor.high >= 0.0 {
            return Self::new(f64::NEG_INFINITY, self.likely / divisor.likely, f64::INFINITY);
        }
        self * divisor.map(|value| 1.0 / value)
    }

    /// The smallest interval that holds both, with this one's likely value.
    pub fn hull(self, other: Self) -> Self {
        Self { low: self.low.min(other.low), likely: self.likely, high: self.high.max(other.high) }
    }

    /// Cut to what is possible.
    pub fn clamp(self, least: f64, most: f64) -> Self {
        Self {
            low: self.low.clamp(least, most),
            likely: self.likely.clamp(least, most),
            high: self.high.clamp(least, most),
        }
    }

    /// Whether `value` lies in it.
    pub fn holds(self, value: f64) -> bool {
        self.low <= value && value <= self.high
    }
}

impl ops::Add for Interval {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self { low: self.low + other.low, likely: self.likely + other.likely, high: self.high + other.high }
    }
}

impl ops::Sub for Interval {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self { low: self.low - other.high, likely: self.likely - other.likely, high: self.high - other.low }
    }
}

impl ops::Mul for Interval {
    type Output = Self;
    fn mul(self, other: Self) -> Self {
        let ends =
            [self.low * other.low, self.low * other.high, self.high * other.low, self.high * other.high];
        let low = ends.into_iter().fold(f64::INFINITY, f64::min);
        let high = ends.into_iter().fold(f64::NEG_INFINITY, f64::max);
        Self::new(low, self.likely * other.likely, high)
    }
}

impl ops::Mul<f64> for Interval {
    type Output = Self;
    fn mul(self, by: f64) -> Self {
        self.map(|value| value * by)
    }
}

/// Where an input of an estimate came from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Origin {
    /// Read from a sensor now.
    Measured,
    /// Learned from this tank's own past.
    Learned,
    /// Written down by the keeper.
    Given,
    /// Taken from the literature, or from common practice.
    Assumed,
}

impl fmt::Display for Origin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Measured => "measured",
            Self::Learned => "learned",
            Self::Given => "given",
            Self::Assumed => "assumed",
        })
    }
}

/// One thing an estimate rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Basis {
    /// Where it came from.
    pub origin: Origin,
    /// What it is: `room temperature`.
    pub what: &'static str,
}

impl Basis {
    /// Read from a sensor now.
    pub const fn measured(what: &'static str) -> Self {
        Self { origin: Origin::Measured, what }
    }

    /// Learned from this tank's own past.
    pub const fn learned(what: &'static str) -> Self {
        Self { origin: Origin::Learned, what }
    }

    /// Written down by the keeper.
    pub const fn given(what: &'static str) -> Self {
        Self { origin: Origin::Given, what }
    }

    /// From the literature or from common practice.
    pub const fn assumed(what: &'static str) -> Self {
        Self { origin: Origin::Assumed, what }
    }
}

/// A range and what it rests on. `low`, `likely` and `high` are those of `range`.
#[derive(Clone, Debug, PartialEq)]
pub struct Estimate {
    /// The range. What it is a range of, and its unit, say the function that made it.
    pub range: Interval,
    /// What it rests on, best known first, each named once.
    pub rests_on: Vec<Basis>,
}

impl Estimate {
    /// An estimate from a range and what it rests on.
    pub fn new(range: Interval, rests_on: impl IntoIterator<Item = Basis>) -> Self {
        let mut rests_on: Vec<Basis> = rests_on.into_iter().collect();
        rests_on.sort();
        rests_on.dedup();
        Self { range, rests_on }
    }

    /// Whether anything in it is assumed rather than measured, learned or given.
    pub fn assumes(&self) -> bool {
        self.rests_on.iter().any(|basis| basis.origin == Origin::Assumed)
    }
}

/// Why there is no estimate.
#[derive(Clone, Debug, PartialEq)]
pub enum CannotSay {
    /// A sensor or a figure that the answer needs is not there: `room temperature`.
    Missing(&'static str),
    /// Too little has been seen yet.
    TooEarly {
        /// Hours of use so far.
        seen_h: f64,
        /// Hours needed.
        needed_h: f64,
    },
    /// What was seen does not tell the thing apart from others, and why.
    NotIdentifiable(&'static str),
    /// A figure is outside the range its formula holds for.
    OutOfRange {
        /// What it is, with its unit: `salinity in psu`.
        what: &'static str,
        /// The value.
        value: f64,
        /// The lowest the formula takes.
        low: f64,
        /// The highest.
        high: f64,
    },
}

impl CannotSay {
    /// `value` if it lies between `low` and `high`.
    pub fn unless_within(what: &'static str, value: f64, low: f64, high: f64) -> Result<f64, Self> {
        if (low..=high).contains(&value) {
            Ok(value)
        } else {
            Err(Self::OutOfRange { what, value, low, high })
        }
    }
}

impl fmt::Display for CannotSay {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Missing(what) => write!(f, "cannot say: no {what}"),
            Self::TooEarly { seen_h, needed_h } => {
                write!(f, "cannot say yet: {seen_h:.0} h seen of the {needed_h:.0} h needed")
            }
            Self::NotIdentifiable(why) => write!(f, "cannot say: {why}"),
            Self::OutOfRange { what, value, low, high } => {
                write!(f, "cannot say: {what} is {value}, the formula holds from {low} to {high}")
            }
        }
    }
}

impl std::error::Error for CannotSay {}
