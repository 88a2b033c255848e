//! Which running call-out an alarm belongs to: that of a cause which explains it, of something it
//! explains, of itself come back, or of the open alarm whose sight it is. Call-outs never merge: an
//! alarm that two could claim goes to the one of higher rank, or else to the older.

use super::facts::{Facts, MayBeAkin};
use super::member::{Condition, Member};
use super::state::{CallOut, Phase};
use crate::record::{CallKind, Joined, Seq};
use crate::time::{Moment, Span};
use std::cmp::Reverse;
use std::collections::BTreeSet;

/// A cause that is raised twice within this flickers.
pub const FLICKER_WITHIN: Span = Span::hours(3);

/// The call-out that an alarm joins when it is raised; none if it begins its own.
pub fn home<'a>(
    calls: impl IntoIterator<Item = &'a CallOut>,
    alarm: &str,
    facts: &dyn Facts,
    now: Moment,
) -> Option<Seq> {
    let is_open = |call: &&CallOut| call.phase != Phase::Over && call.kind != CallKind::Drill;
    let open: Vec<&CallOut> = calls.into_iter().filter(is_open).collect();
    // What latched, or waits for a hand, has never ceased to stand: it is there.
    let own = |call: &&&CallOut| call.members.of_alarm(alarm).is_some_and(Member::stands);
    if let Some(call) = open.iter().find(own) {
        return Some(call.id);
    }
    let related = Related::of(alarm, facts);
    let claims = open.into_iter().filter(|call| {
        let recent = |member: &Member| {
            member.stands() || member.returned().is_some_and(|at| now - at <= call.settle(facts))
        };
        let is_in = |alarm: &&str| call.members.of_alarm(alarm);
        call.members.of_alarm(alarm).is_some()
            || related.explained.iter().filter_map(is_in).any(recent)
            || related.hidden.iter().filter_map(is_in).any(Member::stands)
            || related.is_akin_to_any(call, alarm, facts)
    });
    let weight = |call: &&CallOut| {
        let all = call.members.iter().map(|member| member.rank).max();
        (call.standing_rank(now).or(all), Reverse(call.id))
    };
    claims.max_by_key(weight).map(|call| call.id)
}

/// The members of a held digest that are of this alarm's kin, as they join another call-out: those
/// that stand; what only waits for a hand is said where it is.
pub fn kin_in(call: &CallOut, alarm: &str, facts: &dyn Facts) -> Vec<Joined> {
    let related = Related::of(alarm, facts);
    let is_related = |member: &&Member| {
        let name = member.alarm.as_str();
        related.explained.contains(name) || related.hidden.contains(name) || facts.akin(alarm, name)
    };
    let stands = |member: &&Member| member.latched || member.condition == Condition::Raised;
    let kin = call.members.iter().filter(stands).filter(is_related);
    kin.map(|member| Joined {
        alarm: member.alarm.clone(),
        episode: member.episode,
        place: member.place.clone(),
        rank: member.rank,
        ladder: member.ladder.clone(),
        flickers: member.flickers,
        worse: member.worse,
        listed: false,
        sight: member.sight,
    })
    .collect()
}

/// What an alarm may be related to.
struct Related<'a> {
    /// Its causes and its consequences.
    explained: BTreeSet<&'a str>,
    /// What it is the loss of sight of.
    hidden: BTreeSet<&'a str>,
    /// Where else its kin may be.
    akin: MayBeAkin<'a>,
}

impl<'a> Related<'a> {
    fn of(alarm: &str, facts: &'a dyn Facts) -> Self {
        Self {
            explained: facts.causes(alarm).into_iter().chain(facts.effects(alarm)).collect(),
            hidden: facts.hidden(alarm).into_iter().collect(),
            akin: facts.may_be_akin(alarm),
        }
    }

    fn is_akin_to_any(&self, call: &CallOut, alarm: &str, facts: &dyn Facts) -> bool {
        match &self.akin {
            MayBeAkin::These(these) if these.len() < call.members.len() => {
                let mut members = these.iter().filter_map(|other| call.members.of_alarm(other));
                members.any(|member| facts.akin(alarm, &member.alarm))
            }
            MayBeAkin::These(these) if these.is_empty() => false,
            MayBeAkin::These(_) | MayBeAkin::All => {
                call.members.iter().any(|member| facts.akin(alarm, &member.alarm))
            }
        }
    }
}
