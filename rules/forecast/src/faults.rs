//! Faults found before the limit: what the tank did in the last minutes against what holds it, and
//! against what the learned model says it should have done. Cells of the thermal model flow in;
//! findings flow out.
//!
//! Everything rests on what [holds](crate::hold) the water: while it swings inside its band it is
//! held, and no fault of heat or cold stands. Beyond an edge the device that should turn the water
//! is looked at (`beyond`): it does not work, or works in vain. Tests on rates ([`cusum`]) add up,
//! in kelvin, the difference between expected and seen, less a slack that covers what the model
//! never knows; they name the cause outside of the band. While a test is suspicious nothing is
//! learned: a dead heater must not become the new normal. A change that lasts a day is one, and is
//! learned. Where something was not learned yet the answer is unknown, never "no fault".

#![expect(clippy::indexing_slicing, reason = "one place for each fault, in arrays of that many")]

mod beyond;
pub mod cusum;
mod edges;
mod kinds;
mod lag;
mod probe;
mod told;

pub use kinds::Fault;
pub use probe::Apart;

use super::interval::CannotSay;
use super::thermal::{Cell, Thermal};
use crate::hold::Holder;
use beyond::{BelowFloor, Beyond, Proved};
use cusum::{Cusum, UsualEvidence};
use lag::Lag;
use probe::Jump;
use slackwater_time::{Moment, Span};
use told::{KINDS, ToldDepth};

/// A fault that stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StandingFault {
    /// Which.
    pub fault: Fault,
    /// Since when the evidence adds up.
    pub since: Moment,
}

/// What to give [`Faults::new`] for less than one false alarm a year: real residuals are no noise,
/// and water changes that nobody declared are among them. Four hundred simulated tank-years, a
/// fifth of their weekly water changes undeclared, had 0.67 to 0.92 a year.
pub const USUAL_PER_YEAR: f64 = 0.03;

/// Cells in a year.
const YEAR: f64 = 105_120.0;
/// Cells after a heater switched in which its heat is still on the way.
const ON_THE_WAY: u32 = 2;
/// A change that lasts this long is learned.
const LASTING: Span = Span::hours(24);
/// What is off for longer than this beyond where it long came on was set differently, or is not
/// wanted in this weather: it was told, and is again only where the water goes further.
const HOW_IT_IS: Span = Span::hours(36);
/// After hands in the tank the water settles for this many cells.
const SETTLES: u32 = 6;
/// Evidence of fewer cells than this is no evidence: a cup of cold water.
const LEAST_STEPS: u32 = 4;
/// Outside of its swing is so far outside, K.
const LEAST_OUTSIDE: f64 = 0.1;
/// A heater's rate says nothing as long as the water is within this share of the margin of where
/// the heater turns it: a tank that swings inside its band is held.
const WITHIN: f64 = 0.6;
/// In half an hour, of what the strongest heater makes in an hour: what warms the water is no room.
const RISES: f64 = 0.15;
/// Cells for which a heater is on before its heat can be missed: forty minutes, longer than anybody
/// pours.
const ON_LONG: u32 = 8;
/// Cells for which a height holds.
const HEIGHTS_FOR: u32 = 12;
const CELL_H: f64 = 1.0 / 12.0;

/// The tests of one tank. No heap.
#[derive(Clone, Debug)]
pub struct Faults {
    /// Mean steps to a false alarm of one test.
    steps: f64,
    tests: [Cusum; 3],
    /// Heater and spare that do not work, that work in vain; the same of the cooler.
    silent: [Beyond; 2],
    in_vain: Beyond,
    cooler: [Beyond; 2],
    /// Where heater, spare and cooler turned the water lately.
    proved: [Proved; 3],
    floor: BelowFloor,
    jump: Jump,
    lag: Lag,
    before: Option<Cell>,
    /// Standard deviation of one cell's step, K.
    noise: f64,
    cells: u32,
    /// Cells since a heater was last on.
    quiet: u32,
    was_on: bool,
    /// Cells for which one has been on.
    on_for: u32,
    /// Which heaters were ever on.
    heated: [bool; 2],
    /// Heights of the tests, worked out anew every hour.
    heights: [f64; 3],
    settling: u32,
    standing: [Option<Moment>; Fault::ALL.len()],
    suspicious_since: Option<Moment>,
    /// How far the water went while a fault of each kind stood: what came back from there by itself
    /// is news only further out.
    told: [Option<ToldDepth>; KINDS],
    /// How often anything of cold, and of heat, was told of late, and until when that counts.
    often: [(u32, Moment); 2],
    /// What of greater losses came back by itself: a draught, a lid, the sun gone.
    usual_loss: UsualEvidence,
    /// The newest water, degC.
    water: f64,
}

impl Faults {
    /// Tests that together raise about `per_year` false alarms a year on a tank whose residuals are
    /// as noise.
    pub fn new(per_year: f64) -> Self {
        Self {
            steps: YEAR * 4.0 / per_year.clamp(1e-3, 1e3),
            tests: [Cusum::default(); 3],
            silent: [Beyond::default(); 2],
            in_vain: Beyond::default(),
            cooler: [Beyond::default(); 2],
            proved: [Proved::default(); 3],
            floor: BelowFloor::default(),
            jump: Jump::default(),
            lag: Lag::default(),
            before: None,
            noise: 0.02,
            cells: 0,
            quiet: 0,
            was_on: false,
            on_for: 0,
            heated: [false; 2],
            heights: [f64::INFINITY; 3],
            settling: 0,
            standing: [None; Fault::ALL.len()],
            suspicious_since: None,
            told: [None; KINDS],
            often: [(0, Moment(i64::MIN)); 2],
            usual_loss: UsualEvidence::default(),
            water: f64::NAN,
        }
    }

    /// What stands now.
    pub fn standing(&self) -> impl Iterator<Item = StandingFault> {
        Fault::ALL
            .into_iter()
            .filter_map(|fault| self.standing[fault.index()].map(|since| StandingFault { fault, since }))
    }

    /// Why the tests on rates can find nothing yet, if they cannot.
    pub fn ready(&self, model: &Thermal) -> Result<(), CannotSay> {
        model.heater_known()?;
        model.is_learned()
    }

    /// Whether this fault stands; why nobody can say, if nobody can: what it rests on was not
    /// learned yet or is not seen.
    pub fn says(&self, model: &Thermal, fault: Fault) -> Result<bool, CannotSay> {
        if self.standing[fault.index()].is_some() {
            return Ok(true);
        }
        let hold = model.holds();
        let seen_h = hold.seen_h();
        let turns =
            |holders: &[Holder]| match holders.iter().any(|holder| hold.comes_on_at(*holder).is_some()) {
                true => Ok(()),
                false => Err(CannotSay::NotIdentifiable("what holds the water was not seen to turn it yet")),
            };
        match fault {
            Fault::NoHeat | Fault::HeatWithoutHeater | Fault::ProbeLags => self.ready(model),
            Fault::LosingHeat => self.ready(model).and_then(|()| match model.room() {
                Some(_) => Ok(()),
                None => Err(CannotSay::Missing("room temperature")),
            }),
            Fault::HeaterSilent | Fault::HeaterOverwhelmed => {
                model.heater_known().and_then(|()| turns(&[Holder::Heater, Holder::Spare]))
            }
            Fault::ColderThanHeld => match hold.floor() {
                Some(_) => Ok(()),
                None if seen_h < 24.0 => Err(CannotSay::TooEarly { seen_h, needed_h: 24.0 }),
                None => Err(CannotSay::NotIdentifiable("nothing was seen to hold the water lately")),
            },
            Fault::CoolerSilent | Fault::CoolerOverwhelmed => turns(&[Holder::Cooler]),
            Fault::ProbeShifted if seen_h < 24.0 => Err(CannotSay::TooEarly { seen_h, needed_h: 24.0 }),
            Fault::ProbeShifted | Fault::ProbeOutOfWater => Ok(()),
        }
        .map(|()| false)
    }

    /// Whether any of these faults stands. Unknown only if nobody can say it of any.
    pub fn any(&self, model: &Thermal, faults: &[Fault]) -> Result<bool, CannotSay> {
        let mut known = None;
        let mut unknown = CannotSay::Missing("anything that shows it");
        for fault in faults {
            match self.says(model, *fault) {
                Ok(true) => return Ok(true),
                Ok(false) => known = Some(false),
                Err(why) => unknown = why,
            }
        }
        known.ok_or(unknown)
    }

    /// Takes a cell that the model has just ended. The model is told to hold its learning while
    /// something is suspicious.
    pub fn cell(&mut self, model: &mut Thermal, cell: &Cell) {
        let before = self.before.replace(*cell);
        self.water = cell.temperature;
        self.come_back();
        self.step(model, before.as_ref(), cell);
        self.edges(model, cell);
        self.rates_of(model, before, cell);
        self.judge(Fault::ProbeShifted, model.holds().has_moved(), !model.holds().has_moved(), cell.end);
        model.suspect(self.standing().any(|found| found.fault != Fault::ProbeShifted));
    }

    /// A step that nothing here makes: water was changed, or the probe moved.
    fn step(&mut self, model: &Thermal, before: Option<&Cell>, cell: &Cell) {
        if model.holds().jumped() == Some(cell.end)
            && let Some(before) = before
        {
            self.tests = [Cusum::default(); 3];
            self.lag.interrupted();
            self.jump.begin(before);
        }
        let out = self.jump.judge(cell, model.holds().range());
        self.judge(Fault::ProbeOutOfWater, out == Some(true), out == Some(false), cell.end);
    }

    fn found(&mut self, fault: Fault, found: Option<bool>, at: Moment) {
        self.judge(fault, found == Some(true), found == Some(false), at);
    }

    /// The tests on how fast the water changes, where a heater is seen and the model has learned.
    fn rates_of(&mut self, model: &mut Thermal, before: Option<Cell>, cell: &Cell) {
        if !cell.heaters.iter().all(|share| share.is_finite()) {
            // A heater that nobody sees is not off.
            return;
        }
        let on = cell.heaters[0] + cell.heaters[1] > 0.05;
        for (heated, share) in self.heated.iter_mut().zip(cell.heaters) {
            *heated |= share > 0.05;
        }
        self.quiet = if on { 0 } else { self.quiet.saturating_add(1) };
        self.on_for = if on { self.on_for.saturating_add(1) } else { 0 };
        if cell.disturbed || !model.pumps_run() {
            // Hands in the tank, or the pumps' heat gone: what happened is theirs.
            self.lag.interrupted();
            self.tests = [Cusum::default(); 3];
            self.settling = SETTLES;
            return;
        }
        let Some(before) = before.filter(|before| cell.follows(before)) else { return };
        if self.ready(model).is_err() {
            return;
        }
        let expected = (model.expected_rate(&before) + model.expected_rate(cell)) / 2.0;
        let step = cell.temperature - before.temperature;
        let residual = step - expected * CELL_H;
        if !residual.is_finite() {
            return;
        }
        self.cells = self.cells.saturating_add(1);
        let (heaters, loss) = model.usual_rates();
        let strongest = self.strongest(heaters);
        // No fault of a tank changes its rate by more than its heater and as much again.
        let most = 1.5 * strongest * CELL_H;
        let residual = residual.clamp(-most, most);
        if self.settling > 0 || !model.holds().is_settled(cell.end) {
            self.settling = self.settling.saturating_sub(1);
            self.lag.interrupted();
            model.hold(cell.end + Thermal::cell_length());
        } else {
            let size = (1.25 * residual.abs()).min(4.0 * self.noise);
            self.noise = (self.noise + (size - self.noise) * 0.005).max(0.002);
            self.lag.cell(on, residual, strongest);
            self.rates(model, cell, residual, (heaters, loss.abs()));
        }
        let lags = self.lag.lags();
        self.judge(Fault::ProbeLags, lags == Some(true), lags == Some(false), cell.end);
        self.hold(model, cell);
    }

    /// Whether the water is outside of its band on the side of this fault: else it is held,
    /// whatever the rates say.
    fn outside(model: &Thermal, cell: &Cell, fault: Fault, strongest: f64) -> bool {
        let hold = model.holds();
        let heaters = [Holder::Heater, Holder::Spare];
        if fault == Fault::HeatWithoutHeater {
            let rests = heaters.into_iter().filter_map(|holder| hold.rests_at(holder));
            let rests = rests.map(|level| level.place + level.margin).reduce(f64::max);
            let swings = hold.range().map(|(_, high)| high + LEAST_OUTSIDE);
            let rises = hold.lately().is_some_and(|(then, now)| now - then > RISES * strongest);
            return rises
                && rests.zip(swings).is_some_and(|(rests, swings)| cell.temperature > rests.max(swings));
        }
        let turns = heaters.into_iter().filter_map(|holder| hold.turns_at(holder));
        let turns = turns.map(|level| level.place - WITHIN * level.margin).reduce(f64::max);
        turns.is_some_and(|turns| fault == Fault::LosingHeat || cell.temperature < turns)
    }

    /// The three tests on rates.
    fn rates(&mut self, model: &Thermal, cell: &Cell, residual: f64, (heaters, fall): ([f64; 2], f64)) {
        let unknown = model.unknown_rate();
        let heat = heaters[0] * cell.heaters[0] + heaters[1] * cell.heaters[1];
        let strongest = self.strongest(heaters);
        let on = self.quiet <= ON_THE_WAY;
        if self.quiet == 0 || self.quiet == ON_THE_WAY + 1 {
            // A coarse probe steps a little early or late where the heater switches.
            let switched = self.quiet != 0 || !self.was_on;
            let [no_heat, heat_without, _] = &mut self.tests;
            [no_heat, heat_without].into_iter().filter(|_| switched).for_each(|test| test.allow(self.noise));
        }
        self.was_on = on;
        // The slack is half of the smallest fault that is looked for: half a heater, a third of a
        // heater too much, a third more loss.
        let slack_if = |heat: f64| {
            [unknown + 0.25 * heat, unknown + 0.15 * strongest, unknown + 0.15 * fall + 0.1 * heat]
                .map(|rate| rate * CELL_H)
        };
        let slack = slack_if(heat);
        if self.cells % HEIGHTS_FOR == 1 {
            let typical = slack_if(strongest);
            self.heights = typical.map(|slack| cusum::height(self.noise, slack, self.steps));
        }
        // Heat reaches the probe minutes after the heater came on: a shortage that is made up for.
        let on_the_way = [strongest * CELL_H, 0.0, strongest * CELL_H];
        let deviation = [-residual, residual, (-residual).min(1.5 * fall * CELL_H)];
        let fed = [on, !on, true];
        for (i, fault) in [Fault::NoHeat, Fault::HeatWithoutHeater, Fault::LosingHeat].into_iter().enumerate()
        {
            if fed[i] {
                self.tests[i].add(deviation[i], slack[i]);
            }
            let mut height = self.heights[i] + on_the_way[i];
            let Cusum { evidence, steps } = self.tests[i];
            // A heater without heat also looks like a loss: the nearer explanation speaks.
            if fault == Fault::LosingHeat {
                height = self.usual_loss.height(height, evidence, self.standing[fault.index()].is_some());
            }
            let explained = fault == Fault::LosingHeat && self.tests[0].evidence >= evidence;
            let is_seen = match fault {
                Fault::NoHeat => cell.room.is_finite() && self.on_for >= ON_LONG,
                Fault::LosingHeat => cell.room.is_finite(),
                _ => true,
            };
            let unseen = fault == Fault::NoHeat && !cell.room.is_finite();
            let found = evidence > height
                && steps >= LEAST_STEPS
                && !explained
                && is_seen
                && Self::outside(model, cell, fault, strongest);
            self.judge(fault, found, evidence == 0.0 && !unseen, cell.end);
            if evidence > height / 2.0 {
                self.suspicious_since.get_or_insert(cell.end);
            }
        }
    }

    /// The strongest heater that was ever on, K/h.
    fn strongest(&self, heaters: [f64; 2]) -> f64 {
        let seen = (0..2).filter(|i| self.heated[*i]).map(|i| heaters[i]);
        seen.fold(0.2, f64::max)
    }

    fn judge(&mut self, fault: Fault, found: bool, gone: bool, at: Moment) {
        let is_old = self.standing[fault.index()].is_some_and(|since| at - since > HOW_IT_IS);
        if gone || (is_old && fault.may_be_a_setting()) {
            self.standing[fault.index()] = None;
        } else if found && (self.standing[fault.index()].is_some() || self.is_news(fault, at)) {
            self.standing[fault.index()].get_or_insert(at);
            self.remember(fault, at);
        }
    }

    /// Holds the model's learning while a test is suspicious, but not for ever.
    fn hold(&mut self, model: &mut Thermal, cell: &Cell) {
        let quiet = self.tests.iter().all(|test| test.evidence < 2.0 * self.noise)
            && self.standing.iter().all(Option::is_none);
        if quiet {
            self.suspicious_since = None;
        } else if self.standing.iter().any(Option::is_some) {
            self.suspicious_since.get_or_insert(cell.end);
        }
        let lasting = self.suspicious_since.is_some_and(|since| cell.end - since > LASTING);
        if self.suspicious_since.is_some() && !lasting {
            model.hold(cell.end + Thermal::cell_length());
        }
    }
}
