//! Spells that were over before their on-delay was: nothing is raised, but a mains that flickers
//! all night is worth a line in the morning. A flapping input must not fill the journal, so of each
//! alarm the first blip is recorded at once and what follows within the hour is counted and told
//! together.

use crate::time::{Moment, Span};

/// Blips of one alarm are recorded no more often than this.
const TOLD_EVERY: Span = Span::hours(1);

/// The blips of one alarm that no record tells of yet.
#[derive(Clone, Debug, Default)]
pub(super) struct BlipCount {
    count: u32,
    longest: Span,
    /// When the first of them began.
    since: Option<Moment>,
    /// When others were last recorded.
    told: Option<Moment>,
}

impl BlipCount {
    /// A spell that began then is over.
    pub(super) fn note(&mut self, began: Moment, length: Span) {
        self.count = self.count.saturating_add(1);
        self.longest = self.longest.max(length);
        self.since.get_or_insert(began);
    }

    /// When they are to be recorded; none if there are none.
    pub(super) fn due(&self) -> Option<Moment> {
        let since = self.since?;
        Some(self.told.map_or(since, |told| told + TOLD_EVERY))
    }

    /// How many, the longest, and for how long ago the first of them began.
    pub(super) fn told(&self, now: Moment) -> Option<(u32, Span, Span)> {
        Some((self.count, self.longest, now - self.since?))
    }

    /// They are recorded.
    pub(super) fn recorded(&mut self, now: Moment) {
        *self = Self { told: Some(now), ..Self::default() };
    }
}
