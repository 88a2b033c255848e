//! Whether help comes, tried before the night: test pages to every way to a person, notices of what
//! is due or of who stands in, and drills of the outage itself. Times of the week and answers flow
//! in; pages that belong to no call-out flow out. The state changes only by records; a round's
//! first record carries over what is known.

mod notices;
mod reports;
mod test_pages;

pub use test_pages::{DrillsView, ProofView};

use super::ground::Ground;
use crate::ids::Seq;
use crate::plan::Target;
use crate::record::{About, Body, Drilled, Record, Standing};
use crate::time::{Moment, Span};
use std::collections::{BTreeMap, BTreeSet};

/// What was found without a weekly round is remembered over restarts for so long.
const KEPT: Span = Span::hours(35 * 24);

/// What is told again within this, by another channel, is the same notice.
const SAME: Span = Span::hours(3 * 24);

/// All of it.
#[derive(Debug, Default)]
pub(super) struct Drills {
    /// Times of the week before this count for nothing: nobody had asked for them.
    from: Option<Moment>,
    round: Option<Round>,
    tests: BTreeMap<Seq, OpenTest>,
    proofs: BTreeMap<Target, ChannelProof>,
    /// Notices by what they are about.
    told: BTreeMap<About, DrillTold>,
    /// The record that knows of the last outage drill, and when that was.
    outage: Option<(Seq, Moment)>,
    /// Why a round that is due does not begin, or go on. Not kept: seen anew at each look.
    waits: Option<&'static str>,
}

/// The latest round.
#[derive(Debug)]
struct Round {
    seq: Seq,
    at: Moment,
    /// Channels whose page has not been sent.
    waiting: BTreeSet<Target>,
}

/// A test page that waits for its answer.
#[derive(Clone, Debug)]
struct OpenTest {
    target: Target,
    code: String,
    at: Moment,
    within: Span,
}

/// What is known of a channel.
#[derive(Clone, Copy, Debug, Default)]
struct ChannelProof {
    at: Option<Moment>,
    missed: u32,
}

/// Who has been told of something.
#[derive(Clone, Debug)]
struct DrillTold {
    /// The first record of it.
    seq: Seq,
    at: Moment,
    /// The latest page of it.
    page: Seq,
    to: BTreeSet<Target>,
}

impl Drills {
    /// What a record does to what lasts.
    pub(super) fn apply(&mut self, record: &Record) {
        let (seq, at) = (record.seq, record.at.mono);
        let Body::Drill(drilled) = &record.body else { return };
        match drilled {
            Drilled::TestsBegan { channels, .. } => self.begin(seq, at, channels),
            Drilled::Tested { target, code, within, .. } => {
                let target = Target::parse(target);
                if let Some(round) = &mut self.round {
                    round.waiting.remove(&target);
                }
                self.tests.insert(seq, OpenTest { target, code: code.clone(), at, within: *within });
            }
            Drilled::TestAnswered { test, .. } => {
                if let Some(test) = self.tests.remove(test) {
                    self.proofs.insert(test.target, ChannelProof { at: Some(at), missed: 0 });
                }
            }
            Drilled::TestUnanswered { test, .. } => {
                if let Some(test) = self.tests.remove(test) {
                    self.proofs.entry(test.target).or_default().missed += 1;
                }
            }
            Drilled::Noticed { target, about, last, .. } => {
                self.notice(seq, at, about, Target::parse(target), *last);
            }
            Drilled::OutageDrilled { .. } => self.outage = Some((seq, at)),
            // How a drill goes on is `outage`'s.
            Drilled::OutageBegan { .. }
            | Drilled::PlugOut { .. }
            | Drilled::PlugBack { .. }
            | Drilled::OutageBrokenOff { .. } => {}
        }
    }

    fn begin(&mut self, seq: Seq, at: Moment, channels: &[Standing]) {
        let known = channels.iter().map(|channel| {
            let proof = ChannelProof { at: channel.proved.map(|ago| at - ago), missed: channel.missed };
            (Target::parse(&channel.target), proof)
        });
        self.proofs = known.collect();
        self.round = Some(Round { seq, at, waiting: self.proofs.keys().cloned().collect() });
    }

    fn notice(&mut self, seq: Seq, at: Moment, about: &About, target: Target, last: Option<Span>) {
        if let (About::OutageDue, Some(ago)) = (about, last) {
            self.outage = Some((seq, at - ago));
        }
        let told = DrillTold { seq, at, page: seq, to: BTreeSet::new() };
        let told_now = self.told.entry(about.clone()).or_insert_with(|| told.clone());
        if at - told_now.at > SAME {
            *told_now = told;
        }
        told_now.page = seq;
        told_now.to.insert(target);
    }

    /// The watch begins: what was due while nobody had asked for it is not made up for.
    pub(super) fn on_start(&mut self, now: Moment) {
        if self.round.is_none() {
            self.from = Some(now);
        }
    }

    /// Another plan sets another time of the week, which counts from now on.
    pub(super) fn on_another_time(&mut self, now: Moment) {
        self.from = Some(now);
    }

    /// A round waits, or does not any more.
    pub(super) fn on_waits(&mut self, why: Option<&'static str>) {
        self.waits = why;
    }

    /// The test page that this code answers.
    pub(super) fn test_by_code(&self, code: &str) -> Option<Seq> {
        self.tests.iter().find(|(_, test)| test.code == code).map(|(id, _)| *id)
    }

    /// The codes of test pages that wait for this person's answer.
    pub(super) fn tests_of(&self, contact: &str) -> impl Iterator<Item = &str> {
        let theirs = move |test: &&OpenTest| test.target.contact.as_deref() == Some(contact);
        self.tests.values().filter(theirs).map(|test| test.code.as_str())
    }

    /// Whether a test page has this code.
    pub(super) fn has_code(&self, code: &str) -> bool {
        self.test_by_code(code).is_some()
    }

    /// The records that it rests on.
    pub(super) fn rests_on(&self, ground: &Ground<'_>) -> Vec<Seq> {
        let (now, weekly) = (ground.mono(), ground.plan.drill.pages.is_some());
        let round = self.round.as_ref().filter(|round| {
            weekly || !self.tests.is_empty() || !round.waiting.is_empty() || now - round.at < KEPT
        });
        let outage = self.outage.filter(|(_, at)| now - *at < KEPT).map(|(seq, _)| seq);
        let tests = self.tests.keys().copied().chain(round.map(|round| round.seq)).chain(outage);
        tests.chain(self.notices_rest_on(ground)).collect()
    }
}

#[cfg(test)]
mod tests;
