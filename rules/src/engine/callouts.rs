//! Who is told, when. An episode begins a call-out or joins the one that its cause has begun;
//! the timeline then climbs step by step until a person answers, an answer holds for its
//! lease, and what gets worse breaks through. Pages are planned by records and leave as
//! effects; their fate comes back and may take the next step at once.

use super::{DeadlineReason, Engine};
use crate::alarm::Priority;
use crate::callout::{Call, Fate, Member, Phase, Sent};
use crate::condition::World;
use crate::plan::{AlarmId, Callout, CalloutId, Part, Step, Target};
use crate::record::{Body, By, Purpose, Seq};
use crate::time::{Moment, Span};
use std::collections::BTreeSet;

impl Engine {
    /// An episode was raised: it joins the call-out of its cause, or begins one.
    pub(super) fn call_for(&mut self, id: AlarmId, episode: Seq) {
        let alarm = self.plan.alarm(id);
        let Some(policy) = alarm.callout else { return };
        let (name, priority) = (alarm.name.clone(), alarm.priority);
        if let Some(call) = self.call_of_episode(episode) {
            return self.wake_for_call(call);
        }
        if let Some(call) = self.call_of_kin(id, &name) {
            let worst = self.calls[&call].priority();
            let back = |member: &Member| member.alarm == name && matches!(member.fate, Fate::Over(_));
            let is_back = self.calls[&call].members.iter().any(back);
            self.record(Body::Joined { call, alarm: name.clone(), episode });
            self.wake_for_call(call);
            // What was already answered for is broken through by what ranks above it, and by
            // whatever is critical; not by what has only come and gone.
            if priority > worst || (priority == Priority::Critical && !is_back) {
                self.got_worse(episode, format!("{name} was raised too"));
            }
            return;
        }
        if let Some(call) = self.held_digest(policy).filter(|_| priority == Priority::Low) {
            self.record(Body::Joined { call, alarm: name, episode });
            return;
        }
        let code = self.lives[id.index()].episode.as_ref().map_or_else(String::new, |e| e.code.clone());
        let until_morning = (priority == Priority::Low).then(|| self.until_morning(policy)).flatten();
        let purpose = if until_morning.is_some() { Purpose::Digest } else { Purpose::Call };
        let until_cause =
            self.index.causes[id.index()].iter().filter_map(|cause| self.about_to_raise(*cause)).max();
        let hold = until_morning.or(until_cause.map(|at| at - self.now.mono)).unwrap_or(Span::ZERO);
        let call = self.begin_call(policy, purpose, code, hold);
        self.record(Body::Joined { call, alarm: name, episode });
        self.wake_for_call(call);
    }

    /// Tests a policy from end to end. Never merged with the real thing.
    pub(super) fn begin_drill(&mut self, policy: CalloutId) {
        let code = self.code(self.next_seq);
        let call = self.begin_call(policy, Purpose::Drill, code, Span::ZERO);
        self.wake_for_call(call);
    }

    fn begin_call(&mut self, policy: CalloutId, purpose: Purpose, code: String, hold: Span) -> Seq {
        let policy = self.plan.callouts[policy.index()].name.clone();
        self.record(Body::CallBegan { policy, purpose, code, hold })
    }

    /// The running call-out that the episode is part of.
    pub(super) fn call_of_episode(&self, episode: Seq) -> Option<Seq> {
        let about = |call: &&Call| !call.ended && call.members.iter().any(|member| member.episode == episode);
        self.calls.values().find(about).map(|call| call.id)
    }

    /// A running call-out about this alarm, about one that explains it, or one it explains. When
    /// one channel fails others often do, and for the same reason: they are kin.
    fn call_of_kin(&self, id: AlarmId, alarm: &str) -> Option<Seq> {
        let index = &self.index;
        let is_channel = self.plan.alarm(id).channel().is_some();
        let related = |call: &&Call| {
            let kin = |other: &str| {
                other == alarm
                    || index.explains(other, alarm)
                    || index.explains(alarm, other)
                    || (is_channel && self.channel_of(other).is_some())
            };
            !call.ended && call.members.iter().any(|member| kin(&member.alarm))
        };
        self.calls.values().find(related).map(|call| call.id)
    }

    /// The channel that an alarm of this name is about.
    fn channel_of(&self, alarm: &str) -> Option<&Target> {
        self.plan.alarm(self.alarm(alarm)?).channel()
    }

    /// Whether pages of a call-out about something else tell of this alarm: of a channel that
    /// fails, as long as that call-out uses it. They say themselves what came of each page, and
    /// its last pages show whether the channel works again.
    pub(super) fn is_told_elsewhere(&self, id: AlarmId) -> bool {
        let Some(target) = self.plan.alarm(id).channel() else { return false };
        let tells = |call: &Call| {
            let open = |page: &Sent| page.target == *target && (!call.ended || page.last.is_none());
            call.pages.iter().any(open) && !self.is_about_channels(call)
        };
        self.calls.values().any(tells)
    }

    /// Whether all that it tells of is channels that fail.
    pub(super) fn is_about_channels(&self, call: &Call) -> bool {
        !call.members.is_empty() && call.members.iter().all(|member| self.channel_of(&member.alarm).is_some())
    }

    /// Low-priority news that waits for the same morning.
    fn held_digest(&self, policy: CalloutId) -> Option<Seq> {
        let name = &self.plan.callouts[policy.index()].name;
        let held = |call: &&Call| {
            call.purpose == Purpose::Digest
                && call.policy == *name
                && matches!(call.phase, Phase::Calling { .. })
        };
        self.calls.values().find(held).map(|call| call.id)
    }

    /// How long a low-priority page is held; none outside the quiet hours, and none while the
    /// time of day is not known.
    fn until_morning(&self, policy: CalloutId) -> Option<Span> {
        let quiet = self.plan.callouts[policy.index()].quiet?;
        let civil = self.now.wall.civil(&self.plan.zone);
        if !self.now.wall_trusted || !quiet.cover(civil.time()) {
            return None;
        }
        let day = if civil.time() < quiet.until { civil.date() } else { civil.date().tomorrow().ok()? };
        let morning = day.to_datetime(quiet.until).to_zoned_datetime(self.plan.zone.clone()).ok()?;
        Some(Span(morning.timestamp().as_millisecond() - self.now.wall.0))
    }

    pub(super) fn policy(&self, call: &Call) -> Option<&Callout> {
        self.plan.callouts.iter().find(|policy| policy.name == call.policy)
    }

    /// Sets every deadline that follows from the call-out's state.
    pub(super) fn wake_for_call(&mut self, id: Seq) {
        let call = self.calls.get(&id).filter(|call| !call.ended);
        let (mut step, mut lease, mut settle) = (None, None, None);
        if let Some(call) = call {
            let settled_after = self.policy(call).map_or(Span::ZERO, |policy| policy.settle);
            // News that is held is told in the morning even if it is over by then.
            let held = call.purpose == Purpose::Digest && matches!(call.phase, Phase::Calling { .. });
            match (call.quiet_since, call.phase) {
                (Some(since), _) if !held => settle = Some(since + settled_after),
                (_, Phase::Calling { due, .. }) => step = Some(due),
                (_, Phase::Answered { until }) => lease = Some(until),
                (_, Phase::Told) => {}
            }
        }
        self.timers.set(DeadlineReason::Step(id), step);
        self.timers.set(DeadlineReason::Lease(id), lease);
        self.timers.set(DeadlineReason::Settle(id), settle);
    }

    /// Takes the step that is due, and those after it that reach nobody.
    pub(super) fn take_step(&mut self, id: Seq) {
        let Some(call) = self.calls.get(&id) else { return };
        let Phase::Calling { step, .. } = call.phase else { return };
        let Some(policy) = self.policy(call) else { return };
        let (steps, purpose) = (policy.steps.clone(), call.purpose);
        if purpose == Purpose::Drill && step >= steps.len() {
            return self.end_call(id);
        }
        let reaches = |rung: &&Step| {
            let reaches = |target: &Target| target.contact.is_some() && !self.is_shut(id, target);
            self.asked(rung).iter().any(|(target, why)| why.is_none() && reaches(target))
        };
        let nobody = !steps.iter().any(|rung| reaches(&rung));
        // The ladder's last rung repeats; where its people can't be reached, the last that can.
        let again = steps.iter().rev().find(reaches).or(steps.last()).cloned();
        for step in step..=step.max(steps.len()) {
            self.record(Body::Stepped { call: id, step: step as u32 });
            let Some(rung) = steps.get(step).or(again.as_ref()) else { break };
            let mut reached = false;
            for (target, why) in &self.asked(rung) {
                if self.is_shut(id, target) {
                    let why = "it is one of the channels that fail".to_owned();
                    self.record(Body::Skipped { call: id, target: target.to_string(), why });
                    // Whoever has been told needs no help with a channel before its time.
                    reached |= self.calls[&id].told().iter().any(|told| told.contact.is_some());
                    continue;
                }
                // Better woken than late: if nobody's hours allow it, they don't count.
                match why.clone().filter(|_| !nobody) {
                    Some(why) => {
                        self.record(Body::Skipped { call: id, target: target.to_string(), why });
                    }
                    None if purpose == Purpose::Digest && target.contact.is_none() => {}
                    None => {
                        let sent = self.page(id, target, purpose);
                        reached |= sent && target.contact.is_some();
                    }
                }
            }
            if reached || purpose == Purpose::Digest {
                break;
            }
        }
        self.wake_for_call(id);
        self.end_if_told(id);
    }

    /// News of what is over ends once it has been told.
    fn end_if_told(&mut self, id: Seq) {
        if self.calls.get(&id).is_some_and(|call| call.phase == Phase::Told && !call.stands()) {
            self.end_call(id);
        }
    }

    /// That a channel fails is told by the others, and by none while all do: whatever else there
    /// is to say keeps trying, and finds out when one works.
    fn is_shut(&self, call: Seq, target: &Target) -> bool {
        self.calls.get(&call).is_some_and(|call| self.is_about_channels(call))
            && self.world().trouble(&Part::Channel(target.clone())).is_some()
    }

    /// A person answered for the call-out: it is quiet while the lease runs.
    pub(super) fn answer(&mut self, id: Seq, by: &By) {
        let Some(call) = self.calls.get(&id).filter(|call| !call.ended) else { return };
        let lease = self.policy(call).map_or(Span::ZERO, |policy| policy.lease);
        let news = !matches!(call.phase, Phase::Answered { .. });
        self.record(Body::Answered { call: id, by: by.clone(), lease });
        if news {
            self.tell_the_others(id, Some(&by.who));
        }
        self.wake_for_call(id);
        let call = &self.calls[&id];
        if call.purpose == Purpose::Drill || (call.purpose == Purpose::Digest && !call.stands()) {
            self.end_call(id);
        }
    }

    /// Nobody else need come: those who were asked are told, sirens fall silent.
    fn tell_the_others(&mut self, id: Seq, except: Option<&str>) {
        let told = self.calls[&id].told();
        self.drop_unwanted(id);
        for target in told.iter().filter(|target| except.is_none() || target.contact.as_deref() != except) {
            self.page(id, target, Purpose::Taken);
        }
    }

    pub(super) fn lease_ended(&mut self, id: Seq) {
        let Some(call) = self.calls.get(&id) else { return };
        let who = call.answers.last().map_or("nobody", |(by, _)| &by.who);
        let why = format!("it still stands, and the answer of {who} has run out");
        self.resume(id, why);
    }

    fn resume(&mut self, id: Seq, why: String) {
        self.record(Body::Resumed { call: id, why });
        self.wake_for_call(id);
    }

    /// An episode got worse: an answered call-out resumes; in a running one, those who have
    /// been asked are told at once and the timeline goes on.
    pub(super) fn got_worse(&mut self, episode: Seq, why: String) {
        if let Some(id) = self.call_of_episode(episode) {
            self.break_through(id, why);
        }
    }

    /// Says something new in a call-out, whether it was answered or not.
    pub(super) fn break_through(&mut self, id: Seq, why: String) {
        let call = &self.calls[&id];
        match call.phase {
            Phase::Answered { .. } | Phase::Told => self.resume(id, why),
            Phase::Calling { .. } if call.purpose == Purpose::Digest => self.resume(id, why),
            Phase::Calling { step: 0, .. } => {}
            Phase::Calling { .. } => {
                let (told, purpose): (BTreeSet<Target>, _) = (call.told(), call.purpose);
                for target in told {
                    self.page(id, &target, purpose);
                }
            }
        }
    }

    /// Takes all steps of a call-out at once: what can't wait is said to everyone.
    pub(super) fn call_everyone(&mut self, id: Seq, why: String) {
        let Some(steps) = self.policy(&self.calls[&id]).map(|policy| policy.steps.len()) else { return };
        self.resume(id, why);
        for _ in 0..steps {
            match self.calls.get(&id).map(|call| call.phase) {
                Some(Phase::Calling { step, .. }) if step < steps => self.take_step(id),
                Some(Phase::Calling { .. } | Phase::Answered { .. } | Phase::Told) | None => break,
            }
        }
    }

    /// An episode of the call-out returned to normal or was put aside.
    pub(super) fn episode_fell(&mut self, episode: Seq) {
        let Some(id) = self.call_of_episode(episode) else { return };
        let call = &self.calls[&id];
        let held = call.purpose == Purpose::Digest && matches!(call.phase, Phase::Calling { .. });
        let put_aside = call.members.iter().any(|member| member.fate == Fate::PutAside);
        if !call.stands() && put_aside && !held {
            // Nobody says that it is over, so there is no all-clear.
            self.tell_the_others(id, None);
            return self.end_call(id);
        }
        self.wake_for_call(id);
        self.drop_unwanted(id);
    }

    /// Nothing in it has stood for long enough: the all-clear goes to all who were asked.
    pub(super) fn settled(&mut self, id: Seq) {
        let Some(call) = self.calls.get(&id).filter(|call| !call.stands()) else { return };
        // Whoever could not be told of it while it lasted is told that it came and went.
        for target in call.told().union(&call.missed()).cloned().collect::<Vec<_>>() {
            self.page(id, &target, Purpose::AllClear);
        }
        self.end_call(id);
    }

    pub(super) fn end_call(&mut self, id: Seq) {
        self.record(Body::CallEnded { call: id });
        self.wake_for_call(id);
        self.drop_unwanted(id);
        self.judge_sights();
        // What was left for a person to switch back has been said for the last time.
        self.attend_all();
    }

    /// When the call-out's next step is due, for `status`.
    pub(super) fn next_step(&self, id: Seq) -> Option<Moment> {
        self.timers.get(DeadlineReason::Step(id))
    }
}
