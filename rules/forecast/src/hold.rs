//! What holds a tank. Cells flow in; the edges between which something keeps the water flow out.
//!
//! A heater, a spare, a chiller or a fan that is seen (by its watts, its state or its relay) tells
//! its edges by itself: how far the water had come each time before the device turned it
//! ([`Edges`]). Where none is seen, the water's own swing tells them: the lowest and highest of
//! each quarter of a day, which fall into one place for as long as something holds them there
//! (`swing`). Both are distributions, a place and a spread, and outlive a restart. A place that
//! changes and stays changed is learned within two days and told once: it was set differently, or
//! the probe has moved. Until something is known nothing is claimed: unknown is not false.
//!
//! What the water's inertia forbids (a step that no device here ever made) is work that nobody
//! declared, or a probe that was lifted (`pace`); for a while nothing is learned then, and
//! nothing found.

mod edge;
mod pace;
mod sinks;
mod steady;
mod swing;

pub use edge::{Edge, Edges, Level};

use crate::thermal::{CELL, Cell};
use pace::SwingPace;
use sinks::Sinks;
use slackwater_time::{Moment, Span};
use steady::Steady;
use swing::Swing;

/// How long a change of place is told.
const TOLD_FOR: Span = Span::hours(2);
/// After a fall that no tank makes by itself, unseen water is looked at more patiently for so long.
const STEEP_FOR: Span = Span::hours(1);
/// Changes within so long of each other are one, told once.
const ONE_CHANGE: Span = Span::hours(96);
/// After a step that nothing here makes the tests rest for so long, and forecasts of what goes on
/// by itself.
const SETTLES: Span = Span::hours(2);
const CALMS: Span = Span::hours(4);
/// A change worth telling, K.
const LEAST_SHIFT: f64 = 0.2;

/// A device that turns the water.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Holder {
    /// The first heater.
    Heater,
    /// The spare.
    Spare,
    /// Chiller or fan.
    Cooler,
}

/// What else is known when a cell ends.
#[derive(Clone, Copy, Debug)]
pub struct HoldGround {
    /// The fastest that the tank changes by itself, K/h.
    pub own: f64,
    /// Whether heaters are seen: what the swing says then counts for nothing.
    pub heaters_seen: bool,
    /// A fault stands: its water teaches nothing.
    pub suspicious: bool,
}

/// What was learned about who holds one tank, and where.
#[derive(Clone, Debug, Default)]
pub struct Hold {
    heaters: [Edges; 2],
    cooler: Edges,
    /// Where the cooler comes on: a fan works so slowly that the water goes on for hours after.
    cooler_on: Edge,
    /// What it has done without a break.
    steady: Steady,
    swing: Swing,
    sinks: Sinks,
    pace: SwingPace,
    moved: Option<Moment>,
    newest: Option<Moment>,
}

impl Hold {
    /// Takes a cell.
    pub fn cell(&mut self, cell: &Cell, HoldGround { own, heaters_seen, suspicious }: HoldGround) {
        let follows = self.newest.is_none_or(|newest| cell.end - newest <= CELL);
        self.newest = Some(cell.end);
        if !follows {
            self.pace.away();
        }
        if cell.temperature.is_nan() {
            self.pace.gap();
            return;
        }
        self.pace.cell(cell, own);
        let quiet = !cell.disturbed && self.is_settled(cell.end);
        let mut shift: Option<f64> = None;
        for (edges, share) in self.heaters.iter_mut().zip(cell.heaters) {
            shift = edges.cell(cell.temperature, share, cell.end, quiet).or(shift);
        }
        shift = self.cooler.cell(-cell.temperature, cell.chiller, cell.end, quiet).or(shift);
        if quiet && self.cooler.has_come_on() {
            self.cooler_on.take(-cell.temperature, cell.end);
        }
        self.steady.cell(cell.temperature, cell.chiller, cell.end);
        self.sinks.cell(self.pace.smooth(), self.swing.floor(), self.pace.jumped(), cell.end);
        let by_swing = self.swing.cell(self.pace.smooth(), cell.end, quiet && !suspicious);
        if shift.or(by_swing.filter(|_| !heaters_seen)).is_some_and(|shift| shift.abs() >= LEAST_SHIFT) {
            // A change that goes on while it is being learned is one.
            if self.moved.is_none_or(|at| cell.end - at > ONE_CHANGE) {
                self.moved = Some(cell.end);
            }
        }
    }

    /// Where this device turns the water; for a cooler that is its upper edge. None before it was
    /// seen to.
    pub fn turns_at(&self, holder: Holder) -> Option<Level> {
        match holder {
            Holder::Heater => self.heaters[0].acts(),
            Holder::Spare => self.heaters[1].acts(),
            Holder::Cooler => self.cooler.acts().map(Level::mirrored),
        }
    }

    /// Where this device should be on, whether or not it copes: where it was seen to come on, as
    /// far as that is before where it turns the water.
    pub fn comes_on_at(&self, holder: Holder) -> Option<Level> {
        let seen = match holder {
            Holder::Heater | Holder::Spare => None,
            Holder::Cooler => self.cooler_on.level().map(Level::mirrored),
        };
        match (self.turns_at(holder), seen) {
            (Some(turns), Some(on)) if on.place < turns.place => Some(on),
            (Some(turns), _) => Some(turns),
            // It never had the strength to turn the water at one place.
            (None, seen) => seen,
        }
    }

    /// What was learned of this device counts no more.
    pub(crate) fn forget(&mut self, holder: Holder) {
        match holder {
            Holder::Heater => self.heaters[0] = Edges::default(),
            Holder::Spare => self.heaters[1] = Edges::default(),
            Holder::Cooler => (self.cooler, self.cooler_on) = (Edges::default(), Edge::default()),
        }
    }

    /// Where it lets the water go again.
    pub fn rests_at(&self, holder: Holder) -> Option<Level> {
        match holder {
            Holder::Heater => self.heaters[0].rests(),
            Holder::Spare => self.heaters[1].rests(),
            Holder::Cooler => self.cooler.rests().map(Level::mirrored),
        }
    }

    /// The furthest at which it lets the water go.
    pub(crate) fn rests_furthest(&self, holder: Holder) -> Option<Level> {
        match holder {
            Holder::Heater => self.heaters[0].rests_furthest(),
            Holder::Spare => self.heaters[1].rests_furthest(),
            Holder::Cooler => self.cooler.rests_furthest().map(Level::mirrored),
        }
    }

    /// Whether the cooler has worked for a day and more without a break, and stopped where it never
    /// let the water go.
    pub(crate) fn cooler_stopped(&self) -> bool {
        self.steady.has_stopped()
    }

    /// The lowest that something unseen lets the water become; none while it floats.
    pub fn floor(&self) -> Option<Level> {
        // Where a cooler is seen to let the water go, nothing lifts it.
        let lets_go = self.rests_at(Holder::Cooler);
        let is_other = |floor: &Level| {
            lets_go.is_none_or(|level| (floor.place - level.place).abs() > floor.margin.max(level.margin))
        };
        self.swing.floor().filter(|floor| is_other(floor) && !self.sinks.let_through(floor))
    }

    /// The highest that something unseen lets the water become.
    pub fn ceiling(&self) -> Option<Level> {
        self.swing.ceiling()
    }

    /// Between what the water has swung for days by itself, degC; none before a day was seen.
    pub fn range(&self) -> Option<(f64, f64)> {
        self.swing.range()
    }

    /// Hours of which the swing is known.
    pub fn seen_h(&self) -> f64 {
        self.swing.seen_h()
    }

    /// Windows of the swing that were ever ended: how much there is to put down.
    pub fn windows(&self) -> u32 {
        self.swing.ended()
    }

    /// The water half an hour ago and now, smoothed; none if there is a gap between.
    pub(crate) fn lately(&self) -> Option<(f64, f64)> {
        self.pace.lately()
    }

    /// What the water did in the last twenty minutes, K.
    pub(crate) fn just_now(&self) -> f64 {
        self.pace.just_now()
    }

    /// Whether within the last hour the water fell faster than it does by itself: hands, a window.
    pub(crate) fn fell_steeply(&self, now: Moment) -> bool {
        now - self.pace.fell_steeply() < STEEP_FOR
    }

    /// The newest cell, less the lowest of the twenty minutes before it, K.
    pub(crate) fn turned_by(&self) -> f64 {
        self.pace.turned_by()
    }

    /// When the last step was that nothing here makes.
    pub fn jumped(&self) -> Option<Moment> {
        self.pace.jumped()
    }

    /// Whether the last step that nothing here makes is long enough ago for the tests.
    pub fn is_settled(&self, now: Moment) -> bool {
        self.pace.jumped().is_none_or(|at| now - at >= SETTLES)
    }

    /// Whether it is by the newest cell.
    pub fn is_calm(&self) -> bool {
        self.newest.zip(self.pace.jumped()).is_none_or(|(now, at)| now - at >= CALMS)
    }

    /// Whether a change of place that has lasted is being told.
    pub fn has_moved(&self) -> bool {
        self.newest.zip(self.moved).is_some_and(|(now, at)| now - at < TOLD_FOR)
    }

    /// What survives a restart, as plain numbers.
    pub(crate) fn kept(&self) -> Vec<f64> {
        let mut numbers = Vec::new();
        for edges in self.heaters.iter().chain([&self.cooler]) {
            numbers.extend(edges.kept());
        }
        numbers.extend(self.swing.kept());
        numbers.extend(self.pace.kept());
        numbers
    }

    /// The floor of the swing, which came to be kept later.
    pub(crate) fn kept_floor(&self) -> [f64; 2] {
        self.swing.kept_floor()
    }

    /// Where the water sank below it and came back, which came later still.
    pub(crate) fn kept_sinks(&self) -> [f64; 2] {
        self.sinks.kept()
    }

    /// Where the cooler comes on and what it has done, which came last.
    pub(crate) fn kept_cooler(&self) -> [f64; Self::KEPT_COOLER] {
        let ([place, spread, tail, seen], [cells, innermost, stopped, newest]) =
            (self.cooler_on.kept(), self.steady.kept());
        [place, spread, tail, seen, cells, innermost, stopped, newest]
    }

    /// How many numbers that is.
    pub(crate) const KEPT_COOLER: usize = 8;

    pub(crate) fn recall_cooler(&mut self, kept: [f64; Self::KEPT_COOLER]) {
        let [place, spread, tail, seen, cells, innermost, stopped, newest] = kept;
        self.cooler_on.recall([place, spread, tail, seen]);
        self.steady.recall([cells, innermost, stopped, newest]);
    }

    pub(crate) fn recall_sinks(&mut self, sinks: [f64; 2]) {
        self.sinks.recall(sinks);
    }

    pub(crate) fn recall_floor(&mut self, floor: [f64; 2]) {
        self.swing.recall_floor(floor);
    }

    /// How many numbers that is.
    pub(crate) const KEPT: usize = 3 * Edges::KEPT + Swing::KEPT + 2;

    /// Goes on from them.
    pub(crate) fn recall(&mut self, numbers: &[f64]) -> bool {
        let Some((edges, rest)) = numbers.split_at_checked(3 * Edges::KEPT) else { return false };
        let Some((swing, [short, long])) = rest.split_at_checked(Swing::KEPT) else { return false };
        let mut all = self.heaters.iter_mut().chain([&mut self.cooler]);
        let known = edges.chunks(Edges::KEPT).all(|kept| all.next().is_some_and(|edges| edges.recall(kept)));
        self.pace.recall([*short, *long]);
        known && self.swing.recall(swing)
    }
}
