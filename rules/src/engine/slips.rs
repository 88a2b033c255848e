//! Pages outside every call-out, on their way: test pages and notices. They are planned by
//! records, tried again while a channel defers them, sent again after a restart as a possible
//! repeat, and forgotten once their fate is known. What follows from a failure is decided by
//! those who planned them.

use super::{DeadlineReason, Effect, Engine};
use crate::callout::{RETRY_WITHIN, Sent};
use crate::page;
use crate::plan::Target;
use crate::record::{Body, Outcome, Purpose, Seq};
use crate::time::Moment;
use std::collections::BTreeMap;

/// Those whose fate is not known yet.
#[derive(Debug, Default)]
pub(super) struct Slips {
    open: BTreeMap<Seq, Slip>,
}

#[derive(Clone, Debug)]
struct Slip {
    sent: Sent,
    code: String,
    headline: String,
    lines: Vec<String>,
}

/// What a record says of a page that it plans.
pub(super) struct Words<'a> {
    pub(super) code: &'a str,
    pub(super) headline: &'a str,
    pub(super) lines: &'a [String],
}

impl Slips {
    pub(super) fn plan(&mut self, id: Seq, at: Moment, target: &Target, purpose: Purpose, words: &Words<'_>) {
        let target = target.clone();
        let slip = Slip {
            sent: Sent { id, target, purpose, at, step: None, deferred: 0, last: None },
            code: words.code.to_owned(),
            headline: words.headline.to_owned(),
            lines: words.lines.to_vec(),
        };
        self.open.insert(id, slip);
    }

    pub(super) fn note_delivery(&mut self, page: Seq, result: &Outcome) {
        let Some(slip) = self.open.get_mut(&page) else { return };
        slip.sent.deferred += u32::from(matches!(result, Outcome::Deferred { .. }));
        slip.sent.last = Some(result.clone());
        if !slip.sent.is_pending() {
            self.open.remove(&page);
        }
    }

    /// Nobody needs it any more.
    pub(super) fn forget(&mut self, page: Seq) {
        self.open.remove(&page);
    }

    /// The numbers of those on their way.
    pub(super) fn ids(&self) -> impl Iterator<Item = Seq> + '_ {
        self.open.keys().copied()
    }
}

impl Engine {
    /// Hands a planned page to its channel.
    pub(super) fn send_slip(&mut self, page: Seq, maybe_repeat: bool) {
        let Some(slip) = self.slips.open.get(&page) else { return };
        let composed = page::Slip {
            site: &self.plan.site,
            id: page,
            purpose: slip.sent.purpose,
            code: &slip.code,
            headline: &slip.headline,
            lines: &slip.lines,
            now: self.now,
            maybe_repeat,
        }
        .compose();
        let target = slip.sent.target.clone();
        self.turn.effects.push(Effect::Send { target, page: Box::new(composed) });
    }

    /// An attempt ended.
    pub(super) fn slip_delivered(&mut self, page: Seq, result: Outcome) {
        let Some(slip) = self.slips.open.get(&page) else { return };
        let target = slip.sent.target.clone();
        let failed = match &result {
            Outcome::Failed { why } => Some(why.clone()),
            Outcome::Accepted { .. } | Outcome::Deferred { .. } => None,
        };
        self.record(Body::Delivered { page, result });
        self.arm_slips();
        if let Some(why) = failed {
            self.test_failed(page, &why);
            self.notice_failed(page, &target);
        }
    }

    pub(super) fn retry_slip(&mut self, page: Seq) {
        let Some(slip) = self.slips.open.get(&page) else { return };
        if self.now.mono - slip.sent.at > RETRY_WITHIN {
            let why = "not delivered within a day".to_owned();
            return self.slip_delivered(page, Outcome::Failed { why });
        }
        self.send_slip(page, false);
    }

    /// When deferred ones are tried again.
    pub(super) fn arm_slips(&mut self) {
        for slip in self.slips.open.values() {
            let deferred = matches!(slip.sent.last, Some(Outcome::Deferred { .. }));
            let reason = DeadlineReason::Retry(slip.sent.id);
            if deferred && self.timers.get(reason).is_none() {
                self.timers.set(reason, Some(self.now.mono + slip.sent.backoff()));
            }
        }
    }

    /// Sends again what was planned before the record `started` and has not got through, as far
    /// as is known.
    pub(super) fn resume_slips(&mut self, started: Seq) {
        for page in self.slips.ids().filter(|id| *id < started).collect::<Vec<_>>() {
            self.timers.set(DeadlineReason::Retry(page), None);
            self.send_slip(page, true);
        }
    }
}
