//! Readings that come late and say when they were measured: the rest of a pack, what a sender kept
//! while nobody listened. They raise nothing, but they belong to the history, each once and in
//! order of time. What a sender says twice is told apart by two moments: until when late ones were
//! taken since the last live reading, and the last stretch in which no live one was.

use crate::time::{Moment, Span};

/// What was taken late.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct LateReadings {
    /// Measured after the last live reading, so far.
    until: Option<Moment>,
    /// The last stretch without a live reading, less what was taken of it.
    gap: Option<(Moment, Moment)>,
}

impl LateReadings {
    /// A live reading is believed, after one that was measured `before`.
    pub(super) fn believed(&mut self, before: Option<Moment>, at: Moment, stale_after: Span) {
        let from = before.max(self.until.take());
        match from {
            Some(from) if at - from > stale_after => self.gap = Some((from, at)),
            Some(_) => {}
            None => self.gap = Some((Moment(i64::MIN), at)),
        }
    }

    /// Whether one that was measured then is new; `last` is when the last live one was.
    pub(super) fn takes(&mut self, at: Moment, last: Option<Moment>) -> bool {
        if last.is_some_and(|last| at <= last) {
            return match &mut self.gap {
                Some((from, to)) if *from < at && at < *to => {
                    *from = at;
                    true
                }
                Some(_) | None => false,
            };
        }
        let new = self.until.is_none_or(|until| at > until);
        if new {
            self.until = Some(at);
        }
        new
    }
}
