//! From numbers in base units back to the few digits that a sensor said: `77.4 degF` is a long
//! fraction of degrees Celsius, and 774 with the right [`NumberScale`]. What a scale gives back differs
//! from the number by some units in the last place, which are kept beside it: nothing is lost,
//! whatever was guessed.

use slackwater_rules::units::{UNITS, Unit};
use std::sync::LazyLock;

/// A unit and a number of decimal places, or none: then a number stands for itself.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum NumberScale {
    /// `steps / 10^places`, times the factor, plus the offset.
    Steps { factor: f64, offset: f64, places: u8 },
    /// The number's own octets, in the order of numbers.
    Octets,
}

/// No sensor says more of them.
const MOST_PLACES: u8 = 9;

/// So many numbers, from the whole of a stretch, tell the scale.
const LOOKED_AT: usize = 32;

/// Larger ones are no steps any more: a number holds 53 bits.
const MOST_STEPS: f64 = 9.0e15;

/// Every simple unit's factor and offset, and those of what flows, once each.
static FACTORS: LazyLock<Vec<(f64, f64)>> = LazyLock::new(|| {
    let of = |unit: Unit| (unit.difference_to_base(1.0), unit.to_base(0.0));
    let flows = ["L", "mL", "m3", "US gal", "imp gal"].into_iter();
    let flows = flows.flat_map(|of| ["s", "min", "h", "d"].map(|per| format!("{of}/{per}")));
    let flows = flows.filter_map(|name| Unit::named(&name));
    let mut found = vec![(1.0, 0.0)];
    for one in UNITS.iter().map(|(_, unit)| *unit).chain(flows).map(of) {
        if !found.contains(&one) {
            found.push(one);
        }
    }
    found
});

impl NumberScale {
    /// The one that needs the fewest octets for these numbers, each as a step from the one before.
    pub(super) fn of(numbers: &[f64]) -> Self {
        let every = numbers.len().div_ceil(LOOKED_AT).max(1);
        let looked_at: Vec<f64> = numbers.iter().copied().step_by(every).collect();
        let mut best = (Self::Octets.cost(&looked_at, u64::MAX), Self::Octets);
        for (factor, offset) in FACTORS.iter().copied() {
            for places in 0..=MOST_PLACES {
                let scale = Self::Steps { factor, offset, places };
                let cost = scale.cost(&looked_at, best.0);
                if cost < best.0 {
                    best = (cost, scale);
                }
            }
        }
        best.1
    }

    fn cost(self, numbers: &[f64], enough: u64) -> u64 {
        let (mut before, mut cost) = (None, 0);
        for x in numbers {
            let (steps, rest) = self.split(*x);
            let step = before.map_or(0, |before| steps.wrapping_sub(before));
            before = Some(steps);
            cost += octets(step) + octets(rest);
            if cost >= enough {
                break;
            }
        }
        cost
    }

    /// A number as steps, and by how many units in the last place they miss it.
    pub(super) fn split(self, x: f64) -> (i64, i64) {
        match self {
            Self::Octets => (ordered(x), 0),
            Self::Steps { .. } => {
                let steps = self.place(x).round();
                // A number that is none, or too large: all of it is what is missed.
                let steps = if steps.abs() <= MOST_STEPS { steps as i64 } else { 0 };
                (steps, ordered(x).wrapping_sub(ordered(self.at(steps as f64))))
            }
        }
    }

    /// The number again.
    pub(super) fn join(self, steps: i64, rest: i64) -> f64 {
        match self {
            Self::Octets => from_ordered(steps),
            Self::Steps { .. } => from_ordered(ordered(self.at(steps as f64)).wrapping_add(rest)),
        }
    }

    /// Where a number lies, in steps and parts of them.
    pub(super) fn place(self, x: f64) -> f64 {
        match self {
            Self::Steps { factor, offset, places } => (x - offset) / factor * ten_to(places),
            Self::Octets => x,
        }
    }

    /// The number at a place, which may lie between steps: by the very sum by which a reading
    /// becomes one.
    pub(super) fn at(self, place: f64) -> f64 {
        match self {
            Self::Steps { factor, offset, places } => (place / ten_to(places)).mul_add(factor, offset),
            Self::Octets => place,
        }
    }
}

fn ten_to(places: u8) -> f64 {
    10_f64.powi(i32::from(places))
}

/// As a variable number of octets.
fn octets(x: i64) -> u64 {
    let bits = u64::from(64 - x.unsigned_abs().leading_zeros());
    if bits == 0 { 0 } else { bits / 7 + 1 }
}

/// Numbers as integers in the same order, neighbours as neighbours.
pub(super) fn ordered(x: f64) -> i64 {
    let bits = x.to_bits().cast_signed();
    if bits < 0 { i64::MIN.wrapping_sub(bits) } else { bits }
}

pub(super) fn from_ordered(x: i64) -> f64 {
    let bits = if x < 0 { i64::MIN.wrapping_sub(x) } else { x };
    f64::from_bits(bits.cast_unsigned())
}
