//! Readings become cells of five minutes, and two blocks of six cells become one equation of
//! the regression. The mean of one block less the mean of the block before is exactly the rate
//! of change averaged with triangular weights over both; so each input is averaged with those
//! same weights. A slip of one row in them moves a heater's rate by a sixth.

#![expect(clippy::indexing_slicing, reason = "one place for each input, in arrays of that many")]

use super::{CONSTANTS, Heater, ThermalInput};
use slackwater_time::{Moment, Span};

/// The length of a cell.
pub const CELL: Span = Span::minutes(5);
/// Cells in a block of half an hour.
const BLOCK: usize = 6;
/// Cells that are kept: two blocks, an hour.
pub(super) const KEPT: usize = 2 * BLOCK;
const INPUTS: usize = 5;

/// Means over five minutes. NaN is unknown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cell {
    /// When it ended.
    pub end: Moment,
    /// The water, degC.
    pub temperature: f64,
    /// The room, degC.
    pub room: f64,
    /// Both heaters' share of full power.
    pub heaters: [f64; 2],
    /// The lamp's share of full power.
    pub lamp: f64,
    /// The chiller's share of full power.
    pub chiller: f64,
    /// Hands were in the tank.
    pub disturbed: bool,
    /// A fault was under suspicion.
    pub held: bool,
}

impl Cell {
    /// The row of the regression, with nothing for the room: first, second heater, other, lamp,
    /// chiller follow it.
    pub(super) fn inputs(&self) -> [f64; CONSTANTS] {
        [0.0, self.heaters[0], self.heaters[1], 1.0, self.lamp, self.chiller]
    }

    /// Whether it came right after `before`, and both tell of water and heaters.
    pub(crate) fn follows(&self, before: &Self) -> bool {
        before.end + CELL == self.end
            && before.temperature.is_finite()
            && self.temperature.is_finite()
            && before.heaters.iter().all(|share| share.is_finite())
    }
}

/// One equation: the mean rate over two blocks, and the inputs averaged alike.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Equation {
    /// When its second block ended.
    pub(super) end: Moment,
    /// K/h.
    pub(super) rate: f64,
    /// Room minus water, K; NaN if the room was not known throughout.
    gap: f64,
    inputs: [f64; CONSTANTS],
}

impl Equation {
    pub(super) fn with_room(&self) -> Option<[f64; CONSTANTS]> {
        let mut x = self.inputs;
        x[0] = self.gap;
        self.gap.is_finite().then_some(x)
    }

    pub(super) fn lamp(&self) -> f64 {
        self.inputs[4]
    }

    /// The rate less what heaters and chiller brought by `constants`, K/h.
    pub(super) fn rate_without_devices(&self, constants: &[f64; CONSTANTS]) -> f64 {
        self.rate - [1, 2, 5].into_iter().map(|i| self.inputs[i] * constants[i]).sum::<f64>()
    }

    pub(super) fn without_room(&self) -> [f64; CONSTANTS] {
        self.inputs
    }

    /// What `constants` leave unexplained, K/h: with the room if it was known.
    pub(super) fn residual(&self, constants: &[f64; CONSTANTS]) -> f64 {
        let x = self.with_room().unwrap_or(self.inputs);
        self.rate - super::dot(&x, constants)
    }

    /// This equation less `share` of another.
    pub(super) fn less(&self, other: &Self, share: f64) -> Self {
        let mut inputs = self.inputs;
        for (input, before) in inputs.iter_mut().zip(other.inputs) {
            *input -= share * before;
        }
        Self {
            end: self.end,
            rate: self.rate - share * other.rate,
            gap: self.gap - share * other.gap,
            inputs,
        }
    }

    /// From cells in order of time, an even number of them, each `cell_h` hours long. `None` where
    /// something is unknown.
    pub(super) fn of(cells: &[Cell], cell_h: f64) -> Option<Self> {
        let half = cells.len() / 2;
        let mean = |part: &[Cell]| part.iter().map(|cell| cell.temperature).sum::<f64>() / half as f64;
        let rate = (mean(&cells[half..]) - mean(&cells[..half])) / (half as f64 * cell_h);
        let (mut gap, mut inputs) = (0.0, [0.0; CONSTANTS]);
        for (i, cell) in cells.iter().enumerate() {
            let steps = if i < half { i } else { cells.len() - 1 - i };
            let weight = (steps as f64 + 0.5) / (half * half) as f64;
            gap += weight * (cell.room - cell.temperature);
            for (sum, input) in inputs.iter_mut().zip(cell.inputs()) {
                *sum += weight * input;
            }
        }
        let usable = rate.is_finite() && inputs.iter().all(|input| input.is_finite());
        let end = cells.last()?.end;
        let learnable = !cells.iter().any(|cell| cell.disturbed || cell.held);
        (usable && learnable).then_some(Self { end, rate, gap, inputs })
    }
}

/// The cell under way and the newest that have ended.
#[derive(Clone, Debug)]
pub(super) struct Cells {
    kept: [Option<Cell>; KEPT],
    /// How many readings that came late each of these is made of; none if it had some in time.
    late: [u32; KEPT],
    /// How far the cell under way has been summed.
    until: Option<Moment>,
    temperature: (f64, u32),
    /// Value in force and its integral over the cell under way, in milliseconds.
    inputs: [(f64, f64); INPUTS],
    heard: [bool; INPUTS],
}

impl Default for Cells {
    fn default() -> Self {
        // An input that was never heard of is not there: no room, no heat.
        let mut inputs = [(0.0, 0.0); INPUTS];
        inputs[0].0 = f64::NAN;
        Self {
            kept: [None; KEPT],
            late: [0; KEPT],
            until: None,
            temperature: (0.0, 0),
            inputs,
            heard: [false; INPUTS],
        }
    }
}

fn index(input: ThermalInput) -> usize {
    match input {
        ThermalInput::Room => 0,
        ThermalInput::Heater(Heater::First) => 1,
        ThermalInput::Heater(Heater::Second) => 2,
        ThermalInput::Lamp => 3,
        ThermalInput::Chiller => 4,
    }
}

impl Cells {
    pub(super) fn temperature(&mut self, celsius: f64) {
        if celsius.is_finite() {
            self.temperature.0 += celsius;
            self.temperature.1 += 1;
        }
    }

    /// A reading that was measured then, and comes only now: it belongs to the cell of its time, if
    /// that is under way or had none in time.
    pub(super) fn late(&mut self, at: Moment, celsius: f64) {
        let cell_of = |at: Moment| at.0.div_euclid(CELL.0);
        if !celsius.is_finite() {
            return;
        }
        if self.until.is_some_and(|until| cell_of(until) == cell_of(at)) {
            return self.temperature(celsius);
        }
        for (cell, late) in self.kept.iter_mut().zip(&mut self.late) {
            let Some(cell) = cell.as_mut().filter(|cell| cell_of(cell.end - Span(1)) == cell_of(at)) else {
                continue;
            };
            if cell.temperature.is_nan() {
                (cell.temperature, *late) = (celsius, 1);
            } else if *late > 0 {
                *late += 1;
                cell.temperature += (celsius - cell.temperature) / f64::from(*late);
            }
        }
    }

    pub(super) fn input(&mut self, input: ThermalInput, value: f64) {
        self.inputs[index(input)].0 = value;
        self.heard[index(input)] = true;
    }

    /// Whether anything was ever heard of an input.
    pub(super) fn heard(&self, input: ThermalInput) -> bool {
        self.heard[index(input)]
    }

    pub(super) fn held(&self, input: ThermalInput) -> f64 {
        self.inputs[index(input)].0
    }

    /// Sums up to `at`; gives the next cell that ended on the way, until there is none.
    pub(super) fn next_ended(&mut self, at: Moment) -> Option<Cell> {
        let until = *self.until.get_or_insert(at);
        if at <= until {
            return None;
        }
        if at - until > CELL.times(KEPT as i64) {
            // Nothing heard for an hour: what was kept is no neighbour of what comes.
            self.forget(at);
            return None;
        }
        let end = Moment((until.0.div_euclid(CELL.0) + 1).saturating_mul(CELL.0));
        let next = if at < end { at } else { end };
        for (value, integral) in &mut self.inputs {
            *integral += *value * (next - until).0 as f64;
        }
        self.until = Some(next);
        (next == end).then(|| self.close(end))
    }

    fn forget(&mut self, at: Moment) {
        (self.kept, self.late) = ([None; KEPT], [0; KEPT]);
        self.until = Some(at);
        self.temperature = (0.0, 0);
        self.inputs.iter_mut().for_each(|(_, integral)| *integral = 0.0);
    }

    fn close(&mut self, end: Moment) -> Cell {
        let (sum, count) = std::mem::take(&mut self.temperature);
        let mean = |slot: usize| self.inputs[slot].1 / CELL.0 as f64;
        let cell = Cell {
            end,
            temperature: if count > 0 { sum / f64::from(count) } else { f64::NAN },
            room: mean(0),
            heaters: [mean(1), mean(2)],
            lamp: mean(3),
            chiller: mean(4),
            disturbed: false,
            held: false,
        };
        self.inputs.iter_mut().for_each(|(_, integral)| *integral = 0.0);
        cell
    }

    /// Keeps a cell. Returns whether a block ended with it.
    pub(super) fn push(&mut self, cell: Cell) -> bool {
        self.kept.rotate_left(1);
        self.late.rotate_left(1);
        (self.kept[KEPT - 1], self.late[KEPT - 1]) = (Some(cell), 0);
        self.fill_one_gap();
        cell.end.0.div_euclid(CELL.0).rem_euclid(BLOCK as i64) == 0
    }

    /// One cell without a reading between two with one takes their mean: the gap is shorter than
    /// what the weights resolve. A longer one stays a gap.
    fn fill_one_gap(&mut self) {
        let [.., Some(before), Some(hole), Some(after)] = &mut self.kept else { return };
        if hole.temperature.is_nan() {
            hole.temperature = (before.temperature + after.temperature) / 2.0;
        }
    }

    /// The equation of the two newest blocks, if every cell of them is known.
    pub(super) fn equation(&self) -> Option<Equation> {
        let first = self.kept[0]?;
        let mut cells = [first; KEPT];
        for (cell, kept) in cells.iter_mut().zip(&self.kept) {
            *cell = (*kept)?;
        }
        Equation::of(&cells, CELL.as_seconds() / 3_600.0)
    }

    /// The newest cells, newest first, back to the first that is missing.
    pub(super) fn newest(&self) -> impl Iterator<Item = &Cell> + Clone {
        self.kept.iter().rev().map_while(Option::as_ref)
    }

    /// The mean of the cell under way, if some readings fell into it, else of the newest with one.
    pub(super) fn water(&self) -> Option<f64> {
        let (sum, count) = self.temperature;
        if count >= 4 {
            return Some(sum / f64::from(count));
        }
        let closed = self.newest().take(3).map(|cell| cell.temperature).find(|t| t.is_finite());
        closed.or((count > 0).then(|| sum / f64::from(count)))
    }
}

#[cfg(test)]
mod tests;
