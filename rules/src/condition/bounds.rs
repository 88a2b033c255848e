//! What is known of a number: exactly, or only that it lies between two others. A window that
//! was seen in part says that its highest value is at least what was seen; a comparison that
//! comes out the same for all that is possible is known, and any other is unknown.

use super::{Comparison, Truth};

/// A number that lies between these two, ends included; infinite where nothing is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bounds {
    /// No less than this.
    pub low: f64,
    /// No more than this.
    pub high: f64,
}

impl Bounds {
    /// Nothing is known.
    pub const UNKNOWN: Self = Self { low: f64::NEG_INFINITY, high: f64::INFINITY };

    /// Exactly this.
    pub const fn exactly(value: f64) -> Self {
        Self { low: value, high: value }
    }

    /// Exactly this, or unknown.
    pub fn maybe(value: Option<f64>) -> Self {
        value.map_or(Self::UNKNOWN, Self::exactly)
    }

    /// The value, if it is known exactly.
    pub fn known(self) -> Option<f64> {
        (self.low == self.high && self.low.is_finite()).then_some(self.low)
    }

    pub(super) fn plus(self, other: Self) -> Self {
        Self { low: self.low + other.low, high: self.high + other.high }
    }

    pub(super) fn minus(self, other: Self) -> Self {
        Self { low: self.low - other.high, high: self.high - other.low }
    }

    /// Unknown if the divisor may be nothing.
    pub(super) fn by(self, other: Self) -> Self {
        match (self.known(), other.known()) {
            (Some(a), Some(b)) if b != 0.0 => Self::exactly(a / b),
            // Bounds of a window over a known divisor still say something.
            (None, Some(b)) if b > 0.0 => Self { low: self.low / b, high: self.high / b },
            _ => Self::UNKNOWN,
        }
    }

    pub(super) fn times(self, factor: f64) -> Self {
        let (a, b) = (self.low * factor, self.high * factor);
        // Nothing times the infinite is not a number, and says nothing.
        if a.is_nan() || b.is_nan() { Self::UNKNOWN } else { Self { low: a.min(b), high: a.max(b) } }
    }
}

impl Comparison {
    /// What the comparison says of all that is possible.
    pub(super) fn holds(self, left: Bounds, right: Bounds) -> Truth {
        let (surely, never) = match self {
            Self::Less => (left.high < right.low, left.low >= right.high),
            Self::AtMost => (left.high <= right.low, left.low > right.high),
            Self::Greater => return Self::Less.holds(right, left),
            Self::AtLeast => return Self::AtMost.holds(right, left),
        };
        match (surely, never) {
            (true, _) => Truth::True,
            (_, true) => Truth::False,
            (false, false) => Truth::Unknown,
        }
    }

    /// Whether it asks for the left side to be below the right one.
    pub(crate) fn is_below(self) -> bool {
        match self {
            Self::Less | Self::AtMost => true,
            Self::Greater | Self::AtLeast => false,
        }
    }

    /// How far the right side moves so that what is true stays true for `slack` longer, or,
    /// under a `not`, what is false stays false.
    pub(super) fn relaxed(self, slack: f64, upright: bool) -> f64 {
        match (self, upright) {
            (Self::Less | Self::AtMost, true) | (Self::Greater | Self::AtLeast, false) => slack,
            (Self::Less | Self::AtMost, false) | (Self::Greater | Self::AtLeast, true) => -slack,
        }
    }
}
