//! How a call-out becomes quiet: a person answers, what it is about returns or is put aside, or the
//! plan has its ladder no more.

use super::facts::Known;
use super::{Callouts, put_aside_by};
use crate::alarm::State;
use crate::callout::bounds::{Bound, Lease};
use crate::callout::decide::{Outcome, Reply, decide};
use crate::callout::event::Event;
use crate::callout::member::Condition;
use crate::callout::state::PRESSED_AGAIN;
use crate::engine::context::Context;
use crate::engine::task::{Next, Task};
use crate::ids::{By, Seq};
use crate::record::{Body, CallKind};
use crate::time::Span;

impl Callouts {
    /// A person answered for the call-out, or for one member of a mass or a digest.
    pub(in crate::engine) fn on_answer(
        &self,
        cx: &Context<'_>,
        (id, only): (Seq, Option<Seq>),
        (named, by): (Option<Span>, &By),
        next: &mut Next,
    ) {
        let Some(call) = self.get(id).filter(|call| !call.ended()) else { return };
        let outcome = decide(
            &call.core,
            &Event::Answered { by: by.clone(), named, only },
            &Known::of(cx, call),
            cx.mono(),
        );
        // No later time is offered; who names one is told why. Who is away is asked who goes in any
        // case.
        if let Some(Reply::Holds(Lease { length, bound: Some(bound) })) = outcome.reply
            && (named.is_some() || bound == Bound::Away)
        {
            let what = match named {
                Some(named) => format!("an answer to {} that holds for {named}", call.code()),
                None => format!("an answer to {} that holds longer", call.code()),
            };
            next.refuse(what, format!("it holds for {length}: {bound}"), by);
        }
        self.put(cx, &call.core, outcome, next);
    }

    /// A person wants the next one called now. At the last rung all are called again, and whoever
    /// asked is told that there is nobody else.
    pub(in crate::engine) fn on_hand_on(&self, cx: &Context<'_>, id: Seq, by: &By, next: &mut Next) {
        let Some(call) = self.get(id).filter(|call| !call.ended()) else { return };
        let outcome = decide(&call.core, &Event::Next { by: by.clone() }, &Known::of(cx, call), cx.mono());
        let what = || format!("the next person for {}", call.code());
        match outcome.reply {
            Some(Reply::NothingStands) => return next.refuse(what(), "nothing stands any more", by),
            Some(Reply::NobodyElse) => {
                let why = format!(
                    "there is nobody else: all are called again, and you hear again in {PRESSED_AGAIN} if nobody answers"
                );
                next.refuse(what(), why, by);
            }
            Some(Reply::NextIsCalled | Reply::Holds(_) | Reply::WouldDrop) | None => {}
        }
        next.record(Body::HandedOn { call: id, by: by.clone() });
        self.put(cx, &call.core, outcome, next);
    }

    /// An episode of the call-out may have returned to normal or been put aside.
    pub(in crate::engine) fn on_fell(&self, cx: &Context<'_>, episode: Seq, next: &mut Next) {
        let Some(call) = self.of_episode(episode) else { return };
        let Some(member) = call.core.member(episode).filter(|m| m.condition == Condition::Raised) else {
            return next.then(Task::DropUnwanted(call.core.id));
        };
        let Some(id) = cx.alarm(&member.alarm) else {
            let by = By { who: "the keeper".to_owned(), via: "reload".to_owned() };
            return self.hear(cx, call, &Event::PutAside { episode, by }, next);
        };
        if cx.alarms.standing(id) == Some(episode) {
            return;
        }
        let awaited = cx.awaits_hand(&member.alarm);
        if awaited != member.awaits_hand {
            self.hear(cx, call, &Event::Hand { episode, awaited }, next);
            return next.then(Task::Fell(episode));
        }
        let state = cx.alarms.state(id).state;
        let latched = state == State::LatchedUnacknowledged;
        let plain = !state.is_aside() && !latched && self.has_no_kin(cx, id);
        if let Some(changes) = call.core.only_ends(episode, cx.mono()).filter(|_| plain) {
            return self.put(cx, &call.core, Outcome { changes, ..Outcome::default() }, next);
        }
        let event = if state.is_aside() {
            Event::PutAside { episode, by: put_aside_by(cx, episode) }
        } else {
            Event::Returned { episode, latched }
        };
        self.hear(cx, call, &event, next);
    }

    /// What a stopgap has cut may have been switched back by a person: what stood only for that is
    /// over. Or it was seen only now to be cut, for what is over already: that stands from now on.
    pub(in crate::engine) fn on_hands(&self, cx: &Context<'_>, next: &mut Next) {
        for call in self.running() {
            let mut turned =
                call.core.members.iter().filter(|member| match (member.awaits_hand, &member.condition) {
                    (_, Condition::Raised) => false,
                    (true, Condition::Returned(_) | Condition::PutAside(_)) => !cx.awaits_hand(&member.alarm),
                    (false, Condition::Returned(_)) => cx.is_cut_for(&member.alarm, member.episode),
                    (false, Condition::PutAside(_)) => false,
                });
            // One at a time: what follows from it may change what the next one means.
            if let Some(member) = turned.next() {
                let event = Event::Hand { episode: member.episode, awaited: !member.awaits_hand };
                self.hear(cx, call, &event, next);
                next.then(Task::LookAtHands);
            }
        }
    }

    /// Those whose ladder has gone from the plan are put aside; a drill of it is over.
    pub(in crate::engine) fn on_plan_without(&self, cx: &Context<'_>, next: &mut Next) {
        let by = By { who: "the keeper".to_owned(), via: "reload".to_owned() };
        for call in self.running() {
            if call.core.kind == CallKind::Drill && cx.policy(&call.policy).is_none() {
                next.record(Body::CallEnded { call: call.core.id });
                next.then(Task::DropUnwanted(call.core.id));
            }
            let gone = call.core.members.iter().find(|member| {
                member.stands() && (cx.policy(&member.ladder).is_none() || cx.alarm(&member.alarm).is_none())
            });
            // One at a time: the last of them ends the call-out.
            if let Some(member) = gone {
                let event = Event::Dropped { episode: member.episode, forced: true, by: by.clone() };
                self.hear(cx, call, &event, next);
                next.then(Task::EndOrphans);
            }
        }
    }
}
