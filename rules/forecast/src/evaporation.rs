//! Heat that an open water surface loses by evaporation in still air. Published models differ
//! by a factor of two, so the answer is their spread. A fan or a skimmer adds to all of them.
//!
//! Vapour pressure over water: Hyland & Wexler 1983 as printed in the ASHRAE Handbook
//! Fundamentals 2017, chapter 1; sea water lowers it by 0.0537 % per psu.

use super::interval::Interval;

const STANDARD_PA: f64 = 101_325.0;
/// Dry air, J/(kg K).
const GAS_DRY_AIR: f64 = 287.042;

/// Water under air: what evaporation depends on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Surface {
    /// degC.
    pub water: f64,
    /// psu.
    pub salinity: f64,
    /// degC.
    pub air: f64,
    /// Relative humidity of the air, 0 to 1.
    pub humidity: f64,
}

/// A published law for a quiet surface. Coefficients as in the source; units in the formulas.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum EvaporationModel {
    /// ASHRAE Handbook HVAC Applications, natatoriums, activity factor 0.5 (from memory).
    AshraeCalm,
    /// Ryan & Harleman 1973, free convection, pressures in mbar.
    RyanHarleman,
    /// Shah 2014, ASHRAE Trans., natural convection, C = 35.
    Shah,
    /// Smith, Löf & Jones 1998, ASHRAE Trans. 104(1A): 74 % of the older law, measured.
    Smith,
    /// As the first, activity factor 1.
    AshraeFull,
}

impl EvaporationModel {
    /// All of them.
    pub const ALL: [Self; 5] =
        [Self::AshraeCalm, Self::RyanHarleman, Self::Shah, Self::Smith, Self::AshraeFull];
}

/// Saturation vapour pressure over pure water, Pa, 0 to 200 degC.
pub fn saturation_pressure(celsius: f64) -> f64 {
    let t = celsius + 273.15;
    (-5.8002206e3 / t + 1.3914993 - 4.8640239e-2 * t + 4.1764768e-5 * t * t - 1.4452093e-8 * t.powi(3)
        + 6.5459673 * t.ln())
    .exp()
}

/// Heat of vaporisation of water, J/kg: a line through the steam tables, within 0.05 % from 0 to 40
/// degC.
pub fn latent_heat(celsius: f64) -> f64 {
    2.5009e6 - 2_366.0 * celsius
}

/// Share of an open surface's evaporation that passes a lid of glass or acrylic with its gaps. From
/// memory: covers of pools keep back nine tenths, tanks have slots for cables and feeding.
pub const PASSES_LID: Interval = Interval { low: 0.05, likely: 0.2, high: 0.5 };

impl Surface {
    /// Vapour pressures at the water and in the air, Pa.
    fn pressures(self) -> (f64, f64) {
        let water = saturation_pressure(self.water) * (1.0 - 0.000537 * self.salinity);
        (water, self.humidity * saturation_pressure(self.air))
    }

    /// Heat lost, W/m², by one model. Negative where moisture settles on the water.
    pub fn watts_per_m2(self, model: EvaporationModel) -> f64 {
        let (water, air) = self.pressures();
        let virtual_temperature =
            |celsius: f64, vapour: f64| (celsius + 273.15) / (1.0 - 0.378 * vapour / STANDARD_PA);
        match model {
            EvaporationModel::AshraeCalm => 0.5 * 0.089 * (water - air),
            EvaporationModel::AshraeFull => 0.089 * (water - air),
            EvaporationModel::Smith => 0.74 * 0.088_497_3 * (water - air),
            EvaporationModel::RyanHarleman => {
                let lift = virtual_temperature(self.water, water) - virtual_temperature(self.air, air);
                2.7 * lift.max(0.0).cbrt() * (water - air) / 100.0
            }
            EvaporationModel::Shah => {
                let ratio = |vapour: f64| 0.621_98 * vapour / (STANDARD_PA - vapour);
                // Density per kg of dry air, as in the source.
                let density = |celsius: f64, vapour: f64| {
                    STANDARD_PA / (GAS_DRY_AIR * (celsius + 273.15) * (1.0 + 1.607_858 * ratio(vapour)))
                };
                let (at_water, in_air) = (density(self.water, water), density(self.air, air));
                let kg_per_m2_h =
                    35.0 * at_water * (in_air - at_water).max(0.0).cbrt() * (ratio(water) - ratio(air));
                kg_per_m2_h * latent_heat(self.water) / 3_600.0
            }
        }
    }

    /// Heat lost, W/m²: lowest, median and highest of the published models.
    pub fn range(self) -> Interval {
        Interval::spread(EvaporationModel::ALL.map(|model| self.watts_per_m2(model)))
            .unwrap_or(Interval::exact(0.0))
    }

    /// Water lost, mm a day, for a heat loss in W/m².
    pub fn mm_per_day(self, watts_per_m2: f64) -> f64 {
        watts_per_m2 / latent_heat(self.water) * 86_400.0
    }
}
