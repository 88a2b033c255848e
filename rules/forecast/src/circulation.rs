//! Turnover and mixing, and what fresh water and evaporation do to salinity.

use super::interval::{Basis, CannotSay, Estimate, Interval};

/// Turnover that reef keepers aim at, volumes an hour (common practice).
pub const USUAL_TURNOVER: f64 = 10.0;

/// Volumes an hour of a flow (m³/h) through a volume (m³). True of the flow that crosses the
/// boundary of that volume; a pump's label is its flow at zero head.
pub fn turnover(flow_m3_h: f64, volume: f64) -> Result<f64, CannotSay> {
    CannotSay::unless_within("volume in m3", volume, 1e-3, 1e3)?;
    Ok(flow_m3_h / volume)
}

/// Share of the old water that `turnovers` volumes of mixing have replaced: `1 - exp(-n)`.
pub fn replaced(turnovers: f64) -> f64 {
    1.0 - (-turnovers).exp()
}

/// Salinity after `fresh` m³ of fresh water ran into `volume` m³, as when a top-off sticks open and
/// empties its reservoir. High: the level rose and nothing was lost. Low: the tank was full and
/// spilled as much as came in.
pub fn after_fresh_water(salinity: f64, volume: f64, fresh: f64) -> Result<Estimate, CannotSay> {
    CannotSay::unless_within("volume in m3", volume, 1e-3, 1e3)?;
    CannotSay::unless_within("fresh water in m3", fresh, 0.0, 1e3)?;
    // Dissolved mass is kept; densities differ by 2.6 %, which moves the answer by less than that
    // share.
    let rises = salinity * volume / (volume + fresh);
    let spills = salinity * (-fresh / volume).exp();
    let rests_on = [Basis::given("volume and reservoir"), Basis::assumed("all of the reservoir, well mixed")];
    Ok(Estimate::new(Interval::new(spills, rises, rises), rests_on))
}

/// Salinity after `lost` m³ have evaporated from `volume` m³ without being topped off. The salt
/// stays.
pub fn after_evaporation(salinity: f64, volume: f64, lost: f64) -> Result<f64, CannotSay> {
    CannotSay::unless_within("volume in m3", volume, 1e-3, 1e3)?;
    CannotSay::unless_within("evaporated water in m3", lost, 0.0, volume * 0.9)?;
    Ok(salinity * volume / (volume - lost))
}
