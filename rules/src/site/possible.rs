//! What a sensor could say at all, whatever its maker: no water is at 82 degC in a tank, nothing is
//! colder than absolute zero, no float stands at 130 %. A kind and its dimension go in, two ends
//! come out; a limit beyond them is a slip of the unit or of a digit, and a mistake.

use super::Sensor;
use crate::units::Dimension;

/// degC.
const ABSOLUTE_ZERO: f64 = -273.15;
/// degC: sea water freezes at -2, and nothing that keepers keep lives near the other end.
const WATER: (f64, f64) = (-5.0, 60.0);

impl Sensor {
    /// The lowest and the highest value that could be true, base units.
    pub fn possible(&self) -> Option<(f64, f64)> {
        if self.measure.words {
            return None;
        }
        possible(self.measure.name, self.measure.dimension, self.tank.is_some())
    }

    /// What readings may come to: what is believed, and what is possible.
    pub fn reach(&self) -> Option<(f64, f64)> {
        match (self.plausible, self.possible()) {
            (Some(believed), Some(possible)) => {
                let both = (believed.0.max(possible.0), believed.1.min(possible.1));
                // They miss each other only in a mistaken file, which is told of that.
                Some(if both.0 < both.1 { both } else { possible })
            }
            (believed, possible) => believed.or(possible),
        }
    }
}

/// The same of a kind of quantity; `in_tank`: it belongs to a tank.
pub(crate) fn possible(kind: &str, dimension: Dimension, in_tank: bool) -> Option<(f64, f64)> {
    match (kind, dimension) {
        ("temperature", _) if in_tank => Some(WATER),
        ("temperature", _) => Some((ABSOLUTE_ZERO, f64::INFINITY)),
        ("humidity" | "battery" | "level" | "light", Dimension::NUMBER) => Some((0.0, 1.0)),
        // Of what the water would hold: plants in strong light come to twice that.
        ("oxygen", Dimension::NUMBER) => Some((0.0, 3.0)),
        ("oxygen", _) => Some((0.0, 0.06)),
        // A supply carries more than it is made for, but not for long.
        ("load", Dimension::NUMBER) => Some((0.0, 3.0)),
        ("ph", _) => Some((0.0, 14.0)),
        ("salinity" | "specific-gravity", _) => Some((0.0, 100.0)),
        ("conductivity", _) => Some((0.0, 30.0)),
        ("alkalinity", _) => Some((0.0, 40.0)),
        ("orp", _) => Some((-2.0, 2.0)),
        ("concentration" | "light" | "runtime", _) => Some((0.0, f64::INFINITY)),
        _ => None,
    }
}

/// Whether a range of what is believed lies elsewhere than what is possible, or begins where
/// nothing is.
pub(crate) fn lies_elsewhere(
    (low, high): (f64, f64),
    possible: (f64, f64),
    dimension: Option<Dimension>,
) -> bool {
    let is_nothing = dimension == Some(Dimension::TEMPERATURE) && low < ABSOLUTE_ZERO;
    let is_apart = low > possible.1 || high < possible.0;
    is_nothing || is_apart || (possible.1.is_infinite() && low < possible.0)
}
