//! Who is told, when. An episode begins a call-out or joins the one that its cause has begun;
//! the timeline then climbs step by step until a person answers, an answer holds for its
//! lease, and what gets worse breaks through. Pages are planned by records and leave as
//! effects; their fate comes back and may take the next step at once.

use super::{DeadlineReason, Effect, Engine};
use crate::alarm::Priority;
use crate::callout::{Call, Fate, Member, Phase, RETRY_WITHIN, Sent};
use crate::fallback::Run;
use crate::page::{Context, Page};
use crate::plan::{AlarmId, Callout, CalloutId, RelayId, Step, Target};
use crate::record::{Body, By, Outcome, Purpose, Seq};
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
        if let Some(call) = self.call_of_kin(&name) {
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

    /// A running call-out about this alarm, about one that explains it, or one it explains.
    fn call_of_kin(&self, alarm: &str) -> Option<Seq> {
        let index = &self.index;
        let related = |call: &&Call| {
            let kin =
                |other: &str| other == alarm || index.explains(other, alarm) || index.explains(alarm, other);
            !call.ended && call.members.iter().any(|member| kin(&member.alarm))
        };
        self.calls.values().find(related).map(|call| call.id)
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
            self.asked(rung).iter().any(|(target, why)| target.contact.is_some() && why.is_none())
        };
        let nobody = !steps.iter().any(|rung| reaches(&rung));
        // The ladder's last rung repeats; where its people can't be reached, the last that can.
        let again = steps.iter().rev().find(reaches).or(steps.last()).cloned();
        for step in step..=step.max(steps.len()) {
            self.record(Body::Stepped { call: id, step: step as u32 });
            let Some(rung) = steps.get(step).or(again.as_ref()) else { break };
            let mut reached = false;
            for (target, why) in &self.asked(rung) {
                // Better woken than late: if nobody's hours allow it, they don't count.
                match why.clone().filter(|_| !nobody) {
                    Some(why) => {
                        self.record(Body::Skipped { call: id, target: target.to_string(), why });
                    }
                    None if purpose == Purpose::Digest && target.contact.is_none() => {}
                    None => {
                        self.page(id, target, purpose);
                        reached |= target.contact.is_some();
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

    /// Everyone a step asks, each with why not if not: its targets, and those who stand in for
    /// people that are away. While the date is not sure, both are asked.
    fn asked(&self, rung: &Step) -> Vec<(Target, Option<String>)> {
        let today = self.now.wall.civil(&self.plan.zone).date();
        let mut asked: Vec<(Target, Option<String>)> = Vec::new();
        for target in &rung.to {
            let stand_ins = self.plan.directory.stand_ins(target, today);
            let why = self.unreachable(target).map(|why| match stand_ins.first() {
                Some(Target { contact: Some(sitter), .. }) => format!("away, {sitter} stands in"),
                Some(_) | None => why,
            });
            for (target, why) in std::iter::once((target.clone(), why))
                .chain(stand_ins.into_iter().map(|sitter| (sitter.clone(), self.unreachable(&sitter))))
            {
                if !asked.iter().any(|(known, _)| *known == target) {
                    asked.push((target, why));
                }
            }
        }
        asked
    }

    /// Why a person can't be told at this time of day; none if they can, or if the time of day
    /// is not known.
    pub(super) fn unreachable(&self, target: &Target) -> Option<String> {
        let name = target.contact.as_ref()?;
        let Some(contact) = self.plan.directory.contacts.get(name) else {
            return Some(format!("there is no contact `{name}` any more"));
        };
        let civil = self.now.wall.civil(&self.plan.zone);
        let asleep = self.now.wall_trusted && !contact.reachable(civil.date(), civil.time());
        asleep.then(|| "outside their hours, or away".to_owned())
    }

    /// Plans one page and sends it.
    fn page(&mut self, call: Seq, target: &Target, purpose: Purpose) {
        let Some(page) = self.compose(call, target, purpose, self.next_seq, false) else { return };
        let headline = page.headline.clone();
        self.record(Body::Paged { call, target: target.to_string(), purpose, headline });
        self.drop_unwanted(call);
        self.turn.effects.push(Effect::Send { target: target.clone(), page: Box::new(page) });
    }

    fn compose(
        &self,
        call: Seq,
        target: &Target,
        purpose: Purpose,
        id: Seq,
        maybe_repeat: bool,
    ) -> Option<Page> {
        let call = self.calls.get(&call)?;
        let leader = call.leader(|cause, effect| self.index.explains(cause, effect));
        let matters = |relay: &RelayId, run: &Run| {
            call.members.iter().any(|member| {
                let alarm = self.alarm(&member.alarm).map(|id| self.plan.alarm(id));
                let fallback = alarm.and_then(|alarm| alarm.fallback);
                member.episode == run.episode || fallback.is_some_and(|fallback| fallback.relay == *relay)
            })
        };
        let runs = self.runs.iter().filter(|(relay, run)| matters(relay, run));
        let (by_hand, done): (Vec<_>, Vec<_>) = runs.partition(|(_, run)| run.needs_a_hand());
        let words = |runs: Vec<(&RelayId, &Run)>| -> Vec<String> {
            let relays = runs.into_iter().map(|(id, run)| (&self.plan.relays[id.index()], run));
            relays.map(|(relay, run)| format!("{}: {}", relay.name, run.words(relay))).collect()
        };
        let alarms = call.members.iter().filter_map(|member| self.alarm(&member.alarm));
        let mut notes: Vec<String> =
            alarms.flat_map(|id| self.notes_of(self.plan.alarm(id), purpose == Purpose::Call)).collect();
        notes.dedup();
        Some(
            Context {
                plan: &self.plan,
                call,
                leader,
                target,
                purpose,
                id,
                now: self.now,
                by_hand: words(by_hand),
                done: words(done),
                notes,
                maybe_repeat,
            }
            .compose(),
        )
    }

    /// Gives up the pages that are not through although nobody needs them any more: a newer
    /// one has gone the same way, or nobody is being asked now. One that waits to be tried
    /// again is given up here; one in the channel's hands is called back, and its true fate
    /// awaited.
    fn drop_unwanted(&mut self, id: Seq) {
        let Some(call) = self.calls.get(&id) else { return };
        let unwanted = call.pages.iter().filter(|sent| sent.is_pending() && !call.wants(sent));
        for (page, waits) in unwanted.map(|sent| (sent.id, sent.last.is_some())).collect::<Vec<_>>() {
            match waits {
                true => self.give_up(page, "no longer needed"),
                false => self.turn.effects.push(Effect::Withdraw { page }),
            }
        }
    }

    fn give_up(&mut self, page: Seq, why: &str) {
        self.timers.set(DeadlineReason::Retry(page), None);
        self.record(Body::Delivered { page, result: Outcome::Failed { why: why.to_owned() } });
    }

    fn sent(&self, page: Seq) -> Option<(Seq, &Sent)> {
        let of = |call: &'_ Call| call.pages.iter().position(|sent| sent.id == page);
        self.calls.values().find_map(|call| of(call).map(|at| (call.id, &call.pages[at])))
    }

    /// A page's attempt ended.
    pub(super) fn delivered(&mut self, page: Seq, result: Outcome) {
        // Late news of a page that was given up, or of a call-out long over.
        let Some((call, _)) = self.sent(page).filter(|(_, sent)| sent.is_pending()) else {
            return self.slip_delivered(page, result);
        };
        self.record(Body::Delivered { page, result });
        self.arm_retry(page);
        self.drop_unwanted(call);
        let Some(call_state) = self.calls.get(&call) else { return };
        let failed_step = match call_state.phase {
            Phase::Calling { step, .. } if step > 0 && call_state.quiet_since.is_none() => {
                call_state.step_failed(step as u32 - 1)
            }
            _ => false,
        };
        // Falls through at once, but only down the ladder: the last rung waits its time.
        let more = self.policy(call_state).is_some_and(
            |policy| matches!(call_state.phase, Phase::Calling { step, .. } if step < policy.steps.len()),
        );
        if failed_step && more {
            self.take_step(call);
        }
    }

    /// When a deferred page is tried again.
    pub(super) fn arm_retry(&mut self, page: Seq) {
        let at = self.sent(page).and_then(|(_, sent)| match sent.last {
            Some(Outcome::Deferred { .. }) => Some(self.now.mono + sent.backoff()),
            Some(Outcome::Accepted { .. } | Outcome::Failed { .. }) | None => None,
        });
        self.timers.set(DeadlineReason::Retry(page), at);
    }

    pub(super) fn retry(&mut self, page: Seq) {
        let Some((call, sent)) = self.sent(page).filter(|(_, sent)| sent.is_pending()) else {
            return self.retry_slip(page);
        };
        if self.now.mono - sent.at > RETRY_WITHIN {
            return self.give_up(page, "not delivered within a day");
        }
        let (target, purpose) = (sent.target.clone(), sent.purpose);
        if let Some(page) = self.compose(call, &target, purpose, page, false) {
            self.turn.effects.push(Effect::Send { target, page: Box::new(page) });
        }
    }

    /// Sends again what was planned before the record `started` and has not got through, as far
    /// as is known; what nobody needs any more is given up instead. A deferred page may have
    /// been on its way again, so each may be a repeat.
    pub(super) fn resume_pages(&mut self, started: Seq) {
        let pending = self.calls.values().flat_map(|call| {
            let pending = call.pages.iter().filter(|sent| sent.is_pending() && sent.id < started);
            pending.map(|sent| (call.id, sent.clone(), call.wants(sent)))
        });
        for (call, sent, wanted) in pending.collect::<Vec<_>>() {
            let Sent { id, target, purpose, .. } = sent;
            self.timers.set(DeadlineReason::Retry(id), None);
            if !wanted {
                self.give_up(id, "no longer needed");
            } else if let Some(page) = self.compose(call, &target, purpose, id, true) {
                self.turn.effects.push(Effect::Send { target, page: Box::new(page) });
            }
        }
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
        for target in call.told() {
            self.page(id, &target, Purpose::AllClear);
        }
        self.end_call(id);
    }

    pub(super) fn end_call(&mut self, id: Seq) {
        self.record(Body::CallEnded { call: id });
        self.wake_for_call(id);
        self.drop_unwanted(id);
        // What was left for a person to switch back has been said for the last time.
        self.attend_all();
    }

    /// When the call-out's next step is due, for `status`.
    pub(super) fn next_step(&self, id: Seq) -> Option<Moment> {
        self.timers.get(DeadlineReason::Step(id))
    }
}
