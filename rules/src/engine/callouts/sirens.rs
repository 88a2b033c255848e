//! Sirens: what each should do now follows from all call-outs together, and goes out as a page of
//! the call-out that wants it, or wanted it last, whenever it changes.

use super::Callouts;
use crate::callout::Call;
use crate::callout::siren::{HUSH, SirenChange, told_until};
use crate::engine::context::Context;
use crate::engine::task::{Next, Task};
use crate::engine::timers::DeadlineReason;
use crate::ids::{By, Seq};
use crate::plan::{ChannelKind, Target};
use crate::record::{Body, CallKind, Purpose, Record};
use crate::time::{Moment, Span};

impl Callouts {
    /// A page to a siren is what it was bidden.
    pub(super) fn bid_siren(&mut self, target: &Target, purpose: Purpose, record: &Record) {
        if target.contact.is_some() {
            return;
        }
        let on = match purpose {
            Purpose::Call | Purpose::Drill => true,
            Purpose::Taken | Purpose::AllClear | Purpose::Digest | Purpose::Notice => false,
        };
        self.change_siren(target, SirenChange::Wish { on }, record);
    }

    pub(super) fn hush_siren(&mut self, target: &Target, length: Span, record: &Record) {
        self.change_siren(target, SirenChange::Hushed { length }, record);
    }

    fn change_siren(&mut self, target: &Target, change: SirenChange, record: &Record) {
        self.sirens.entry(target.clone()).or_default().apply(change, record.seq, record.at.mono);
    }

    /// Each siren is bidden what it should do, if that is not what it was bidden last; and `again`,
    /// if the broker is back and has perhaps forgotten.
    pub(in crate::engine) fn on_sirens(&self, cx: &Context<'_>, again: bool, next: &mut Next) {
        let (bids, look) = self.bids(cx, again);
        next.tasks.extend(bids);
        next.wake(DeadlineReason::Sirens, look);
    }

    /// Whether a siren has still to be bidden something in the name of this call-out.
    pub(super) fn has_to_bid(&self, cx: &Context<'_>, id: Seq) -> bool {
        let of = |task: &Task| matches!(task, Task::Page { call, .. } if *call == id);
        self.bids(cx, false).0.iter().any(of)
    }

    /// The pages that sirens have to get, and when that may change by itself.
    fn bids(&self, cx: &Context<'_>, all: bool) -> (Vec<Task>, Option<Moment>) {
        let now = cx.mono();
        let (mut bids, mut again) = (Vec::new(), None);
        for target in self.told_sirens() {
            let siren = self.sirens.get(target).cloned().unwrap_or_default();
            let cores = self.running().map(|call| &call.core);
            let wish = siren.wish(target, cx.plan.directory.siren(target), cores, now);
            again = again.into_iter().chain(wish.again).min();
            let told = |call: &Call| call.core.told.contains_key(target);
            let repeats = all && self.running().any(told);
            if wish.on == siren.since.is_some() && !repeats {
                continue;
            }
            let Some((call, purpose)) = self.voice_of(cx, target, wish.on) else { continue };
            bids.push(Task::Page { call, target: target.clone(), purpose });
        }
        (bids, again)
    }

    /// Sirens that some call-out has told.
    fn told_sirens(&self) -> Vec<&Target> {
        let told = self.calls.iter().flat_map(|call| call.core.told.keys());
        let mut sirens: Vec<&Target> = told.filter(|target| target.contact.is_none()).collect();
        sirens.sort_unstable();
        sirens.dedup();
        sirens
    }

    /// The call-out in whose name a siren is bidden something, and what that page is for.
    fn voice_of(&self, cx: &Context<'_>, target: &Target, on: bool) -> Option<(Seq, Purpose)> {
        let now = cx.mono();
        let told = self.calls.iter().rev().filter(|call| call.core.told.contains_key(target));
        if !on {
            // Whoever bade it last, so that this page takes the place of one that is still on its
            // way.
            let last = |call: &&Call| {
                cx.pages(call.core.id).iter().filter(|sent| sent.target == *target).map(|sent| sent.id).max()
            };
            return told.max_by_key(last).map(|call| (call.core.id, Purpose::Taken));
        }
        let wants = |until: Option<Moment>| until.is_some_and(|until| until > now);
        let mut those =
            told.filter(|call| wants(told_until(&call.core, target, cx.plan.directory.siren(target), now)));
        those.next().map(|call| match call.core.kind {
            CallKind::Drill => (call.core.id, Purpose::Drill),
            CallKind::Cause | CallKind::Mass | CallKind::Digest => (call.core.id, Purpose::Call),
        })
    }

    /// A person beside a siren wants it silent for a while. It answers nothing.
    pub(in crate::engine) fn on_hush(&self, cx: &Context<'_>, siren: &str, by: By, next: &mut Next) {
        let target = Target::parse(siren);
        if cx.plan.directory.channels.get(&target) != Some(&ChannelKind::Siren) {
            return next.refuse(format!("hush {siren}"), "there is no such siren", &by);
        }
        next.record(Body::Hushed { siren: target.to_string(), length: HUSH, by });
        next.then(Task::TendSirens { again: false });
    }
}
