//! How long the oxygen lasts when the water stands still, with and without an air pump:
//!
//! `V dC/dt = (g_surface + g_air) (Cs - C) - R V`
//!
//! What lives in the tank uses `R`, known to a factor of six at best; so without a probe the
//! answer is wide, and is meant to be. A probe that saw pumps stop teaches `R`
//! ([`declines`](super::respiration)).

use super::cooling::Drift;
use super::interval::{Basis, CannotSay, Estimate, Interval};
use super::respiration::LearnedRespiration;
use super::water::SeaWater;

/// The thresholds that answers are given for, mg/L.
///
/// Chronic: growth is protected above; acute: survival of juveniles and adults. US EPA 2000,
/// EPA-822-R-00-012, for animals of a temperate coast (numbers from memory): a yardstick, not a
/// reef's limit. Nine coral-dwelling fishes keep up uptake to 1.0-1.7 mg/L (Nilsson et al. 2007).
pub const CHRONIC_MG_L: f64 = 4.8;
/// See [`CHRONIC_MG_L`].
pub const ACUTE_MG_L: f64 = 2.3;

/// Consumption of a moderately stocked reef tank at 26 degC, mg/(L h): ten fish of 10 g by Clarke &
/// Johnston 1999 (J. Anim. Ecol. 68:893) at one to three times rest, and rock and sand at
/// 100-800 mg/(m² h) of floor (Long et al. 2013, PLoS ONE 8:e58581; others from memory).
const MODERATE: Interval = Interval { low: 0.35, likely: 0.9, high: 2.3 };
/// The temperature that [`MODERATE`] is for, degC.
pub(super) const REFERENCE_C: f64 = 26.0;
/// Within a species 2.40, across species 1.83 (Clarke & Johnston 1999).
const Q10: Interval = Interval { low: 1.83, likely: 2.1, high: 2.4 };
/// Gas exchange of a still indoor surface, cm/h: Cole & Caraco 1998 (Limnol. Oceanogr. 43:647) at
/// no wind, halved for a slick.
const STILL_CM_H: Interval = Interval { low: 0.5, likely: 1.5, high: 2.5 };
/// What a probe may be off by, as a share of saturation: one that nobody calibrated for months.
const PROBE: f64 = 0.1;
/// Nothing reads more than this, as a share of saturation: what a lit reef makes in still water,
/// and some.
const MOST: f64 = 1.5;

/// How much lives in a tank, for the oxygen estimate.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stocking {
    /// Few small fish.
    Light,
    /// The usual.
    #[default]
    Moderate,
    /// Many or large fish, much rock.
    Heavy,
}

/// Resting oxygen use of one fish, mg/h: Clarke & Johnston 1999, 50 g curve, scaled by the
/// paper's mass exponent 0.80. One species may differ by a factor of two; fed or frightened fish
/// use up to three times.
pub fn resting_fish_mg_h(celsius: f64, grams: f64) -> f64 {
    (15.7 - 5.02 * 1_000.0 / (celsius + 273.15)).exp() * (grams / 50.0).powf(0.80) * 31.998_8
}

/// Schmidt number of oxygen in sea water, -2 to 40 degC: Wanninkhof 2014.
pub fn schmidt(celsius: f64) -> f64 {
    let t = celsius;
    1_920.4 - 135.6 * t + 5.2122 * t * t - 0.10939 * t.powi(3) + 0.00093777 * t.powi(4)
}

/// Gas transfer velocity at `celsius`, cm/h, from that at a Schmidt number of 600.
pub fn transfer_cm_h(k600: f64, celsius: f64) -> f64 {
    k600 * (schmidt(celsius) / 600.0).powf(-0.5)
}

/// An air pump and its stone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AirPump {
    /// L/min of air at the stone.
    pub air_l_min: f64,
    /// Depth of the stone, m.
    pub depth_m: f64,
    /// Share of the oxygen that passes over per metre of rise. Coarse bubbles 0.02-0.028, fine
    /// 0.044-0.087 (EPA 1989, from memory); at tank depths uncertain by two.
    pub share_per_m: Interval,
    /// What the tank's water does to it, against clean water: 0.8-0.9.
    pub alpha: f64,
}

impl AirPump {
    /// Share of the oxygen per metre of rise, of coarse bubbles: twice as wide as the source, for
    /// tank depths.
    pub const COARSE: Interval = Interval { low: 0.012, likely: 0.024, high: 0.04 };
    /// The same of fine ones.
    pub const FINE: Interval = Interval { low: 0.03, likely: 0.06, high: 0.1 };
    /// The same of a stone of which nothing is said: coarse or fine, as the source has them.
    pub const ANY_STONE: Interval = Interval { low: 0.02, likely: 0.03, high: 0.087 };
    /// Depth at which such a stone hangs, m: common practice.
    pub const USUAL_DEPTH: f64 = 0.4;
    /// What a tank's water leaves of what a stone brings in clean water, if nobody has measured it:
    /// the middle of 0.8 to 0.9 (memory).
    pub const USUAL_ALPHA: f64 = 0.85;

    /// Water brought to saturation by the bubbles, L/h, at `share_per_m`.
    pub fn conductance_l_h(&self, share_per_m: f64, celsius: f64) -> f64 {
        // Dry air at 20 degC: 24.055 L/mol, 20.946 % oxygen.
        let oxygen_mg_l = 0.20946 * 31.998_8 / 24.055 * 1_000.0;
        let standard = self.air_l_min * 60.0 * oxygen_mg_l * share_per_m * self.depth_m;
        standard / 9.092 * 1.024f64.powf(celsius - 20.0) * self.alpha
    }
}

/// One tank's budget with every figure known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Budget {
    /// Oxygen at saturation, mg/L.
    pub saturated: f64,
    /// Exchange through surface and bubbles, turnovers an hour: `g / V`.
    pub exchange: f64,
    /// Consumption, mg/(L h).
    pub consumption: f64,
}

impl Budget {
    /// Where the oxygen settles, mg/L; negative means that it runs out.
    pub fn settles(&self) -> f64 {
        self.saturated - self.consumption / self.exchange
    }

    /// The oxygen `hours` after it was `from`, mg/L, held to nothing where it has run out.
    pub fn after(&self, from: f64, hours: f64) -> f64 {
        let mg_l = if self.exchange <= 0.0 {
            from - self.consumption * hours
        } else {
            Drift { tau_h: 1.0 / self.exchange, settles: self.settles() }.after(from, hours)
        };
        mg_l.max(0.0)
    }

    /// Hours from `from` down to `threshold`, mg/L; 0 if already there, infinite if never.
    pub fn time_to(&self, from: f64, threshold: f64) -> f64 {
        if from <= threshold {
            return 0.0;
        }
        if self.exchange <= 0.0 {
            return (from - threshold) / self.consumption;
        }
        Drift { tau_h: 1.0 / self.exchange, settles: self.settles() }.time_to(from, threshold)
    }
}

/// Light in the tank before it stood still: sets where the oxygen starts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Before {
    /// Lamps on: corals and algae make oxygen; near or above saturation.
    Day,
    /// Lamps off for hours.
    Night,
}

/// One of the futures that an answer is spread over.
#[derive(Clone, Copy, Debug)]
struct Case {
    /// Where the oxygen starts, mg/L.
    from: f64,
    /// What becomes of it.
    budget: Budget,
}

/// What is known about a tank's oxygen.
#[derive(Clone, Copy, Debug)]
pub struct TankOxygen {
    /// Water, m³.
    pub volume: f64,
    /// Open surface, m².
    pub surface: f64,
    /// The water.
    pub water: SeaWater,
    /// Its temperature, degC.
    pub celsius: f64,
    /// Station pressure, hPa.
    pub pressure_hpa: f64,
    /// How much lives in it, if nothing was learned.
    pub stocking: Stocking,
    /// Consumption learned from a probe.
    pub learned: Option<LearnedRespiration>,
    /// Oxygen now by a probe, mg/L, as [`TankOxygen::believed`] takes it.
    pub measured: Option<f64>,
}

/// Consumption of a stocking class at a temperature, mg/(L h).
pub fn consumption(stocking: Stocking, celsius: f64) -> Interval {
    let share = match stocking {
        Stocking::Light => 0.5,
        Stocking::Moderate => 1.0,
        Stocking::Heavy => 2.0,
    };
    at_temperature(MODERATE * share, celsius)
}

/// Moves a consumption at 26 degC to another temperature.
fn at_temperature(at_reference: Interval, celsius: f64) -> Interval {
    at_reference * Q10.map(|q10| q10.powf((celsius - REFERENCE_C) / 10.0))
}

impl TankOxygen {
    /// Hours until oxygen falls to `threshold` mg/L from when circulation stops (or from now, if a
    /// probe says where it is), with the air pump if one runs.
    pub fn time_to(
        &self,
        threshold: f64,
        before: Before,
        air: Option<&AirPump>,
    ) -> Result<Estimate, CannotSay> {
        let cases = self.cases(before, air)?;
        let [low, likely, high] = cases.map(|case| case.budget.time_to(case.from, threshold));
        Ok(Estimate::new(Interval::new(low, likely, high), self.rests_on(air.is_some())))
    }

    /// The same with an air pump that stops after `runs` hours, as when its battery is empty.
    pub fn time_to_if_air_ends(
        &self,
        threshold: f64,
        before: Before,
        air: &AirPump,
        runs: Interval,
    ) -> Result<Estimate, CannotSay> {
        let (aired, still) = (self.cases(before, Some(air))?, self.cases(before, None)?);
        let time = |aired: Case, still: Case, runs: f64| {
            let with_air = aired.budget.time_to(aired.from, threshold);
            if with_air <= runs {
                with_air
            } else {
                runs + still.budget.time_to(aired.budget.after(aired.from, runs), threshold)
            }
        };
        let range = Interval::new(
            time(aired[0], still[0], runs.low),
            time(aired[1], still[1], runs.likely),
            time(aired[2], still[2], runs.high),
        );
        Ok(Estimate::new(range, self.rests_on(true)))
    }

    /// Oxygen `hours` after circulation stopped, mg/L.
    pub fn after(&self, before: Before, air: Option<&AirPump>, hours: f64) -> Result<Interval, CannotSay> {
        let [low, likely, high] = self.cases(before, air)?.map(|case| case.budget.after(case.from, hours));
        Ok(Interval::new(low, likely, high))
    }

    /// The pessimist's, the likely and the optimist's budget, and where each starts.
    fn cases(&self, before: Before, air: Option<&AirPump>) -> Result<[Case; 3], CannotSay> {
        CannotSay::unless_within("volume in m3", self.volume, 0.005, 20.0)?;
        CannotSay::unless_within("surface in m2", self.surface, 0.0, 40.0)?;
        let saturated = self.saturated();
        let uses = match self.learned {
            Some(learned) => at_temperature(learned.range, self.celsius),
            None => consumption(self.stocking, self.celsius),
        };
        let start = self.start(saturated, before);
        let bubbles = air.map_or(Interval::exact(0.0), |pump| {
            pump.share_per_m.map(|share| pump.conductance_l_h(share, self.celsius))
        });
        let gain = self.still_exchange() + bubbles * (1.0 / (self.volume * 1_000.0));
        let case = |from: f64, exchange: f64, consumption: f64| Case {
            from,
            budget: Budget { saturated, exchange, consumption },
        };
        Ok([
            case(start.low, gain.low, uses.high),
            case(start.likely, gain.likely, uses.likely),
            case(start.high, gain.high, uses.low),
        ])
    }

    /// What a probe says, mg/L, if water can hold it.
    pub fn believed(&self, mg_l: f64) -> Option<f64> {
        (0.0..=MOST * self.saturated()).contains(&mg_l).then_some(mg_l)
    }

    /// Where the oxygen starts: the probe, as far as it may be off, or what nights and days usually
    /// leave. What a night's probe shows above saturation is its own error.
    fn start(&self, saturated: f64, before: Before) -> Interval {
        match (self.measured, before) {
            (Some(measured), Before::Day) => Interval::plus_minus(measured, PROBE * saturated),
            (Some(measured), Before::Night) => {
                Interval::plus_minus(measured.min(saturated), PROBE * saturated)
            }
            (None, Before::Night) => Interval::new(0.80, 0.90, 0.97) * saturated,
            (None, Before::Day) => Interval::new(0.92, 1.0, 1.10) * saturated,
        }
    }

    fn rests_on(&self, air: bool) -> Vec<Basis> {
        let consumption = match self.learned {
            Some(learned) => Basis::learned(learned.words()),
            None => Basis::assumed("oxygen consumption by stocking"),
        };
        let start = match self.measured {
            Some(_) => Basis::measured("oxygen"),
            None => Basis::assumed("oxygen at the start"),
        };
        let mut all =
            vec![consumption, start, Basis::given("volume"), Basis::assumed("still surface, well mixed")];
        if air {
            all.push(Basis::assumed("what the air stone brings"));
        }
        all
    }

    /// Oxygen at saturation, mg/L.
    pub fn saturated(&self) -> f64 {
        self.water.oxygen_mg_l(self.pressure_hpa)
    }

    /// Turnovers an hour that a still surface brings.
    fn still_exchange(&self) -> Interval {
        let surface = STILL_CM_H.map(|k600| transfer_cm_h(k600, self.celsius)) * (self.surface * 10.0);
        surface * (1.0 / (self.volume * 1_000.0))
    }

    /// Consumption that a probe shows, mg/(L h) at 26 degC, from the slope of oxygen (mg/(L h),
    /// falling is negative) at `mg_l` while the water stands still in the dark: `R = g/V (Cs - C) -
    /// dC/dt`. The exchange is small then, and the slope tells nearly all: a probe that reads too
    /// high by a tenth is wrong by little.
    pub fn consumption_seen(&self, slope: Interval, mg_l: Interval) -> Interval {
        let seen = self.still_exchange() * (Interval::exact(self.saturated()) - mg_l) - slope;
        let to_reference = Q10.map(|q10| q10.powf((REFERENCE_C - self.celsius) / 10.0));
        (seen * to_reference).clamp(0.0, 20.0)
    }
}
