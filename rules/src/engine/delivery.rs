//! Pages on their way: planned by records, sent as effects, tried again when they could not
//! leave, given up when nobody needs them any more. A call-out says who is to be told, and
//! learns from here what came of it.

use super::{DeadlineReason, Effect, Engine, quota};
use crate::callout::{Call, GIVEN_UP, Phase, RETRY_WITHIN, Sent};
use crate::page::{Context, Page};
use crate::plan::{RelayId, Target};
use crate::record::{Body, Outcome, Purpose, Seq};
use crate::stopgap::Run;
use std::collections::BTreeSet;

/// A page whose fate was lost is sent once more, marked. A server that takes it again without a
/// word would make a copy of each try; the timeline goes on by newer pages and other ways.
const REPEATS: u32 = 1;

impl Engine {
    /// Plans one page and sends it, or holds it back: then false. One that says that all is over
    /// takes the place of those of older call-outs that could not be sent this way.
    pub(super) fn page(&mut self, call: Seq, target: &Target, purpose: Purpose) -> bool {
        let older = match purpose {
            Purpose::AllClear => self.waiting_elsewhere(call, target),
            Purpose::Call | Purpose::Taken | Purpose::Digest | Purpose::Drill | Purpose::Notice => Vec::new(),
        };
        let also: BTreeSet<Seq> =
            older.iter().flat_map(|(call, sent)| sent.also.iter().copied().chain([*call])).collect();
        let id = self.next_seq;
        let planned = Sent {
            id,
            target: target.clone(),
            purpose,
            at: self.now.mono,
            step: None,
            deferred: 0,
            doubts: 0,
            last: None,
            also: also.into_iter().collect(),
        };
        let Some(page) = self.compose(call, &planned, false) else { return false };
        let worst = page.priority;
        self.record(Body::Paged {
            call,
            target: target.to_string(),
            purpose,
            headline: page.headline.clone(),
            also: planned.also,
        });
        for (_, sent) in older {
            self.give_up(sent.id, &format!("told with page {id}"));
        }
        self.drop_unwanted(call);
        if self.hold_back(id, target, purpose, worst) {
            return false;
        }
        self.turn.effects.push(Effect::Send { target: target.clone(), page: Box::new(page) });
        true
    }

    /// Last pages of other call-outs, over by now, that wait to be tried again in this way.
    fn waiting_elsewhere(&self, call: Seq, target: &Target) -> Vec<(Seq, Sent)> {
        let over = self.calls.values().filter(|other| other.ended && other.id != call);
        let pages = over.flat_map(|other| other.pages.iter().map(|sent| (other.id, sent)));
        pages
            .filter(|(_, sent)| sent.target == *target && sent.is_pending() && sent.last.is_some())
            .map(|(id, sent)| (id, sent.clone()))
            .collect()
    }

    /// The page as it reads now.
    fn compose(&self, call: Seq, sent: &Sent, maybe_repeat: bool) -> Option<Page> {
        let Sent { id, ref target, purpose, ref also, .. } = *sent;
        let call = self.calls.get(&call)?;
        let also = also.iter().filter_map(|call| self.calls.get(call)).collect();
        let held = self.ledger.held(target, Some(id), self.now.mono);
        let leader = call.leader(|cause, effect| self.index.explains(cause, effect));
        let matters = |relay: &RelayId, run: &Run| {
            call.members.iter().any(|member| {
                let alarm = self.alarm(&member.alarm).map(|id| self.plan.alarm(id));
                let stopgap = alarm.and_then(|alarm| alarm.stopgap);
                member.episode == run.episode || stopgap.is_some_and(|stopgap| stopgap.relay == *relay)
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
        // Only who is asked to act needs to know.
        let asks = purpose == Purpose::Call;
        let (prospects, soonest) = if asks { self.how_long(call) } else { Default::default() };
        Some(
            Context {
                plan: &self.plan,
                call,
                leader,
                target,
                purpose,
                id,
                now: self.now,
                prospects,
                soonest,
                situation: leader.map(|leader| self.situation(&leader.alarm)).unwrap_or_default(),
                by_hand: words(by_hand),
                done: words(done),
                also,
                held,
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
    pub(super) fn drop_unwanted(&mut self, id: Seq) {
        let Some(call) = self.calls.get(&id) else { return };
        let unwanted = call.pages.iter().filter(|sent| sent.is_pending() && !call.wants(sent));
        for (page, waits) in unwanted.map(|sent| (sent.id, sent.last.is_some())).collect::<Vec<_>>() {
            match waits {
                true => self.give_up(page, GIVEN_UP),
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
        if self.sent(page).is_some_and(|(_, sent)| sent.is_pending() && sent.doubts > REPEATS) {
            self.give_up(page, "perhaps delivered more than once by now: not tried again");
        }
        // A channel that fails is told of once no call-out tells of it any more.
        self.judge_sights();
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
            return self.give_up(page, "not delivered within a week");
        }
        let sent = sent.clone();
        let Some(composed) = self.compose(call, &sent, sent.doubts > 0) else { return };
        if !self.hold_back(page, &sent.target, sent.purpose, composed.priority) {
            self.turn.effects.push(Effect::Send { target: sent.target, page: Box::new(composed) });
        }
    }

    /// A channel works that did not: perhaps all ways are open again, so what waits is tried at
    /// once.
    pub(super) fn hurry(&mut self) {
        let waiting: Vec<_> = self.timers.iter().map(|(_, reason)| reason).collect();
        for reason in waiting {
            if let DeadlineReason::Retry(page) = reason
                && self.sent(page).is_some_and(|(_, sent)| !sent.last.as_ref().is_some_and(quota::is_held))
            {
                self.timers.set(reason, Some(self.now.mono));
            }
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
            let Sent { id, purpose, .. } = sent;
            self.timers.set(DeadlineReason::Retry(id), None);
            if !wanted {
                self.give_up(id, GIVEN_UP);
            } else if let Some(page) = self.compose(call, &sent, true)
                && !self.hold_back(id, &sent.target, purpose, page.priority)
            {
                self.turn.effects.push(Effect::Send { target: sent.target, page: Box::new(page) });
            }
        }
    }
}
