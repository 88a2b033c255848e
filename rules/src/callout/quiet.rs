//! Which members the quiet hours hold: what can wait until the morning, in every rung and at every
//! return. Never what is high or critical, and never what a forecast says will not wait.

use super::facts::Facts;
use super::member::Member;
use super::state::CallOut;
use crate::alarm::Priority;
use crate::record::{Joined, Seq};
use crate::time::{Moment, Span};

/// Whoever is told when quiet ends needs this long to act.
pub const TO_ACT: Span = Span::minutes(60);

/// Until when quiet hours hold this member; none if they don't.
pub fn holds(member: &Member, facts: &dyn Facts) -> Option<Moment> {
    hold((&member.alarm, member.episode, member.rank, &member.ladder), member.raised, facts)
}

/// The same for an alarm that is raised now.
pub fn holds_newcomer(joined: &Joined, facts: &dyn Facts, now: Moment) -> Option<Moment> {
    hold((&joined.alarm, joined.episode, joined.rank, &joined.ladder), now, facts)
}

fn hold(
    (alarm, episode, rank, ladder): (&str, Seq, Priority, &str),
    raised: Moment,
    facts: &dyn Facts,
) -> Option<Moment> {
    let until = facts.quiet_until(ladder)?;
    let in_time = until + TO_ACT;
    if facts.harm_from(episode).is_some_and(|harm| harm < in_time) {
        return None;
    }
    let waits = match rank {
        Priority::Low => true,
        Priority::Medium => facts.time_to_respond(alarm).is_some_and(|respond| raised + respond > in_time),
        Priority::High | Priority::Critical => false,
    };
    waits.then_some(until)
}

/// The first for which people are to be asked although it is quiet for it: it does not wait for the
/// morning.
pub fn cant_wait<'a>(call: &'a CallOut, facts: &dyn Facts, now: Moment) -> Option<&'a Member> {
    let calling = call.members.iter().filter(|member| member.calls(now));
    let mut quiet = calling.filter(|member| facts.quiet_until(&member.ladder).is_some());
    quiet.find(|member| holds(member, facts).is_none())
}

/// Until when quiet hours hold all for which people are to be asked; none if anything can't wait.
pub fn held_until(call: &CallOut, facts: &dyn Facts, now: Moment) -> Option<Moment> {
    let calling = || call.members.iter().filter(|member| member.calls(now));
    let until = calling().map(|member| holds(member, facts)).collect::<Option<Vec<_>>>()?;
    until.into_iter().min().filter(|until| *until > now)
}
