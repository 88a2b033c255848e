//! What can be asked about the hours to come: the subject, and what to suppose meanwhile. Rule
//! files ask these questions in conditions; pages and `status` ask them by themselves.

use crate::forecast::faults::Fault;
use crate::forecast::interval::{CannotSay, Estimate};
use crate::forecast::oxygen::ACUTE_MG_L;
use crate::forecast::thermal::{Heater, Side};
use crate::forecast::wording;
use crate::ids::{BatteryId, TankId};
use crate::site::Site;
use crate::units::Scale;
use crate::words;
use std::fmt;

/// Until when.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum UntilWhat {
    /// Until a tank's water is on this side of a limit, degC.
    Water(TankId, Side, f64),
    /// Until a tank's oxygen is below this, mg/L.
    Oxygen(TankId, f64),
    /// Until a battery is empty.
    Battery(BatteryId),
}

/// What to suppose. By default all stays as it is.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct WhatIf {
    /// No heater heats.
    pub no_heat: bool,
    /// The first heater never switches off.
    pub stuck: bool,
    /// The mains are out.
    pub no_power: bool,
    /// No pump moves the water.
    pub still: bool,
    /// The air pump runs, or does not; as it is if none.
    pub air: Option<bool>,
    /// The room is this warm, degC.
    pub room: Option<f64>,
}

/// A whole question.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Question {
    /// Until when.
    pub until: UntilWhat,
    /// Under what.
    pub supposing: WhatIf,
}

/// What a tank's readings may show: a fault of the model's tests, or two probes that have parted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Symptom {
    /// A difference between what happens and what should.
    Fault(Fault),
    /// Water and sump are further apart than ever: the flow between them is lost.
    Parted,
    /// No heat comes, as far as anything that there is can show it: any of four faults.
    HeatMissing,
    /// No cooling comes: either of two faults.
    CoolingMissing,
}

impl Symptom {
    /// All of them, by the words of the condition language.
    pub const ALL: [(&'static str, Self); 14] = [
        ("heat-missing", Self::HeatMissing),
        ("cooling-missing", Self::CoolingMissing),
        ("no-heat", Self::Fault(Fault::NoHeat)),
        ("heater-silent", Self::Fault(Fault::HeaterSilent)),
        ("heater-overwhelmed", Self::Fault(Fault::HeaterOverwhelmed)),
        ("heat-without-heater", Self::Fault(Fault::HeatWithoutHeater)),
        ("losing-heat", Self::Fault(Fault::LosingHeat)),
        ("probe-out-of-water", Self::Fault(Fault::ProbeOutOfWater)),
        ("probe-shifted", Self::Fault(Fault::ProbeShifted)),
        ("probe-lags", Self::Fault(Fault::ProbeLags)),
        ("colder-than-held", Self::Fault(Fault::ColderThanHeld)),
        ("cooler-silent", Self::Fault(Fault::CoolerSilent)),
        ("cooler-overwhelmed", Self::Fault(Fault::CoolerOverwhelmed)),
        ("probes-parted", Self::Parted),
    ];
}

impl fmt::Display for Symptom {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Fault(fault) => fault.fmt(f),
            Self::Parted => f.write_str("water and sump are further apart than ever: no flow between them"),
            Self::HeatMissing => f.write_str("colder than it is ever let become, or a heater is on in vain"),
            Self::CoolingMissing => {
                f.write_str("warmer than chiller or fan let it become, and that is off, or on in vain")
            }
        }
    }
}

/// Whether heaters can hold a temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Holding {
    /// Whose.
    pub tank: TankId,
    /// To be held, degC.
    pub set: f64,
    /// Which heater alone; all together if none.
    pub on: Option<Heater>,
}

impl WhatIf {
    /// `if nothing changes`, `without heat in a room of 12 degC`.
    fn words(&self) -> String {
        let said = [
            (self.no_power, "without power"),
            (self.no_heat, "without heat"),
            (self.stuck, "with the heater stuck on"),
            (self.still, "without circulation"),
            (self.air == Some(true), "with the air pump"),
            (self.air == Some(false), "without the air pump"),
        ];
        let mut words: Vec<String> =
            said.into_iter().filter(|(so, _)| *so).map(|(_, words)| words.to_owned()).collect();
        words.extend(self.room.map(|room| format!("in a room of {room:.0} degC")));
        if words.is_empty() { "if nothing changes".to_owned() } else { words.join(" ") }
    }
}

impl Question {
    /// The answer in words: `about 5 to 8 h until 22 degC if nothing changes`, or why there is
    /// none.
    pub fn words(&self, site: &dyn Site, answer: &Result<Estimate, CannotSay>) -> String {
        let what = match self.until {
            UntilWhat::Oxygen(_, mg_l) => format!("{} ({mg_l} mg/L)", self.what(site)),
            UntilWhat::Water(..) | UntilWhat::Battery(_) => self.what(site),
        };
        words::for_people_in(&wording::until(answer, &what, &self.supposing.words()))
    }

    /// What may come, as people say it: `below 22 °C`, `deadly low oxygen`, `empty`. A temperature
    /// is said on this scale, or else on its thermometer's own.
    pub(crate) fn harm(&self, site: &dyn Site, scale: Option<&Scale>) -> String {
        match self.until {
            UntilWhat::Water(_, side, limit) => {
                let side = match side {
                    Side::Below => "below",
                    Side::Above => "above",
                };
                let shown = scale.map_or_else(|| self.what(site), |scale| scale.show(limit));
                format!("{side} {}", words::for_people(&shown))
            }
            UntilWhat::Oxygen(..) => self.what(site),
            UntilWhat::Battery(_) => "empty".to_owned(),
        }
    }

    fn what(&self, site: &dyn Site) -> String {
        match self.until {
            UntilWhat::Water(tank, _, limit) => {
                let scale = site.tank(tank).gear.water.map(|id| &site.sensor(id).scale);
                scale.map_or_else(|| format!("{limit:.1} degC"), |scale| scale.show(limit))
            }
            UntilWhat::Oxygen(_, mg_l) if mg_l == ACUTE_MG_L => "deadly low oxygen".to_owned(),
            UntilWhat::Oxygen(..) => "low oxygen".to_owned(),
            UntilWhat::Battery(id) => {
                format!("battery {} is empty", site.battery(id).name.replace(['-', '_'], " "))
            }
        }
    }
}
