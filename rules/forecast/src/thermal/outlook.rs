//! Times until a limit, as an interval made of the spread of several simple futures:
//!
//! - the tank's own day (`day`), from the day on that it is known: its course, and ends calibrated
//!   on its own past forecasts (`by_day`); before that
//! - the straight line along the present slope: never later than the truth while the room falls no
//!   faster than the tank, so the early end is never later than it;
//! - the learned tank, which slows down as it nears the room;
//! - the same with a loss, a slope and a room at the unfavourable end.
//!
//! While something [holds](crate::hold) the water, its slope is a part of a cycle and no line is
//! drawn along it.
//!
//! A free exponential says "never" too easily, and one towards the room's temperature is twice too
//! late, since evaporation holds a tank below its room; neither is used.

#![expect(clippy::indexing_slicing, reason = "places of the inputs, of which there is a fixed number")]

use super::by_day::ByDay;
use super::cells::KEPT;
use super::future::Future;
use super::{CELL, Cell, Constants, Thermal};
use crate::hold::Holder;
use crate::interval::{Basis, CannotSay, Estimate, Interval};
use slackwater_time::Moment;

/// Below or above a limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Until the water is colder.
    Below,
    /// Until the water is warmer.
    Above,
}

/// What to suppose. `None` leaves a thing as it is.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Scenario {
    /// Both heaters' share of full power.
    pub heaters: [Option<f64>; 2],
    /// The lamp's share of full power.
    pub lamp: Option<f64>,
    /// The chiller's share of full power.
    pub chiller: Option<f64>,
    /// The room's temperature from now on, degC.
    pub room: Option<f64>,
    /// The pumps stand still, and their heat is gone.
    pub pumps_lost: bool,
    /// Nothing holds the water: there is no power for what would.
    pub unheld: bool,
}

impl Scenario {
    /// As it is.
    pub fn now() -> Self {
        Self::default()
    }

    /// No heater heats; all else as it is.
    pub fn no_heat() -> Self {
        Self { heaters: [Some(0.0); 2], ..Self::default() }
    }

    /// No power at all.
    pub fn no_power() -> Self {
        Self { lamp: Some(0.0), chiller: Some(0.0), pumps_lost: true, unheld: true, ..Self::no_heat() }
    }

    /// The first heater never switches off.
    pub fn heater_stuck() -> Self {
        Self { heaters: [Some(1.0), None], ..Self::default() }
    }
}

/// Cells of one and the same state that make a slope: a quarter of an hour.
const LEAST_CELLS: usize = 3;
/// The present rate is that of the last hour: its middle is so long ago, h.
const PRESENT_H: f64 = 0.3;
/// The loss of a tank's heat, of that by its size: what a keeper writes down is the water in the
/// tank, and sump, rock and sand cool with it.
const BY_SIZE: f64 = 0.8;
/// Cells of a slope of what goes on by itself: half an hour.
const BY_ITSELF_CELLS: usize = 6;
/// Cells of a slope if the heater's state is not known.
const UNSEEN_HEATER_CELLS: usize = 6;
/// Standard deviation of a cell's mean, K: noise, and the steps of a quantised probe.
const CELL_NOISE: f64 = 0.02;
/// A measured or learned rate may be off by this share for reasons of structure.
const RATE_SHARE: f64 = 0.06;
/// How far outside of its swing the water may be by chance, K; no more than half of the way to the
/// limit.
const BAND_LEFT: f64 = 0.25;
/// Of a bias that comes and goes, this share may be gone or doubled before the limit.
const BIAS_SHARE: f64 = 0.5;
/// An 80 % interval is this many standard deviations to each side.
const EIGHTY: f64 = 1.28;
/// The late end is drawn nearer, by these shares of the doubt and of what may slow the fall: with
/// the early end held to the straight line the truth is rarely before it, and a whole width to
/// either side held it in 84 to 96 of 100 tanks instead of 80. Chosen on tanks below 8200 of the
/// study; later ones are held out.
const LATE: (f64, f64) = (0.8, 0.5);

/// A slope with its standard deviation, K/h.
#[derive(Clone, Copy, Debug)]
struct Slope {
    rate: f64,
    deviation: f64,
}

impl Thermal {
    /// Hours until the water is on the far side of `limit`, degC, under `what_if`; 0 if it is
    /// there. About an 80 % interval on simulated tanks.
    pub fn time_to(&self, side: Side, limit: f64, what_if: &Scenario) -> Result<Estimate, CannotSay> {
        let water = self.water().ok_or(CannotSay::Missing("water temperature"))?;
        CannotSay::unless_within("limit in degC", limit, -5.0, 60.0)?;
        let sign = match side {
            Side::Below => -1.0,
            Side::Above => 1.0,
        };
        let by_itself = what_if.heaters == [None; 2] && what_if.chiller.is_none() && !what_if.unheld;
        if by_itself && !self.holds().is_calm() {
            return Err(CannotSay::NotIdentifiable("water was changed or its probe moved within four hours"));
        }
        let distance = sign * (limit - water);
        if distance <= 0.0 {
            return Ok(Estimate::new(Interval::exact(0.0), [Basis::measured("water temperature")]));
        }
        let heater_known = self.heater_known().is_ok();
        if !heater_known && what_if.heaters != [None; 2] {
            return Err(CannotSay::Missing("heater state"));
        }
        if by_itself && let Some(held) = self.goes_on(side, limit, water)? {
            return Ok(held);
        }
        let constants = self.constants();
        let inputs = self.supposed(what_if);
        let room = what_if.room.or(self.room());
        let learned = self.learned_slope(&constants, &inputs, room, water, what_if).filter(|_| heater_known);
        let measured = self.measured_slope(what_if, &inputs);
        let best = combine(learned, measured).ok_or(CannotSay::Missing("rate of change yet"))?;
        if self.day.is_known() && heater_known && what_if.room.is_none() {
            let from = self.by_day(&constants, &inputs, best, what_if);
            return Ok(Estimate::new(from.meets(sign, distance), self.rests_on(measured.is_some(), what_if)));
        }
        let lamp = match what_if.lamp {
            Some(_) => Interval::exact(0.0),
            None => self.lamp_to_come(constants.lamp, inputs[4]),
        };

        let toward = |rate: f64| sign * rate;
        let straight = [Some(best), measured, learned].into_iter().flatten().map(|slope| toward(slope.rate));
        let steepest = straight.fold(f64::NEG_INFINITY, f64::max);
        let doubt = EIGHTY * best.deviation;
        let trend = if what_if.room.is_some() { 0.0 } else { toward(self.room_trend()) };
        let (gain, help) = if sign < 0.0 { (-lamp.low, -lamp.high) } else { (lamp.high, lamp.low) };
        let fast = steepest.max(toward(best.rate) + doubt) + gain;
        let slow = toward(best.rate) - LATE.0 * doubt + help;
        let likely = toward(best.rate + lamp.likely);
        let (loss, slows) = (constants.loss, constants.slows);
        let slows_late = slows.likely + LATE.1 * (slows.high - slows.likely);
        let range = Interval::new(
            Future { rate: fast, slows: 0.0, loss: loss.high, trend: trend.max(0.0) }.meets(distance),
            Future { rate: likely, slows: slows.likely, loss: loss.likely, trend: trend / 2.0 }
                .meets(distance),
            Future { rate: slow, slows: slows_late, loss: loss.high, trend: trend.min(0.0) }.meets(distance),
        );
        Ok(Estimate::new(range, self.rests_on(measured.is_some(), what_if)))
    }

    /// The future as the tank's own day has it, from the present rate.
    fn by_day(
        &self,
        constants: &Constants,
        inputs: &[f64; super::CONSTANTS],
        best: Slope,
        what_if: &Scenario,
    ) -> ByDay<'_> {
        let now = self.cells.newest().next().map_or(Moment(0), |cell| cell.end);
        let lamp = if what_if.lamp == Some(0.0) { constants.lamp.max(0.0) } else { 0.0 };
        let heat = constants.heaters[0].likely * inputs[1] + constants.heaters[1].likely * inputs[2];
        let lost = what_if.pumps_lost || self.pumps_lost;
        let pumps = if lost { self.prior.pumps().likely } else { 0.0 };
        let steady = heat + constants.chiller * inputs[5] - pumps;
        let weather = best.rate - steady - self.day.ahead(now, -PRESENT_H, lamp);
        // A thermostat hides the loss from the regression, never what the tank's size says of it.
        let by_size = BY_SIZE * constants.slows_by(1.0 / self.prior.tau_h.likely);
        let slows = Interval::plus_minus(by_size, 0.05 * by_size);
        let doubt = EIGHTY * best.deviation;
        ByDay { day: &self.day, now, lamp, steady, weather, doubt, slows }
    }

    /// The lamp's share in the newest cell, or its usual one if nobody says.
    fn newest_lamp(&self) -> f64 {
        let newest = self.cells.newest().next().map(|cell| cell.lamp);
        newest.filter(|lamp| lamp.is_finite()).unwrap_or(self.learned.lamp)
    }

    /// What the lamp's switching may add to the present rate in the hours to come, K/h.
    fn lamp_to_come(&self, lamp: f64, now: f64) -> Interval {
        let mean = self.learned.lamp;
        let change = (mean - now) / 2.0;
        Interval::new(change.min(0.0), change * 0.8, change.max(0.0)) * lamp.max(0.0)
    }

    /// The rate right now under `what_if`, K/h: what the straight line of [`Thermal::time_to`] is
    /// drawn along.
    pub fn slope(&self, what_if: &Scenario) -> Option<f64> {
        let inputs = self.supposed(what_if);
        self.measured_slope(what_if, &inputs).map(|slope| slope.rate)
    }

    /// What goes on by itself while something holds the water: half an hour's slope is a part of
    /// its swing then and no drift, so the answer is never. None if the water has left the swing of
    /// its last week. Fails while nobody knows, since no day was seen yet.
    fn goes_on(&self, side: Side, limit: f64, water: f64) -> Result<Option<Estimate>, CannotSay> {
        let hold = self.holds();
        let Some((low, high)) = hold.range() else {
            return Err(CannotSay::TooEarly { seen_h: hold.seen_h(), needed_h: 24.0 });
        };
        let edge = |holder| hold.turns_at(holder);
        let within = match side {
            Side::Below => {
                let held = edge(Holder::Heater).filter(|_| self.heater_known().is_ok());
                let low = held.map_or(low, |edge| low.min(edge.place - edge.margin));
                water > low - BAND_LEFT.min(((low - limit) / 2.0).max(0.0))
            }
            Side::Above => {
                let high = edge(Holder::Cooler).map_or(high, |edge| high.max(edge.place + edge.margin));
                // Where a heater was seen to let go, it is held, if only since an hour ago.
                let rests = hold.rests_furthest(Holder::Heater).filter(|_| self.heater_known().is_ok());
                let high = rests.map_or(high, |edge| high.max(edge.place + edge.margin));
                water < high + BAND_LEFT.min(((limit - high) / 2.0).max(0.0))
            }
        };
        let never = Interval::exact(f64::INFINITY);
        let held = Basis::learned("the swing in which it is held");
        Ok(within.then(|| Estimate::new(never, [Basis::measured("water temperature"), held])))
    }

    /// The inputs under `what_if`: heaters, other, lamp, chiller, as a row of the regression.
    fn supposed(&self, what_if: &Scenario) -> [f64; super::CONSTANTS] {
        let mean = |of: fn(&Cell) -> f64| {
            let (sum, count) = self
                .cells
                .newest()
                .map(of)
                .filter(|value| value.is_finite())
                .fold((0.0, 0), |(sum, count), value| (sum + value, count + 1));
            if count > 0 { sum / f64::from(count) } else { 0.0 }
        };
        let newest = |of: fn(&Cell) -> f64| self.cells.newest().next().map_or(0.0, of);
        [
            0.0,
            what_if.heaters[0].unwrap_or_else(|| newest(|cell| cell.heaters[0])),
            what_if.heaters[1].unwrap_or_else(|| newest(|cell| cell.heaters[1])),
            1.0,
            what_if.lamp.unwrap_or_else(|| self.newest_lamp()),
            what_if.chiller.unwrap_or_else(|| mean(|cell| cell.chiller)),
        ]
    }

    /// The rate that the constants give.
    fn learned_slope(
        &self,
        constants: &Constants,
        inputs: &[f64; super::CONSTANTS],
        room: Option<f64>,
        water: f64,
        what_if: &Scenario,
    ) -> Option<Slope> {
        let gap = match room {
            Some(room) => room - water,
            None if constants.room_known => return None,
            None => 0.0,
        };
        let rate_if = |loss: f64| constants.rate_without_heat(loss, gap);
        let pumps =
            if what_if.pumps_lost || self.pumps_lost { self.prior.pumps() } else { Interval::exact(0.0) };
        let heat = constants.heaters[0].likely * inputs[1] + constants.heaters[1].likely * inputs[2];
        let other = constants.lamp * inputs[4] + constants.chiller * inputs[5] - pumps.likely;
        let rate = rate_if(constants.loss.likely) + heat + other + self.learned.bias;
        if !rate.is_finite() {
            return None;
        }
        let of_loss = (rate_if(constants.loss.high) - rate_if(constants.loss.low)).abs() / 2.0;
        let of_heat = (0..2).map(|i| {
            let heater = constants.heaters[i];
            inputs[1 + i] * (heater.high - heater.low) / 2.0
        });
        let of_pumps = (pumps.high - pumps.low) / 2.0;
        let parts = [of_loss, of_pumps, of_heat.sum::<f64>()].map(|part| part / EIGHTY);
        let square = parts.iter().map(|part| part * part).sum::<f64>()
            + constants.deviation.powi(2)
            + (BIAS_SHARE * self.learned.bias_size).powi(2)
            + (RATE_SHARE * rate).powi(2);
        Some(Slope { rate, deviation: square.sqrt() })
    }

    /// The rate over the newest cells whose inputs are already those of `what_if`, the first of
    /// them left out since the state changed within it.
    fn measured_slope(&self, what_if: &Scenario, inputs: &[f64; super::CONSTANTS]) -> Option<Slope> {
        if what_if.room.is_some() || what_if.pumps_lost && !self.pumps_lost {
            return None;
        }
        let heater_known = self.heater_known().is_ok();
        let wanted = [1, 2].map(|i| heater_known.then_some(inputs[i]));
        let same = |cell: &Cell| {
            let mut heaters = wanted.iter().zip(cell.heaters);
            heaters.all(|(wanted, is)| wanted.is_none_or(|wanted| (wanted - is).abs() < 0.05))
                && (!heater_known || cell.lamp.is_nan() || (cell.lamp - inputs[4]).abs() < 0.05)
                && what_if.chiller.is_none_or(|chiller| (cell.chiller - chiller).abs() < 0.05)
                && cell.temperature.is_finite()
                && !cell.disturbed
        };
        // With a heater that nobody sees, an hour holds phases of both kinds: only the newest tell.
        let most = if heater_known { KEPT } else { UNSEEN_HEATER_CELLS };
        let alike = self.cells.newest().take(most).take_while(|cell| same(cell)).count();
        // All kept cells alike: the state is older than what is kept, and nothing changed within
        // the first.
        let usable = if alike < KEPT { alike.saturating_sub(1) } else { alike };
        if what_if.heaters == [None; 2] && usable < BY_ITSELF_CELLS {
            return None;
        }
        let points = self.cells.newest().take(usable).map(|cell| (hours(cell.end), cell.temperature));
        line(points)
    }

    /// How fast the room changes, K/h, over the last hour; 0 if it is not known or does not.
    fn room_trend(&self) -> f64 {
        let points = self.cells.newest().map(|cell| (hours(cell.end), cell.room));
        let trend = line(points.take_while(|(_, room)| room.is_finite())).map_or(0.0, |slope| slope.rate);
        if trend.abs() < 0.1 { 0.0 } else { trend.clamp(-4.0, 4.0) }
    }

    fn rests_on(&self, measured: bool, what_if: &Scenario) -> Vec<Basis> {
        let mut all = vec![Basis::measured("water temperature")];
        if measured {
            all.push(Basis::measured("its slope"));
        }
        all.push(match (what_if.room, self.room()) {
            (Some(_), _) => Basis::given("room temperature"),
            (None, Some(_)) => Basis::measured("room temperature"),
            (None, None) => Basis::assumed("a room as it was"),
        });
        all.push(if self.is_learned().is_ok() {
            Basis::learned("the tank's heat loss")
        } else if self.prior.capacity.is_some() {
            Basis::assumed("heat loss of a tank of this size")
        } else {
            Basis::assumed("heat loss of any tank")
        });
        if what_if.pumps_lost && !measured {
            let pumps = "heat of the pumps";
            all.push(if self.prior.pumps_w.is_some() { Basis::given(pumps) } else { Basis::assumed(pumps) });
        }
        all
    }
}

fn hours(at: Moment) -> f64 {
    at.0 as f64 / 3_600_000.0
}

/// Two slopes weighed by how sure they are.
fn combine(one: Option<Slope>, other: Option<Slope>) -> Option<Slope> {
    let (Some(one), Some(other)) = (one, other) else { return one.or(other) };
    let (u, v) = (one.deviation.powi(-2), other.deviation.powi(-2));
    Some(Slope { rate: (one.rate * u + other.rate * v) / (u + v), deviation: (u + v).sqrt().recip() })
}

/// The least-squares line through evenly spaced points (hours, K).
fn line(points: impl Iterator<Item = (f64, f64)> + Clone) -> Option<Slope> {
    let count = points.clone().count();
    if count < LEAST_CELLS {
        return None;
    }
    let n = count as f64;
    let (mean_x, mean_y) =
        points.clone().fold((0.0, 0.0), |(x, y), point| (x + point.0 / n, y + point.1 / n));
    let (square, product) = points.fold((0.0, 0.0), |(square, product), (x, y)| {
        (square + (x - mean_x).powi(2), product + (x - mean_x) * (y - mean_y))
    });
    let rate = product / square;
    let noise = CELL_NOISE / square.sqrt();
    rate.is_finite().then(|| Slope { rate, deviation: noise.hypot(RATE_SHARE / 2.0 * rate) })
}

const _: () = assert!(CELL.0 * KEPT as i64 == 3_600_000, "an hour of cells is kept");
