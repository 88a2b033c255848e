//! Salinity as the trade's meters tell it: conductivity and specific gravity flow in, practical
//! salinity flows out, and back. Neither says anything without a temperature: that of the water for
//! a plain conductivity meter, the one that the meter compensates to for others, and for a
//! hydrometer the one it was made for.
//!
//! Sources: the Practical Salinity Scale 1978 (UNESCO Technical Papers in Marine Science 44, 1983;
//! from 2 to 42 and -2 to 35 degC), and densities by EOS-80 ([`SeaWater`]), sea water over pure
//! water of the same temperature.

use crate::water::SeaWater;

/// Conductivity of water of practical salinity 35 at 15 degC (IPTS-68), mS/cm.
const STANDARD_MS_CM: f64 = 42.914;
const T68_PER_T90: f64 = 1.000_24;
/// Looked for up to here: three times as salt as any tank, so that what no water weighs is seen to
/// be wrong.
const SALTIEST: f64 = 300.0;
/// What is lighter than this is no water by a worn hydrometer, but a mistake; so much salinity is
/// one more of specific gravity, about.
const LIGHTEST: f64 = 0.99;
const PER_GRAVITY: f64 = 1_310.0;

/// How much better water of salinity 35 conducts at this temperature (1968 scale) than at 15 degC.
fn warmth(t68: f64) -> f64 {
    polynomial(t68, &[0.676_609_7, 2.005_64e-2, 1.104_259e-4, -6.969_8e-7, 1.003_1e-9])
}

fn polynomial(x: f64, coefficients: &[f64]) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, coefficient| sum * x + coefficient)
}

/// Practical salinity of water that conducts so many mS/cm at this temperature, degC. Below 2 it is
/// a guess: the scale begins there.
pub fn salinity_of_conductivity(ms_cm: f64, celsius: f64) -> f64 {
    let t = celsius * T68_PER_T90;
    let ratio = (ms_cm / (STANDARD_MS_CM * warmth(t))).max(0.0).sqrt();
    let at_15 = polynomial(ratio, &[0.008, -0.169_2, 25.385_1, 14.094_1, -7.026_1, 2.708_1]);
    let apart = polynomial(ratio, &[0.000_5, -0.005_6, -0.006_6, -0.037_5, 0.063_6, -0.014_4]);
    (at_15 + (t - 15.0) / (1.0 + 0.016_2 * (t - 15.0)) * apart).max(0.0)
}

/// Conductivity, mS/cm, of water of this practical salinity at this temperature, degC.
pub fn conductivity_of_salinity(salinity: f64, celsius: f64) -> f64 {
    // Twice the conductivity of the saltiest sea is more than the saltiest tank has.
    inverted(|ms_cm| salinity_of_conductivity(ms_cm, celsius), salinity, 250.0)
}

/// Density over that of pure water, both at this temperature, degC.
pub fn gravity_of_salinity(salinity: f64, celsius: f64) -> f64 {
    let density = |salinity: f64| SeaWater::of(celsius, salinity).density();
    density(salinity.max(0.0)) / density(0.0)
}

/// Practical salinity of water of this specific gravity at this temperature, degC; 0 for what is a
/// little lighter than pure water, less for what no water weighs.
pub fn salinity_of_gravity(gravity: f64, celsius: f64) -> f64 {
    if gravity < LIGHTEST {
        return (gravity - 1.0) * PER_GRAVITY;
    }
    inverted(|salinity| gravity_of_salinity(salinity, celsius), gravity, SALTIEST)
}

/// Where a growing function comes to `wanted`, between 0 and `most`.
fn inverted(grows: impl Fn(f64) -> f64, wanted: f64, most: f64) -> f64 {
    let (mut low, mut high) = (0.0, most);
    // Twelve digits of what a meter tells in four.
    for _ in 0..48 {
        let middle = f64::midpoint(low, high);
        if grows(middle) < wanted { low = middle } else { high = middle }
    }
    f64::midpoint(low, high)
}
