//! How a call-out becomes quiet: a person answers, what it is about returns or is put aside, or the
//! plan has its ladder no more.

use super::{Callouts, put_aside_by};
use crate::alarm::State;
use crate::callout::event::Event;
use crate::callout::member::Condition;
use crate::callout::state::Kind;
use crate::engine::context::Context;
use crate::engine::task::{Next, Task};
use crate::ids::{By, Seq};
use crate::time::Span;

impl Callouts {
    /// A person answered for the call-out, or for one member of a mass or a digest.
    pub(in crate::engine) fn on_answer(
        &self,
        cx: &Context<'_>,
        (id, only): (Seq, Option<Seq>),
        named: Option<Span>,
        by: &By,
        next: &mut Next,
    ) {
        let Some(call) = self.get(id).filter(|call| !call.ended()) else { return };
        self.hear(cx, call, &Event::Answered { by: by.clone(), named, only }, next);
    }

    /// A person wants the next one called now.
    pub(in crate::engine) fn on_next(&self, cx: &Context<'_>, id: Seq, by: &By, next: &mut Next) {
        let Some(call) = self.get(id).filter(|call| !call.ended()) else { return };
        self.hear(cx, call, &Event::Next { by: by.clone() }, next);
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
        let state = cx.alarms.state(id).state;
        let event = if state.is_aside() {
            Event::PutAside { episode, by: put_aside_by(cx, episode) }
        } else {
            Event::Returned { episode, latched: state == State::LatchedUnacknowledged }
        };
        self.hear(cx, call, &event, next);
    }

    /// Those whose ladder has gone from the plan are put aside; a drill of it is over.
    pub(in crate::engine) fn on_plan_without(&self, cx: &Context<'_>, next: &mut Next) {
        let by = By { who: "the keeper".to_owned(), via: "reload".to_owned() };
        for call in self.running() {
            if call.core.kind == Kind::Drill && cx.policy(&call.policy).is_none() {
                next.record(crate::record::Body::CallEnded { call: call.core.id });
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
