//! How long a battery carries a load: from its rating by energy or by Peukert's law, from a
//! measured state of charge, or from what a UPS says of itself.
//!
//! Peukert 1897; limits of the law in Doerffel & Sharkh 2006 (J. Power Sources 155:395): constant
//! current and temperature only. Below the rated current it promises more than the rated
//! capacity, so a runtime here is held to the rating.

use super::interval::{Basis, CannotSay, Estimate, Interval};

/// What kind of battery. Figures from makers' data sheets (secondary sources).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Chemistry {
    /// Sealed lead, glass mat.
    LeadAgm,
    /// Sealed lead, gel.
    LeadGel,
    /// Lead with free acid.
    LeadFlooded,
    /// Lithium iron phosphate.
    LithiumIron,
    /// Lithium ion, as in power banks.
    LithiumIon,
}

impl Chemistry {
    /// Peukert's exponent.
    pub fn exponent(self) -> Interval {
        match self {
            Self::LeadAgm => Interval::new(1.05, 1.1, 1.15),
            Self::LeadGel => Interval::new(1.1, 1.15, 1.25),
            Self::LeadFlooded => Interval::new(1.2, 1.3, 1.6),
            Self::LithiumIron | Self::LithiumIon => Interval::new(1.0, 1.05, 1.05),
        }
    }

    /// Share of the rated capacity that can be drawn: lead 0.5 for a long life, 0.8 in need.
    pub fn usable(self) -> Interval {
        match self {
            Self::LeadAgm | Self::LeadGel | Self::LeadFlooded => Interval::new(0.5, 0.7, 0.8),
            Self::LithiumIron | Self::LithiumIon => Interval::new(0.8, 0.9, 0.95),
        }
    }

    /// The time, h, that makers rate capacities for where they don't say: lead by long custom,
    /// lithium at a fifth of its capacity an hour.
    pub fn usual_rated_h(self) -> f64 {
        match self {
            Self::LeadAgm | Self::LeadGel | Self::LeadFlooded => 20.0,
            Self::LithiumIron | Self::LithiumIon => 5.0,
        }
    }
}

/// What an inverter passes on, of what it takes beyond its idle draw: makers' data sheets
/// (secondary sources).
pub const INVERTER: Interval = Interval { low: 0.8, likely: 0.85, high: 0.9 };

/// A battery and what stands between it and the load.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BatteryModel {
    /// V.
    pub volts: f64,
    /// Capacity at the rated time, Ah.
    pub rated_ah: f64,
    /// The time the rating is for, h: 20 for lead, as a rule.
    pub rated_h: f64,
    /// What kind.
    pub chemistry: Chemistry,
    /// Share of the battery's power that reaches the load: 1 if nothing converts it.
    pub converter: Interval,
    /// What the converter draws by itself, W. An inverter's can exceed an air pump's.
    pub idle_w: f64,
}

/// Capacity left of new: replaced at 0.8 by IEEE 450/1188 practice (from memory).
const HEALTH: Interval = Interval { low: 0.7, likely: 0.8, high: 1.0 };

/// Hours by energy: `volts * ah * usable * efficiency / load`.
pub fn energy_hours(volts: f64, ah: f64, usable: f64, efficiency: f64, load_w: f64) -> f64 {
    volts * ah * usable * efficiency / load_w
}

/// Hours by Peukert's law for a rating of `ah` in `rated_h` hours, as the law stands.
pub fn peukert_hours(ah: f64, rated_h: f64, exponent: f64, amps: f64) -> f64 {
    rated_h * (ah / (amps * rated_h)).powf(exponent)
}

impl BatteryModel {
    /// Hours that a charge (share of full, 0 to 1) carries `load_w`. `measured` says whether the
    /// charge was read from a sensor; otherwise it is assumed.
    pub fn runtime(&self, load_w: f64, charge: f64, measured: bool) -> Result<Estimate, CannotSay> {
        CannotSay::unless_within("battery voltage in V", self.volts, 1.0, 1_000.0)?;
        CannotSay::unless_within("battery capacity in Ah", self.rated_ah, 0.1, 10_000.0)?;
        CannotSay::unless_within("rated time in h", self.rated_h, 0.1, 200.0)?;
        CannotSay::unless_within("share a converter passes", self.converter.low, 0.05, 1.0)?;
        CannotSay::unless_within("load in W", load_w, 0.01, 100_000.0)?;
        CannotSay::unless_within("charge as a share of full", charge, 0.0, 1.0)?;
        let (exponent, usable) = (self.chemistry.exponent(), self.chemistry.usable());
        let hours = |converter: f64, exponent: f64, usable: f64, health: f64| {
            let amps = (load_w / converter + self.idle_w) / self.volts;
            // Never more than the rating: the law has not been measured below the rated current.
            let full = peukert_hours(self.rated_ah, self.rated_h, exponent, amps).min(self.rated_ah / amps);
            full * usable * health * charge
        };
        let range = Interval::new(
            hours(self.converter.low, exponent.high, usable.low, HEALTH.low),
            hours(self.converter.likely, exponent.likely, usable.likely, HEALTH.likely),
            hours(self.converter.high, exponent.low, usable.high, HEALTH.high),
        );
        let charge =
            if measured { Basis::measured("battery charge") } else { Basis::assumed("full battery") };
        let rests_on =
            [Basis::given("battery rating"), Basis::assumed("battery's age and usable share"), charge];
        Ok(Estimate::new(range, rests_on))
    }
}

/// From a supervised test to empty at the same load that lasted `test_h`, of which `used_h` are
/// gone: less a fifth for age and cold.
pub fn from_test(test_h: f64, used_h: f64) -> Estimate {
    let left = |share: f64| (test_h * share - used_h).max(0.0);
    let rests_on =
        [Basis::learned("runtime of the battery test"), Basis::assumed("a fifth for age and cold")];
    Estimate::new(Interval::new(left(0.8), left(0.9), left(1.0)), rests_on)
}

/// From a UPS's own figure, `runtime_h`. Such figures are a gauge's, and fall off at the end of
/// an old battery: half of it is the early end.
pub fn from_ups(runtime_h: f64) -> Estimate {
    let range = Interval::new(runtime_h * 0.5, runtime_h * 0.9, runtime_h * 1.1);
    Estimate::new(range, [Basis::measured("the UPS's own runtime")])
}
