//! Faults found before the limit: what the tank did in the last minutes against what the learned
//! model says it should have done. Cells of the thermal model flow in; findings flow out.
//!
//! Each fault is a sequential test in kelvin ([`cusum`]): the difference between expected and seen
//! adds up, less a slack that covers what the model never knows. Its height is set for a number of false
//! alarms per tank and year. While a test is suspicious, the model does not learn: a dead heater must
//! not become the new normal. A change that lasts a day is one, and is learned.

#![expect(clippy::indexing_slicing, reason = "one place for each fault, in arrays of that many")]

mod band;
pub mod cusum;
mod lag;
mod probe;

pub use probe::Apart;

use super::interval::CannotSay;
use super::thermal::{Cell, Thermal};
use band::Band;
use cusum::Cusum;
use lag::Lag;
use probe::Jump;
use slackwater_time::{Moment, Span};
use std::fmt;

/// What is found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fault {
    /// A heater is on and the water does not warm as it used to.
    NoHeat,
    /// The water is colder than the heater ever let it become, and no heater is on.
    HeaterSilent,
    /// A heater is on, and the water stays colder than it ever let it become.
    HeaterOverwhelmed,
    /// The water warms, and no heater is on.
    HeatWithoutHeater,
    /// The water loses heat faster than it used to in such a room.
    LosingHeat,
    /// The probe suddenly follows the room.
    ProbeOutOfWater,
    /// The heater switches at readings that it never switched at: the probe drifts, or somebody turned
    /// the thermostat.
    ProbeShifted,
    /// The heater's heat reaches the probe later than it long did: the probe no longer hangs in moving water.
    ProbeLags,
}

impl Fault {
    /// All of them.
    pub const ALL: [Self; 8] = [
        Self::NoHeat,
        Self::HeaterSilent,
        Self::HeaterOverwhelmed,
        Self::HeatWithoutHeater,
        Self::LosingHeat,
        Self::ProbeOutOfWater,
        Self::ProbeShifted,
        Self::ProbeLags,
    ];

    const fn index(self) -> usize {
        self as usize
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::NoHeat => "a heater is on, but the water does not warm as it used to",
            Self::HeaterSilent => "colder than the heater ever let it become, and no heater is on",
            Self::HeaterOverwhelmed => {
                "a heater is on, and it stays colder than the heater ever let it become"
            }
            Self::HeatWithoutHeater => "the water warms, but no heater is on",
            Self::LosingHeat => "losing heat faster than ever in such a room: lid, window, fan or chiller",
            Self::ProbeOutOfWater => "the probe follows the room: it is out of the water",
            Self::ProbeShifted => {
                "the heater switches at other readings than before: probe or thermostat has shifted"
            }
            Self::ProbeLags => "the probe follows the water late: it hangs in a corner, a tube or slime",
        })
    }
}

/// A fault that stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StandingFault {
    /// Which.
    pub fault: Fault,
    /// Since when the evidence adds up.
    pub since: Moment,
}

/// What to give [`Faults::new`] for less than one false alarm a year: real residuals are no noise, and water
/// changes that nobody declared are among them. Four hundred simulated tank-years, a fifth of
/// their weekly water changes undeclared, had 0.67 to 0.92 a year.
pub const USUAL_PER_YEAR: f64 = 0.03;

/// Cells in a year.
const YEAR: f64 = 105_120.0;
/// Cells after a heater switched in which its heat is still on the way.
const ON_THE_WAY: u32 = 2;
/// A change that lasts this long is learned.
const LASTING: Span = Span::hours(24);
/// After a jump the water settles for this many cells.
const SETTLES: u32 = 6;
/// Evidence of fewer cells than this is no evidence: a cup of cold water.
const LEAST_STEPS: u32 = 4;
/// Cells for which a height holds.
const HEIGHTS_FOR: u32 = 12;
const CELL_H: f64 = 1.0 / 12.0;

/// The tests of one tank. No heap.
#[derive(Clone, Debug)]
pub struct Faults {
    /// Mean steps to a false alarm of one test.
    steps: f64,
    tests: [Cusum; 3],
    band: Band,
    jump: Jump,
    lag: Lag,
    before: Option<Cell>,
    /// Standard deviation of one cell's step, K.
    noise: f64,
    cells: u32,
    /// Cells since a heater was last on.
    quiet: u32,
    was_on: bool,
    /// Which heaters were ever on.
    heated: [bool; 2],
    /// Heights of the tests, worked out anew every hour.
    heights: [f64; 3],
    settling: u32,
    standing: [Option<Moment>; 8],
    suspicious_since: Option<Moment>,
}

impl Faults {
    /// Tests that together raise about `per_year` false alarms a year on a tank whose residuals are as noise.
    pub fn new(per_year: f64) -> Self {
        Self {
            steps: YEAR * 4.0 / per_year.clamp(1e-3, 1e3),
            tests: [Cusum::default(); 3],
            band: Band::default(),
            jump: Jump::default(),
            lag: Lag::default(),
            before: None,
            noise: 0.02,
            cells: 0,
            quiet: 0,
            was_on: false,
            heated: [false; 2],
            heights: [f64::INFINITY; 3],
            settling: 0,
            standing: [None; 8],
            suspicious_since: None,
        }
    }

    /// What stands now.
    pub fn standing(&self) -> impl Iterator<Item = StandingFault> {
        Fault::ALL
            .into_iter()
            .filter_map(|fault| self.standing[fault.index()].map(|since| StandingFault { fault, since }))
    }

    /// Why there can be no findings yet, if there cannot.
    pub fn ready(&self, model: &Thermal) -> Result<(), CannotSay> {
        model.heater_known()?;
        model.is_learned()
    }

    /// Takes a cell that the model has just ended. The model is told to hold its learning while
    /// something is suspicious.
    pub fn cell(&mut self, model: &mut Thermal, cell: &Cell) {
        let before = self.before.replace(*cell);
        if !cell.heaters.iter().all(|share| share.is_finite()) {
            // A heater that nobody sees is not off.
            return;
        }
        let on = cell.heaters[0] + cell.heaters[1] > 0.05;
        for (heated, share) in self.heated.iter_mut().zip(cell.heaters) {
            *heated |= share > 0.05;
        }
        self.quiet = if on { 0 } else { self.quiet.saturating_add(1) };
        if cell.disturbed || !model.pumps_run() {
            // Hands in the tank, or the pumps' heat gone: what happened is theirs.
            self.lag.interrupted();
            self.tests = [Cusum::default(); 3];
            self.settling = SETTLES;
            return;
        }
        let Some(before) = before.filter(|before| follows(before, cell)) else { return };
        if self.ready(model).is_err() {
            self.band.learn(&before, cell);
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
        self.jumped(&before, cell, residual, most);
        let residual = residual.clamp(-most, most);
        if self.settling > 0 {
            self.settling -= 1;
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
        self.switching(&before, cell);
        self.hold(model, cell);
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
            let height = self.heights[i] + on_the_way[i];
            let Cusum { evidence, steps } = self.tests[i];
            // A heater without heat also looks like a loss: the nearer explanation speaks.
            let explained = fault == Fault::LosingHeat && self.tests[0].evidence >= evidence;
            let found = evidence > height && steps >= LEAST_STEPS && !explained;
            self.judge(fault, found, evidence == 0.0, cell.end);
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
        let standing = &mut self.standing[fault.index()];
        if gone {
            *standing = None;
        } else if found {
            standing.get_or_insert(at);
        }
    }

    /// A step that is more than any fault and the noise together: water was changed, or the probe moved.
    fn jumped(&mut self, before: &Cell, cell: &Cell, residual: f64, most: f64) {
        if residual.abs() > most + 4.0 * self.noise {
            self.tests = [Cusum::default(); 3];
            self.settling = SETTLES;
            self.jump.begin(before);
        }
        let out = self.jump.judge(cell);
        self.judge(Fault::ProbeOutOfWater, out == Some(true), out == Some(false), cell.end);
    }

    /// The three tests on where the heater switches.
    fn switching(&mut self, before: &Cell, cell: &Cell) {
        if self.standing.iter().all(Option::is_none) {
            self.band.learn(before, cell);
        }
        let silent = self.band.silent(cell, self.quiet);
        self.judge(Fault::HeaterSilent, silent == Some(true), silent == Some(false), cell.end);
        let overwhelmed = self.band.overwhelmed(cell, self.quiet);
        self.judge(Fault::HeaterOverwhelmed, overwhelmed == Some(true), overwhelmed == Some(false), cell.end);
        let shifted = self.band.shifted();
        self.judge(Fault::ProbeShifted, shifted, !shifted, cell.end);
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

/// Whether `cell` came right after `before`, and both tell of water and heaters.
fn follows(before: &Cell, cell: &Cell) -> bool {
    before.end + Thermal::cell_length() == cell.end
        && before.temperature.is_finite()
        && cell.temperature.is_finite()
        && before.heaters.iter().all(|share| share.is_finite())
}
