//! One piece of work: a component decides on what it may know, and what comes of it is done before
//! the next piece. Records change what lasts and go out with the turn, deadlines are set, tasks
//! wait at the end of the queue. This is all that the dispatcher needs of the engine, which needs
//! the dispatcher.

use super::Engine;
use super::components::Components;
use super::context::Context;
use super::ground::Ground;
use super::task::Next;
use super::timers::DeadlineReason;

impl Engine {
    /// One piece of work: what comes of it is done before the next.
    pub(super) fn decide(&mut self, decide: impl FnOnce(&Context<'_>, &mut Next)) {
        let mut next = self.spare.take(self.next_seq, self.now);
        decide(&self.context(), &mut next);
        self.settle(next);
    }

    /// Records change what lasts and are handed out with the turn, deadlines are set, tasks wait at
    /// the end of the queue.
    pub(super) fn settle(&mut self, mut next: Box<Next>) {
        self.next_seq = next.next_seq();
        self.awake = true;
        if !next.records.is_empty() {
            for record in next.records.drain(..) {
                let (ground, parts) = self.split();
                parts.apply(&ground, &record);
                self.turn.records.push(record);
            }
        }
        for (reason, at) in &next.timers {
            if let DeadlineReason::OnDelay(alarm) = *reason
                && self.timers.get(*reason) != *at
            {
                self.parts.callouts.touch_those_that_settle(&self.plan.alarm(alarm).name);
            }
            self.timers.set(*reason, *at);
        }
        next.timers.clear();
        for (reason, at) in &next.at_first {
            self.timers.set_if_none(*reason, *at);
        }
        next.at_first.clear();
        if !next.tasks.is_empty() {
            next.tasks.drain(..).for_each(|task| self.queue.push(task));
        }
        next.first.drain(..).rev().for_each(|task| self.queue.push_first(task));
        self.turn.effects.append(&mut next.effects);
        self.leaving.append(&mut next.pages);
        if let Some(reply) = next.reply.take() {
            self.turn.heard = Some(reply);
        }
        self.spare.put_back(next);
    }

    /// Sets the deadlines of call-outs that something has touched.
    pub(super) fn arm_call_outs(&mut self) {
        while let Some(call) = self.parts.callouts.take_touched() {
            for (reason, at) in self.parts.callouts.deadlines(&self.context(), call) {
                self.timers.set(reason, at);
            }
        }
    }

    /// The ground, and the components to be changed.
    pub(super) fn split(&mut self) -> (Ground<'_>, &mut Components) {
        (Ground { plan: &self.plan, index: &self.index, now: self.now }, &mut self.parts)
    }

    /// Everything, for reading.
    pub(super) fn context(&self) -> Context<'_> {
        let ground = Ground { plan: &self.plan, index: &self.index, now: self.now };
        Context::of(ground, (self.seed, self.turn_from), &self.timers, &self.leaving, &self.parts)
    }
}
