//! The edges of one device: how far the water had come each time before the device turned it, and
//! where it let go.

use slackwater_time::{Moment, Span};

/// Turns before an edge counts as known.
const KNOWN: u16 = 3;
/// Turns that a place is the mean of.
const MEMORY: u16 = 20;
/// A turn is never further from its place than this by chance, K, whatever its spread.
const MARGINS: (f64, f64) = (0.08, 0.5);
/// A new place is one after so many turns there in at least so long, or two in a day.
const PROVED: (u32, Span) = (3, Span::hours(6));
const PROVED_SLOWLY: (u32, Span) = (2, Span::hours(24));
/// A change is told within so long of when the water was last held at its old place.
pub(super) const NEWS: Span = Span::hours(36);
/// What is left of a tail after one more turn: half after a hundred.
const FADES: f32 = 0.993;
/// Of a first tail so much more may come.
const TAIL: f64 = 1.15;
/// Turns after which rare ones have been seen; until then the margin is wider, K.
const SEASONED: u16 = 15;
const UNSEASONED: f64 = 0.05;
/// A share of a cell with less than this is off.
const ON: f64 = 0.05;
/// Heat is still on its way to the probe for so many cells after the device let go.
const ON_THE_WAY: u32 = 6;
/// A device that cycles within its cells is asked where it turns every so many of them.
const FAST: u32 = 24;

/// Where something turns the water, and how far from there the water may be by chance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// degC.
    pub place: f64,
    /// K.
    pub margin: f64,
}

impl Level {
    pub(super) fn mirrored(self) -> Self {
        Self { place: -self.place, ..self }
    }
}

/// One edge: its place with its spread, and another place at which the device turned lately. Half
/// as many digits as a reading has are enough, and seven of them are kept for each tank.
#[derive(Clone, Copy, Debug, Default)]
pub struct Edge {
    place: f32,
    spread: f32,
    /// How much further than the place the water came lately before the device turned it all the
    /// same, K.
    tail: f32,
    seen: u16,
    /// The hour in which it last turned the water at the place, as [`hour_of`] counts; 0 if it did
    /// not since a restart.
    newest: u16,
    /// Place, turns there, and since when.
    other: Option<(f32, u32, Moment)>,
}

/// Hours by two bytes of a clock that goes round in seven years: one of each edge is kept.
pub(super) fn hour_of(when: Moment) -> u16 {
    (when.0.div_euclid(3_600_000) as u16).max(1)
}

impl Edge {
    fn place(&self) -> f64 {
        f64::from(self.place)
    }

    /// What is near enough to be the same place.
    fn near(&self) -> f64 {
        (3.0 * f64::from(self.spread) + 0.04).clamp(MARGINS.0, MARGINS.1)
    }

    /// What the water may be beyond the place by chance.
    fn margin(&self) -> f64 {
        let rare = if self.seen < SEASONED { UNSEASONED } else { 0.0 };
        self.near().max(TAIL * f64::from(self.tail) + 0.03).min(MARGINS.1) + rare
    }

    fn is_known(&self) -> bool {
        self.seen >= KNOWN
    }

    /// Takes one turn. Returns by how much the place has changed, if that is now certain.
    pub(super) fn take(&mut self, at: f64, when: Moment) -> Option<f64> {
        let off = at - self.place();
        if self.seen == 0 || (off.abs() > self.near() && !self.is_known()) {
            *self =
                Self { place: at as f32, spread: 0.06, seen: 1, newest: hour_of(when), ..Self::default() };
            return None;
        }
        self.tail *= FADES;
        if off.abs() <= self.near() {
            self.tail = self.tail.max(-off as f32);
            self.newest = hour_of(when);
            self.seen = self.seen.saturating_add(1);
            let share = 1.0 / f64::from(self.seen.min(MEMORY));
            self.place += (off * share) as f32;
            self.spread += ((1.25 * off.abs() - f64::from(self.spread)) * share.min(0.3)) as f32;
            if let Some((other, ..)) = self.other.take() {
                // It came back from there: that was the rare end of the same place.
                self.tail = self.tail.max((self.place - other).min(MARGINS.1 as f32));
            }
            return None;
        }
        let (place, turns, since) = match self.other {
            Some((place, turns, since)) if (at - f64::from(place)).abs() <= 2.0 * self.near() => {
                (place + (at as f32 - place) / (turns + 1) as f32, turns + 1, since)
            }
            Some(_) | None => (at as f32, 1, when),
        };
        let lasted = when - since;
        let is_proved = |(least, long): (u32, Span)| turns >= least && lasted >= long;
        if is_proved(PROVED) || is_proved(PROVED_SLOWLY) {
            // What was hardly known has not changed; it was found. What changed longer ago is
            // learned without a word.
            let hours = Span::hours(i64::from(hour_of(when).wrapping_sub(self.newest)));
            let is_news = self.newest == 0 || hours <= NEWS;
            let shift = (self.seen >= SEASONED && is_news).then_some(f64::from(place - self.place));
            *self = Self { place, seen: KNOWN, other: None, newest: hour_of(when), ..*self };
            return shift;
        }
        self.other = Some((place, turns, since));
        None
    }

    /// What survives a restart: place, spread, tail, turns.
    pub(super) fn kept(&self) -> [f64; 4] {
        [f64::from(self.place), f64::from(self.spread), f64::from(self.tail), f64::from(self.seen)]
    }

    pub(super) fn recall(&mut self, [place, spread, tail, seen]: [f64; 4]) {
        *self = Self {
            place: place as f32,
            spread: spread.clamp(0.0, 0.5) as f32,
            tail: tail.clamp(0.0, MARGINS.1) as f32,
            seen: seen.clamp(0.0, f64::from(MEMORY)) as u16,
            other: None,
            newest: 0,
        };
    }

    /// The place; the lower of two while another one is under proof.
    pub(super) fn level(&self) -> Option<Level> {
        let place = self.other.map_or(self.place, |(other, ..)| other.min(self.place));
        self.is_known().then_some(Level { place: f64::from(place), margin: self.margin() })
    }
}

/// Both edges of a device, the water counted towards where the device drives it: for a cooler it is
/// minus the temperature.
#[derive(Clone, Copy, Debug, Default)]
pub struct Edges {
    acts: Edge,
    rests: Edge,
    phase: EdgePhase,
    /// Cells since it let go, and the highest since.
    after: Option<(u32, f64)>,
    /// By how much each edge has changed, and when that was certain.
    shifts: [Option<(f64, Moment)>; 2],
}

/// Both edges change within so long of each other, or it is no change of setting.
const TOGETHER: Span = Span::hours(48);

/// What was seen while the device has been on.
#[derive(Clone, Copy, Debug, Default)]
struct EdgePhase {
    cells: u32,
    share: f64,
    lowest: f64,
    highest: f64,
    spoiled: bool,
}

impl Edges {
    /// Takes the water and the device's share of one cell. Returns by how much both edges have
    /// changed for good.
    pub(super) fn cell(&mut self, water: f64, share: f64, at: Moment, quiet: bool) -> Option<f64> {
        let shift = self.turn(water, share, at, quiet);
        if let Some(shift) = shift {
            self.shifts[0] = Some((shift, at));
        }
        let [Some((acts, one)), Some((rests, other))] = self.shifts else { return None };
        let alike = acts * rests > 0.0 && (acts - rests).abs() < 0.5 * acts.abs().max(rests.abs());
        self.shifts = [None; 2];
        (alike && one - other < TOGETHER && other - one < TOGETHER).then_some(acts)
    }

    fn turn(&mut self, water: f64, share: f64, at: Moment, quiet: bool) -> Option<f64> {
        if share.is_nan() {
            (self.phase, self.after) = (EdgePhase::default(), None);
            return None;
        }
        if let Some((cells, highest)) = &mut self.after {
            (*cells, *highest) = (*cells + 1, highest.max(water));
            if !quiet {
                self.after = None;
            } else if *cells >= ON_THE_WAY || share > ON {
                let highest = *highest;
                self.after = None;
                if let Some(shift) = self.rests.take(highest, at) {
                    self.shifts[1] = Some((shift, at));
                }
            }
        }
        if share > ON {
            let phase = &mut self.phase;
            if phase.cells == 0 {
                *phase = EdgePhase { lowest: water, highest: water, ..EdgePhase::default() };
            }
            phase.cells += 1;
            phase.share += share;
            phase.lowest = phase.lowest.min(water);
            phase.highest = phase.highest.max(water);
            phase.spoiled |= !quiet;
            let cycles = phase.cells >= FAST && phase.share < 0.9 * f64::from(phase.cells);
            return if cycles { self.turned(at) } else { None };
        }
        if self.phase.cells == 0 {
            return None;
        }
        self.after = Some((0, self.phase.highest.max(water)));
        self.turned(at)
    }

    fn turned(&mut self, at: Moment) -> Option<f64> {
        let phase = std::mem::take(&mut self.phase);
        if phase.spoiled { None } else { self.acts.take(phase.lowest, at) }
    }

    pub(super) fn acts(&self) -> Option<Level> {
        self.acts.level()
    }

    pub(super) fn rests(&self) -> Option<Level> {
        self.rests.level()
    }

    /// The furthest at which it lets the water go: the further of two places while one is under
    /// proof.
    pub(super) fn rests_furthest(&self) -> Option<Level> {
        let further = self.rests.other.map_or(self.rests.place, |(other, ..)| other.max(self.rests.place));
        self.rests().map(|level| Level { place: f64::from(further), ..level })
    }

    /// Whether it has just come on.
    pub(super) fn has_come_on(&self) -> bool {
        self.phase.cells == 1
    }

    pub(super) const KEPT: usize = 8;

    pub(super) fn kept(&self) -> [f64; Self::KEPT] {
        let ([a, b, c, d], [e, f, g, h]) = (self.acts.kept(), self.rests.kept());
        [a, b, c, d, e, f, g, h]
    }

    pub(super) fn recall(&mut self, kept: &[f64]) -> bool {
        let [a, b, c, d, e, f, g, h] = *kept else { return false };
        *self = Self::default();
        self.acts.recall([a, b, c, d]);
        self.rests.recall([e, f, g, h]);
        true
    }
}
