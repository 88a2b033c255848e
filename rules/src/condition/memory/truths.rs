//! What is remembered of a condition's truth: when it was last false, when it was last unknown,
//! when it last came true. That is enough for "has been", "within … after" and "then", and
//! takes the same few bytes however long they look back.

use super::super::{Truth, Verdict};
use crate::time::{Moment, Span};

/// The past of one condition.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::condition) struct TruthHistory {
    truth: Truth,
    last_known: Option<bool>,
    /// When it last stopped being false.
    false_until: Option<Moment>,
    /// When it last stopped being unknown; before the start everything is.
    unknown_until: Moment,
    /// When it was last seen to come true.
    onset: Option<Moment>,
}

impl TruthHistory {
    pub(in crate::condition) fn new(now: Moment) -> Self {
        Self { truth: Truth::Unknown, last_known: None, false_until: None, unknown_until: now, onset: None }
    }

    /// It says `truth` from `now` on. Whether it came true just now.
    pub(in crate::condition) fn see(&mut self, truth: Truth, now: Moment) -> bool {
        match self.truth {
            Truth::True => {}
            Truth::False => self.false_until = Some(now),
            Truth::Unknown => self.unknown_until = now,
        }
        // From false through unknown to true it came true too, if nobody knows when.
        let came = truth == Truth::True && self.last_known == Some(false);
        if came {
            self.onset = Some(now);
        }
        self.last_known = match truth {
            Truth::True => Some(true),
            Truth::False => Some(false),
            Truth::Unknown => self.last_known,
        };
        self.truth = truth;
        came
    }

    /// Whether it was unknown at any time since `then`.
    fn doubtful_since(&self, then: Moment) -> bool {
        self.truth == Truth::Unknown || self.unknown_until > then
    }

    /// Whether it has been true for this long without a break.
    pub(in crate::condition) fn has_been(&self, length: Span, now: Moment) -> Verdict {
        let then = now - length;
        let lasted = |end: Moment| (end > then).then_some(end + length);
        let false_ends = self.false_until.and_then(lasted);
        let unknown_ends = lasted(self.unknown_until);
        let until = match (false_ends, unknown_ends) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        };
        match self.truth {
            Truth::False => Verdict { truth: Truth::False, until: None },
            _ if false_ends.is_some() => Verdict { truth: Truth::False, until },
            Truth::Unknown => Verdict { truth: Truth::Unknown, until: None },
            Truth::True if unknown_ends.is_some() => Verdict { truth: Truth::Unknown, until },
            Truth::True => Verdict { truth: Truth::True, until: None },
        }
    }

    /// Whether it came true no longer ago than this.
    pub(in crate::condition) fn came_within(&self, within: Span, now: Moment) -> Verdict {
        if let Some(onset) = self.onset.filter(|onset| *onset + within > now) {
            return Verdict { truth: Truth::True, until: Some(onset + within) };
        }
        match self.truth {
            Truth::Unknown => Verdict { truth: Truth::Unknown, until: None },
            _ if self.unknown_until + within > now => {
                Verdict { truth: Truth::Unknown, until: Some(self.unknown_until + within) }
            }
            Truth::True | Truth::False => Verdict { truth: Truth::False, until: None },
        }
    }

    /// For how long it has been true, as far as was seen.
    pub(in crate::condition) fn true_for(&self, now: Moment) -> Option<Span> {
        let since = self.false_until.map_or(self.unknown_until, |end| end.max(self.unknown_until));
        (self.truth == Truth::True).then(|| now - since)
    }

    /// How long ago it last came true.
    pub(in crate::condition) fn came(&self, now: Moment) -> Option<Span> {
        self.onset.map(|onset| now - onset)
    }
}

/// The past of two conditions, of which the second is to follow the first.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::condition) struct Sequence {
    first: TruthHistory,
    second: TruthHistory,
    /// Whether the second followed the first when it last came true.
    followed: Truth,
}

impl Sequence {
    pub(in crate::condition) fn new(now: Moment) -> Self {
        Self { first: TruthHistory::new(now), second: TruthHistory::new(now), followed: Truth::Unknown }
    }

    pub(in crate::condition) fn see(&mut self, first: Truth, second: Truth, within: Span, now: Moment) {
        self.first.see(first, now);
        if self.second.see(second, now) {
            self.followed = match self.first.onset {
                Some(onset) if now - onset <= within => Truth::True,
                _ if self.first.doubtful_since(now - within) => Truth::Unknown,
                Some(_) | None => Truth::False,
            };
        }
        if second == Truth::False {
            self.followed = Truth::Unknown;
        }
    }

    /// Only a reading changes it.
    pub(in crate::condition) fn verdict(&self) -> Verdict {
        let truth = match self.second.truth {
            Truth::True => self.followed,
            other => other,
        };
        Verdict { truth, until: None }
    }

    /// How long ago each last came true.
    pub(in crate::condition) fn came(&self, now: Moment) -> (Option<Span>, Option<Span>) {
        (self.first.came(now), self.second.came(now))
    }
}
