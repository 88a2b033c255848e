//! Many alarms at once that nothing links: from the sixth call-out of one ladder begun within five
//! seconds on, they are one. It is told once with counts by tank and its worst few; what begins in one
//! turn is counted before any of its pages is planned.

use super::member::Member;
use super::state::CallOut;
use crate::record::CallKind;
use crate::time::{Moment, Span};
use std::collections::BTreeMap;

/// So many call-outs begin on their own.
pub const APART: usize = 5;
/// Within this.
pub const WITHIN: Span = Span::seconds(5);

/// Which ladders have begun call-outs lately: what a mass is counted from.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Beginnings {
    /// By ladder, the latest beginnings, the oldest first: never more than [`APART`].
    recent: BTreeMap<String, Vec<Moment>>,
}

impl Beginnings {
    /// A call-out of this ladder began, or a newcomer joined the ladder's mass.
    pub fn note(&mut self, ladder: &str, at: Moment) {
        let recent = self.recent.entry(ladder.to_owned()).or_default();
        recent.retain(|begun| at - *begun <= WITHIN);
        recent.push(at);
        if recent.len() > APART {
            recent.remove(0);
        }
    }

    /// Whether `newcomers` call-outs of this ladder that would begin now belong to one mass.
    pub fn is_mass(&self, ladder: &str, newcomers: usize, now: Moment) -> bool {
        let recent = self.recent.get(ladder).into_iter().flatten();
        newcomers > 0 && recent.filter(|begun| now - **begun <= WITHIN).count() + newcomers > APART
    }
}

impl CallOut {
    /// How many members stand in each place, the fullest first.
    pub fn counts(&self) -> Vec<(&str, usize)> {
        let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
        for member in self.members.iter().filter(|member| member.stands()) {
            *counts.entry(member.place.as_str()).or_default() += 1;
        }
        let mut counts: Vec<_> = counts.into_iter().collect();
        counts.sort_by_key(|(place, count)| (std::cmp::Reverse(*count), *place));
        counts
    }

    /// Whether a member's own code answers only that member: in a mass or a digest of several.
    pub fn answers_alone(&self, member: &Member) -> bool {
        matches!(self.kind, CallKind::Mass | CallKind::Digest) && self.members.len() > 1 && member.stands()
    }
}
