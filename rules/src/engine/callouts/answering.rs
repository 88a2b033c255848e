//! How a call-out becomes quiet: a person answers, what it is about returns or is put aside, and
//! those who were asked are told.

use super::Callouts;
use crate::callout::{Call, Fate, Phase};
use crate::engine::context::Context;
use crate::engine::task::{Next, Task};
use crate::engine::timers::DeadlineReason;
use crate::ids::{By, Seq};
use crate::plan::Target;
use crate::record::{Body, Purpose};
use crate::time::Span;

/// No answer holds longer, whatever time it names.
const LONGEST_LEASE: Span = Span::hours(12);

impl Callouts {
    /// A person answered for the call-out: it is quiet while the lease runs.
    pub(in crate::engine) fn on_answer(
        &self,
        cx: &Context<'_>,
        id: Seq,
        named: Option<Span>,
        by: &By,
        next: &mut Next,
    ) {
        let Some(call) = self.get(id).filter(|call| !call.ended) else { return };
        let usual = cx.policy(&call.policy).map_or(Span::ZERO, |policy| policy.lease);
        let lease = named.map_or(usual, |named| named.min(LONGEST_LEASE));
        next.record(Body::Answered { call: id, by: by.clone(), lease });
        if !matches!(call.phase, Phase::Answered { .. }) {
            tell_the_others(cx, call, Some(&by.who), next);
        }
        if call.purpose == Purpose::Drill || (call.purpose == Purpose::Digest && !call.stands()) {
            next.then(Task::End(id));
        }
    }

    /// An answer has run out.
    pub(in crate::engine) fn on_lease_ended(&self, id: Seq, next: &mut Next) {
        let Some(call) = self.get(id).filter(|call| !call.ended) else { return };
        let who = call.answers.last().map_or("nobody", |(by, _)| &by.who);
        let why = format!("it still stands, and the answer of {who} has run out");
        next.record(Body::Resumed { call: id, why });
    }

    /// An episode of the call-out returned to normal or was put aside.
    pub(in crate::engine) fn on_fell(&self, episode: Seq, next: &mut Next) {
        let Some(call) = self.of_episode(episode) else { return };
        next.then(if is_dismissed(call) { Task::Dismiss(call.id) } else { Task::DropUnwanted(call.id) });
    }

    /// All that stood has been put aside by a person, or by work. Nobody says that it is over, so
    /// there is no all-clear.
    pub(in crate::engine) fn on_dismissed(&self, cx: &Context<'_>, id: Seq, next: &mut Next) {
        let Some(call) = self.get(id).filter(|call| !call.ended && is_dismissed(call)) else { return };
        tell_the_others(cx, call, None, next);
        next.then(Task::End(id));
    }

    /// Nothing in it has stood for long enough: the all-clear goes to all who were asked.
    pub(in crate::engine) fn on_settled(&self, cx: &Context<'_>, id: Seq, next: &mut Next) {
        let Some(call) = self.get(id).filter(|call| !call.ended && !call.stands()) else { return };
        let pages = cx.pages(id);
        // Whoever could not be told of it while it lasted is told that it came and went.
        let targets = pages.told().union(&pages.missed(call)).cloned().collect();
        tell(id, targets, Purpose::AllClear, next);
        next.then(Task::End(id));
    }

    /// Its last pages are planned. If something has come back meanwhile, it goes on.
    pub(in crate::engine) fn on_end(&self, cx: &Context<'_>, id: Seq, next: &mut Next) {
        let goes_on = |call: &Call| call.stands() && call.purpose != Purpose::Drill;
        if self.get(id).is_some_and(|call| !call.ended && !goes_on(call)) {
            self.end(cx, id, next);
        }
    }

    /// Those whose policy has gone from the plan are over.
    pub(in crate::engine) fn on_plan_without(&self, cx: &Context<'_>, next: &mut Next) {
        for call in self.running().filter(|call| cx.policy(&call.policy).is_none()) {
            self.end(cx, call.id, next);
        }
    }

    /// Ends it. Its last pages may still be on their way.
    pub(super) fn end(&self, cx: &Context<'_>, id: Seq, next: &mut Next) {
        next.record(Body::CallEnded { call: id });
        next.then(Task::DropUnwanted(id));
        next.then(Task::JudgeSights);
        // What was left for a person to switch back is said for the last time by its pages, and then
        // let go.
        for (relay, _) in cx.relays.runs() {
            next.wake(DeadlineReason::Wait(relay), Some(cx.mono()));
        }
    }
}

/// Whether nothing stands because something was put aside. News that is held is told all the same.
fn is_dismissed(call: &Call) -> bool {
    let put_aside = call.members.iter().any(|member| member.fate == Fate::PutAside);
    !call.stands() && put_aside && !call.is_held()
}

/// Nobody else need come: those who were asked are told, sirens fall silent.
fn tell_the_others(cx: &Context<'_>, call: &Call, except: Option<&str>, next: &mut Next) {
    let told = cx.pages(call.id).told().into_iter();
    let others = told.filter(|target| except.is_none() || target.contact.as_deref() != except);
    next.then(Task::DropUnwanted(call.id));
    tell(call.id, others.collect(), Purpose::Taken, next);
}

fn tell(call: Seq, targets: Vec<Target>, purpose: Purpose, next: &mut Next) {
    next.tasks.extend(targets.into_iter().map(|target| Task::Page { call, target, purpose }));
}
