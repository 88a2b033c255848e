//! What was told of where the water is, and came back by itself: a thermostat that was turned, a
//! night colder than most. How far the water went is remembered for a week; what goes no further is
//! no news, and a fault that somebody mended is forgotten, so that its next one is.

#![expect(clippy::indexing_slicing, reason = "one place for each kind, in arrays of that many")]

use super::{Fault, Faults};
use slackwater_time::{Moment, Span};

/// Kinds of what can be told of where the water is: heaters silent, heaters in vain, colder than
/// held, coolers silent, coolers in vain.
pub(super) const KINDS: usize = 5;
/// After so many of one side, whatever their kind, only what is much further out than all of them:
/// a change that lasts is told twice at most, and then learned.
const OFTEN: u32 = 2;
/// What was told and came back is remembered for so long; and so much further out is news, K.
const REMEMBERED: Span = Span::hours(168);
const FURTHER: f64 = 0.2;
const MUCH_FURTHER: f64 = 0.8;
/// Back for so many cells (half a day) from so much further out than where it was told, K: that was
/// a fault that somebody mended, and the next one is news from the beginning.
const MENDED: (u32, f32) = (144, 0.5);

/// How far the water went, counted outwards, and until when that is remembered.
#[derive(Clone, Copy, Debug)]
pub(super) struct ToldDepth {
    /// Where it was told.
    began: f32,
    furthest: f32,
    until: Moment,
    /// Cells since the water was out there.
    back: u32,
}

impl Faults {
    /// The place of what was told of this fault, and which way the water goes by it.
    fn outwards(fault: Fault) -> Option<(usize, f64)> {
        match fault {
            Fault::HeaterSilent => Some((0, -1.0)),
            Fault::HeaterOverwhelmed | Fault::NoHeat => Some((1, -1.0)),
            Fault::ColderThanHeld => Some((2, -1.0)),
            Fault::CoolerSilent => Some((3, 1.0)),
            Fault::CoolerOverwhelmed => Some((4, 1.0)),
            Fault::HeatWithoutHeater
            | Fault::LosingHeat
            | Fault::ProbeLags
            | Fault::ProbeShifted
            | Fault::ProbeOutOfWater => None,
        }
    }

    /// Whether nothing alike was told lately, or the water is further out by now. While one of its
    /// side stands, another is no news of its own and may stand beside it.
    pub(super) fn is_news(&mut self, fault: Fault, at: Moment) -> bool {
        if fault == Fault::ProbeShifted {
            return self.shift_is_news(at);
        }
        let Some((kind, sign)) = Self::outwards(fault) else { return true };
        let alike = |other: &Fault| Self::outwards(*other).is_some_and(|(_, of)| of == sign);
        let mut stand = Fault::ALL.iter().filter(|other| alike(other));
        if stand.any(|other| self.standing[other.index()].is_some()) {
            return true;
        }
        let side = usize::from(sign > 0.0);
        let (times, until) = self.often[side];
        let often = times >= OFTEN && at < until;
        let water = sign * self.water;
        let mut is_news = true;
        for other in Fault::ALL.iter().filter(|other| alike(other)) {
            let Some((of, _)) = Self::outwards(*other) else { continue };
            if of != kind && !often {
                continue;
            }
            if let Some(told) = self.told[of].filter(|told| at < told.until)
                && water <= f64::from(told.furthest) + if often { MUCH_FURTHER } else { FURTHER }
            {
                // It is held out there.
                self.told[of] = Some(ToldDepth { until: at + REMEMBERED, ..told });
                is_news = false;
            }
        }
        if is_news {
            self.often[side] = (if at < until { times.saturating_add(1) } else { 1 }, at + REMEMBERED);
        }
        is_news
    }

    /// A change of place counts on both sides, and is no news where one was told twice already.
    fn shift_is_news(&mut self, at: Moment) -> bool {
        let told_twice = self.often.iter().any(|(times, until)| *times >= OFTEN && at < *until);
        for (times, until) in &mut self.often {
            (*times, *until) = (if at < *until { times.saturating_add(1) } else { 1 }, at + REMEMBERED);
        }
        !told_twice
    }

    pub(super) fn come_back(&mut self) {
        let often = &mut self.often;
        for (kind, told) in self.told.iter_mut().enumerate() {
            let Some(depth) = told else { continue };
            let sign = if kind < 3 { -1.0 } else { 1.0 };
            let is_out = sign * self.water >= f64::from(depth.began);
            depth.back = if is_out { 0 } else { depth.back.saturating_add(1) };
            let (times, until) = &mut often[usize::from(sign > 0.0)];
            // Twice in a week nobody mended anything: the tank has changed.
            let is_change = *times >= OFTEN && self.before.is_some_and(|cell| cell.end < *until);
            if depth.back >= MENDED.0 && depth.furthest > depth.began + MENDED.1 && !is_change {
                *told = None;
                *times = 0;
            }
        }
    }

    pub(super) fn remember(&mut self, fault: Fault, at: Moment) {
        let Some((kind, sign)) = Self::outwards(fault) else { return };
        let now = (sign * self.water) as f32;
        if now.is_finite() {
            let known = self.told[kind].filter(|told| at < told.until);
            let fresh = ToldDepth { began: now, furthest: now, until: at, back: 0 };
            let told = known.unwrap_or(fresh);
            let furthest = told.furthest.max(now);
            self.told[kind] = Some(ToldDepth { furthest, until: at + REMEMBERED, ..told });
        }
    }
}
