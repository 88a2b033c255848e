//! The thermal model of one tank, learned on line:
//!
//! `dT/dt = a (Ta - T) + r1 u1 + r2 u2 + q + l lamp + c chiller`
//!
//! Readings of the water, the room, the heaters, the lamp and the chiller flow in as they come:
//! noisy, quantised, with gaps. They are averaged into cells of five minutes; two neighbouring
//! half-hour blocks of cells make one equation (`cells`), and a regression that never forgets its
//! prior learns from it. Raw readings would not do: noise in the regressor shrinks the time
//! constant by half. The prior is what the tank's size says ([`Prior`]), so the first hour has an
//! answer too. Out come the constants ([`Constants`]) and times until a limit
//! ([`Thermal::time_to`]), as intervals from the spread of models; the filter's own covariance is
//! known to be far too sure.

mod by_day;
mod cells;
mod constants;
mod day;
mod future;
mod kept;
mod outlook;
mod prior;

pub use cells::{CELL, Cell};
pub use constants::Constants;
pub use outlook::{Scenario, Side};
pub use prior::Prior;

use super::hold::{Hold, HoldGround, Holder};
use super::interval::CannotSay;
use super::regression::Regression;
use cells::{Cells, Equation};
use day::Day;
use slackwater_time::{Moment, Span};

/// What the model is fed beside the water's temperature.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum ThermalInput {
    /// Room temperature, degC.
    Room,
    /// A heater's share of its full power, 0 to 1: from its relay, or watts over rated watts.
    Heater(Heater),
    /// The lamp's share of full power, 0 to 1.
    Lamp,
    /// A chiller's or fan's share of full power, 0 to 1.
    Chiller,
}

/// Which of two heaters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Heater {
    /// The one that works.
    First,
    /// The spare.
    Second,
}

/// How many constants there are: loss, two heaters, other heat, lamp, chiller.
pub(crate) const CONSTANTS: usize = 6;
/// What an equation weighs one equation (30 min) later: a memory of ten days.
const MEMORY: f64 = 0.998;
/// Standard deviation of one whitened equation, K/h, before it was learned: 0.03 K of noise, 0.0625
/// K steps.
const NOISE_K_H: f64 = 0.06;
/// Share of what is not among the inputs (sun, an unknown lamp, a room without a sensor) that is
/// still there half an hour later. Each equation is learned less this share of the one before, as
/// Cochrane & Orcutt 1949 do: a thermostat answers such heat at once, and would pass it off as a
/// weak heater.
const PERSISTS: f64 = 0.9;
/// Equations (half hours) before the constants count as learned: a day, for its warm and its cold
/// hours.
pub(crate) const DAY_OF_EQUATIONS: u32 = 44;
/// So far above its room a tank may be held, K, if nobody knows better.
const OWN_GAP: f64 = 4.0;
/// No water changes faster than this by itself, K/h: a heater for a tank ten times the size.
const JUMP_K_H: f64 = 4.0;

/// One tank's thermal model. Under 5 KiB, no heap.
#[derive(Clone, Debug)]
pub struct Thermal {
    cells: Cells,
    prior: Prior,
    /// With the room as an input, and without: the second serves when there is no room sensor.
    with_room: Regression<CONSTANTS>,
    without_room: Regression<CONSTANTS>,
    learned: LearnedThermal,
    hold: Hold,
    day: Day,
    /// A fault stands: its water teaches nothing.
    faulty: bool,
    /// The newest equation.
    before: Option<Equation>,
    /// Hands are in the tank until then.
    disturbed_until: Option<Moment>,
    /// A fault is under suspicion until then.
    held_until: Option<Moment>,
    /// The pumps stand still.
    pumps_lost: bool,
    /// Somebody says whether they do.
    pumps_seen: bool,
}

/// What was seen while learning.
#[derive(Clone, Copy, Debug)]
struct LearnedThermal {
    equations: u32,
    with_room: u32,
    /// Running mean and mean square of room minus water, K.
    gap: f64,
    gap_square: f64,
    /// Running mean of the residual's size, K/h, times 1.25: a standard deviation that outliers do
    /// not move.
    noise: f64,
    /// Mean residual of the last hour or two, K/h: what is not among the inputs shows up here.
    bias: f64,
    /// Running mean of the bias's size, and of how far a residual is from the bias before it.
    bias_size: f64,
    surprise: f64,
    /// Running mean of the lamp's share, over two days.
    lamp: f64,
}

impl Thermal {
    /// A tank about which only `prior` is known.
    pub fn new(prior: Prior) -> Self {
        Self::with_memory(prior, MEMORY)
    }

    /// The same, with another memory: 1 never forgets.
    pub fn with_memory(prior: Prior, memory: f64) -> Self {
        let regression = |prior| Regression::new(prior, NOISE_K_H, memory);
        Self {
            cells: Cells::default(),
            with_room: regression(prior.with_room()),
            without_room: regression(prior.without_room()),
            prior,
            hold: Hold::default(),
            day: Day::default(),
            faulty: false,
            before: None,
            learned: LearnedThermal {
                equations: 0,
                with_room: 0,
                gap: 0.0,
                gap_square: 0.0,
                noise: NOISE_K_H,
                bias: 0.0,
                bias_size: 0.0,
                surprise: 0.1,
                lamp: 0.0,
            },
            disturbed_until: None,
            held_until: None,
            pumps_lost: false,
            pumps_seen: false,
        }
    }

    /// Takes a good reading of the water, degC. Returns the cell that it ended, if it did.
    pub fn temperature(&mut self, at: Moment, celsius: f64) -> Option<Cell> {
        let ended = self.advance(at);
        self.cells.temperature(celsius);
        ended
    }

    /// Takes a good reading of the water, degC, that was measured at `at` and comes only now, as
    /// the rest of a pack does. What is older than an hour is of no use any more: its equations are
    /// made.
    pub fn late(&mut self, at: Moment, celsius: f64) {
        self.cells.late(at, celsius);
    }

    /// Takes a good reading of another input, in force until the next one.
    pub fn input(&mut self, at: Moment, input: ThermalInput, value: f64) -> Option<Cell> {
        let ended = self.advance(at);
        self.cells.input(input, value);
        ended
    }

    /// An input is stale, suspect or gone: unknown from here on.
    pub fn lost(&mut self, at: Moment, input: ThermalInput) -> Option<Cell> {
        let ended = self.advance(at);
        self.cells.input(input, f64::NAN);
        ended
    }

    /// Hands in the tank (a water change, a probe moved, feeding with pumps off): nothing that
    /// began before `until` is learned from.
    pub fn disturbed(&mut self, until: Moment) {
        self.disturbed_until = self.disturbed_until.max(Some(until));
    }

    /// A fault is under suspicion: nothing that began before `until` is learned from.
    pub fn hold(&mut self, until: Moment) {
        self.held_until = self.held_until.max(Some(until));
    }

    /// Says that the pumps stand still, or run again. While they stand nothing is learned: their
    /// heat is gone, and a probe in a sump sees the sump alone.
    pub fn pumps(&mut self, at: Moment, running: bool) -> Option<Cell> {
        let ended = self.advance(at);
        self.pumps_lost = !running;
        ended
    }

    /// Says that a sensor shows whether the pumps run.
    pub fn sees_pumps(&mut self) {
        self.pumps_seen = true;
    }

    /// Whether a sensor shows it.
    pub fn pumps_seen(&self) -> bool {
        self.pumps_seen
    }

    /// What was known of the tank before anything was measured.
    pub fn prior(&self) -> &Prior {
        &self.prior
    }

    /// Whether the pumps are not known to stand still.
    pub fn pumps_run(&self) -> bool {
        !self.pumps_lost
    }

    /// Lets time pass to `at`. Returns the newest cell that it ended, if it did.
    pub fn advance(&mut self, at: Moment) -> Option<Cell> {
        let mut ended = None;
        while let Some(mut cell) = self.cells.next_ended(at) {
            let start = Some(cell.end - CELL);
            cell.disturbed = start < self.disturbed_until;
            cell.held = start < self.held_until;
            if self.cells.push(cell)
                && let Some(equation) = self.cells.equation()
            {
                self.learn(&equation);
            }
            let heaters_seen = !self.prior.unheated && self.heater_known().is_ok();
            let ground = HoldGround { own: self.own_rate(), heaters_seen, suspicious: self.faulty };
            self.hold.cell(&cell, ground);
            ended = Some(cell);
        }
        ended
    }

    /// Constants whose heaters' rates are held to their ratings: a thermostat that cycles fast
    /// answers every other heat at once, and all that is learned from it is a weak heater.
    fn held_to_rating(&self, mut constants: [f64; CONSTANTS]) -> [f64; CONSTANTS] {
        for (heater, rate) in constants.iter_mut().skip(1).take(2).enumerate() {
            if let Some((least, most)) = self.prior.of_rating(heater) {
                *rate = rate.clamp(least, most);
            }
        }
        constants
    }

    /// The fastest that this tank changes by itself, K/h: with its heaters on, or with none.
    fn own_rate(&self) -> f64 {
        let prior = OWN_GAP / self.prior.tau_h.likely;
        if self.is_learned().is_err() || self.heater_known().is_err() {
            return prior;
        }
        let ([first, second], fall) = self.usual_rates();
        (first + second).max(fall.abs()).min(3.0 * prior)
    }

    /// What holds the water, as far as it was seen.
    pub fn holds(&self) -> &Hold {
        &self.hold
    }

    /// Something else holds the water now: where this device turned it counts no more until it does
    /// so again.
    pub(crate) fn forget(&mut self, holder: Holder) {
        self.hold.forget(holder);
    }

    /// Says whether a fault stands.
    pub fn suspect(&mut self, faulty: bool) {
        self.faulty = faulty;
    }

    fn learn(&mut self, equation: &Equation) {
        let before =
            self.before.replace(*equation).filter(|before| before.end == equation.end - CELL.times(6));
        if self.pumps_lost || equation.rate.abs() > JUMP_K_H || self.heater_known().is_err() {
            return;
        }
        let room_known = equation.with_room().is_some();
        let regression = if room_known { &self.with_room } else { &self.without_room };
        let constants = regression.constants();
        let rated = self.held_to_rating(constants);
        let seen = &mut self.learned;
        // The prior's error is no measure of the noise: only residuals of a learned model are.
        let known = seen.equations >= DAY_OF_EQUATIONS / 2;
        if known {
            let residual = equation.residual(&constants);
            let surprise = (1.25 * (residual - seen.bias).abs()).min(0.5);
            seen.surprise += (surprise - seen.surprise) * 0.02;
            seen.bias += (residual.clamp(-0.5, 0.5) - seen.bias) * 0.4;
            seen.bias_size += (1.25 * seen.bias.abs() - seen.bias_size) * 0.02;
            let middle = equation.end - CELL.times(6);
            self.day.take(middle, equation.rate_without_devices(&rated), equation.lamp());
        }
        let Some(whitened) = before.map(|before| equation.less(&before, PERSISTS)) else { return };
        let residual = whitened.residual(&constants);
        // Huber's weight: a jump that nothing announced moves the constants no more than a bad
        // half hour; a lasting change still wins.
        let weight = if known { (2.5 * seen.noise / residual.abs().max(1e-9)).min(1.0) } else { 1.0 };
        if known {
            let size = (1.25 * residual.abs()).min(4.0 * seen.noise);
            seen.noise = (seen.noise + (size - seen.noise) * 0.02).max(0.005);
        }
        seen.equations = seen.equations.saturating_add(1);
        seen.lamp += (equation.lamp() - seen.lamp) * (1.0 / f64::from(seen.equations)).max(0.01);
        self.without_room.learn(&whitened.without_room(), whitened.rate, weight);
        if let (Some(x), Some(level)) = (whitened.with_room(), equation.with_room()) {
            seen.with_room = seen.with_room.saturating_add(1);
            let share = (1.0 / f64::from(seen.with_room)).max(1.0 - MEMORY);
            seen.gap += (level[0] - seen.gap) * share;
            seen.gap_square += (level[0] * level[0] - seen.gap_square) * share;
            self.with_room.learn(&x, whitened.rate, weight);
        }
    }

    /// The room now, if it is known.
    pub fn room(&self) -> Option<f64> {
        Some(self.cells.held(ThermalInput::Room)).filter(|room| room.is_finite())
    }

    /// The water now: the mean of the newest minutes.
    pub fn water(&self) -> Option<f64> {
        self.cells.water()
    }

    /// Standard deviation of what half an hour's rate has beyond the model, K/h.
    pub fn noise(&self) -> f64 {
        self.learned.noise
    }

    /// What each heater adds at full power, and what the tank loses at the gap to the room that it
    /// usually has: the likely values of [`Thermal::constants`], cheaper, K/h.
    pub fn usual_rates(&self) -> ([f64; 2], f64) {
        let room_known = self.room().is_some();
        let regression = if room_known { &self.with_room } else { &self.without_room };
        let [loss, first, second, other, ..] = regression.constants();
        let gap = if room_known { self.learned.gap } else { 0.0 };
        ([first.max(0.0), second.max(0.0)], other + loss * gap)
    }

    /// Rates that come within half an hour without an input that explains them, K/h: sun, weather,
    /// an unknown lamp.
    pub fn unknown_rate(&self) -> f64 {
        (2.0 * self.learned.surprise).max(0.02)
    }

    /// Whether a day of equations has been learned, and the constants are the tank's own.
    pub fn is_learned(&self) -> Result<(), CannotSay> {
        if self.learned.equations >= DAY_OF_EQUATIONS {
            Ok(())
        } else {
            let seen_h = f64::from(self.learned.equations) / 2.0;
            Err(CannotSay::TooEarly { seen_h, needed_h: f64::from(DAY_OF_EQUATIONS) / 2.0 })
        }
    }

    /// The constants as they are now believed to be: prior where nothing was learned.
    pub fn constants(&self) -> Constants {
        Constants::of(self)
    }

    /// The rate to expect for these inputs, K/h, as the last hour went; NaN if an input is unknown.
    pub fn expected_rate(&self, cell: &Cell) -> f64 {
        let room_known = cell.room.is_finite() && self.learned.with_room >= DAY_OF_EQUATIONS;
        let regression = if room_known { &self.with_room } else { &self.without_room };
        let mut x = cell.inputs();
        x[0] = if room_known { cell.room - cell.temperature } else { 0.0 };
        dot(&x, &regression.constants()) + self.learned.bias
    }

    /// How long a cell lasts.
    pub const fn cell_length() -> Span {
        CELL
    }
}

pub(crate) fn dot(x: &[f64; CONSTANTS], constants: &[f64; CONSTANTS]) -> f64 {
    x.iter().zip(constants).map(|(x, constant)| x * constant).sum()
}
