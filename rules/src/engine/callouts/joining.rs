//! How an episode gets into a call-out: it comes back to the one it is in, joins that of its kin,
//! or begins one; many at once begin a mass, and what can wait for the morning is held together.

use super::Callouts;
use super::facts::Known;
use crate::alarm::{Priority, State};
use crate::callout::decide::{Beginning, Outcome, begin, begin_drill, decide};
use crate::callout::event::Event;
use crate::callout::member::Member;
use crate::callout::state::{CallOut, Phase};
use crate::callout::{Call, kin, mass, quiet};
use crate::engine::context::Context;
use crate::engine::ground::Ground;
use crate::engine::task::{Next, Task};
use crate::ids::{AlarmId, CalloutId, Seq};
use crate::record::{Body, CallChange, CallKind, Joined, Purpose};
use crate::time::{Moment, Span};
use std::collections::BTreeSet;

/// So many members of a mass are looked at, from its end, for those of the last seconds: it may
/// have thousands.
const LATEST: usize = 64;

impl Callouts {
    /// An episode as it joins.
    pub(super) fn joined(
        &self,
        ground: &Ground<'_>,
        alarm: &str,
        episode: Seq,
        rank: Priority,
        ladder: &str,
    ) -> Option<Joined> {
        let known = self.episodes.get(alarm).filter(|_| ground.alarm(alarm).is_some())?;
        Some(Joined {
            alarm: alarm.to_owned(),
            episode,
            place: known.place.clone(),
            rank,
            ladder: ladder.to_owned(),
            flickers: false,
            worse: false,
            listed: false,
            sight: ground.alarm(alarm).is_some_and(|id| ground.plan.alarm(id).is_loss_of_sight()),
        })
    }

    /// An episode was raised.
    pub(in crate::engine) fn on_raised(&self, cx: &Context<'_>, id: AlarmId, episode: Seq, next: &mut Next) {
        let alarm = cx.plan.alarm(id);
        // Over again by now, or put aside; what latched waits for a person all the same.
        let stands = cx.alarms.state(id).state;
        let stands = stands.is_standing() || stands == State::LatchedUnacknowledged;
        let Some(policy) = alarm.callout.filter(|_| stands && cx.alarms.episode(id) == Some(episode)) else {
            return;
        };
        let ladder = &cx.plan.callouts[policy.index()].name;
        let flickers = self.episodes.flickers(&alarm.name);
        // As it was raised: a forecast of a tank that is not learned yet ranks low.
        let Some(rank) = self.episodes.get(&alarm.name).map(|known| known.priority) else { return };
        let Some(joined) = self.joined(cx, &alarm.name, episode, rank, ladder) else { return };
        let worse = cx.alarms.state(id).episode.as_ref().is_some_and(|open| open.worse);
        let joined = Joined { flickers, worse, ..joined };
        if cx.is_own_end(id) {
            next.then(Task::SayDark(episode));
        }
        let facts = Known::of_alarm(cx, &alarm.name);
        let mine = self.of_episode(episode).filter(|call| {
            call.core.member(episode).is_some_and(|member| member.returned().is_none() && member.stands())
        });
        if mine.is_some() {
            return;
        }
        let cores = self.may_have_kin(cx, id).into_iter().map(|call| &call.core);
        let home = kin::home(cores, &alarm.name, &facts, cx.mono()).and_then(|id| self.get(id));
        let held = quiet::holds_newcomer(&joined, &facts, cx.mono()).is_some();
        match home {
            Some(digest) if !held && digest.core.lets_kin_go_with(&joined, cx.mono()) => {
                self.take_kin_out(cx, (id, &joined), digest, next);
            }
            Some(call) => self.hear(cx, call, &Event::Raised(joined), next),
            None => {
                let of_kind = || self.low_of_kind(cx, id, &joined).filter(|_| !held);
                match self.held_digest(ladder).filter(|_| held).or_else(of_kind) {
                    Some(call) => self.hear(cx, call, &Event::Raised(joined), next),
                    None => self.begin_one(cx, id, &joined, held, next),
                }
            }
        }
    }

    /// Where a channel of the ladder carries only so many pages, low alarms of one kind are listed
    /// together before its limit is spent: the call-out of them that people are being called for.
    fn low_of_kind(&self, cx: &Context<'_>, id: AlarmId, joined: &Joined) -> Option<&Call> {
        let policy = cx.policy(&joined.ladder)?;
        let limited = |target| cx.plan.directory.quota(target).is_some();
        if joined.rank > Priority::Low || !policy.steps.iter().flat_map(|step| &step.to).any(limited) {
            return None;
        }
        let alarm = cx.plan.alarm(id);
        let of_kind = |member: &Member| {
            let other = cx.alarm(&member.alarm).map(|id| cx.plan.alarm(id));
            member.stands()
                && member.ladder == joined.ladder
                && other.is_some_and(|it| cx.plan.is_of_kind(alarm, it))
        };
        self.running().find(|call| {
            let low = call.core.members.iter().all(|member| !member.stands() || member.rank == Priority::Low);
            low && call.core.phase == Phase::Climbing && call.core.members.iter().any(of_kind)
        })
    }

    /// Whether nothing in the plan is related to an alarm, so that whatever stands makes no
    /// difference to it.
    pub(super) fn has_no_kin(&self, cx: &Context<'_>, id: AlarmId) -> bool {
        let alarm = cx.plan.alarm(id);
        let carried = alarm.sight.as_ref().map(|sight| cx.index.carried_by(sight));
        cx.index.causes.list(id.index()).is_empty()
            && cx.index.effects.list(id.index()).is_empty()
            && alarm.expected.is_empty()
            && !alarm.is_loss_of_sight()
            && alarm.channel().is_none()
            && carried.into_iter().flatten().all(|sensor| cx.index.users.list(sensor.index()).is_empty())
    }

    /// The running call-outs in which an alarm may have kin: those of itself, of what explains it
    /// and what it explains; of what it hides, if it is a loss of sight. A loss may be one with any
    /// other.
    fn may_have_kin(&self, cx: &Context<'_>, id: AlarmId) -> Vec<&Call> {
        let alarm = cx.plan.alarm(id);
        if alarm.is_loss_of_sight() || alarm.channel().is_some() {
            return self.running().collect();
        }
        let explained = cx.index.causes.list(id.index()).iter();
        let explains = cx.index.effects.list(id.index());
        let carried = alarm.sight.as_ref().map(|sight| cx.index.carried_by(sight));
        let hidden = carried.into_iter().flatten().map(|sensor| cx.index.users.list(sensor.index()));
        let all = explained.chain(explains).chain(hidden.flatten()).chain([&id]);
        let names = all.map(|id| cx.plan.alarm(*id).name.as_str());
        let calls: BTreeSet<Seq> = names.flat_map(|name| self.calls.with_alarm(name)).collect();
        calls.into_iter().filter_map(|call| self.get(call)).filter(|call| !call.ended()).collect()
    }

    /// This watch's own power is about to end: everybody told, and the next rung of each call-out,
    /// learn that nobody is called after that. One that climbs for nothing else says it by that.
    pub(in crate::engine) fn on_dark(&self, cx: &Context<'_>, episode: Seq, next: &mut Next) {
        let says_it = |core: &CallOut| {
            core.phase == Phase::Climbing && core.members.iter().all(|member| member.episode == episode)
        };
        let all = self.running().filter(|call| call.core.kind != CallKind::Drill);
        for call in all.filter(|call| !says_it(&call.core)) {
            self.hear(cx, call, &Event::GoesDark, next);
        }
    }

    /// A call-out of its own, or the mass of its ladder.
    fn begin_one(&self, cx: &Context<'_>, id: AlarmId, joined: &Joined, held: bool, next: &mut Next) {
        let now = cx.mono();
        let is_mass = !held && self.is_mass(cx, id, &joined.ladder);
        let running = self.running().find(|call| {
            let of_ladder = call.core.members.ladders().any(|ladder| ladder == joined.ladder);
            call.core.kind == CallKind::Mass && of_ladder && !call.core.members.is_empty()
        });
        if let Some(mass) = running.filter(|mass| is_mass && is_recent(mass, now)) {
            return match mass.core.only_lists(joined, now).filter(|_| self.has_no_kin(cx, id)) {
                Some(changes) => self.put(cx, &mass.core, Outcome { changes, ..Outcome::default() }, next),
                None => self.hear(cx, mass, &Event::Raised(joined.clone()), next),
            };
        }
        let kind = match (is_mass, held) {
            (true, _) => CallKind::Mass,
            (false, true) => CallKind::Digest,
            (false, false) => CallKind::Cause,
        };
        self.begin_with(cx, kind, joined, &Beginning { cause_by: cause_of(cx, id), aware: None }, next);
    }

    fn begin_with(
        &self,
        cx: &Context<'_>,
        kind: CallKind,
        joined: &Joined,
        beginning: &Beginning<'_>,
        next: &mut Next,
    ) {
        let own = cx.alarm(&joined.alarm).and_then(|id| cx.alarms.state(id).episode.as_ref());
        let own = own.map(|open| open.code.clone());
        let code = match kind {
            CallKind::Cause => own.unwrap_or_else(|| cx.code(next)),
            CallKind::Mass | CallKind::Digest | CallKind::Drill => cx.code(next),
        };
        let purpose = if kind == CallKind::Digest { Purpose::Digest } else { Purpose::Call };
        let policy = joined.ladder.clone();
        let core = begin_record(cx, (policy, purpose), kind, code, next);
        let facts = Known::of_alarm(cx, &joined.alarm);
        let outcome = begin(&core, joined, beginning, &facts, cx.mono());
        self.put(cx, &core, outcome, next);
        for drill in
            self.running().filter(|call| call.core.kind == CallKind::Drill && call.core.waits.is_none())
        {
            self.hear(cx, drill, &Event::DrillWaits { for_clock: false }, next);
        }
    }

    /// Something that can't wait takes its kin out of what could. Whoever was told of that, or has
    /// it, hears the news.
    fn take_kin_out(
        &self,
        cx: &Context<'_>,
        (id, joined): (AlarmId, &Joined),
        digest: &Call,
        next: &mut Next,
    ) {
        let facts = Known::of_alarm(cx, &joined.alarm);
        let kin = kin::kin_in(&digest.core, &joined.alarm, &facts);
        let beginning = Beginning { cause_by: cause_of(cx, id), aware: Some(&digest.core) };
        self.begin_with(cx, CallKind::Cause, joined, &beginning, next);
        self.hear(cx, digest, &Event::Left(kin.iter().map(|member| member.episode).collect()), next);
        // What is raised beside it finds them where they are.
        for member in kin {
            if let Some(alarm) = cx.alarm(&member.alarm) {
                next.first(Task::CallFor { alarm, episode: member.episode });
                // It may have latched meanwhile, and got worse.
                next.then(Task::Fell(member.episode));
                next.then(Task::Judge(alarm));
            }
        }
    }

    /// What was held until the morning and can't wait any more leaves with its kin, and is called
    /// for as if it were raised now; unless nothing else was held with it.
    pub(super) fn lets_go(&self, cx: &Context<'_>, digest: &Call, next: &mut Next) -> bool {
        let facts = Known::of(cx, digest);
        let first = quiet::cant_wait(&digest.core, &facts, cx.mono());
        let Some(first) = first.filter(|_| digest.core.is_held_digest()) else { return false };
        let kin = kin::kin_in(&digest.core, &first.alarm, &Known::of_alarm(cx, &first.alarm));
        let kin = kin.iter().map(|kin| (&kin.alarm, kin.episode)).filter(|(_, kin)| *kin != first.episode);
        let leave: Vec<(&String, Seq)> = [(&first.alarm, first.episode)].into_iter().chain(kin).collect();
        if leave.len() == digest.core.members.len() {
            return false;
        }
        let episodes = leave.iter().map(|(_, episode)| *episode);
        self.hear(cx, digest, &Event::Left(episodes.collect()), next);
        let leave = leave.into_iter().filter_map(|(alarm, episode)| Some((cx.alarm(alarm)?, episode)));
        for (alarm, episode) in leave {
            next.first(Task::CallFor { alarm, episode });
            next.then(Task::Fell(episode));
            next.then(Task::Judge(alarm));
        }
        true
    }

    /// What stands is always in a call-out, if its alarm calls anybody: also when another plan
    /// has renamed the policy, or has given it its first.
    pub(in crate::engine) fn on_another_plan(&self, cx: &Context<'_>, next: &mut Next) {
        let standing = cx.alarms().filter_map(|id| Some((id, cx.alarms.standing(id)?)));
        let forgotten = standing.filter(|(_, episode)| {
            let member = self.of_episode(*episode).and_then(|call| call.core.member(*episode));
            !member.is_some_and(|member| member.stands())
        });
        for (alarm, episode) in forgotten {
            next.then(Task::CallFor { alarm, episode });
            next.then(Task::Judge(alarm));
        }
    }

    /// A person tests a policy from end to end. Never merged with the real thing.
    pub(in crate::engine) fn on_drill(&self, cx: &Context<'_>, policy: CalloutId, next: &mut Next) {
        let code = cx.code(next);
        let policy = cx.plan.callouts[policy.index()].name.clone();
        let core = begin_record(cx, (policy.clone(), Purpose::Drill), CallKind::Drill, code, next);
        let facts = Known { cx, about_channels: false };
        let waits = self.drills_wait(cx, None);
        let mut outcome = begin_drill(&core, &policy, &facts, cx.mono());
        outcome.changes.extend(waits.map(|for_clock| CallChange::Waits { waits: true, for_clock }));
        self.put(cx, &core, outcome, next);
    }

    fn held_digest(&self, ladder: &str) -> Option<&Call> {
        self.running()
            .find(|call| call.core.is_held_digest() && call.core.members.ladders().any(|of| of == ladder))
    }

    /// Whether the call-outs of a ladder that would begin now are too many to be told one by one:
    /// those of the last seconds, and what was raised in this turn and is in none yet.
    fn is_mass(&self, cx: &Context<'_>, alarm: AlarmId, ladder: &str) -> bool {
        let now = cx.mono();
        let recent = self.calls.iter().flat_map(|call| {
            // The latest first: those are what is looked for, and one more than is missing is
            // enough.
            let of = call.core.members.iter().rev().filter(|member| member.ladder == ladder);
            let is_mass = call.core.kind == CallKind::Mass;
            let some = of.take(if is_mass { LATEST } else { 1 });
            let begun = some.map(move |member| if is_mass { member.raised } else { call.core.begun });
            begun.filter(|at| now - *at <= mass::WITHIN)
        });
        let waiting = cx.alarms().filter(|id| {
            let open = cx.alarms.state(*id).episode.as_ref().filter(|open| open.raised == now);
            let of = cx.plan.alarm(*id).callout.and_then(|at| cx.plan.callouts.get(at.index()));
            let standing = open.filter(|open| cx.alarms.standing(*id) == Some(open.id));
            let new = standing.is_some_and(|open| self.of_episode(open.id).is_none());
            // What fell silent together is one.
            let apart = *id == alarm || !cx.is_one_loss(*id, alarm);
            new && apart
                && of.is_some_and(|callout| callout.name == ladder)
                && cx.index.causes.list(id.index()).iter().all(|cause| cx.alarms.standing(*cause).is_none())
        });
        // One more than that is enough, and is soon found if there are many.
        recent.map(drop).chain(waiting.map(drop)).nth(mass::APART).is_some()
    }

    /// Tells a call-out what happened.
    pub(super) fn hear(&self, cx: &Context<'_>, call: &Call, event: &Event, next: &mut Next) {
        let outcome = decide(&call.core, event, &Known::of(cx, call), cx.mono());
        self.put(cx, &call.core, outcome, next);
    }

    /// Each drill waits if it has to, and goes on if it has not. The call-out `over` has just
    /// ended.
    pub(in crate::engine) fn on_drills(&self, cx: &Context<'_>, over: Option<Seq>, next: &mut Next) {
        let waits = self.drills_wait(cx, over);
        let drills =
            self.running().filter(|call| call.core.kind == CallKind::Drill && Some(call.core.id) != over);
        for drill in drills.filter(|drill| drill.core.waits.is_some() != waits.is_some()) {
            let event = waits.map_or(Event::DrillGoesOn, |for_clock| Event::DrillWaits { for_clock });
            self.hear(cx, drill, &event, next);
        }
    }

    /// Whether drills have to wait, and if so, whether for the clock: by a wrong one people would
    /// be woken.
    fn drills_wait(&self, cx: &Context<'_>, over: Option<Seq>) -> Option<bool> {
        let mut others = self.running().filter(|call| Some(call.core.id) != over);
        let real = others.any(|call| call.core.kind != CallKind::Drill);
        (real || !cx.now.wall_trusted).then_some(!real)
    }
}

/// Records that a call-out begins, and gives it as it then is.
fn begin_record(
    cx: &Context<'_>,
    (policy, purpose): (String, Purpose),
    kind: CallKind,
    code: String,
    next: &mut Next,
) -> CallOut {
    let hold = Span::ZERO;
    let call = next.record(Body::CallBegan { policy, purpose, code: code.clone(), hold });
    next.record(Body::CallChanged { call, change: CallChange::Kind { kind } });
    CallOut::new(call, kind, code, cx.mono())
}

/// By when the causes of an alarm that are true already will have been raised.
fn cause_of(cx: &Context<'_>, id: AlarmId) -> Option<Moment> {
    let causes = cx.index.causes.list(id.index()).iter();
    causes.filter_map(|cause| cx.about_to_raise(*cause)).max()
}

fn is_recent(mass: &Call, now: Moment) -> bool {
    mass.core.members.iter().rev().any(|member| now - member.raised <= mass::WITHIN)
}
