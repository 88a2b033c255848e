//! A future drawn along the tank's own day: its course, what is left of the weather, and ends as
//! wide as the tank's own past forecasts have earned. It serves from the day on that the day is
//! known; before that the ends are plain physics.

use super::day::Day;
use crate::interval::Interval;
use crate::wording::HORIZON_H;
use slackwater_time::Moment;

/// A step of a future, h.
const STEP_H: f64 = 0.25;
/// What no past forecast of a tank that was held can tell: the share of a rate that structure may
/// change once nothing holds it (rock that gives its heat back, a heater's strength that was
/// learned a little wrong): faster, an hour ahead and from four hours on; and slower.
const FASTER: (f64, f64) = (0.05, 0.13);
const SLOWER: f64 = 0.015;
/// Of the present rate so much is the water's alone, and gone in so many hours: once nothing holds
/// it, stones, sand and sump give their heat back.
const GIVEN_BACK: (f64, f64) = (0.05, 3.0);
/// Doubt of the present rate is part of the ends by then, h.
const DOUBT_H: f64 = 0.7;

/// The future of a tank whose day is known: its course, what is left of the weather, and the ends
/// that its own past forecasts have earned.
pub(super) struct ByDay<'a> {
    pub(super) day: &'a Day,
    pub(super) now: Moment,
    /// Rate of a lamp that will not come on, K/h.
    pub(super) lamp: f64,
    /// What heaters, chiller and pumps make of the rate for as long as it lasts, K/h.
    pub(super) steady: f64,
    pub(super) weather: f64,
    pub(super) doubt: f64,
    pub(super) slows: Interval,
}

impl ByDay<'_> {
    /// Hours until it has gone `distance` kelvin, counted by `sign`.
    pub(super) fn meets(&self, sign: f64, distance: f64) -> Interval {
        let never = f64::INFINITY;
        let (mut early, mut likely, mut late) = (never, never, never);
        let (mut fast, mut gone, mut slow, mut plain) = (0.0_f64, 0.0_f64, 0.0_f64, 0.0_f64);
        let mut before = [0.0; 3];
        let mut at = 0.0;
        while at < HORIZON_H && (early == never || likely == never || late == never) {
            let middle = at + STEP_H / 2.0;
            let rate = self.steady
                + self.day.ahead(self.now, middle, self.lamp)
                + Day::left_of(self.weather, middle);
            let given_back = GIVEN_BACK.0 * (-at / GIVEN_BACK.1).exp();
            let toward = sign * rate * (1.0 - given_back);
            plain += toward * STEP_H;
            fast += (toward - self.slows.low * fast) * STEP_H;
            gone += (toward - self.slows.likely * gone) * STEP_H;
            slow += (toward - self.slows.high * slow) * STEP_H;
            at += STEP_H;
            let (low, high) = self.day.ends(self.now, at);
            let (sooner, later) = if sign < 0.0 { (-low, high) } else { (high, -low) };
            let mean = plain.abs() / at;
            let faster = FASTER.0 + (FASTER.1 - FASTER.0) * ((at - 1.0) / 3.0).clamp(0.0, 1.0);
            let doubt = self.doubt * (-at / DOUBT_H).exp();
            // The past forecasts' water was held: what a rate is off by was off by all of the time.
            // Water that nothing holds comes the nearer to its room the further it is off.
            let slows = self.slows.likely;
            let lasts = if slows > 0.0 { -(-slows * at).exp_m1() / slows } else { at };
            let widened =
                |end: f64, share: f64| (end * end + (share * mean).powi(2) + doubt * doubt).sqrt() * lasts;
            let places = [fast + widened(sooner, faster), gone, slow - widened(later, SLOWER)];
            for ((end, place), before) in
                [&mut early, &mut likely, &mut late].into_iter().zip(places).zip(&mut before)
            {
                if *end == never && place >= distance {
                    *end = at - STEP_H * ((place - distance) / (place - *before)).clamp(0.0, 1.0);
                }
                *before = place;
            }
        }
        Interval::new(early.min(likely), likely, late.max(likely))
    }
}
