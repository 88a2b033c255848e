//! Times that come, pages that fail, and news of what stands: each is put to its call-out.

use super::Callouts;
use crate::callout::event::{Event, Time};
use crate::engine::context::Context;
use crate::engine::task::{Next, StopgapNews, Task};
use crate::ids::Seq;
use crate::plan::Target;
use crate::record::{CallKind, Outcome, PageFate, Purpose};
use std::collections::BTreeMap;

impl Callouts {
    /// One of a call-out's own times has come, whichever is next.
    pub(in crate::engine) fn on_time(&self, cx: &Context<'_>, id: Seq, next: &mut Next) {
        let Some(call) = self.get(id).filter(|call| !call.ended()) else { return };
        if let Some((_, time)) = self.pending(cx, id).filter(|(at, _)| *at <= cx.mono()) {
            if time == Time::QuietOver && self.lets_go(cx, call, next) {
                return;
            }
            // Whoever could not be told of it while it lasted is told that it came and went, before
            // it is over.
            for target in cx.pages(id).missed(call).into_iter().filter(|_| time == Time::Settled) {
                next.then(Task::Page { call: id, target, purpose: Purpose::AllClear });
            }
            self.hear(cx, call, &Event::Time(time), next);
        }
    }

    /// It is known how one of its pages fared.
    pub(in crate::engine) fn on_page_ended(&self, cx: &Context<'_>, id: Seq, next: &mut Next) {
        let Some(call) = self.get(id).filter(|call| !call.ended()) else { return };
        let mut latest: BTreeMap<&Target, PageFate> = BTreeMap::new();
        for sent in cx.pages(id).iter() {
            let fate = match &sent.last {
                None | Some(Outcome::Accepted { .. }) => PageFate::Taken,
                Some(Outcome::Deferred { .. } | Outcome::HeldUntil { .. }) => PageFate::Waits,
                Some(Outcome::Failed { .. } | Outcome::Withdrawn | Outcome::GivenUp { .. }) => {
                    if sent.doubts > 0 { PageFate::Doubtful } else { PageFate::Lost }
                }
            };
            latest.insert(&sent.target, fate);
        }
        let news = latest.into_iter().filter(|(target, fate)| {
            let known = call.core.told.get(*target).filter(|told| told.fate != Some(*fate));
            // That a page got through is news of one that had waited.
            known.is_some_and(|told| *fate != PageFate::Taken || told.fate == Some(PageFate::Waits))
        });
        // One at a time: what follows from it may change what the others mean.
        let mut news = news.map(|(target, fate)| (target.clone(), fate));
        if let Some((target, fate)) = news.next() {
            self.hear(cx, call, &Event::Page { target, fate }, next);
            if news.next().is_some() {
                next.then(Task::PageEnded(id));
            }
        }
    }

    /// An episode got worse.
    pub(in crate::engine) fn on_got_worse(&self, cx: &Context<'_>, episode: Seq, next: &mut Next) {
        if let Some(call) = self.of_episode(episode) {
            self.hear(cx, call, &Event::Worse(episode), next);
        }
    }

    /// A stopgap has not gone as it should: that is said in each call-out that it matters to.
    pub(in crate::engine) fn on_stopgap_news(&self, cx: &Context<'_>, news: &StopgapNews, next: &mut Next) {
        let StopgapNews { relay, episode, everyone, .. } = news;
        for call in cx.concerned(*relay, *episode).into_iter().filter_map(|id| self.get(id)) {
            let event = if *everyone { Event::Disobeyed(*episode) } else { Event::Unproved(*episode) };
            self.hear(cx, call, &event, next);
        }
    }

    /// The watch has begun. What its alarms have come to while nobody looked is put to each
    /// call-out; if nobody knows for how long it was away, what waits for a rung takes it now:
    /// sooner, never later.
    pub(in crate::engine) fn on_start(&self, cx: &Context<'_>, overdue: bool, next: &mut Next) {
        for call in self.running() {
            let id = call.core.id;
            if call.core.kind != CallKind::Drill && call.core.members.is_empty() {
                // Its alarms have gone from the plan, so nobody could say that it is over.
                next.record(crate::record::Body::CallEnded { call: id });
                next.then(Task::DropUnwanted(id));
                continue;
            }
            for member in &call.core.members {
                next.then(Task::Fell(member.episode));
            }
            let climbs = call.is_calling() && overdue && call.core.kind != CallKind::Drill;
            for climb in call.core.active(cx.mono()).into_iter().filter(|_| climbs) {
                let time = Time::Rung { ladder: climb.ladder.clone(), rank: climb.rank };
                self.hear(cx, call, &Event::Time(time), next);
            }
        }
        self.on_drills(cx, None, next);
    }
}
