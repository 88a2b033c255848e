//! What happens to a page next: one way for all of them, whoever planned it.

use super::Delivery;
use crate::alarm::Priority;
use crate::engine::context::Context;
use crate::engine::task::{Next, Task};
use crate::engine::timers::DeadlineReason;
use crate::engine::turn::Effect;
use crate::ids::Seq;
use crate::page::{REPEATS, RETRY_WITHIN, Sent};
use crate::plan::Target;
use crate::record::{Body, NoMore, Outcome, Purpose};
use crate::time::Span;

/// A server that asks to be left alone for longer is tried again after this: somebody waits for the
/// page.
const LONGEST_ASKED: Span = Span::minutes(10);

impl Delivery {
    /// A call-out wants somebody told. A page that says that all is over takes the place of those
    /// of older call-outs that could not be sent this way.
    pub(in crate::engine) fn on_page(
        &self,
        cx: &Context<'_>,
        (call, target): (Seq, &Target),
        purpose: Purpose,
        next: &mut Next,
    ) {
        let Some(of) = cx.callouts.get(call) else { return };
        // What one turn says to somebody more than once is one page.
        let same = |sent: &Sent| {
            let leaves = sent.id >= cx.turn_from && sent.last.is_none();
            leaves && sent.target == *target && sent.purpose == purpose
        };
        if self.pages_of(call).iter().any(same) {
            return;
        }
        let older = match purpose {
            Purpose::AllClear => self.waiting_elsewhere(cx, call, target),
            Purpose::Call | Purpose::Taken | Purpose::Digest | Purpose::Drill | Purpose::Notice => Vec::new(),
        };
        let mut also: Vec<Seq> =
            older.iter().flat_map(|sent| sent.also.iter().copied().chain(sent.call())).collect();
        also.sort_unstable();
        also.dedup();
        // Its words are those of the end of the turn.
        let headline = String::new();
        let page = next.record(Body::Paged { call, target: target.to_string(), purpose, headline, also });
        for sent in older {
            give_up(sent.id, NoMore::ToldWith { page }, next);
        }
        next.then(Task::DropUnwanted(call));
        let urgent = purpose == Purpose::Call && of.priority() == Priority::Critical;
        self.leave(cx, (page, Some(call)), target, urgent, next);
    }

    /// Last pages of other call-outs, over by now, that wait to be tried again in this way.
    fn waiting_elsewhere(&self, cx: &Context<'_>, call: Seq, target: &Target) -> Vec<&Sent> {
        let over = |sent: &Sent| sent.call().and_then(|id| cx.callouts.get(id)).is_some_and(|of| of.ended());
        let waiting = self.pages.values().filter(|sent| sent.target == *target && sent.is_pending());
        let elsewhere = waiting.filter(|sent| sent.last.is_some() && sent.call() != Some(call));
        elsewhere.filter(|sent| over(sent)).collect()
    }

    /// A planned page is to leave now.
    pub(in crate::engine) fn on_send(&self, cx: &Context<'_>, page: Seq, next: &mut Next) {
        let Some(sent) = self.get(page).filter(|sent| sent.is_pending()) else { return };
        let worst = sent.call().and_then(|id| cx.callouts.get(id)).map(|call| call.priority());
        let urgent = sent.purpose == Purpose::Call && worst == Some(Priority::Critical);
        self.leave(cx, (page, sent.call()), &sent.target, urgent, next);
    }

    /// Lets it leave, or holds it back until its channel has room for it.
    fn leave(
        &self,
        cx: &Context<'_>,
        (page, call): (Seq, Option<Seq>),
        target: &Target,
        urgent: bool,
        next: &mut Next,
    ) {
        let quota = cx.plan.directory.quota(target);
        let room = quota.and_then(|quota| {
            let at = self.quota.room_at(page, (target, quota), urgent, cx.mono())?;
            Some((quota.to_string(), at))
        });
        let Some((limit, at)) = room else {
            next.wake(DeadlineReason::Retry(page), None);
            return next.send(page);
        };
        let result = Outcome::HeldUntil { limit, room_in: at - cx.mono() };
        next.record(Body::Delivered { page, result });
        next.wake(DeadlineReason::Retry(page), Some(at));
        next.then(Task::JudgeSights);
        // Its call-out goes on with whom it can reach.
        next.tasks.extend(call.map(Task::PageEnded));
    }

    /// A page's attempt ended. Late news of one that was given up, or of a call-out long over,
    /// changes nothing.
    pub(in crate::engine) fn on_delivered(
        &self,
        cx: &Context<'_>,
        page: Seq,
        result: Outcome,
        next: &mut Next,
    ) {
        if let Some(sent) = self.get(page).filter(|sent| sent.is_pending()) {
            Self::ends(cx, sent, result, next);
        }
    }

    /// What had taken a page has given it back: it is as lost as one that was refused at once.
    pub(in crate::engine) fn on_returned(&self, cx: &Context<'_>, page: Seq, why: &str, next: &mut Next) {
        if let Some(sent) = self.get(page).filter(|sent| sent.is_accepted()) {
            Self::ends(cx, sent, Outcome::Failed { why: format!("it came back: {why}") }, next);
        }
    }

    fn ends(cx: &Context<'_>, sent: &Sent, result: Outcome, next: &mut Next) {
        let page = sent.id;
        let doubts = sent.doubts + u32::from(result.is_doubtful());
        let asked = result.again_in().map_or(Span::ZERO, |asked| asked.clamp(Span::ZERO, LONGEST_ASKED));
        let (again, lost) = (result.is_for_now(), result.is_lost().then(|| result.trouble()).flatten());
        next.record(Body::Delivered { page, result });
        let retry = again.then(|| cx.mono() + Sent::backoff(sent.deferred + 1).max(asked));
        next.wake(DeadlineReason::Retry(page), retry);
        if again && doubts > REPEATS {
            give_up(page, NoMore::PerhapsThereTwice, next);
        }
        match sent.call() {
            Some(call) => {
                next.then(Task::DropUnwanted(call));
                // A channel that fails is told of once no call-out tells of it any more.
                next.then(Task::JudgeSights);
                next.then(Task::PageEnded(call));
            }
            None => next.tasks.extend(lost.map(|why| page_lost(sent, why))),
        }
    }

    /// The time has come to try it again.
    pub(in crate::engine) fn on_retry(&self, cx: &Context<'_>, page: Seq, next: &mut Next) {
        let Some(sent) = self.get(page).filter(|sent| sent.is_pending()) else { return };
        if cx.mono() - sent.at > RETRY_WITHIN {
            give_up(page, NoMore::TooOld, next);
            if sent.call().is_none() {
                next.then(page_lost(sent, NoMore::TooOld.to_string()));
            }
        } else {
            self.on_send(cx, page, next);
        }
    }

    /// A channel works that did not: perhaps all ways are open again, so what waits for one is
    /// tried at once; but for what a server has asked to be left alone with.
    pub(in crate::engine) fn on_way_open(&self, cx: &Context<'_>, next: &mut Next) {
        let patient = |sent: &Sent| sent.last.as_ref().and_then(Outcome::again_in).is_some();
        for sent in self.pages.values().filter(|sent| sent.is_pending() && !sent.is_held() && !patient(sent))
        {
            let reason = DeadlineReason::Retry(sent.id);
            if cx.timers.get(reason).is_some() {
                next.wake(reason, Some(cx.mono()));
            }
        }
    }

    /// Under another plan, what waits gets its time again.
    pub(in crate::engine) fn on_another_plan(&self, cx: &Context<'_>, next: &mut Next) {
        for sent in self.pages.values().filter(|sent| sent.is_pending() && sent.last.is_some()) {
            next.wake(DeadlineReason::Retry(sent.id), Some(cx.mono() + Sent::backoff(sent.deferred)));
        }
    }

    /// Sends again what was planned before the record `started` and has not got through, as far
    /// as is known; what nobody needs any more is given up instead.
    pub(in crate::engine) fn on_resume(&self, cx: &Context<'_>, started: Seq, next: &mut Next) {
        for sent in self.pages.values().filter(|sent| sent.is_pending() && sent.id < started) {
            let of = sent.call().and_then(|id| cx.callouts.get(id));
            if of.is_none_or(|call| self.pages_of(call.id()).wants(call, sent)) {
                self.on_send(cx, sent.id, next);
            } else {
                give_up(sent.id, NoMore::NotNeeded, next);
            }
        }
    }

    /// Gives up the pages that are not through although nobody needs them any more: a newer
    /// one has gone the same way, or nobody is being asked now. One that waits to be tried
    /// again is given up here, as is one that has not left yet; one in the channel's hands is
    /// called back, and its true fate awaited.
    pub(in crate::engine) fn on_unwanted(&self, cx: &Context<'_>, id: Seq, next: &mut Next) {
        let Some(call) = cx.callouts.get(id) else { return };
        let pages = self.pages_of(id);
        for sent in pages.iter().filter(|sent| sent.is_pending() && !pages.wants(call, sent)) {
            if sent.last.is_some() {
                give_up(sent.id, NoMore::NotNeeded, next);
            } else if cx.leaving.contains(&sent.id) {
                next.record(Body::Delivered { page: sent.id, result: Outcome::Withdrawn });
            } else {
                next.effects.push(Effect::Withdraw { page: sent.id });
            }
        }
    }
}

fn give_up(page: Seq, why: NoMore, next: &mut Next) {
    next.wake(DeadlineReason::Retry(page), None);
    next.record(Body::Delivered { page, result: Outcome::GivenUp { why } });
}

fn page_lost(sent: &Sent, why: String) -> Task {
    Task::PageLost { page: sent.id, target: sent.target.clone(), why }
}
