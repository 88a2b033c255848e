//! One model for each tank, fed by what is known of its water, room, heaters, lamp, chiller and
//! pumps, and asked by conditions, pages and `status`. Only good live readings reach a model; what
//! is stale is lost to it, work on the tank and standing pumps keep it from learning, and in a
//! power cut what hangs on the mains is known to be off. An oxygen probe that sees the water stand
//! still in the dark teaches what the tank uses.
//!
//! Like a window, a model comes from readings; unlike one, it takes days to fill. So what it has
//! learned is put down as a record once a day and at an orderly end, and a restart goes on from the
//! last one: a power cut costs a day of learning at most. What the tests for faults have gathered
//! begins anew.

mod answers;
pub(super) mod feed;
mod time_left;

use super::ground::Ground;
use super::task::Next;
use crate::forecast::faults::{Apart, Fault, Faults, StandingFault, USUAL_PER_YEAR};
use crate::forecast::geometry::Geometry;
use crate::forecast::respiration::Declines;
use crate::forecast::thermal::{Cell, Prior, Thermal};
use crate::ids::{Seq, TankId};
use crate::plan::{Device, Plan, Tank};
use crate::record::{Body, Record};
use crate::time::{Moment, Span};
use feed::{ModelFeed, slot};

/// What was learned is put down this often.
const PUT_DOWN: Span = Span::hours(24);
/// A change of an input by less than this share changes no forecast worth asking for.
const NOTICEABLE: f64 = 0.05;
/// Salinity of a tank whose keeper gives none, psu.
const USUAL_SALINITY: f64 = 35.0;

/// Since when something is so, and whether it was seen to begin: after a restart it may be so for
/// longer.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Since {
    at: Moment,
    seen: bool,
}

/// Everything that is foretold.
#[derive(Debug, Default)]
pub(super) struct Forecasts {
    models: Vec<Model>,
    /// The mains are out; none too if nobody knows.
    dark: Option<Since>,
    /// The mains were seen to be on.
    lit: bool,
}

/// One tank's model.
#[derive(Debug)]
struct Model {
    thermal: Thermal,
    faults: Faults,
    apart: Apart,
    parted: bool,
    /// Sum and count of the sump's readings in the cell under way.
    sump: (f64, u32),
    /// What was last told of each input; none if it was lost.
    told: [Option<Option<f64>>; 5],
    /// The pumps stand still.
    still: Option<Since>,
    ran: bool,
    /// m³; none if nobody says.
    volume: Option<f64>,
    declines: Declines,
    /// The record of what was learned, and when it was made.
    put_down: (Option<Seq>, Moment),
    gathered: u32,
}

const _: () = assert!(size_of::<Model>() < 6_144, "a tank's whole state is under 6 KiB");

impl Model {
    fn new(tank: &Tank, now: Moment) -> Self {
        let prior = prior(tank);
        let mut thermal = Thermal::new(prior);
        if tank.gear.pumps.is_some_and(|pumps| pumps.sensor.is_some()) {
            thermal.sees_pumps();
        }
        Self {
            thermal,
            faults: Faults::new(USUAL_PER_YEAR),
            apart: Apart::default(),
            parted: false,
            sump: (0.0, 0),
            told: [None; 5],
            still: None,
            ran: false,
            volume: tank.volume,
            declines: Declines::default(),
            put_down: (None, now),
            gathered: 0,
        }
    }

    /// Takes what is known of one thing. Returns whether forecasts may have changed.
    fn take(&mut self, now: Moment, feed: ModelFeed, value: Option<f64>) -> bool {
        let (ended, changed) = match (feed, value) {
            (ModelFeed::Water, Some(celsius)) => (self.thermal.temperature(now, celsius), false),
            // The forecast is gone with its thermometer.
            (ModelFeed::Water, None) => (self.thermal.advance(now), true),
            (ModelFeed::Sump, Some(celsius)) => {
                self.sump = (self.sump.0 + celsius, self.sump.1 + 1);
                (None, false)
            }
            (ModelFeed::Of(input), value) => {
                let told = &mut self.told[slot(input)];
                let before = told.unwrap_or_default();
                // Nobody has ever told: what can't be seen is not lost.
                if value.is_none() && before.is_none() {
                    return false;
                }
                let near = |(one, other): (f64, f64)| (one - other).abs() < NOTICEABLE;
                let changed = !before.zip(value).is_some_and(near);
                *told = Some(value);
                let ended = match value {
                    Some(value) => self.thermal.input(now, input, value),
                    None => self.thermal.lost(now, input),
                };
                (ended, changed)
            }
            (ModelFeed::Pumps, Some(running)) => {
                let running = running > 0.5;
                let ended = self.thermal.pumps(now, running);
                let before = self.still;
                self.still = match (running, before) {
                    (true, _) => None,
                    (false, None) => Some(Since { at: now, seen: self.ran }),
                    (false, since) => since,
                };
                self.ran |= running;
                (ended, before.is_some() == running)
            }
            (ModelFeed::Sump | ModelFeed::Pumps | ModelFeed::Oxygen, _) => return false,
        };
        if let Some(cell) = ended {
            self.end(&cell);
        }
        ended.is_some() || changed
    }

    /// A cell has ended: the tests look at it.
    fn end(&mut self, cell: &Cell) {
        self.faults.cell(&mut self.thermal, cell);
        let (sum, count) = std::mem::take(&mut self.sump);
        if !self.thermal.holds().is_settled(cell.end) {
            self.apart.stepped();
        } else if cell.disturbed || !self.thermal.pumps_run() {
            self.apart.interrupted();
        } else if count > 0 {
            self.parted = self.apart.cell(cell.temperature, sum / f64::from(count));
        }
    }
}

/// What the keeper wrote down about a tank, as the model begins with it.
fn prior(tank: &Tank) -> Prior {
    let gear = &tank.gear;
    let salinity = tank.salinity.unwrap_or(USUAL_SALINITY);
    let geometry = tank.volume.and_then(|volume| Geometry::of(volume, salinity, gear.surface).ok());
    let known = geometry.as_ref().map_or_else(Prior::unknown, Prior::of);
    let known = if gear.lid { known.under_lid() } else { known };
    let watts = |device: Option<Device>| device.and_then(|device| device.power);
    Prior {
        heaters_w: gear.heaters.map(watts),
        lamp_w: watts(gear.lamp),
        pumps_w: watts(gear.pumps),
        unheated: gear.unheated,
        ..known
    }
}

impl Forecasts {
    pub(super) fn new(plan: &Plan, now: Moment) -> Self {
        Self { models: plan.tanks.iter().map(|tank| Model::new(tank, now)).collect(), dark: None, lit: false }
    }

    /// Models of tanks that are still the same go on under another plan.
    pub(super) fn carry_over(&mut self, old: &Plan, mut before: Self, new: &Plan) {
        (self.dark, self.lit) = (before.dark, before.lit);
        let names = |plan: &Plan, tank: &Tank| -> Vec<String> {
            tank.gear.sensors().into_iter().map(|id| plan.sensor(id).name.clone()).collect()
        };
        for (tank, model) in new.tanks.iter().zip(&mut self.models) {
            let Some(at) = old.tanks.iter().position(|known| known.name == tank.name) else { continue };
            let same = before.models[at].thermal.prior() == model.thermal.prior()
                && before.models[at].volume == model.volume
                && names(old, &old.tanks[at]) == names(new, tank)
                && old.tanks[at].gear.heaters.map(|it| it.is_some())
                    == tank.gear.heaters.map(|it| it.is_some());
            if same {
                std::mem::swap(model, &mut before.models[at]);
            }
        }
    }

    /// Records from which a restart has to go on.
    pub(super) fn rests_on(&self) -> impl Iterator<Item = Seq> + '_ {
        self.models.iter().filter_map(|model| model.put_down.0)
    }

    /// Takes what an earlier life has learned.
    pub(super) fn apply(&mut self, ground: &Ground<'_>, record: &Record) {
        let (seq, at) = (record.seq, record.at.mono);
        let Body::Learned { tank, numbers, oxygen } = &record.body else { return };
        let Some(tank) = ground.tank(tank) else { return };
        let Some(model) = self.models.get_mut(tank.index()) else { return };
        let declined = match oxygen.as_slice() {
            [volume, declines @ ..] => {
                let same = model.volume.is_some_and(|known| (known - volume).abs() < 1e-9);
                same && model.declines.recall(declines)
            }
            [] => false,
        };
        if model.thermal.recall(numbers) || declined {
            model.put_down = (Some(seq), at);
            model.gathered = model.thermal.gathered();
        }
    }

    /// The mains are on, or out; none if nobody knows.
    pub(super) fn on_mains(&mut self, on: Option<bool>, now: Moment) {
        self.dark = match (on, self.dark) {
            (Some(true), _) => None,
            (Some(false), None) => Some(Since { at: now, seen: self.lit }),
            (_, since) => since,
        };
        self.lit |= on == Some(true);
    }

    /// What is known of one thing of a tank has changed, or was heard again. Says whether forecasts
    /// may have changed.
    pub(super) fn on_level(
        &mut self,
        (tank, feed): (TankId, ModelFeed),
        value: Option<f64>,
        at_work: bool,
        now: Moment,
    ) -> bool {
        let Some(model) = self.models.get_mut(tank.index()) else { return false };
        if at_work {
            model.thermal.disturbed(now + Span::millis(1));
        }
        model.take(now, feed, value)
    }

    /// A reading of the water came late: the model takes it to its time.
    pub(super) fn on_late(&mut self, tank: TankId, feed: ModelFeed, at: Moment, celsius: f64) {
        if let Some(model) = self.models.get_mut(tank.index()).filter(|_| feed == ModelFeed::Water) {
            model.thermal.late(at, celsius);
        }
    }

    /// Whether the tank's thermometer is believed to be out of the water: then it says nothing of
    /// it.
    pub(super) fn is_beached(&self, tank: TankId) -> bool {
        let is_out = |finding: StandingFault| finding.fault == Fault::ProbeOutOfWater;
        self.models.get(tank.index()).is_some_and(|model| model.faults.standing().any(is_out))
    }

    /// Shows the oxygen probe's reading to the tank's declines. Says whether one was learned.
    pub(super) fn on_oxygen(
        &mut self,
        tank: TankId,
        reading: Option<(f64, crate::forecast::oxygen::TankOxygen)>,
        now: Moment,
    ) -> bool {
        let Some(model) = self.models.get_mut(tank.index()) else { return false };
        model.declines.take(now, reading)
    }

    /// A tank's model has changed, or a decline was learned: records what it has learned, if it is
    /// a decline, or if its time has come and it is more than when it was last put down.
    pub(super) fn on_learned(&mut self, ground: &Ground<'_>, tank: TankId, declined: bool, next: &mut Next) {
        let Some(model) = self.models.get(tank.index()) else { return };
        if declined || ground.mono() - model.put_down.1 >= PUT_DOWN {
            self.put_down(ground, tank, declined, next);
        }
    }

    /// Before an orderly end, everything is put down.
    pub(super) fn on_stop(&mut self, ground: &Ground<'_>, next: &mut Next) {
        for tank in (0..).map(TankId).take(ground.plan.tanks.len()) {
            self.put_down(ground, tank, false, next);
        }
    }

    fn put_down(&mut self, ground: &Ground<'_>, tank: TankId, declined: bool, next: &mut Next) {
        let Some(model) = self.models.get_mut(tank.index()) else { return };
        model.put_down.1 = ground.mono();
        if declined || model.thermal.gathered() != model.gathered {
            let numbers = model.thermal.kept().unwrap_or_default();
            let declines = model.declines.kept();
            let volume = model.volume.filter(|_| !declines.is_empty());
            let oxygen = volume.into_iter().chain(declines).collect();
            let tank = ground.plan.tanks[tank.index()].name.clone();
            next.record(Body::Learned { tank, numbers, oxygen });
        }
    }
}

#[cfg(test)]
mod tests;
