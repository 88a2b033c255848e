//! Journals of before: one ladder a call-out, named by its policy, and no record of how it changed
//! but those that people read. Each of their records is told to the call-out as the changes that it
//! meant.

use super::Callouts;
use crate::alarm::Priority;
use crate::callout::Call;
use crate::callout::member::Condition;
use crate::callout::state::{CallOut, Phase};
use crate::engine::ground::Ground;
use crate::ids::{By, Seq};
use crate::plan::Target;
use crate::record::{Body, CallChange, CallKind, CallMessage, HeldBy, Purpose, Record};
use crate::time::{Moment, Span};

impl Callouts {
    /// What a record of before says of a call-out; nothing of one that keeps its own changes.
    pub(super) fn apply_older(&mut self, ground: &Ground<'_>, record: &Record) {
        let at = record.at.mono;
        match &record.body {
            Body::CallBegan { policy, purpose, code, hold } => {
                self.begin_older(ground, record, (policy, *purpose), code, *hold);
            }
            Body::Joined { call, alarm, episode } if self.is_older(*call) => {
                let rank = self.episodes.get(alarm).map(|known| known.priority);
                let own = ground.alarm(alarm).and_then(|id| ground.plan.alarm(id).callout);
                let own = own.and_then(|at| ground.plan.callouts.get(at.index())).map(|it| it.name.clone());
                let policy = self.calls.get(*call).map(|call| call.policy.clone());
                let (Some(rank), Some(policy)) = (rank, policy) else { return };
                let ladder = own.unwrap_or_else(|| policy.clone());
                let Some(joined) = self.joined(ground, alarm, *episode, rank, &ladder) else { return };
                self.change(*call, &CallChange::Joined(joined), at);
                self.climb_older(ground, *call, &policy, None, at);
            }
            Body::Stepped { call, step } if self.is_older(*call) => {
                let Some(known) = self.calls.get(*call) else { return };
                let (policy, rank) = (known.policy.clone(), rank_of(known, at));
                let Some(ladder) = ground.index.ladders.get(&policy) else { return };
                self.climb_older(ground, *call, &policy, Some(*step), at);
                let begun = self.calls.get(*call).and_then(|call| call.core.climb(&policy, rank));
                let begun = begun.map_or(at, |climb| climb.begun);
                let next = ladder.wait_after(*step, begun, at);
                let last = ladder.len().saturating_sub(1);
                let change =
                    CallChange::Rung { ladder: policy, rank, rung: *step, last, to: Vec::new(), next };
                self.change(*call, &change, at);
            }
            Body::Resumed { call, .. } if self.is_older(*call) => {
                let Some(known) = self.calls.get(*call) else { return };
                let (policy, rank) = (known.policy.clone(), rank_of(known, at));
                let due = ground.policy(&policy).and_then(|it| it.steps.first()).map(|step| step.after);
                let due = due.unwrap_or(Span::ZERO);
                self.change(
                    *call,
                    &CallChange::Began { ladder: policy, rank, rung: 0, ago: Span::ZERO, due },
                    at,
                );
            }
            Body::Answered { call, by, lease } if self.is_older(*call) => {
                let Some(rank) = self.calls.get(*call).map(|call| rank_of(call, at)) else { return };
                self.change(*call, &CallChange::Answered { by: by.clone(), lease: *lease, rank }, at);
            }
            Body::Paged { call, target, purpose, .. } if self.is_older(*call) => {
                let Some(known) = self.calls.get(*call) else { return };
                let message = message(*purpose, known.answers.last().map(|(by, _)| by));
                let (rank, target) = (rank_of(known, at), Target::parse(target));
                self.change(*call, &CallChange::Told { target, message, rank, about: None, news: None }, at);
            }
            // From here on it keeps its changes itself.
            Body::CallChanged { call, .. } => {
                if let Some(call) = self.calls.get_mut(*call) {
                    call.older = false;
                }
            }
            _ => self.apply_older_episode(ground, record),
        }
    }

    /// What a record of an alarm says of the older call-outs that it is in.
    fn apply_older_episode(&mut self, ground: &Ground<'_>, record: &Record) {
        let at = record.at.mono;
        match &record.body {
            Body::Worsened { episode, .. } => {
                self.older_member(*episode, &CallChange::Worsened { episode: *episode }, at)
            }
            Body::Returned { alarm, episode, .. } => {
                let latching = ground.alarm(alarm).is_some_and(|id| ground.plan.alarm(id).latching);
                let calls = self.calls.with_episode(*episode);
                let mut members = calls.filter_map(|call| call.core.member(*episode));
                let answered = members.any(|member| member.answered);
                drop(members);
                let latched = latching && !answered;
                self.older_member(*episode, &CallChange::Returned { episode: *episode, latched }, at);
            }
            Body::Raised { alarm, episode, .. } => {
                let (alarm, episode) = (alarm.clone(), *episode);
                let change = CallChange::CameBack { alarm, episode, flickers: false, worse: true };
                self.older_member(episode, &change, at);
            }
            Body::Shelved { alarm, by, .. } | Body::TakenOut { alarm, by, .. } => {
                self.older_aside(alarm, by.clone(), at);
            }
            Body::Suppressed { alarm } => {
                let by = By { who: "declared work".to_owned(), via: "work".to_owned() };
                self.older_aside(alarm, by, at);
            }
            _ => {}
        }
    }

    /// It began, with one ladder that its policy names.
    fn begin_older(
        &mut self,
        ground: &Ground<'_>,
        record: &Record,
        (policy, purpose): (&str, Purpose),
        code: &str,
        hold: Span,
    ) {
        let (seq, at) = (record.seq, record.at.mono);
        let kind = match purpose {
            Purpose::Digest => CallKind::Digest,
            Purpose::Drill => CallKind::Drill,
            Purpose::Call | Purpose::Taken | Purpose::AllClear | Purpose::Notice => CallKind::Cause,
        };
        let call = Call::new(policy.to_owned(), purpose, CallOut::new(seq, kind, code.to_owned(), at));
        self.begin(call);
        if kind == CallKind::Drill {
            let due = ground.policy(policy).and_then(|it| it.steps.first()).map(|step| step.after);
            let due = due.unwrap_or(Span::ZERO);
            let (ladder, rank) = (policy.to_owned(), Priority::Critical);
            self.change(seq, &CallChange::Began { ladder, rank, rung: 0, ago: Span::ZERO, due }, at);
        } else if hold > Span::ZERO {
            let by = if kind == CallKind::Digest { HeldBy::Quiet } else { HeldBy::Cause };
            self.change(seq, &CallChange::Held { length: hold, by }, at);
        }
    }

    fn is_older(&self, call: Seq) -> bool {
        self.calls.get(call).is_some_and(|call| call.older)
    }

    /// Its one ladder, for the rank that stands by now.
    fn climb_older(&mut self, ground: &Ground<'_>, call: Seq, policy: &str, step: Option<u32>, at: Moment) {
        let Some(known) = self.calls.get(call) else { return };
        let rank = rank_of(known, at);
        let held = matches!(known.core.phase, Phase::Held { .. });
        if known.core.climb(policy, rank).is_some() || (held && step.is_none()) {
            return;
        }
        let before = known.core.climbs.iter().find(|climb| climb.ladder == policy).cloned();
        let after =
            ground.policy(policy).and_then(|it| it.steps.first()).map_or(Span::ZERO, |step| step.after);
        let (rung, ago, due) = match before {
            Some(climb) => (climb.next, at - climb.begun, climb.due - at),
            None => (step.unwrap_or(0), Span::ZERO, after),
        };
        let ladder = policy.to_owned();
        self.change(call, &CallChange::Began { ladder, rank, rung, ago, due }, at);
    }

    fn older_member(&mut self, episode: Seq, change: &CallChange, at: Moment) {
        let of = |call: &&Call| call.older && !call.ended() && call.core.member(episode).is_some();
        let calls: Vec<Seq> = self.calls.with_episode(episode).filter(of).map(Call::id).collect();
        calls.into_iter().for_each(|call| self.change(call, change, at));
    }

    fn older_aside(&mut self, alarm: &str, by: By, at: Moment) {
        let Some(episode) = self.episodes.get(alarm).map(|known| known.episode) else { return };
        let raised = |call: &Call| {
            call.core.member(episode).is_some_and(|member| member.condition == Condition::Raised)
        };
        if self.calls.with_episode(episode).any(|call| call.older && raised(call)) {
            self.older_member(episode, &CallChange::PutAside { episode, by }, at);
        }
    }
}

fn rank_of(call: &Call, at: Moment) -> Priority {
    match call.core.kind {
        CallKind::Drill => Priority::Critical,
        CallKind::Cause | CallKind::Mass | CallKind::Digest => {
            call.core.standing_rank(at).unwrap_or(call.priority())
        }
    }
}

/// What a page of before was for.
fn message(purpose: Purpose, by: Option<&By>) -> CallMessage {
    let by = by.cloned().unwrap_or_else(|| By { who: String::new(), via: String::new() });
    match purpose {
        Purpose::Call => CallMessage::Call,
        Purpose::Digest => CallMessage::Morning,
        Purpose::Drill => CallMessage::Drill,
        Purpose::Taken => CallMessage::Taken(by),
        Purpose::AllClear => CallMessage::AllClear,
        Purpose::Notice => CallMessage::NobodyElse,
    }
}
