//! Water that nobody sees held, and that sinks below the floor of its swing and comes back by
//! itself: what held it there was a chiller or fan, which lets the water go and never lifts it. The
//! smoothed water and the floor flow in; whether the floor counts as one flows out. After such a
//! night it does not for ten days, after several until four weeks without one have passed.

use super::Level;
use super::edge::hour_of;
use slackwater_time::{Moment, Span};

/// Cells below the floor that make a sinking: three hours, longer than a heater takes to make up
/// for what was poured in. And back above it that end it: one.
const SANK: u8 = 36;
const CELLS: u8 = 12;
/// A sinking so soon after a step that nothing here makes is what somebody poured in.
const POURED: Span = Span::hours(8);
/// A floor lower than this below where the water sank is another one, K.
const ANOTHER: f64 = 0.3;
/// Hours for which one sinking is remembered, which may have been a fault that somebody mended; and
/// several, which are how this tank is.
const REMEMBERED_H: (u16, u16) = (10 * 24, 28 * 24);

/// Sinkings of one tank.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Sinks {
    /// The floor below which it sank.
    place: f32,
    times: u8,
    /// The hour of the newest one, as [`hour_of`] counts.
    newest: u16,
    /// Cells below the floor, and back above it since.
    below: u8,
    above: u8,
    /// It began where somebody had poured.
    poured: bool,
}

impl Sinks {
    /// Takes the smoothed water against the floor that the swing shows.
    pub(super) fn cell(&mut self, water: f64, floor: Option<Level>, jumped: Option<Moment>, at: Moment) {
        if self.times > 0 && self.newest == 0 {
            self.newest = hour_of(at);
        }
        let remembered = if self.times > 1 { REMEMBERED_H.1 } else { REMEMBERED_H.0 };
        if hour_of(at).wrapping_sub(self.newest) > remembered {
            self.times = 0;
        }
        let Some(floor) = floor.filter(|_| water.is_finite()) else { return };
        if water < floor.place - floor.margin {
            self.poured |= self.below < CELLS && jumped.is_some_and(|jumped| at - jumped < POURED);
            (self.below, self.above) = (self.below.saturating_add(1), 0);
            return;
        }
        if water < floor.place - floor.margin / 2.0 || self.below == 0 {
            return;
        }
        self.above = self.above.saturating_add(1);
        if self.above < CELLS {
            return;
        }
        let sank = self.below >= SANK && !self.poured;
        (self.below, self.above, self.poured) = (0, 0, false);
        if sank {
            let is_same = self.times > 0 && (floor.place - f64::from(self.place)).abs() <= ANOTHER;
            self.times = if is_same { self.times.saturating_add(1) } else { 1 };
            (self.place, self.newest) = (floor.place as f32, hour_of(at));
        }
    }

    /// What survives a restart: the place and how often. Four weeks count from the restart.
    pub(super) fn kept(&self) -> [f64; 2] {
        [f64::from(self.place), f64::from(self.times)]
    }

    pub(super) fn recall(&mut self, [place, times]: [f64; 2]) {
        if (-5.0..=60.0).contains(&place) && (1.0..=255.0).contains(&times) {
            *self = Self { place: place as f32, times: times as u8, ..Self::default() };
        }
    }

    /// Whether this floor lets the water through.
    pub(super) fn let_through(&self, floor: &Level) -> bool {
        self.times > 0 && floor.place > f64::from(self.place) - ANOTHER
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FLOOR: Level = Level { place: 26.0, margin: 0.15 };

    /// A day of which the water is at 25.5 for `hours`; somebody poured so many hours before.
    fn night(sinks: &mut Sinks, day: i64, hours: i64, poured: Option<i64>) {
        let sinks_at = Moment(0) + Span::hours(24 * day + 10);
        for cell in 0..288 {
            let at = Moment(0) + Span::hours(24 * day) + Span::minutes(5 * cell);
            let is_low = at >= sinks_at && at < sinks_at + Span::hours(hours);
            let jumped = poured.map(|hours| sinks_at - Span::hours(hours)).filter(|jumped| *jumped <= at);
            sinks.cell(if is_low { 25.5 } else { 26.1 }, Some(FLOOR), jumped, at);
        }
    }

    #[test]
    fn a_floor_below_which_the_water_sank_and_came_back_holds_nothing() {
        let mut sinks = Sinks::default();
        night(&mut sinks, 0, 2, None);
        assert!(!sinks.let_through(&FLOOR), "two hours are what a heater takes to make up for a pour");
        night(&mut sinks, 1, 5, None);
        assert!(sinks.let_through(&FLOOR));
        let heater = Level { place: 24.8, ..FLOOR };
        assert!(!sinks.let_through(&heater), "a floor much lower is another one");
        (2..13).for_each(|day| night(&mut sinks, day, 0, None));
        assert!(!sinks.let_through(&FLOOR), "once may have been a fault that somebody mended");
        night(&mut sinks, 13, 5, None);
        night(&mut sinks, 14, 5, None);
        let mut again = Sinks::default();
        again.recall(sinks.kept());
        assert!(again.let_through(&FLOOR), "it outlives a restart");
        (15..40).for_each(|day| night(&mut again, day, 0, None));
        assert!(again.let_through(&FLOOR), "several are how this tank is");
        (40..45).for_each(|day| night(&mut again, day, 0, None));
        assert!(!again.let_through(&FLOOR), "four weeks without one, and it is held there again");
    }

    #[test]
    fn what_sank_where_somebody_had_poured_says_nothing_of_the_floor() {
        let mut sinks = Sinks::default();
        (0..4).for_each(|day| night(&mut sinks, 7 * day, 3, Some(1)));
        assert!(!sinks.let_through(&FLOOR));
        sinks.recall([f64::from(f32::MAX), 9.0]);
        sinks.recall([26.0, -3.0]);
        assert!(!sinks.let_through(&FLOOR), "what no tank can have been is not recalled");
    }
}
