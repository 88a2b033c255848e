//! The faults that can be found, and what they are called.

use std::fmt;

/// What is found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fault {
    /// A heater is on and the water does not warm as it used to.
    NoHeat,
    /// The water is colder than the heater lets it become, and it is not on.
    HeaterSilent,
    /// A heater is on, and the water stays colder than it lets it become.
    HeaterOverwhelmed,
    /// The water warms, and no heater is on.
    HeatWithoutHeater,
    /// The water loses heat faster than it used to in such a room.
    LosingHeat,
    /// The probe suddenly follows the room.
    ProbeOutOfWater,
    /// What holds the water does so at other readings than before: somebody turned the thermostat,
    /// or the probe has moved. Told once.
    ProbeShifted,
    /// The heater's heat reaches the probe later than it long did: the probe no longer hangs in
    /// moving water.
    ProbeLags,
    /// The water is colder than what holds it unseen lets it become.
    ColderThanHeld,
    /// The water is warmer than the chiller or fan lets it become, and it is not on.
    CoolerSilent,
    /// A chiller or fan is on, and the water stays warmer than it lets it become.
    CoolerOverwhelmed,
}

impl Fault {
    /// All of them.
    pub const ALL: [Self; 11] = [
        Self::NoHeat,
        Self::HeaterSilent,
        Self::HeaterOverwhelmed,
        Self::HeatWithoutHeater,
        Self::LosingHeat,
        Self::ProbeOutOfWater,
        Self::ProbeShifted,
        Self::ProbeLags,
        Self::ColderThanHeld,
        Self::CoolerSilent,
        Self::CoolerOverwhelmed,
    ];

    /// What says that heat is missing, by whatever sensors there are.
    pub const HEAT_MISSING: [Self; 4] =
        [Self::NoHeat, Self::HeaterSilent, Self::HeaterOverwhelmed, Self::ColderThanHeld];

    /// What says that cooling is missing.
    pub const COOLING_MISSING: [Self; 2] = [Self::CoolerSilent, Self::CoolerOverwhelmed];

    /// Whether somebody may have set it so: nothing works in vain.
    pub(super) const fn may_be_a_setting(self) -> bool {
        match self {
            Self::HeaterSilent | Self::ColderThanHeld | Self::CoolerSilent => true,
            Self::NoHeat
            | Self::HeaterOverwhelmed
            | Self::HeatWithoutHeater
            | Self::LosingHeat
            | Self::ProbeOutOfWater
            | Self::ProbeShifted
            | Self::ProbeLags
            | Self::CoolerOverwhelmed => false,
        }
    }

    pub(super) const fn index(self) -> usize {
        self as usize
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::NoHeat => "a heater is on, but the water does not warm as it used to",
            Self::HeaterSilent => "colder than the heater lets it become, and it is not on",
            Self::HeaterOverwhelmed => "a heater is on, and it stays colder than the heater lets it become",
            Self::HeatWithoutHeater => "the water warms, but no heater is on",
            Self::LosingHeat => "losing heat faster than ever in such a room: lid, window, fan or chiller",
            Self::ProbeOutOfWater => "the probe follows the room: it is out of the water",
            Self::ProbeShifted => {
                "it is held at other readings than before: set differently, or the probe has moved"
            }
            Self::ProbeLags => "the probe follows the water late: it hangs in a corner, a tube or slime",
            Self::ColderThanHeld => "colder than what holds it lets it become",
            Self::CoolerSilent => "warmer than the chiller or fan lets it become, and it is not on",
            Self::CoolerOverwhelmed => "a chiller or fan is on, and it stays warmer than that lets it become",
        })
    }
}
