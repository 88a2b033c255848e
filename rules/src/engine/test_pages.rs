//! Test pages: whether people can be reached is tried before the night. Once a week, or when
//! asked, one page goes to every channel that some call-out uses, each with a code of its own
//! and in its owner's hours; an answer proves the channel, silence or failure does not, and is
//! said. It waits for a trusted clock, since it comes by the time of the week, and for every
//! call-out that stands, since nobody may mistake a test for the real thing or the reverse.
//! The state changes only by records; a round's first record carries over what is known.

use super::slips::Words;
use super::{DeadlineReason, Engine};
use crate::plan::Target;
use crate::record::{About, Body, By, Drilled, Purpose, Seq, Standing};
use crate::time::{Moment, Now, Span};
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};

/// What waits for the clock, or for the end of a call-out, is looked at this often.
const LOOK_AGAIN: Span = Span::minutes(5);

/// The wall clock may be set meanwhile: no deadline that follows from it is trusted for longer.
const LOOK_LONGEST: Span = Span::hours(1);

/// A round that begins later than this says why.
const LATE: Span = Span::minutes(10);

/// A round so shortly before a time of the week, or after it, stands for it: one that was asked
/// for, or one before the clock was set back.
const NEAR: Span = Span::hours(2 * 24);

/// What was found without a weekly round is remembered over restarts for so long.
const KEPT: Span = Span::hours(35 * 24);

/// So many test pages without an answer, and everyone is told of the channel.
const DOUBTFUL: u32 = 2;

/// What lasts of it.
#[derive(Debug, Default)]
pub(super) struct Drills {
    /// Times of the week before this count for nothing: nobody had asked for them.
    from: Option<Moment>,
    round: Option<Round>,
    tests: BTreeMap<Seq, Test>,
    proofs: BTreeMap<Target, ChannelProof>,
    /// Notices by what they are about.
    pub(super) told: BTreeMap<About, Told>,
    /// The record that knows of the last outage drill, and when that was.
    pub(super) outage: Option<(Seq, Moment)>,
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
struct Test {
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
pub(super) struct Told {
    /// The first record of it.
    pub(super) seq: Seq,
    pub(super) at: Moment,
    /// The latest page of it.
    pub(super) page: Seq,
    pub(super) to: BTreeSet<Target>,
}

/// Drills, for `status`.
#[derive(Clone, Debug, Serialize)]
pub struct DrillsView {
    /// In how long the next test pages go out by themselves.
    pub next: Option<Span>,
    /// Why test pages that are due do not go out.
    pub waits: Option<&'static str>,
    /// Every channel that some call-out uses.
    pub channels: Vec<ProofView>,
    /// How long ago the last outage drill was.
    pub outage: Option<Span>,
    /// It is due again at this age.
    pub outage_every: Option<Span>,
}

/// What test pages have shown of a channel.
#[derive(Clone, Debug, Serialize)]
pub struct ProofView {
    /// The channel.
    pub target: String,
    /// How long ago a test page was last answered.
    pub proved: Option<Span>,
    /// Test pages since then that were not.
    pub missed: u32,
    /// How long one has been waiting for its answer.
    pub asked: Option<Span>,
}

impl Drills {
    /// Times of the week count from now on.
    pub(super) fn count_from(&mut self, now: Moment) {
        self.from = Some(now);
    }

    pub(super) fn codes(&self) -> impl Iterator<Item = &String> {
        self.tests.values().map(|test| &test.code)
    }

    pub(super) fn begin(&mut self, seq: Seq, at: Moment, channels: &[Standing]) {
        let known = channels.iter().map(|channel| {
            let proof = ChannelProof { at: channel.proved.map(|ago| at - ago), missed: channel.missed };
            (Target::parse(&channel.target), proof)
        });
        self.proofs = known.collect();
        self.round = Some(Round { seq, at, waiting: self.proofs.keys().cloned().collect() });
    }

    pub(super) fn test(&mut self, seq: Seq, at: Moment, target: &Target, code: &str, within: Span) {
        if let Some(round) = &mut self.round {
            round.waiting.remove(target);
        }
        self.tests.insert(seq, Test { target: target.clone(), code: code.to_owned(), at, within });
    }

    pub(super) fn prove(&mut self, test: Seq, at: Moment) {
        if let Some(test) = self.tests.remove(&test) {
            self.proofs.insert(test.target, ChannelProof { at: Some(at), missed: 0 });
        }
    }

    pub(super) fn miss(&mut self, test: Seq) {
        if let Some(test) = self.tests.remove(&test) {
            self.proofs.entry(test.target).or_default().missed += 1;
        }
    }

    /// The records that it rests on, whatever else is asked for.
    fn rests_on(&self, weekly: bool, now: Moment) -> Vec<Seq> {
        let round = self.round.as_ref().filter(|round| {
            weekly || !self.tests.is_empty() || !round.waiting.is_empty() || now - round.at < KEPT
        });
        let outage = self.outage.filter(|(_, at)| now - *at < KEPT).map(|(seq, _)| seq);
        self.tests.keys().copied().chain(round.map(|round| round.seq)).chain(outage).collect()
    }
}

impl Engine {
    /// The records that test pages, notices and the memory of drills rest on.
    pub(super) fn rests_on_drills(&self) -> Vec<Seq> {
        let mut seqs = self.drills.rests_on(self.plan.drill.pages.is_some(), self.now.mono);
        seqs.extend(self.slips.ids());
        seqs.extend(self.rests_on_notices());
        seqs
    }

    /// What one of its records does to what lasts.
    pub(super) fn apply_drill(&mut self, seq: Seq, at: Moment, drilled: &Drilled) {
        match drilled {
            Drilled::TestsBegan { channels, .. } => self.drills.begin(seq, at, channels),
            Drilled::Tested { target, code, within, headline, lines } => {
                let target = Target::parse(target);
                self.drills.test(seq, at, &target, code, *within);
                self.slips.plan(seq, at, &target, Purpose::Drill, &Words { code, headline, lines });
            }
            Drilled::TestAnswered { test, .. } => {
                self.drills.prove(*test, at);
                self.slips.forget(*test);
            }
            Drilled::TestUnanswered { test, .. } => {
                self.drills.miss(*test);
                self.slips.forget(*test);
            }
            Drilled::Noticed { target, about, last, headline, lines } => {
                let target = Target::parse(target);
                self.drills.notice(seq, at, about, &target, *last);
                self.slips.plan(seq, at, &target, Purpose::Notice, &Words { code: "", headline, lines });
            }
            Drilled::OutageDrilled { .. } => self.drills.outage = Some((seq, at)),
        }
    }

    /// Makes a record of it.
    pub(super) fn drill(&mut self, drilled: Drilled) -> Seq {
        self.record(Body::Drill(drilled))
    }

    /// The watch begins: what was due while nobody had asked for it is not made up for.
    pub(super) fn count_weeks(&mut self) {
        if self.drills.round.is_none() {
            self.drills.count_from(self.now.mono);
        }
    }

    /// Does what is due: closes test pages that have waited for long enough, begins a round,
    /// sends the pages of those whose hours have begun, and notices.
    pub(super) fn tend_drills(&mut self) {
        let over = |test: &Test, now: Moment| now - test.at >= test.within;
        let overdue = self.drills.tests.iter().filter(|(_, test)| over(test, self.now.mono));
        for (id, within) in overdue.map(|(id, test)| (*id, test.within)).collect::<Vec<_>>() {
            self.close_test(id, format!("not answered within {within}"));
        }
        // Of a channel that fails, a test page is the very proof.
        let stands =
            |call: &crate::callout::Call| !call.ended && call.stands() && !self.is_about_channels(call);
        let holds = match self.now.wall_trusted {
            false => Some("the clock is not trusted"),
            true if self.calls.values().any(stands) => Some("a call-out stands"),
            true => None,
        };
        match (self.round_due(), holds) {
            (Some(due), None) => {
                let late = self.now.mono - due;
                let why = match self.plan.drill.pages {
                    Some(weekly) if late > LATE => {
                        let reason = self.drills.waits.unwrap_or("the watch was away");
                        format!("every {weekly}, {late} late: {reason}")
                    }
                    Some(weekly) => format!("every {weekly}"),
                    None => String::new(),
                };
                self.begin_round(why);
            }
            (Some(_), Some(why)) => self.drills.waits = Some(why),
            (None, _) => {}
        }
        let waiting = self.waiting();
        match holds {
            None => {
                self.drills.waits = None;
                for target in waiting {
                    if self.unreachable(&target).is_none() {
                        self.send_test(&target);
                    }
                }
            }
            Some(why) if !waiting.is_empty() => self.drills.waits = Some(why),
            Some(_) => {}
        }
        self.send_notices();
        self.arm_drills();
    }

    /// Since when a weekly round has been due, if one is.
    fn round_due(&self) -> Option<Moment> {
        let (last, _) = self.plan.drill.pages?.around(&self.now, &self.plan.zone)?;
        let asked_for = self.drills.from.is_none_or(|from| last > from);
        let done = self.drills.round.as_ref().is_some_and(|round| last - round.at < NEAR);
        (asked_for && !done).then_some(last)
    }

    /// Every channel of a person that some call-out uses, and those of sitters to come.
    fn tested(&self) -> BTreeSet<Target> {
        let directory = &self.plan.directory;
        let today = self.now.wall.civil(&self.plan.zone).date();
        let steps = self.plan.callouts.iter().flat_map(|callout| &callout.steps);
        let mut tested = BTreeSet::new();
        for target in steps.flat_map(|step| &step.to) {
            let Some(contact) = target.contact.as_ref().and_then(|name| directory.contacts.get(name)) else {
                continue;
            };
            let to_come = contact.away.iter().filter(|absence| absence.last >= today);
            tested.extend(to_come.flat_map(|absence| directory.stand_ins(target, absence.first)));
            tested.insert(target.clone());
        }
        tested
    }

    /// Channels of the round that have not got their page, and are still there.
    fn waiting(&self) -> Vec<Target> {
        let round = self.drills.round.iter().flat_map(|round| &round.waiting);
        round.filter(|target| self.plan.directory.channels.contains_key(target)).cloned().collect()
    }

    /// A person asks for test pages now.
    pub(super) fn test_pages_asked(&mut self, by: By) {
        let what = "test pages".to_owned();
        let open = self.drills.tests.len();
        if open > 0 {
            let why =
                format!("{open} test pages still wait for their answers: `slackwater status` lists them");
            return self.refuse(what, why, by);
        }
        if self.tested().is_empty() {
            return self.refuse(what, "no call-out reaches a person".to_owned(), by);
        }
        self.begin_round(format!("asked for by {}", by.who));
        self.tend_drills();
    }

    fn begin_round(&mut self, why: String) {
        for id in self.drills.tests.keys().copied().collect::<Vec<_>>() {
            self.close_test(id, "not answered before the next one".to_owned());
        }
        let now = self.now.mono;
        let channels = self.tested().into_iter().map(|target| {
            let proof = self.drills.proofs.get(&target).copied().unwrap_or_default();
            let proved = proof.at.map(|at| now - at);
            Standing { target: target.to_string(), proved, missed: proof.missed }
        });
        let channels = channels.collect();
        self.drill(Drilled::TestsBegan { why, channels });
    }

    fn send_test(&mut self, target: &Target) {
        let code = self.code(self.next_seq);
        let within = self.plan.drill.within;
        let headline =
            format!("TEST {}: test page to {target}, nothing is wrong, code {code}", self.plan.site);
        let mut lines = vec![
            format!("It tries this way to reach you. Answer it within {within}: that is all there is to do."),
            "Without an answer the channel counts as not proved.".to_owned(),
        ];
        lines.extend(self.doubts(target));
        let target = target.to_string();
        let page = self.drill(Drilled::Tested { target, code, within, headline, lines });
        self.send_slip(page, false);
    }

    /// Other channels that can't be relied on.
    fn doubts(&self, to: &Target) -> Vec<String> {
        let doubtful =
            self.drills.proofs.iter().filter(|(target, proof)| *target != to && proof.missed >= DOUBTFUL);
        let lines = doubtful.map(|(target, proof)| {
            format!("NOT to be relied on: {target}, {} test pages in a row without an answer.", proof.missed)
        });
        lines.collect()
    }

    /// Whether the code is that of a test page that waits for it.
    pub(super) fn is_test_code(&self, code: &str) -> bool {
        self.drills.tests.values().any(|test| test.code == code)
    }

    /// Whether the code was a test page's, which is answered by it.
    pub(super) fn answer_test(&mut self, code: &str, by: &By) -> bool {
        let Some((&id, test)) = self.drills.tests.iter().find(|(_, test)| test.code == code) else {
            return false;
        };
        let (target, after) = (test.target.to_string(), self.now.mono - test.at);
        self.drill(Drilled::TestAnswered { test: id, target, by: by.clone(), after });
        self.timers.set(DeadlineReason::Retry(id), None);
        self.arm_drills();
        true
    }

    /// A page could not be delivered: if it was a test, its channel is not proved.
    pub(super) fn test_failed(&mut self, page: Seq, why: &str) {
        if self.drills.tests.contains_key(&page) {
            self.close_test(page, format!("could not be delivered: {why}"));
            self.arm_drills();
        }
    }

    fn close_test(&mut self, id: Seq, why: String) {
        let Some(target) = self.drills.tests.get(&id).map(|test| test.target.to_string()) else { return };
        self.drill(Drilled::TestUnanswered { test: id, target, why });
        self.timers.set(DeadlineReason::Retry(id), None);
    }

    /// The next look: at whatever comes first.
    pub(super) fn arm_drills(&mut self) {
        let now = self.now.mono;
        let mut times: Vec<Moment> = Vec::new();
        let (pages, waiting) = (self.plan.drill.pages, self.waiting());
        let weekly = pages.and_then(|weekly| weekly.around(&self.now, &self.plan.zone)).map(|(_, next)| next);
        times.extend(weekly);
        times.extend(waiting.iter().filter_map(|target| self.reachable_at(target.contact.as_deref()?)));
        times.extend(self.next_notice());
        // All these follow from the wall clock.
        let look = match self.now.wall_trusted && self.drills.waits.is_none() {
            true => LOOK_LONGEST,
            false => LOOK_AGAIN,
        };
        let by_wall = times.into_iter().min().map(|at| at.min(now + look).max(now + Span::seconds(1)));
        let over = self.drills.tests.values().map(|test| test.at + test.within).min();
        self.timers.set(DeadlineReason::Drills, by_wall.into_iter().chain(over).min());
    }

    pub(super) fn drills_view(&self, now: Now) -> Option<DrillsView> {
        let drill = &self.plan.drill;
        let drills = &self.drills;
        let nothing = drill.pages.is_none() && drill.outage.is_none();
        if nothing && drills.round.is_none() && drills.outage.is_none() {
            return None;
        }
        let next = drill.pages.and_then(|weekly| weekly.around(&now, &self.plan.zone));
        let channels = self.tested().into_iter().map(|target| {
            let proof = drills.proofs.get(&target).copied().unwrap_or_default();
            let test = drills.tests.values().find(|test| test.target == target);
            ProofView {
                proved: proof.at.map(|at| now.mono - at),
                missed: proof.missed,
                asked: test.map(|test| now.mono - test.at),
                target: target.to_string(),
            }
        });
        Some(DrillsView {
            next: next.map(|(_, next)| next - now.mono),
            waits: drills.waits,
            channels: channels.collect(),
            outage: drills.outage.map(|(_, at)| now.mono - at),
            outage_every: drill.outage,
        })
    }
}
