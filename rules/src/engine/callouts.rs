//! The call-outs: who is to be asked, when. What alarms, stopgaps, people and pages do flows in by
//! `on_*` methods; steps, answers and ends flow out as records, pages to be planned as tasks. A
//! call-out knows nothing of how its pages fare: it asks `delivery`'s view. Which deadlines follow
//! from its state is worked out anew whenever a record has touched it.

mod answering;
mod climbing;
mod joining;

use super::ground::Ground;
use super::timers::DeadlineReason;
use crate::callout::{Call, Fate, Member, Phase};
use crate::ids::Seq;
use crate::record::{Body, Purpose, Record};
use crate::time::{Moment, Span};
use std::collections::{BTreeMap, BTreeSet};

/// What lasts of all call-outs.
#[derive(Debug, Default)]
pub(super) struct Callouts {
    calls: BTreeMap<Seq, Call>,
    /// The latest episode of each alarm, as it would join a call-out.
    episodes: BTreeMap<String, Member>,
    /// Those whose deadlines have to be set anew.
    touched: BTreeSet<Seq>,
}

/// What a call-out waits for: at most one of them is set.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Waits {
    pub(super) step: Option<Moment>,
    pub(super) lease: Option<Moment>,
    pub(super) settle: Option<Moment>,
}

impl Callouts {
    /// What a record does to what lasts.
    pub(super) fn apply(&mut self, ground: &Ground<'_>, record: &Record) {
        let at = record.at.mono;
        match &record.body {
            Body::Raised { alarm, episode, place, priority, since, because, .. } => {
                if ground.alarm(alarm).is_none() {
                    return;
                }
                let begun = Member {
                    alarm: alarm.clone(),
                    episode: *episode,
                    place: place.clone(),
                    priority: *priority,
                    onset: at - *since,
                    because: because.clone(),
                    fate: Fate::Stands,
                    worse: false,
                    blind: false,
                };
                // What comes back unanswered is the same episode, but of now.
                match self.episodes.get_mut(alarm).filter(|known| known.episode == *episode) {
                    Some(known) => known.onset = begun.onset,
                    None => drop(self.episodes.insert(alarm.clone(), begun)),
                }
                self.change_members(*episode, at, |member| member.fate = Fate::Stands);
            }
            Body::Worsened { episode, because, .. } => self.change_members(*episode, at, |member| {
                member.worse = true;
                member.because.clone_from(because);
            }),
            Body::LostSight { episode, .. } => self.change_members(*episode, at, |it| it.blind = true),
            Body::FoundSight { episode, .. } => self.change_members(*episode, at, |it| it.blind = false),
            Body::Returned { episode, .. } => {
                self.change_members(*episode, at, |member| member.fate = Fate::Over(at));
            }
            Body::Shelved { alarm, .. } | Body::TakenOut { alarm, .. } | Body::Suppressed { alarm } => {
                let Some(episode) = self.episodes.get(alarm).map(|known| known.episode) else { return };
                self.change_members(episode, at, |member| {
                    if member.fate == Fate::Stands {
                        member.fate = Fate::PutAside;
                    }
                });
            }
            _ => self.apply_to_call(ground, record),
        }
    }

    /// What a record of a call-out itself does to it.
    fn apply_to_call(&mut self, ground: &Ground<'_>, record: &Record) {
        let (seq, at) = (record.seq, record.at.mono);
        match &record.body {
            Body::CallBegan { policy, purpose, code, hold } => {
                let call = Call {
                    id: seq,
                    policy: policy.clone(),
                    purpose: *purpose,
                    code: code.clone(),
                    begun: at + *hold,
                    phase: first_step(ground, policy, at + *hold),
                    quiet_since: None,
                    members: Vec::new(),
                    answers: Vec::new(),
                    ended: false,
                };
                self.calls.insert(seq, call);
                self.touched.insert(seq);
            }
            Body::Joined { call, alarm, .. } => {
                let known = self.episodes.get(alarm).filter(|_| ground.alarm(alarm).is_some()).cloned();
                self.change(*call, |call| {
                    let Some(known) = known else { return };
                    call.quiet_since = None;
                    call.members.push(Member { fate: Fate::Stands, ..known });
                });
            }
            Body::Stepped { call, step } => self.change(*call, |call| {
                let policy = ground.policy(&call.policy);
                let phase = policy.map(|policy| call.after_step(policy, *step as usize, at));
                call.phase = phase.unwrap_or(Phase::Told);
            }),
            Body::Answered { call, by, lease } => self.change(*call, |call| {
                call.answers.push((by.clone(), at));
                call.phase = Phase::Answered { until: at + *lease };
            }),
            Body::HandedOn { call, .. } => self.change(*call, |call| {
                call.phase = match call.phase {
                    Phase::Calling { step, .. } => Phase::Calling { step, due: at },
                    Phase::Answered { .. } | Phase::Told => first_step(ground, &call.policy, at),
                };
            }),
            Body::Resumed { call, .. } => self.change(*call, |call| {
                call.phase = first_step(ground, &call.policy, at);
                call.purpose = Purpose::Call;
                call.begun = at;
            }),
            Body::CallEnded { call } => self.change(*call, |call| call.ended = true),
            _ => {}
        }
    }

    fn change(&mut self, id: Seq, change: impl FnOnce(&mut Call)) {
        if let Some(call) = self.calls.get_mut(&id) {
            change(call);
            self.touched.insert(id);
        }
    }

    /// Changes the episode's part in its call-out, and notes when nothing there stands.
    fn change_members(&mut self, episode: Seq, at: Moment, change: impl Fn(&mut Member)) {
        self.episodes.values_mut().filter(|known| known.episode == episode).for_each(&change);
        for call in self.calls.values_mut().filter(|call| !call.ended) {
            let mut touched = false;
            for member in call.members.iter_mut().filter(|member| member.episode == episode) {
                change(member);
                touched = true;
            }
            if touched {
                call.quiet_since = if call.stands() { None } else { call.quiet_since.or(Some(at)) };
                self.touched.insert(call.id);
            }
        }
    }

    /// A call-out that is over, and whose last pages are through, is forgotten.
    pub(super) fn forget(&mut self, id: Seq) {
        self.calls.remove(&id);
    }

    /// The next call-out whose deadlines have to be set anew.
    pub(super) fn take_touched(&mut self) -> Option<Seq> {
        self.touched.pop_first()
    }

    /// All of them have to be: under another plan.
    pub(super) fn touch_all(&mut self) {
        self.touched.extend(self.calls.keys());
    }

    /// What the call-out waits for.
    pub(super) fn waits(&self, ground: &Ground<'_>, id: Seq) -> Waits {
        let mut waits = Waits::default();
        let Some(call) = self.calls.get(&id).filter(|call| !call.ended) else { return waits };
        let settle = ground.policy(&call.policy).map_or(Span::ZERO, |policy| policy.settle);
        match (call.quiet_since, call.phase) {
            // News that is held is told in the morning even if it is over by then.
            (Some(since), _) if !call.is_held() => waits.settle = Some(since + settle),
            (_, Phase::Calling { due, .. }) => waits.step = Some(due),
            (_, Phase::Answered { until }) => waits.lease = Some(until),
            (_, Phase::Told) => {}
        }
        waits
    }

    /// The same, by the names of the deadlines.
    pub(super) fn deadlines(&self, ground: &Ground<'_>, id: Seq) -> [(DeadlineReason, Option<Moment>); 3] {
        let Waits { step, lease, settle } = self.waits(ground, id);
        [
            (DeadlineReason::Step(id), step),
            (DeadlineReason::Lease(id), lease),
            (DeadlineReason::Settle(id), settle),
        ]
    }

    /// This call-out, over or not.
    pub(super) fn get(&self, id: Seq) -> Option<&Call> {
        self.calls.get(&id)
    }

    /// All of them, the oldest first: those too that are over and wait for their last pages.
    pub(super) fn iter(&self) -> impl Iterator<Item = &Call> {
        self.calls.values()
    }

    /// Those that are not over.
    pub(super) fn running(&self) -> impl Iterator<Item = &Call> {
        self.calls.values().filter(|call| !call.ended)
    }

    /// The running call-out that the episode is part of.
    pub(super) fn of_episode(&self, episode: Seq) -> Option<&Call> {
        self.running().find(|call| call.members.iter().any(|member| member.episode == episode))
    }

    /// Whether a call-out has this code.
    pub(super) fn has_code(&self, code: &str) -> bool {
        self.calls.values().any(|call| call.code == code)
    }

    /// The records that it rests on.
    pub(super) fn rests_on(&self) -> impl Iterator<Item = Seq> + '_ {
        let members = self.calls.values().flat_map(|call| call.members.iter().map(|m| m.episode));
        self.calls.keys().copied().chain(members)
    }
}

fn first_step(ground: &Ground<'_>, policy: &str, begun: Moment) -> Phase {
    match ground.policy(policy).and_then(|policy| policy.steps.first()) {
        Some(first) => Phase::Calling { step: 0, due: begun + first.after },
        None => Phase::Told,
    }
}

#[cfg(test)]
mod tests;
