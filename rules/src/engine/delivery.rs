//! Every page, of whatever purpose, on its way: planned by a record, sent as an effect at the end
//! of its turn, held back while its channel has no room, tried again when it could not leave, given
//! up when nobody needs it any more, and taken up again by the next life. Whoever planned it learns
//! from here what came of it.

mod lanes;
mod quota;
mod situation;
mod wording;

pub(super) use quota::QuotaLedger;

use super::context::Context;
use super::ground::Ground;
use super::task::{Next, Task};
use super::timers::DeadlineReason;
use super::turn::Effect;
use crate::alarm::Priority;
use crate::ids::Seq;
use crate::page::{Pages, REPEATS, RETRY_WITHIN, Sent, Slip, Subject};
use crate::plan::Target;
use crate::record::{Body, Drilled, NoMore, Outcome, Purpose, Record};
use crate::time::{Moment, Span};
use lanes::Lanes;
use std::collections::BTreeMap;

/// So many pages of one call-out are known by each way after they have ended: a call-out that
/// nobody answers tells for weeks.
const KNOWN: usize = 3;

/// A server that asks to be left alone for longer is tried again after this: somebody waits for the
/// page.
const LONGEST_ASKED: Span = Span::minutes(10);

/// The pages of a call-out.
#[derive(Debug, Default)]
struct CallPages {
    /// The oldest first.
    known: Vec<Seq>,
    /// So many more were sent before those, by each way.
    before: BTreeMap<Target, usize>,
}

/// What lasts of all pages.
#[derive(Debug, Default)]
pub(super) struct Delivery {
    /// Those whose fate is not known, and the latest of call-outs that are not forgotten.
    pages: BTreeMap<Seq, Sent>,
    of_calls: BTreeMap<Seq, CallPages>,
    quota: QuotaLedger,
    /// Of this life only.
    lanes: Lanes,
}

impl Delivery {
    /// What a record does to what lasts.
    pub(super) fn apply(&mut self, ground: &Ground<'_>, record: &Record) {
        let (seq, at) = (record.seq, record.at.mono);
        self.quota.apply(&ground.plan.directory, record);
        match &record.body {
            Body::Started { .. } => self.pages.values_mut().for_each(|sent| {
                // One that waits for room was never handed out.
                let waits = sent.not_before.is_some_and(|room| room > at);
                sent.cut_off |= sent.is_pending() && !waits;
            }),
            // Another plan may have given it room, and it may have left since.
            Body::Reloaded { .. } => self.pages.values_mut().for_each(|sent| sent.not_before = None),
            Body::Paged { call, target, purpose, also, .. } => {
                let mut sent = Sent::new(seq, Subject::Call(*call), Target::parse(target), *purpose, at);
                sent.also.clone_from(also);
                let target = sent.target.clone();
                self.pages.insert(seq, sent);
                let of_call = self.of_calls.entry(*call).or_default();
                of_call.known.push(seq);
                of_call.forget_early(&mut self.pages, &target);
            }
            Body::Delivered { page, result } => self.note(*page, at, result),
            Body::Drill(Drilled::Tested { target, code, headline, lines, .. }) => {
                let (code, headline, lines) = (code.clone(), headline.clone(), lines.clone());
                let slip = Slip { code, headline, lines, report: None };
                self.plan_slip(seq, at, target, Purpose::Drill, slip);
            }
            Body::Drill(Drilled::Noticed { target, about, headline, lines, .. }) => {
                let (headline, lines, report) = (headline.clone(), lines.clone(), about.report());
                let slip = Slip { code: String::new(), headline, lines, report };
                self.plan_slip(seq, at, target, Purpose::Notice, slip);
            }
            // Nobody needs it any more.
            Body::Drill(Drilled::TestAnswered { test, .. } | Drilled::TestUnanswered { test, .. }) => {
                self.remove(*test);
            }
            _ => {}
        }
    }

    fn plan_slip(&mut self, seq: Seq, at: Moment, target: &str, purpose: Purpose, slip: Slip) {
        let sent = Sent::new(seq, Subject::Itself(slip), Target::parse(target), purpose, at);
        self.pages.insert(seq, sent);
    }

    fn note(&mut self, page: Seq, at: Moment, outcome: &Outcome) {
        let Some(sent) = self.pages.get_mut(&page) else { return };
        sent.ended(outcome, at);
        self.lanes.let_go(&sent.target, page);
        // A test page may come back until it is known whether it was answered.
        let may_return = sent.is_accepted() && sent.purpose == Purpose::Drill;
        if !sent.is_pending() && sent.call().is_none() && !may_return {
            self.pages.remove(&page);
        }
    }

    fn remove(&mut self, page: Seq) {
        if let Some(sent) = self.pages.remove(&page) {
            self.lanes.let_go(&sent.target, page);
        }
    }

    /// Whether a call-out that is over still has pages on their way, or one tells of it.
    pub(super) fn needs(&self, call: Seq) -> bool {
        let mut pending = self.pages.values().filter(|sent| sent.is_pending());
        pending.any(|sent| sent.call() == Some(call) || sent.also.contains(&call))
    }

    /// A call-out is forgotten, and its pages with it.
    pub(super) fn forget(&mut self, call: Seq) {
        for page in self.of_calls.remove(&call).into_iter().flat_map(|of_call| of_call.known) {
            self.remove(page);
        }
    }

    /// What limited channels have carried.
    pub(super) fn quota(&self) -> &QuotaLedger {
        &self.quota
    }

    /// This page, if it is not forgotten.
    pub(super) fn get(&self, page: Seq) -> Option<&Sent> {
        self.pages.get(&page)
    }

    /// Those of a call-out.
    pub(super) fn pages_of(&self, call: Seq) -> Pages<'_> {
        let Some(of_call) = self.of_calls.get(&call) else { return Pages::default() };
        let known = of_call.known.iter().filter_map(|id| self.pages.get(id)).collect();
        Pages { known, before: Some(&of_call.before) }
    }

    /// The records that it rests on, beside those of call-outs.
    pub(super) fn rests_on(&self, now: Moment) -> impl Iterator<Item = Seq> + '_ {
        let slips = self.pages.values().filter(|sent| sent.call().is_none()).map(|sent| sent.id);
        slips.chain(self.quota.rests_on(now))
    }
}

/// What happens to a page next: one way for all of them, whoever planned it.
impl Delivery {
    /// A call-out wants somebody told. A page that says that all is over takes the place of those
    /// of older call-outs that could not be sent this way.
    pub(super) fn on_page(
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
    pub(super) fn on_send(&self, cx: &Context<'_>, page: Seq, next: &mut Next) {
        let Some(sent) = self.get(page).filter(|sent| sent.is_pending()) else { return };
        self.leave(cx, (page, sent.call()), &sent.target, is_urgent(cx, sent), next);
    }

    /// Lets it leave, or holds it back until its channel may carry more, or has fewer in hand.
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
            let leaves = |page| cx.leaving.contains(&page) || self.lanes.has(target, page);
            let at = self.quota.room_at(page, (target, quota), urgent, leaves, cx.mono())?;
            Some((quota.to_string(), at))
        });
        let Some((limit, at)) = room else {
            next.wake(DeadlineReason::Retry(page), None);
            return match self.takes_one_more(cx, target, urgent) {
                true => next.send(page),
                false => next.then(Task::AwaitRoom { page, urgent }),
            };
        };
        let result = Outcome::HeldUntil { limit, room_in: at - cx.mono() };
        next.record(Body::Delivered { page, result });
        next.wake(DeadlineReason::Retry(page), Some(at));
        next.then(Task::JudgeSights);
        self.send_waiting(next);
        // Its call-out goes on with whom it can reach.
        next.tasks.extend(call.map(Task::PageEnded));
    }

    /// A page's attempt ended. Late news of one that was given up, or of a call-out long over,
    /// changes nothing.
    pub(super) fn on_delivered(&self, cx: &Context<'_>, page: Seq, result: Outcome, next: &mut Next) {
        if let Some(sent) = self.get(page).filter(|sent| sent.is_pending()) {
            Self::ends(cx, sent, result, next);
        }
        self.send_waiting(next);
    }

    /// What had taken a page has given it back: it is as lost as one that was refused at once.
    pub(super) fn on_returned(&self, cx: &Context<'_>, page: Seq, why: &str, next: &mut Next) {
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
    pub(super) fn on_retry(&self, cx: &Context<'_>, page: Seq, next: &mut Next) {
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
    /// tried at once; but for what a server has asked to be left alone with, and for what was
    /// tried in this moment.
    pub(super) fn on_way_open(&self, cx: &Context<'_>, next: &mut Next) {
        let patient = |sent: &Sent| sent.last.as_ref().and_then(Outcome::again_in).is_some();
        for sent in self.pages.values().filter(|sent| sent.is_pending() && !sent.is_held() && !patient(sent))
        {
            let reason = DeadlineReason::Retry(sent.id);
            if cx.timers.get(reason).is_some_and(|at| at < cx.mono() + Sent::backoff(sent.deferred)) {
                next.wake(reason, Some(cx.mono()));
            }
        }
    }

    /// Under another plan, what waits gets its time again.
    pub(super) fn on_another_plan(&self, cx: &Context<'_>, next: &mut Next) {
        for sent in self.pages.values().filter(|sent| sent.is_pending() && sent.last.is_some()) {
            next.wake(DeadlineReason::Retry(sent.id), Some(cx.mono() + Sent::backoff(sent.deferred)));
        }
    }

    /// Sends again what was planned before the record `started` and has not got through, as far
    /// as is known; what nobody needs any more is given up instead.
    pub(super) fn on_resume(&self, cx: &Context<'_>, started: Seq, next: &mut Next) {
        for sent in self.pages.values().filter(|sent| sent.is_pending() && sent.id < started) {
            let of = sent.call().and_then(|id| cx.callouts.get(id));
            if of.is_none_or(|call| self.pages_of(call.id()).wants(call, sent)) {
                // One after the other: each may fill its channel's hands.
                next.then(Task::Send(sent.id));
            } else {
                give_up(sent.id, NoMore::NotNeeded, next);
            }
        }
    }

    /// Gives up the pages that are not through although nobody needs them any more: a newer
    /// one has gone the same way, or nobody is being asked now. One that waits to be tried
    /// again is given up here, as is one that has not left yet; one in the channel's hands is
    /// called back, and its true fate awaited.
    pub(super) fn on_unwanted(&self, cx: &Context<'_>, id: Seq, next: &mut Next) {
        let Some(call) = cx.callouts.get(id) else { return };
        let pages = self.pages_of(id);
        for sent in pages.iter().filter(|sent| sent.is_pending() && !pages.wants(call, sent)) {
            if sent.last.is_some() {
                give_up(sent.id, NoMore::NotNeeded, next);
            } else if !self.lanes.has(&sent.target, sent.id) && !sent.cut_off {
                next.record(Body::Delivered { page: sent.id, result: Outcome::Withdrawn });
            } else {
                next.effects.push(Effect::Withdraw { page: sent.id });
                continue;
            }
            // Whom it was for was not told.
            next.then(Task::PageEnded(id));
        }
    }
}

fn is_urgent(cx: &Context<'_>, sent: &Sent) -> bool {
    let worst = sent.call().and_then(|id| cx.callouts.get(id)).map(|call| call.priority());
    sent.purpose == Purpose::Call && worst == Some(Priority::Critical)
}

fn give_up(page: Seq, why: NoMore, next: &mut Next) {
    next.wake(DeadlineReason::Retry(page), None);
    next.record(Body::Delivered { page, result: Outcome::GivenUp { why } });
}

fn page_lost(sent: &Sent, why: String) -> Task {
    Task::PageLost { page: sent.id, target: sent.target.clone(), why }
}

impl CallPages {
    /// Forgets early pages to this target that have ended, but for the last that told somebody and
    /// the last that could not.
    fn forget_early(&mut self, pages: &mut BTreeMap<Seq, Sent>, target: &Target) {
        let ended: Vec<&Sent> = self
            .known
            .iter()
            .filter_map(|id| pages.get(id))
            .filter(|sent| sent.target == *target && !sent.is_pending())
            .collect();
        let early = ended.len().saturating_sub(KNOWN);
        let last = |is: fn(&Sent) -> bool| ended.iter().rev().find(|sent| is(sent)).map(|sent| sent.id);
        let kept = [last(Sent::may_have_told), last(Sent::waited_in_vain)];
        let early: Vec<Seq> = ended.iter().take(early).map(|sent| sent.id).collect();
        for id in early.into_iter().filter(|id| !kept.contains(&Some(*id))) {
            pages.remove(&id);
            *self.before.entry(target.clone()).or_default() += 1;
        }
        self.known.retain(|id| pages.contains_key(id));
    }
}

#[cfg(test)]
mod tests;
