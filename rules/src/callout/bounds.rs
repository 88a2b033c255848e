//! How long an answer holds: no longer than the ladder allows, than a deadly harm leaves, than the
//! watch itself lives. A person who names a later time is told which of these stands against it.

use super::event::BEFORE_DARK;
use super::facts::Facts;
use super::ladder::Ladder;
use super::state::CallOut;
use crate::time::{Moment, Span};
use std::fmt;

/// However soon a harm may come, whoever has answered has this long before they are asked again.
pub const SHORTEST: Span = Span::minutes(10);
/// A time that somebody names is at least this far off.
pub const SHORTEST_NAMED: Span = Span::minutes(1);
/// The answer of somebody who is away holds this long, and asks who goes.
pub const WHILE_AWAY: Span = Span::minutes(10);

/// What ends an answer earlier than was asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Bound {
    /// The ladder's `longest-lease`.
    Longest,
    /// The early end of a deadly harm.
    Harm,
    /// The watch's own power.
    Power,
    /// Whoever answered is away.
    Away,
}

impl fmt::Display for Bound {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Longest => "no answer holds longer here",
            Self::Harm => "animals may die from then on",
            Self::Power => "this watch may go dark soon after",
            Self::Away => "you are away: who goes there?",
        })
    }
}

/// How long an answer holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Lease {
    /// From now on.
    pub length: Span,
    /// What made it shorter than what was asked for, or than the ladder's own.
    pub bound: Option<Bound>,
}

/// The lease of an answer given now by `who`, who perhaps named a time.
pub fn lease(
    call: &CallOut,
    ladders: &[&Ladder],
    who: &str,
    named: Option<Span>,
    facts: &dyn Facts,
    now: Moment,
) -> Lease {
    let usual = ladders.iter().map(|ladder| ladder.lease).min().unwrap_or(SHORTEST);
    let longest = ladders.iter().map(|ladder| ladder.longest_lease).min().unwrap_or(usual);
    let asked = named.map_or(usual, |named| named.max(SHORTEST_NAMED));
    let standing = call.members.iter().filter(|member| member.stands());
    let harm = standing.filter_map(|member| facts.deadly_from(member.episode)).min();
    let bounds = [
        (Some(longest), Bound::Longest),
        (harm.map(|harm| (harm - now).max(SHORTEST)), Bound::Harm),
        (facts.dark_from().map(|dark| (dark - BEFORE_DARK - now).max(SHORTEST)), Bound::Power),
        (facts.is_away(who).then_some(WHILE_AWAY), Bound::Away),
    ];
    let shortest = bounds.into_iter().filter_map(|(length, bound)| Some((length?, bound)));
    match shortest.min_by_key(|(length, _)| *length) {
        Some((length, bound)) if length < asked => Lease { length, bound: Some(bound) },
        Some(_) | None => Lease { length: asked, bound: None },
    }
}
