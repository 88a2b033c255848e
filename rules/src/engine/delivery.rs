//! Every page, of whatever purpose, on its way: planned by a record, sent as an effect at the end
//! of its turn, held back while its channel has no room, tried again when it could not leave, given
//! up when nobody needs it any more, and taken up again by the next life. Whoever planned it learns
//! from here what came of it.

mod quota;
mod sending;
mod situation;
mod wording;

pub(super) use quota::QuotaLedger;

use super::ground::Ground;
use crate::ids::Seq;
use crate::page::{Pages, Sent, Slip, Subject};
use crate::plan::Target;
use crate::record::{Body, Drilled, Outcome, Purpose, Record};
use crate::time::Moment;
use std::collections::BTreeMap;

/// So many pages of one call-out are known by each way after they have ended: a call-out that
/// nobody answers tells for weeks.
const KNOWN: usize = 3;

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
                self.pages.remove(test);
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
        // A test page may come back until it is known whether it was answered.
        let may_return = sent.is_accepted() && sent.purpose == Purpose::Drill;
        if !sent.is_pending() && sent.call().is_none() && !may_return {
            self.pages.remove(&page);
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
            self.pages.remove(&page);
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
