//! The timeline: step after step is taken until a person answers, and what gets worse is said at
//! once. A step is two pieces of work: its pages are planned, and once it is known whether they
//! can leave, the next one follows if they reach nobody.

use super::Callouts;
use crate::callout::{Call, Phase};
use crate::engine::context::Context;
use crate::engine::task::{Next, StopgapNews, Task};
use crate::ids::Seq;
use crate::plan::{Rung, Target};
use crate::record::{Body, Purpose};

impl Callouts {
    /// The next step is due, or goes before its time.
    pub(in crate::engine) fn on_climb(&self, cx: &Context<'_>, id: Seq, next: &mut Next) {
        let Some(call) = self.get(id).filter(|call| !call.ended) else { return };
        let Phase::Calling { step, .. } = call.phase else { return };
        let Some(policy) = cx.policy(&call.policy) else { return };
        if call.purpose == Purpose::Drill && step >= policy.steps.len() {
            return self.end(cx, id, next);
        }
        take(cx, call, &policy.steps, step, next);
    }

    /// What can't wait is said to everyone: one step after the other is taken in this turn.
    pub(in crate::engine) fn on_climb_to_the_top(&self, cx: &Context<'_>, id: Seq, next: &mut Next) {
        let Some(call) = self.get(id).filter(|call| !call.ended) else { return };
        let Some(policy) = cx.policy(&call.policy) else { return };
        if let Phase::Calling { step, .. } = call.phase
            && step < policy.steps.len()
        {
            take(cx, call, &policy.steps, step, next);
            next.then(Task::ClimbToTheTop(id));
        }
    }

    /// The pages of a step are planned: if they reach nobody, the next one is taken.
    pub(in crate::engine) fn on_step_taken(&self, cx: &Context<'_>, id: Seq, step: usize, next: &mut Next) {
        let Some(call) = self.get(id).filter(|call| !call.ended) else { return };
        let Some(policy) = cx.policy(&call.policy) else { return };
        let goes_on = matches!(call.phase, Phase::Calling { step: after, .. } if after == step + 1);
        if goes_on && step < policy.steps.len() && !reached(cx, call, &policy.steps, step) {
            take(cx, call, &policy.steps, step + 1, next);
        } else if call.phase == Phase::Told && !call.stands() {
            // News of what is over ends once it has been told.
            self.end(cx, id, next);
        }
    }

    /// It is known how one of its pages fared. A step whose pages all fail falls through at once,
    /// but only down the ladder: the last rung waits its time.
    pub(in crate::engine) fn on_page_ended(&self, cx: &Context<'_>, id: Seq, next: &mut Next) {
        let Some(call) = self.get(id).filter(|call| !call.ended && call.quiet_since.is_none()) else {
            return;
        };
        let Some(policy) = cx.policy(&call.policy) else { return };
        if let Phase::Calling { step, .. } = call.phase
            && (1..policy.steps.len()).contains(&step)
            && cx.pages(id).step_failed(call, step as u32 - 1)
        {
            take(cx, call, &policy.steps, step, next);
        }
    }

    /// An episode got worse: an answered call-out resumes; in a running one, those who have
    /// been asked are told at once and the timeline goes on.
    pub(in crate::engine) fn on_got_worse(
        &self,
        cx: &Context<'_>,
        episode: Seq,
        why: String,
        next: &mut Next,
    ) {
        if let Some(call) = self.of_episode(episode) {
            break_through(cx, call, why, next);
        }
    }

    /// A stopgap has not gone as it should: that is said in each call-out that it matters to.
    pub(in crate::engine) fn on_stopgap_news(&self, cx: &Context<'_>, news: &StopgapNews, next: &mut Next) {
        let StopgapNews { relay, episode, everyone, why } = news;
        for call in cx.concerned(*relay, *episode).into_iter().filter_map(|id| self.get(id)) {
            match *everyone {
                true if cx.policy(&call.policy).is_some() => {
                    next.record(Body::Resumed { call: call.id, why: why.clone() });
                    next.then(Task::ClimbToTheTop(call.id));
                }
                true => {}
                false => break_through(cx, call, why.clone(), next),
            }
        }
    }

    /// The watch has begun. If nobody knows for how long it was away, what waits for a step takes
    /// it now: sooner, never later.
    pub(in crate::engine) fn on_start(&self, cx: &Context<'_>, overdue: bool, next: &mut Next) {
        for call in self.running() {
            let asking = call.stands() && call.purpose != Purpose::Digest;
            if call.purpose != Purpose::Drill && call.members.is_empty() {
                // Its alarms have gone from the plan, so nobody could say that it is over.
                self.end(cx, call.id, next);
            } else if overdue && asking && self.waits(cx, call.id).step.is_some() {
                self.on_climb(cx, call.id, next);
            }
        }
    }
}

/// Takes a step: whoever can be told gets a page.
fn take(cx: &Context<'_>, call: &Call, steps: &[Rung], step: usize, next: &mut Next) {
    let id = call.id;
    next.record(Body::Stepped { call: id, step: step as u32 });
    let nobody = !steps.iter().any(|rung| reaches(cx, call, rung));
    for (target, why) in rung(cx, call, steps, step).map(|rung| cx.asked(rung)).unwrap_or_default() {
        if cx.is_shut(call, &target) {
            let why = "it is one of the channels that fail".to_owned();
            next.record(Body::Skipped { call: id, target: target.to_string(), why });
            continue;
        }
        // Better woken than late: if nobody's hours allow it, they don't count.
        match why.filter(|_| !nobody) {
            Some(why) => {
                next.record(Body::Skipped { call: id, target: target.to_string(), why });
            }
            None if call.purpose == Purpose::Digest && target.contact.is_none() => {}
            None => next.then(Task::Page { call: id, target, purpose: call.purpose }),
        }
    }
    next.then(Task::StepTaken { call: id, step });
}

/// The rung of a step. The ladder's last rung repeats; where its people can't be reached, the last
/// that can.
fn rung<'s>(cx: &Context<'_>, call: &Call, steps: &'s [Rung], step: usize) -> Option<&'s Rung> {
    steps.get(step).or_else(|| steps.iter().rev().find(|rung| reaches(cx, call, rung)).or(steps.last()))
}

/// Whether the rung has a person who can be told now.
fn reaches(cx: &Context<'_>, call: &Call, rung: &Rung) -> bool {
    let open = |target: &Target| target.contact.is_some() && !cx.is_shut(call, target);
    cx.asked(rung).iter().any(|(target, why)| why.is_none() && open(target))
}

/// Whether a step has told a person, or has somebody who needs no telling.
fn reached(cx: &Context<'_>, call: &Call, steps: &[Rung], step: usize) -> bool {
    if call.purpose == Purpose::Digest {
        return true;
    }
    let pages = cx.pages(call.id);
    let mut of_step = pages.iter().filter(|sent| sent.step == Some(step as u32) && sent.at >= call.begun);
    if of_step.any(|sent| sent.target.contact.is_some() && !sent.is_held()) {
        return true;
    }
    // Whoever has been told needs no help with a channel before its time.
    let asked = rung(cx, call, steps, step).map(|rung| cx.asked(rung)).unwrap_or_default();
    asked.iter().any(|(target, _)| cx.is_shut(call, target))
        && pages.told().iter().any(|told| told.contact.is_some())
}

/// Says something new in a call-out, whether it was answered or not.
fn break_through(cx: &Context<'_>, call: &Call, why: String, next: &mut Next) {
    match call.phase {
        Phase::Answered { .. } | Phase::Told => {
            next.record(Body::Resumed { call: call.id, why });
        }
        Phase::Calling { .. } if call.purpose == Purpose::Digest => {
            next.record(Body::Resumed { call: call.id, why });
        }
        Phase::Calling { step: 0, .. } => {}
        Phase::Calling { .. } => {
            let pages = cx.pages(call.id).told().into_iter();
            next.tasks.extend(pages.map(|target| Task::Page {
                call: call.id,
                target,
                purpose: call.purpose,
            }));
        }
    }
}
