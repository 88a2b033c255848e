//! Daily light integral: readings of PPFD over real timestamps flow in, the dose of a day and how
//! much of the day was seen flow out. A gap is missing, never bridged.
//!
//! PPFD: photons of 400 to 700 nm per area and time, umol/(m² s) (McCree 1972, Agric. Meteorol.
//! 9:191). One light day runs between local dark hours, so that a change of the clocks moves the
//! hour of the cut but makes no day longer than it was.

use jiff::{civil::Date, tz::TimeZone};
use slackwater_time::Wall;

/// A silence longer than this many usual intervals is a gap.
const GAP_INTERVALS: f64 = 3.0;

/// Light that fell on a day, as far as seen.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Dose {
    /// mol/m² in the hours seen.
    pub mol_m2: f64,
    /// Hours covered by readings.
    pub seen_h: f64,
    /// Of these, hours with light (over 5 umol/(m² s)).
    pub lit_h: f64,
    /// Hours in gaps.
    pub missing_h: f64,
}

impl Dose {
    /// Mean PPFD of the lit hours seen, umol/(m² s).
    pub fn mean_ppfd(&self) -> Option<f64> {
        (self.lit_h > 0.0).then(|| self.mol_m2 * 1e6 / 3_600.0 / self.lit_h)
    }
}

/// Where a mean PPFD lies among the bands of the trade (common practice, not physiology).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum LightBand {
    /// Under 50 umol/(m² s).
    Dim,
    /// 50 to 100: soft and large-polyp corals.
    SoftAndLargePolyp,
    /// 100 to 250.
    Between,
    /// 250 to 350: small-polyp corals.
    SmallPolyp,
    /// Over 350.
    Bright,
}

impl LightBand {
    /// The band of a mean PPFD, umol/(m² s).
    pub fn of(ppfd: f64) -> Self {
        match ppfd {
            p if p < 50.0 => Self::Dim,
            p if p <= 100.0 => Self::SoftAndLargePolyp,
            p if p < 250.0 => Self::Between,
            p if p <= 350.0 => Self::SmallPolyp,
            _ => Self::Bright,
        }
    }
}

/// Sums the light of one sensor day by day.
#[derive(Clone, Debug)]
pub struct LightMeter {
    interval_h: f64,
    zone: TimeZone,
    turns_at: i8,
    last: Option<(Wall, f64)>,
    day: Option<Date>,
    dose: Dose,
}

impl LightMeter {
    /// A sensor that reports about every `interval_h` hours; a day runs from the local hour
    /// `turns_at` (0 to 23) to the next.
    pub fn new(interval_h: f64, zone: TimeZone, turns_at: i8) -> Self {
        Self {
            interval_h,
            zone,
            turns_at: turns_at.clamp(0, 23),
            last: None,
            day: None,
            dose: Dose::default(),
        }
    }

    /// The light so far of the day under way.
    pub fn today(&self) -> Dose {
        self.dose
    }

    /// Takes a reading of PPFD, umol/(m² s). Returns the day that it ended, if it did. A reading
    /// from before the last one is left out.
    pub fn reading(&mut self, at: Wall, ppfd: f64) -> Option<(Date, Dose)> {
        if !ppfd.is_finite() || self.last.is_some_and(|(last, _)| at.0 <= last.0) {
            return None;
        }
        let day = self.day_of(at);
        let ended = self.day.filter(|known| *known != day);
        let finished = ended.map(|day| (day, std::mem::take(&mut self.dose)));
        if let Some((last, before)) = self.last {
            // A span across the cut counts to the new day: at the dark hour there is nothing in it.
            self.add((at - last).as_seconds() / 3_600.0, before.max(0.0), ppfd.max(0.0));
        }
        (self.day, self.last) = (Some(day), Some((at, ppfd)));
        finished
    }

    fn add(&mut self, hours: f64, before: f64, after: f64) {
        if hours > GAP_INTERVALS * self.interval_h {
            self.dose.missing_h += hours;
            return;
        }
        self.dose.seen_h += hours;
        self.dose.mol_m2 += (before + after) / 2.0 * hours * 3_600.0 * 1e-6;
        if before.max(after) > 5.0 {
            self.dose.lit_h += hours;
        }
    }

    fn day_of(&self, at: Wall) -> Date {
        let civil = at.civil(&self.zone);
        let date = civil.date();
        if civil.hour() >= self.turns_at { date } else { date.yesterday().unwrap_or(date) }
    }
}
