//! Which running call-out an alarm belongs to: that of a cause which explains it, of something it
//! explains, of itself come back, or of the open alarm whose sight it is. Call-outs never merge: an
//! alarm that two could claim goes to the one of higher rank, or else to the older.

use super::facts::Facts;
use super::member::Member;
use super::state::{CallOut, Phase};
use crate::record::{CallKind, Joined, Seq};
use crate::time::{Moment, Span};
use std::cmp::Reverse;

/// A cause that is raised twice within this flickers.
pub const FLICKER_WITHIN: Span = Span::hours(3);

/// The call-out that an alarm joins when it is raised; none if it begins its own.
pub fn home<'a>(
    calls: impl IntoIterator<Item = &'a CallOut>,
    alarm: &str,
    facts: &dyn Facts,
    now: Moment,
) -> Option<Seq> {
    let open = calls.into_iter().filter(|call| call.phase != Phase::Over && call.kind != CallKind::Drill);
    let claims = open.filter(|call| {
        let recent = |member: &Member| {
            let settle = call.settle(facts);
            member.stands() || member.returned().is_some_and(|at| now - at <= settle)
        };
        call.members.iter().any(|member| {
            member.alarm == alarm
                || (facts.explains(alarm, &member.alarm) && recent(member))
                || facts.akin(alarm, &member.alarm)
                || (facts.explains(&member.alarm, alarm) && recent(member))
                || (facts.hides(alarm, &member.alarm) && member.stands())
        })
    });
    let weight = |call: &&CallOut| {
        let all = call.members.iter().map(|member| member.rank).max();
        (call.standing_rank(now).or(all), Reverse(call.id))
    };
    claims.max_by_key(weight).map(|call| call.id)
}

/// The standing members of a held digest that are of this alarm's kin, as they join another
/// call-out.
pub fn kin_in(call: &CallOut, alarm: &str, facts: &dyn Facts) -> Vec<Joined> {
    let related = |member: &&Member| {
        facts.explains(alarm, &member.alarm)
            || facts.explains(&member.alarm, alarm)
            || facts.hides(alarm, &member.alarm)
            || facts.akin(alarm, &member.alarm)
    };
    let kin = call.members.iter().filter(|member| member.stands()).filter(related);
    kin.map(|member| Joined {
        alarm: member.alarm.clone(),
        episode: member.episode,
        place: member.place.clone(),
        rank: member.rank,
        ladder: member.ladder.clone(),
        flickers: member.flickers,
        listed: false,
        sight: member.sight,
    })
    .collect()
}
