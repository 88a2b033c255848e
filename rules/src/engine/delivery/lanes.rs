//! How many pages each channel has in hand, and which ones wait for it. A channel takes one page
//! after the other, so a page handed over early only grows old there: beyond a few they wait here,
//! are worded when they leave, and are no failure of the channel. Nothing of it outlives a restart:
//! what was planned and has not got through is handed over anew.

use super::{Delivery, is_urgent};
use crate::engine::context::Context;
use crate::engine::task::{Next, Task};
use crate::ids::Seq;
use crate::plan::Target;
use std::collections::{BTreeMap, BTreeSet};

/// So many pages are in a channel's hands at most …
pub(super) const IN_HAND: usize = 16;
/// … and a few more if they are critical. The agent's own lanes take 32.
pub(super) const IN_HAND_URGENT: usize = 24;

/// The lanes to all channels.
#[derive(Debug, Default)]
pub(super) struct Lanes(BTreeMap<Target, PageLane>);

#[derive(Debug, Default)]
struct PageLane {
    in_hand: BTreeSet<Seq>,
    /// Critical ones first, then the oldest.
    waiting: BTreeSet<(Urgency, Seq)>,
}

/// What waits, in the order in which it leaves.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Urgency {
    Critical,
    Usual,
}

impl Lanes {
    /// Whether the channel takes one more, beside so many that leave at the end of this turn.
    pub(super) fn has_room(&self, target: &Target, urgent: bool, leaving: usize) -> bool {
        let most = if urgent { IN_HAND_URGENT } else { IN_HAND };
        self.0.get(target).map_or(0, |lane| lane.in_hand.len()) + leaving < most
    }

    /// The channel has this page.
    pub(super) fn hand_over(&mut self, target: &Target, page: Seq) {
        let lane = self.0.entry(target.clone()).or_default();
        lane.waiting.retain(|(_, waits)| *waits != page);
        lane.in_hand.insert(page);
    }

    /// This page waits until the channel has fewer.
    pub(super) fn wait(&mut self, target: &Target, urgent: bool, page: Seq) {
        let urgency = if urgent { Urgency::Critical } else { Urgency::Usual };
        self.0.entry(target.clone()).or_default().waiting.insert((urgency, page));
    }

    /// The page is neither in hand nor waiting any more.
    pub(super) fn let_go(&mut self, target: &Target, page: Seq) {
        let Some(lane) = self.0.get_mut(target) else { return };
        lane.in_hand.remove(&page);
        lane.waiting.retain(|(_, waits)| *waits != page);
    }

    /// Whether the channel has it.
    pub(super) fn has(&self, target: &Target, page: Seq) -> bool {
        self.0.get(target).is_some_and(|lane| lane.in_hand.contains(&page))
    }

    /// The channels that something waits for.
    pub(super) fn wanted(&self) -> impl Iterator<Item = &Target> {
        self.0.iter().filter(|(_, lane)| !lane.waiting.is_empty()).map(|(target, _)| target)
    }

    /// Which page is the next to leave, but for those that leave in this turn already.
    pub(super) fn next(&self, target: &Target, leaving: &[Seq]) -> Option<Seq> {
        let mut waiting = self.0.get(target)?.waiting.iter().map(|(_, page)| *page);
        waiting.find(|page| !leaving.contains(page))
    }
}

impl Delivery {
    /// A page has left with its turn: its channel has it.
    pub(in crate::engine) fn on_left(&mut self, target: &Target, page: Seq) {
        self.lanes.hand_over(target, page);
    }

    /// A page waits until its channel has fewer in hand.
    pub(in crate::engine) fn on_wait(&mut self, page: Seq, urgent: bool, next: &mut Next) {
        let Some(sent) = self.pages.get(&page).filter(|sent| sent.is_pending()) else { return };
        self.lanes.wait(&sent.target, urgent, page);
        next.then(Task::SendWaiting(sent.target.clone()));
    }

    /// What waits for a channel is looked at.
    pub(super) fn send_waiting(&self, next: &mut Next) {
        next.tasks.extend(self.lanes.wanted().cloned().map(Task::SendWaiting));
    }

    /// The next page that waits for this channel leaves, if it takes one.
    pub(in crate::engine) fn on_send_waiting(&self, cx: &Context<'_>, target: &Target, next: &mut Next) {
        let Some(page) = self.lanes.next(target, cx.leaving) else { return };
        let urgent = self.get(page).is_some_and(|sent| is_urgent(cx, sent));
        if self.takes_one_more(cx, target, urgent) {
            next.then(Task::Send(page));
            next.then(Task::SendWaiting(target.clone()));
        }
    }

    /// Whether the channel takes one more beside what it has and what leaves with this turn.
    pub(super) fn takes_one_more(&self, cx: &Context<'_>, target: &Target, urgent: bool) -> bool {
        let same = |id: &&Seq| self.get(**id).is_some_and(|sent| sent.target == *target);
        self.lanes.has_room(target, urgent, cx.leaving.iter().filter(same).count())
    }
}
