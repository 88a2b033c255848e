//! Which forecasts a tank's sensors can carry, and how often each rings falsely: what the tank's
//! gear names flows in, a line for each hazard that asks a model of its heat flows out. The figures
//! are those of the study of simulated homes, so a keeper knows before the first night what to
//! expect of a thermometer alone, and what one more sensor would change.

use super::{Plan, Tank};
use crate::ids::TankId;

/// What is seen of a tank, as the study has it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SeenOfTank {
    /// Water, room, and the heaters.
    All,
    /// Water and the heaters.
    Heaters,
    /// Water alone.
    Water,
    /// Water alone, and a chiller or fan that nobody sees cools it.
    ChilledWater,
}

impl SeenOfTank {
    /// In words, behind `is seen by`.
    pub fn words(self) -> &'static str {
        match self {
            Self::All => "its water, its room and its heaters",
            Self::Heaters => "its water and its heaters",
            Self::Water => "its water alone",
            Self::ChilledWater => "its water alone, and not the chiller or fan that cools it",
        }
    }
}

/// What the study found of one hazard: false alarms a tank-year with all sensors, with water and
/// heaters, with water alone, and with water alone in homes that have to be cooled. At its
/// defaults, beside all others, nobody declaring work.
pub struct FalseAlarms {
    /// Its name.
    pub hazard: &'static str,
    /// A tank-year; none where it is not offered.
    pub a_year: [Option<f64>; 4],
}

impl FalseAlarms {
    fn of(&self, seen: SeenOfTank) -> Option<f64> {
        let [all, heaters, water, chilled] = self.a_year;
        match seen {
            SeenOfTank::All => all,
            SeenOfTank::Heaters => heaters,
            SeenOfTank::Water => water,
            SeenOfTank::ChilledWater => chilled,
        }
    }
}

const fn of(hazard: &'static str, a_year: [Option<f64>; 4]) -> FalseAlarms {
    FalseAlarms { hazard, a_year }
}

/// The study of 30 November 2026: homes 61000 to 61199 of 40 to 1500 L, six weeks each, and homes
/// 61000 to 61099 of those that have to be cooled. Nothing was tuned on them. `cooling-not-coming`
/// is that of the latter: it is asked for where something cools.
pub static FALSE_ALARMS: [FalseAlarms; 9] = [
    of("heat-not-coming", [Some(0.7), Some(0.6), Some(1.2), Some(3.6)]),
    of("heat-uncalled", [Some(0.1), Some(0.1), None, None]),
    of("cooling-not-coming", [Some(0.4), Some(0.1), Some(0.0), None]),
    of("losing-heat", [Some(0.4), None, None, None]),
    of("probe-shifted", [Some(0.0), Some(0.0), Some(0.0), Some(0.0)]),
    of("probe-in-the-air", [Some(0.0), Some(0.0), Some(0.0), Some(0.0)]),
    of("flow-lost-inside", [Some(0.0), Some(0.0), Some(0.0), Some(0.0)]),
    of("cooling-fast", [Some(0.2), Some(0.0), Some(0.0), Some(0.0)]),
    of("warming-fast", [Some(0.0), Some(0.0), Some(0.0), Some(0.0)]),
];

/// One forecast of one tank.
#[derive(Clone, Debug, PartialEq)]
pub struct CarriedForecast {
    /// The hazard's name.
    pub hazard: &'static str,
    /// False alarms a year by the study; what is lacking, if it is not offered.
    pub a_year: Result<f64, &'static str>,
    /// Whether an alarm of the file is made from it.
    pub is_used: bool,
}

impl Plan {
    /// What is seen of a tank, and which forecasts that carries; nothing of a tank without a
    /// thermometer.
    pub fn carries(&self, id: TankId) -> Option<(SeenOfTank, Vec<CarriedForecast>)> {
        let tank = self.tank(id);
        tank.gear.water?;
        let seen = seen_of(tank);
        let used = |name: &str| {
            self.alarms
                .iter()
                .any(|alarm| alarm.hazard == Some(name) && alarm.condition.foretells().contains(&id))
        };
        let carried = FALSE_ALARMS.iter().map(|figures| CarriedForecast {
            hazard: figures.hazard,
            a_year: match lacks(tank, figures.hazard) {
                Some(what) => Err(what),
                None => figures.of(seen).ok_or("more sensors of the tank"),
            },
            is_used: used(figures.hazard),
        });
        Some((seen, carried.collect()))
    }
}

fn seen_of(tank: &Tank) -> SeenOfTank {
    let gear = &tank.gear;
    let heaters = gear.unheated || gear.heaters.iter().flatten().any(|heater| heater.sensor.is_some());
    match (heaters, gear.room.is_some()) {
        (true, true) => SeenOfTank::All,
        (true, false) => SeenOfTank::Heaters,
        // Water that is let go from above sinks on cold nights as if a heater had failed.
        (false, _) if gear.chiller.is_some_and(|chiller| chiller.sensor.is_none()) => {
            SeenOfTank::ChilledWater
        }
        (false, _) => SeenOfTank::Water,
    }
}

/// What this forecast needs and the tank has not.
fn lacks(tank: &Tank, hazard: &str) -> Option<&'static str> {
    let gear = &tank.gear;
    let heaters = gear.unheated || gear.heaters.iter().flatten().any(|heater| heater.sensor.is_some());
    match hazard {
        "losing-heat" | "heat-uncalled" if !heaters => Some("the heater's sensor"),
        "losing-heat" if gear.room.is_none() => Some("the room's thermometer"),
        "cooling-not-coming" if gear.chiller.is_none_or(|chiller| chiller.sensor.is_none()) => {
            Some("the sensor of a chiller or fan")
        }
        "flow-lost-inside" if gear.sump.is_none() => Some("a thermometer in the sump"),
        _ => None,
    }
}
