//! A watch over one home with one set of sensors: the model, its tests, and the shipped hazards at
//! their defaults with their delays.

use crate::home::{Cools, Heard, Home};
use slackwater_forecast::faults::{Apart, Fault, Faults, USUAL_PER_YEAR};
use slackwater_forecast::geometry::Geometry;
use slackwater_forecast::thermal::{Cell, Heater, Prior, Scenario, Side, Thermal, ThermalInput};
use slackwater_time::Moment;

/// Which sensors there are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Sensors {
    /// Water, sump, room, heaters, cooler, lamp, pumps.
    All,
    /// Water, and what heaters and cooler draw.
    Watts,
    /// Water.
    Water,
}

pub(crate) const SETS: [Sensors; 3] = [Sensors::All, Sensors::Watts, Sensors::Water];

/// The shipped hazards that ask a model of heat.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Hazard {
    HeatNotComing,
    HeatUncalled,
    CoolingNotComing,
    LosingHeat,
    ProbeShifted,
    ProbeInTheAir,
    FlowLostInside,
    CoolingFast,
    WarmingFast,
}

/// Causes before what they explain.
pub(crate) const HAZARDS: [Hazard; 9] = [
    Hazard::HeatNotComing,
    Hazard::HeatUncalled,
    Hazard::CoolingNotComing,
    Hazard::LosingHeat,
    Hazard::ProbeShifted,
    Hazard::ProbeInTheAir,
    Hazard::FlowLostInside,
    Hazard::CoolingFast,
    Hazard::WarmingFast,
];

impl Hazard {
    /// On and off delay, min.
    fn delays(self) -> (i64, i64) {
        match self {
            Self::CoolingFast | Self::WarmingFast => (10, 30),
            Self::ProbeShifted => (0, 60),
            Self::ProbeInTheAir => (0, 10),
            Self::HeatNotComing
            | Self::HeatUncalled
            | Self::LosingHeat
            | Self::FlowLostInside
            | Self::CoolingNotComing => (0, 30),
        }
    }
}

#[derive(Clone, Copy, Default)]
struct Alarm {
    true_since: Option<i64>,
    false_since: Option<i64>,
    rings: bool,
}

impl Alarm {
    /// `None`: unknown, which leaves all as it is. Returns whether it has just begun to ring.
    fn judge(&mut self, now: i64, (on, off): (i64, i64), is: Option<bool>) -> bool {
        match is {
            Some(true) => {
                self.false_since = None;
                let since = *self.true_since.get_or_insert(now);
                let begins = !self.rings && now - since >= on;
                self.rings |= begins;
                return begins;
            }
            Some(false) => {
                self.true_since = None;
                let since = *self.false_since.get_or_insert(now);
                if now - since >= off {
                    self.rings = false;
                }
            }
            None => self.true_since = None,
        }
        false
    }
}

#[derive(Clone)]
pub(crate) struct Watch {
    pub(crate) sensors: Sensors,
    pub(crate) model: Thermal,
    pub(crate) faults: Faults,
    apart: Apart,
    parted: bool,
    sump: (f64, u32),
    alarms: [Alarm; HAZARDS.len()],
    kept: Option<Vec<f64>>,
    /// What rang last, and in which minute.
    pub(crate) last: Option<(Hazard, i64)>,
}

pub(crate) fn at(minute: i64) -> Moment {
    Moment(minute * 60_000 + 9_000_000)
}

fn prior(home: &Home, sensors: Sensors) -> Prior {
    let geometry = Geometry::of(home.litres / 1_000.0, 35.0, None).unwrap();
    let known = sensors != Sensors::Water;
    let heaters_w = if known { [Some(home.heater), home.spare] } else { [None; 2] };
    Prior { heaters_w, ..Prior::of(&geometry) }
}

impl Watch {
    pub(crate) fn new(home: &Home, sensors: Sensors) -> Self {
        let mut model = Thermal::new(prior(home, sensors));
        if sensors == Sensors::All {
            model.sees_pumps();
        }
        Self {
            sensors,
            model,
            faults: Faults::new(USUAL_PER_YEAR),
            apart: Apart::default(),
            parted: false,
            sump: (0.0, 0),
            alarms: [Alarm::default(); HAZARDS.len()],
            kept: None,
            last: None,
        }
    }

    /// What was learned is put down.
    pub(crate) fn put_down(&mut self) {
        self.kept = self.model.kept().or(self.kept.take());
    }

    /// All but what was put down is gone; the alarms' states are the journal's.
    pub(crate) fn restart(&mut self, home: &Home) {
        let new = Self::new(home, self.sensors);
        *self = Self { alarms: self.alarms, kept: self.kept.take(), last: self.last, ..new };
        if let Some(kept) = &self.kept {
            assert!(self.model.recall(kept), "what was put down is recalled");
        }
    }

    /// Takes one minute; says what has just begun to ring.
    pub(crate) fn minute(&mut self, home: &Home, minute: i64, heard: &Heard) -> Vec<Hazard> {
        let now = at(minute);
        let mut ended = self.model.advance(now);
        if self.sensors != Sensors::Water {
            let inputs = [
                (ThermalInput::Heater(Heater::First), heard.heater),
                (ThermalInput::Heater(Heater::Second), heard.spare),
                (ThermalInput::Chiller, heard.cooler),
            ];
            for (input, value) in inputs {
                if let Some(value) = value {
                    ended = self.model.input(now, input, value).or(ended);
                }
            }
        }
        if self.sensors == Sensors::All {
            if let Some(room) = heard.room {
                self.model.input(now, ThermalInput::Room, room);
            }
            if let Some(lamp) = heard.lamp {
                self.model.input(now, ThermalInput::Lamp, lamp);
            }
            if let Some(running) = heard.pumps {
                self.model.pumps(now, running);
            }
            if let Some(sump) = heard.sump {
                self.sump = (self.sump.0 + sump, self.sump.1 + 1);
            }
        }
        if let Some(water) = heard.water {
            self.model.temperature(now, water);
        }
        let Some(cell) = ended else { return Vec::new() };
        self.end(home, &cell);
        self.judge(minute)
    }

    fn end(&mut self, _home: &Home, cell: &Cell) {
        self.faults.cell(&mut self.model, cell);
        let (sum, count) = std::mem::take(&mut self.sump);
        if !self.model.holds().is_settled(cell.end) {
            self.apart.stepped();
        } else if !self.model.pumps_run() {
            self.apart.interrupted();
        } else if count > 0 {
            self.parted = self.apart.cell(cell.temperature, sum / f64::from(count));
        }
    }

    fn says(&self, hazard: Hazard) -> Option<bool> {
        let wet = !self.faults.standing().any(|found| found.fault == Fault::ProbeOutOfWater);
        let shows = |wanted: &[Fault]| self.faults.any(&self.model, wanted).ok().filter(|_| wet);
        let soon = |side, limit, hours| {
            let found = self.model.time_to(side, limit, &Scenario::now()).ok().filter(|_| wet)?;
            Some(found.range.low < hours)
        };
        match hazard {
            Hazard::HeatNotComing => shows(&Fault::HEAT_MISSING),
            Hazard::HeatUncalled => shows(&[Fault::HeatWithoutHeater]),
            Hazard::LosingHeat => shows(&[Fault::LosingHeat]),
            Hazard::ProbeShifted => shows(&[Fault::ProbeShifted]),
            Hazard::ProbeInTheAir => Some(!wet),
            Hazard::FlowLostInside => (self.sensors == Sensors::All && wet).then_some(self.parted),
            Hazard::CoolingFast => soon(Side::Below, 22.0, 6.0),
            Hazard::CoolingNotComing => shows(&Fault::COOLING_MISSING),
            Hazard::WarmingFast => soon(Side::Above, 29.0, 3.0),
        }
    }

    fn judge(&mut self, minute: i64) -> Vec<Hazard> {
        let mut begun = Vec::new();
        for (i, hazard) in HAZARDS.into_iter().enumerate() {
            let mut says = self.says(hazard);
            // What another alarm explains is not told.
            let causes: &[Hazard] = match hazard {
                Hazard::CoolingFast => &[Hazard::HeatNotComing, Hazard::LosingHeat],
                Hazard::WarmingFast => &[Hazard::HeatUncalled, Hazard::CoolingNotComing],
                Hazard::LosingHeat => &[Hazard::HeatNotComing],
                _ => &[],
            };
            if causes.iter().any(|cause| self.alarms[*cause as usize].rings) {
                says = None;
            }
            if self.alarms[i].judge(minute, hazard.delays(), says) {
                begun.push(hazard);
                self.last = Some((hazard, minute));
            }
        }
        begun
    }

    pub(crate) fn ringing(&self) -> Vec<Hazard> {
        HAZARDS.into_iter().filter(|hazard| self.alarms[*hazard as usize].rings).collect()
    }

    pub(crate) fn any_rings(&self) -> bool {
        self.alarms.iter().any(|alarm| alarm.rings)
    }
}

/// Whether this set shows what holds this home's upper end.
pub(crate) fn sees_cooler(home: &Home, sensors: Sensors) -> bool {
    home.cools != Cools::Nothing && sensors != Sensors::Water
}
