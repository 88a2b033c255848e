//! How an episode gets into a call-out: it joins the one that its cause has begun, or begins one.

use super::Callouts;
use crate::alarm::Priority;
use crate::callout::{Call, Fate, Member};
use crate::engine::context::Context;
use crate::engine::task::{Next, Task};
use crate::ids::{AlarmId, CalloutId, Seq};
use crate::record::{Body, Purpose};
use crate::time::Span;

impl Callouts {
    /// An episode was raised: it joins the call-out of its cause, or begins one.
    pub(in crate::engine) fn on_raised(&self, cx: &Context<'_>, id: AlarmId, episode: Seq, next: &mut Next) {
        let alarm = cx.plan.alarm(id);
        // Over again by now, or put aside; or what came back is in its call-out still.
        let Some(policy) = alarm.callout.filter(|_| cx.alarms.standing(id) == Some(episode)) else { return };
        if self.of_episode(episode).is_some() {
            return;
        }
        let (name, priority) = (alarm.name.clone(), alarm.priority);
        if let Some(call) = self.of_kin(cx, id) {
            let worst = call.priority();
            let back = |member: &Member| member.alarm == name && matches!(member.fate, Fate::Over(_));
            let is_back = call.members.iter().any(back);
            next.record(Body::Joined { call: call.id, alarm: name.clone(), episode });
            // What was already answered for is broken through by what ranks above it, and by
            // whatever is critical; not by what has only come and gone.
            if priority > worst || (priority == Priority::Critical && !is_back) {
                next.then(Task::GotWorse { episode, why: format!("{name} was raised too") });
            }
            return;
        }
        let digest = self.held_digest(cx, policy).filter(|_| priority == Priority::Low);
        if let Some(call) = digest {
            next.record(Body::Joined { call: call.id, alarm: name, episode });
            return;
        }
        let code = cx.alarms.state(id).episode.as_ref().map_or_else(String::new, |open| open.code.clone());
        let until_morning = (priority == Priority::Low).then(|| until_morning(cx, policy)).flatten();
        let purpose = if until_morning.is_some() { Purpose::Digest } else { Purpose::Call };
        let causes = &cx.index.causes[id.index()];
        let until_cause = causes.iter().filter_map(|cause| cx.about_to_raise(*cause)).max();
        let hold = until_morning.or(until_cause.map(|at| at - cx.mono())).unwrap_or(Span::ZERO);
        let policy = cx.plan.callouts[policy.index()].name.clone();
        let call = next.record(Body::CallBegan { policy, purpose, code, hold });
        next.record(Body::Joined { call, alarm: name, episode });
    }

    /// What stands is always in a call-out, if its alarm calls anybody: also when another plan
    /// has renamed the policy, or has given it its first.
    pub(in crate::engine) fn on_another_plan(&self, cx: &Context<'_>, next: &mut Next) {
        let standing = cx.alarms().filter_map(|id| Some((id, cx.alarms.standing(id)?)));
        next.tasks.extend(standing.map(|(alarm, episode)| Task::CallFor { alarm, episode }));
    }

    /// A person tests a policy from end to end. Never merged with the real thing.
    pub(in crate::engine) fn on_drill(&self, cx: &Context<'_>, policy: CalloutId, next: &mut Next) {
        let code = cx.code(next);
        let policy = cx.plan.callouts[policy.index()].name.clone();
        next.record(Body::CallBegan { policy, purpose: Purpose::Drill, code, hold: Span::ZERO });
    }

    /// A running call-out about this alarm, about one that explains it, or one it explains. When
    /// one channel fails others often do, and for the same reason: they are kin.
    fn of_kin(&self, cx: &Context<'_>, id: AlarmId) -> Option<&Call> {
        let alarm = cx.plan.alarm(id);
        let related = |call: &&Call| {
            let kin = |other: &str| {
                other == alarm.name
                    || cx.index.explains(other, &alarm.name)
                    || cx.index.explains(&alarm.name, other)
                    || (alarm.channel().is_some() && cx.channel_of(other).is_some())
            };
            call.members.iter().any(|member| kin(&member.alarm))
        };
        self.running().find(related)
    }

    /// Low-priority news that waits for the same morning.
    fn held_digest(&self, cx: &Context<'_>, policy: CalloutId) -> Option<&Call> {
        let name = &cx.plan.callouts[policy.index()].name;
        self.running().find(|call| call.is_held() && call.policy == *name)
    }
}

/// How long a low-priority page is held; none outside the quiet hours, and none while the
/// time of day is not known.
fn until_morning(cx: &Context<'_>, policy: CalloutId) -> Option<Span> {
    let quiet = cx.plan.callouts[policy.index()].quiet?;
    let civil = cx.civil();
    if !cx.now.wall_trusted || !quiet.cover(civil.time()) {
        return None;
    }
    let day = if civil.time() < quiet.until { civil.date() } else { civil.date().tomorrow().ok()? };
    Some(cx.moment_of(day.to_datetime(quiet.until))? - cx.mono())
}
