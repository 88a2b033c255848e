//! Properties of sea water at one atmosphere: density, specific heat, and how much oxygen it
//! holds. Temperatures are ITS-90; the formulas are on the 1968 scale and convert first.
//!
//! Sources: density and specific heat EOS-80 (UNESCO Technical Papers in Marine Science 44,
//! 1983); oxygen Garcia & Gordon 1992 (Limnol. Oceanogr. 37:1307, the fit to Benson & Krause's
//! data, without the misprinted term); pressure Benson & Krause 1984 (Limnol. Oceanogr. 29:620)
//! with the vapour pressure of Green & Carritt 1967 (J. Mar. Res. 25:140).

use super::interval::CannotSay;

/// Standard atmosphere, hPa.
pub const STANDARD_HPA: f64 = 1_013.25;
const T68_PER_T90: f64 = 1.000_24;
/// g/mol, the value that the oxygen literature uses.
const OXYGEN_MOLAR_G: f64 = 31.998_8;

/// Sea water of a temperature and salinity for which the formulas hold.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SeaWater {
    /// degC, ITS-90.
    temperature: f64,
    /// Practical salinity.
    salinity: f64,
}

fn polynomial(x: f64, coefficients: &[f64]) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, coefficient| sum * x + coefficient)
}

impl SeaWater {
    /// Water of -2 to 40 degC and 0 to 42 psu (specific heat is fitted from 0 degC and to 40 psu;
    /// the short way beyond costs less than 0.1 %).
    pub fn new(temperature: f64, salinity: f64) -> Result<Self, CannotSay> {
        Ok(Self {
            temperature: CannotSay::unless_within("water temperature in degC", temperature, -2.0, 40.0)?,
            salinity: CannotSay::unless_within("salinity in psu", salinity, 0.0, 42.0)?,
        })
    }

    /// Water for which the density alone is asked, which goes on evenly beyond its range.
    pub(crate) fn of(temperature: f64, salinity: f64) -> Self {
        Self { temperature, salinity }
    }

    /// Density, kg/m³: EOS-80, Millero & Poisson 1981.
    pub fn density(self) -> f64 {
        let (t, s) = (self.temperature * T68_PER_T90, self.salinity);
        let pure = [999.842594, 6.793952e-2, -9.095290e-3, 1.001685e-4, -1.120083e-6, 6.536332e-9];
        let linear = [0.824493, -4.0899e-3, 7.6438e-5, -8.2467e-7, 5.3875e-9];
        let root = [-5.72466e-3, 1.0227e-4, -1.6546e-6];
        polynomial(t, &pure)
            + polynomial(t, &linear) * s
            + polynomial(t, &root) * s.powf(1.5)
            + 4.8314e-4 * s * s
    }

    /// Specific heat, J/(kg K): EOS-80, Millero, Perron & Desnoyers 1973.
    pub fn specific_heat(self) -> f64 {
        let (t, s) = (self.temperature * T68_PER_T90, self.salinity);
        let pure = [4217.4, -3.720283, 0.1412855, -2.654387e-3, 2.093236e-5];
        let linear = [-7.64357, 0.1072763, -1.38385e-3];
        let root = [0.1770383, -4.07718e-3, 5.148e-5];
        polynomial(t, &pure) + polynomial(t, &linear) * s + polynomial(t, &root) * s.powf(1.5)
    }

    /// Heat that one m³ takes up per kelvin, J/(m³ K).
    pub fn volume_heat(self) -> f64 {
        self.density() * self.specific_heat()
    }

    /// Oxygen in equilibrium with moist air at one standard atmosphere, umol/kg: Garcia & Gordon
    /// 1992. Error of the fit under 0.1 %.
    pub fn oxygen_umol_kg(self) -> f64 {
        let (t, s) = (self.temperature * T68_PER_T90, self.salinity);
        let scaled = ((298.15 - t) / (273.15 + t)).ln();
        let fresh = [5.80871, 3.20291, 4.17887, 5.10006, -9.86643e-2, 3.80369];
        let salt = [-7.01577e-3, -7.70028e-3, -1.13864e-2, -9.51519e-3];
        (polynomial(scaled, &fresh) + s * polynomial(scaled, &salt) - 2.75915e-7 * s * s).exp()
    }

    /// Oxygen in equilibrium with moist air at a station pressure (not reduced to sea level),
    /// mg/L. Below 500 hPa or above 1100 hPa there is no tank: the pressure is held there.
    pub fn oxygen_mg_l(self, pressure_hpa: f64) -> f64 {
        self.oxygen_umol_kg() * self.density() * OXYGEN_MOLAR_G * 1e-6 * self.pressure_factor(pressure_hpa)
    }

    /// Share of what the water would hold at this pressure: 1 is saturated.
    pub fn oxygen_saturation(self, mg_l: f64, pressure_hpa: f64) -> f64 {
        mg_l / self.oxygen_mg_l(pressure_hpa)
    }

    /// Solubility at a pressure over that at one standard atmosphere: Benson & Krause 1984.
    pub fn pressure_factor(self, pressure_hpa: f64) -> f64 {
        let p = pressure_hpa.clamp(500.0, 1_100.0) / STANDARD_HPA;
        let t = self.temperature;
        let theta = 0.000975 - 1.426e-5 * t + 6.436e-8 * t * t;
        let vapour = self.vapour_pressure_atm();
        p * (1.0 - vapour / p) * (1.0 - theta * p) / ((1.0 - vapour) * (1.0 - theta))
    }

    /// Green & Carritt 1967.
    fn vapour_pressure_atm(self) -> f64 {
        let t = self.temperature + 273.15;
        let exponent = 18.1973 * (1.0 - 373.16 / t)
            + 3.1813e-7 * (1.0 - (26.1205 * (1.0 - t / 373.16)).exp())
            - 1.8726e-2 * (1.0 - (8.03945 * (1.0 - 373.16 / t)).exp())
            + 5.02802 * (373.16 / t).ln();
        (1.0 - 0.000537 * self.salinity) * exponent.exp()
    }
}

/// Heights at which somebody may keep a tank, m: from the Dead Sea up, as far as the pressure
/// formula goes.
pub const ALTITUDES: std::ops::RangeInclusive<f64> = -430.0..=5_000.0;

/// Station pressure of the standard atmosphere at a height above the sea, hPa (ICAO standard
/// atmosphere, from memory). Weather moves it by 3 % either way. Held to -500 m to 5000 m.
pub fn pressure_at(altitude_m: f64) -> f64 {
    STANDARD_HPA * (1.0 - 2.25577e-5 * altitude_m.clamp(-500.0, 5_000.0)).powf(5.25588)
}
