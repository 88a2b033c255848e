//! A cooler that has worked without a break: it never let the water go, so where it does is further
//! back than the water has been since. If it stops elsewhere, it has failed or was switched off.
//! The water and the cooler's share flow in, one cell after the other; whether it stopped elsewhere
//! flows out. What it did for days outlives an orderly restart, which takes no longer than an hour.

use super::edge::hour_of;
use slackwater_time::Moment;

/// A day and more without a break: no timer switches so.
const WITHOUT_BREAK: u32 = 300;
/// So far from there is elsewhere, K; and back there it may have let go.
const ELSEWHERE: (f64, f64) = (0.15, 0.05);
/// After a longer gap, h, nobody knows what happened in it.
const GAP_H: u16 = 1;

/// The run of one cooler. All places count outwards: away from where it drives the water.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Steady {
    cells: u32,
    /// The furthest back that the water was meanwhile.
    innermost: f32,
    stopped: bool,
    /// The hour of the newest cell, as [`hour_of`] counts; 0 before one.
    newest: u16,
}

impl Steady {
    /// Takes a cell.
    pub(super) fn cell(&mut self, outwards: f64, share: f64, at: Moment) {
        let before = std::mem::replace(&mut self.newest, hour_of(at));
        if before != 0 && self.newest.wrapping_sub(before) > GAP_H {
            *self = Self { newest: self.newest, ..Self::default() };
        }
        if !(outwards.is_finite() && share.is_finite()) {
            return;
        }
        if share > 0.05 {
            let outwards = outwards as f32;
            self.innermost = if self.cells > 0 { self.innermost.min(outwards) } else { outwards };
            (self.cells, self.stopped) = (self.cells.saturating_add(1), false);
            return;
        }
        self.stopped |= self.cells >= WITHOUT_BREAK && self.is_beyond(outwards, ELSEWHERE.0);
        self.cells = 0;
        self.stopped &= self.is_beyond(outwards, ELSEWHERE.1);
    }

    fn is_beyond(&self, outwards: f64, by: f64) -> bool {
        outwards > f64::from(self.innermost) + by
    }

    /// Whether it has stopped where it did not let the water go for a day and more.
    pub(super) fn has_stopped(&self) -> bool {
        self.stopped
    }

    /// What survives a restart: cells, the place, whether it stopped, and the hour of that.
    pub(super) fn kept(&self) -> [f64; 4] {
        let stopped = f64::from(u8::from(self.stopped));
        [f64::from(self.cells), f64::from(self.innermost), stopped, f64::from(self.newest)]
    }

    pub(super) fn recall(&mut self, [cells, innermost, stopped, newest]: [f64; 4]) {
        let is_known = (1.0..=65_535.0).contains(&newest) && (-60.0..=60.0).contains(&innermost);
        if is_known {
            *self = Self {
                cells: cells.clamp(0.0, 1e6) as u32,
                innermost: innermost as f32,
                stopped: stopped > 0.5,
                newest: newest as u16,
            };
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use slackwater_time::Span;

    fn at(cell: i64) -> Moment {
        Moment(0) + Span::minutes(5 * cell)
    }

    /// A chiller that holds the water between 26.0 and 26.2 for two days.
    fn worked() -> Steady {
        let mut steady = Steady::default();
        (1..=576).for_each(|cell| steady.cell(26.0 + 0.2 * f64::from(cell % 7 == 0), 1.0, at(cell.into())));
        steady
    }

    #[test]
    fn a_cooler_that_stops_where_it_never_let_go_has_failed_until_the_water_is_back() {
        let mut steady = worked();
        steady.cell(26.3, 0.0, at(577));
        assert!(steady.has_stopped());
        steady.cell(25.9, 0.0, at(578));
        assert!(!steady.has_stopped(), "back where it may have let go");
        let mut steady = worked();
        steady.cell(25.95, 0.0, at(577));
        assert!(!steady.has_stopped(), "it let go further back than ever");
    }

    #[test]
    fn what_it_did_outlives_a_restart_but_no_longer_gap() {
        let mut again = Steady::default();
        again.recall(worked().kept());
        let mut late = again;
        again.cell(26.3, 0.0, at(580));
        assert!(again.has_stopped());
        late.cell(26.3, 0.0, at(580 + 36));
        assert!(!late.has_stopped(), "nobody knows what happened in three hours");
        let mut none = Steady::default();
        none.recall([5e9, f64::from(f32::MAX), 7.0, -3.0]);
        none.cell(26.3, 0.0, at(1));
        assert!(!none.has_stopped(), "what no tank can have been is not recalled");
    }
}
