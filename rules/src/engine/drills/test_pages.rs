//! Test pages: whether people can be reached is tried before the night. Once a week, or when
//! asked, one page goes to every channel that some call-out uses, each with a code of its own
//! and in its owner's hours; an answer proves the channel, silence or failure does not, and is
//! said. It waits for a trusted clock, since it comes by the time of the week, and for every
//! call-out that stands, since nobody may mistake a test for the real thing or the reverse.

use super::{Drills, OpenTest};
use crate::callout::Call;
use crate::engine::context::Context;
use crate::engine::task::{Next, Task};
use crate::engine::timers::DeadlineReason;
use crate::ids::{By, Seq};
use crate::plan::{ChannelKind, Target};
use crate::record::{Body, Drilled, Standing};
use crate::time::{Moment, Now, Span};
use serde::Serialize;
use std::collections::BTreeSet;

/// What waits for the clock, or for the end of a call-out, is looked at this often.
const LOOK_AGAIN: Span = Span::minutes(5);

/// The wall clock may be set meanwhile: no deadline that follows from it is trusted for longer.
const LOOK_LONGEST: Span = Span::hours(1);

/// A round that begins later than this says why.
const LATE: Span = Span::minutes(10);

/// A round so shortly before a time of the week, or after it, stands for it: one that was asked
/// for, or one before the clock was set back.
const NEAR: Span = Span::hours(2 * 24);

/// So many test pages without an answer, and everyone is told of the channel.
const DOUBTFUL: u32 = 2;

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
    /// Does what is due: closes test pages that have waited for long enough, begins a round,
    /// sends the pages of those whose hours have begun, and notices.
    pub(in crate::engine) fn on_tend(&self, cx: &Context<'_>, next: &mut Next) {
        let over = |test: &OpenTest| cx.mono() - test.at >= test.within;
        for (id, test) in self.tests.iter().filter(|(_, test)| over(test)) {
            let on_its_way = cx.delivery.get(*id).filter(|sent| sent.is_pending());
            let why = match on_its_way {
                Some(sent) if sent.is_held() => {
                    format!("held back by the limit of its channel for {}", test.within)
                }
                Some(_) => format!("not delivered within {}", test.within),
                None => format!("delivered, and not answered within {}", test.within),
            };
            close(*id, test, why, next);
            next.then(Task::TestMissed { target: test.target.clone(), delivered: on_its_way.is_none() });
        }
        let holds = self.holds(cx);
        match (self.round_due(cx), holds) {
            (Some(due), None) => {
                let late = cx.mono() - due;
                let why = match cx.plan.drill.pages {
                    Some(weekly) if late > LATE => {
                        let reason = self.waits.unwrap_or("the watch was away");
                        format!("every {weekly}, {late} late: {reason}")
                    }
                    Some(weekly) => format!("every {weekly}"),
                    None => String::new(),
                };
                self.begin_round(cx, why, next);
            }
            (Some(_), Some(why)) => next.then(Task::RoundWaits(Some(why))),
            (None, _) => {}
        }
        next.then(Task::TestReachable);
        next.then(Task::SendNotices);
        next.then(Task::ArmDrills);
    }

    /// Sends the test pages of those who can be reached now.
    pub(in crate::engine) fn on_test_reachable(&self, cx: &Context<'_>, next: &mut Next) {
        let waiting = self.waiting(cx);
        match self.holds(cx) {
            None => {
                next.then(Task::RoundWaits(None));
                let reachable = waiting.into_iter().filter(|target| cx.unreachable(target).is_none());
                next.tasks.extend(reachable.map(Task::Test));
            }
            Some(why) if !waiting.is_empty() => next.then(Task::RoundWaits(Some(why))),
            Some(_) => {}
        }
    }

    /// What keeps test pages from going out. Of a channel that fails, a test page is the very
    /// proof.
    fn holds(&self, cx: &Context<'_>) -> Option<&'static str> {
        let stands = |call: &Call| call.stands() && !cx.is_about_channels(call);
        match cx.now.wall_trusted {
            false => Some("the clock is not trusted"),
            true if cx.callouts.running().any(stands) => Some("a call-out stands"),
            true => None,
        }
    }

    /// Since when a weekly round has been due, if one is.
    fn round_due(&self, cx: &Context<'_>) -> Option<Moment> {
        let (last, _) = cx.plan.drill.pages?.around(&cx.now, &cx.plan.zone)?;
        let asked_for = self.from.is_none_or(|from| last > from);
        let done = self.round.as_ref().is_some_and(|round| last - round.at < NEAR);
        (asked_for && !done).then_some(last)
    }

    /// Channels of the round that have not got their page, and are still there.
    fn waiting(&self, cx: &Context<'_>) -> Vec<Target> {
        let round = self.round.iter().flat_map(|round| &round.waiting);
        round.filter(|target| cx.plan.directory.channels.contains_key(target)).cloned().collect()
    }

    /// A person asks for test pages now.
    pub(in crate::engine) fn on_asked(&self, cx: &Context<'_>, by: &By, next: &mut Next) {
        let open = self.tests.len();
        if open > 0 {
            let why =
                format!("{open} test pages still wait for their answers: `slackwater status` lists them");
            return next.refuse("test pages", why, by);
        }
        if tested(cx).is_empty() {
            return next.refuse("test pages", "no call-out reaches a person", by);
        }
        let waits = self.holds(cx).map_or(String::new(), |why| format!("; they wait: {why}"));
        self.begin_round(cx, format!("asked for by {}{waits}", by.who), next);
        next.then(Task::TendDrills);
    }

    fn begin_round(&self, cx: &Context<'_>, why: String, next: &mut Next) {
        let closed = |id: &Seq| {
            let of =
                |body: &Body| matches!(body, Body::Drill(Drilled::TestUnanswered { test, .. }) if test == id);
            next.records.iter().any(|record| of(&record.body))
        };
        let open: Vec<_> = self.tests.iter().filter(|(id, _)| !closed(id)).collect();
        let overdue: Vec<Target> =
            self.tests.iter().filter(|(id, _)| closed(id)).map(|(_, test)| test.target.clone()).collect();
        for (id, test) in &open {
            close(**id, test, "not answered before the next one".to_owned(), next);
        }
        let missed = |target: &Target| {
            let just_now = open.iter().map(|(_, test)| &test.target).chain(&overdue);
            just_now.filter(|closed| *closed == target).count() as u32
        };
        let channels = tested(cx).into_iter().map(|target| {
            let proof = self.proofs.get(&target).copied().unwrap_or_default();
            let proved = proof.at.map(|at| cx.mono() - at);
            Standing { target: target.to_string(), proved, missed: proof.missed + missed(&target) }
        });
        let channels = channels.collect();
        next.record(Body::Drill(Drilled::TestsBegan { why, channels }));
    }

    /// One channel gets its test page.
    pub(in crate::engine) fn on_test(&self, cx: &Context<'_>, target: &Target, next: &mut Next) {
        let waits = self.round.as_ref().is_some_and(|round| round.waiting.contains(target));
        if !waits {
            return;
        }
        let code = cx.code(next);
        let within = cx.plan.drill.within;
        let headline = format!("TEST {}: test page to {target}, nothing is wrong, code {code}", cx.plan.site);
        let mut lines = vec![
            format!("It tries this way to reach you. Answer it within {within}: that is all there is to do."),
            "Without an answer the channel counts as not proved.".to_owned(),
        ];
        lines.extend(self.doubts(target));
        let target = target.to_string();
        let page = next.record(Body::Drill(Drilled::Tested { target, code, within, headline, lines }));
        next.then(Task::Send(page));
    }

    /// Other channels that can't be relied on.
    fn doubts(&self, to: &Target) -> Vec<String> {
        let doubtful = self.proofs.iter().filter(|(target, proof)| *target != to && proof.missed >= DOUBTFUL);
        let lines = doubtful.map(|(target, proof)| {
            format!("NOT to be relied on: {target}, {} test pages in a row without an answer.", proof.missed)
        });
        lines.collect()
    }

    /// A test page is answered: its channel is proved.
    pub(in crate::engine) fn on_answered(&self, cx: &Context<'_>, id: Seq, by: &By, next: &mut Next) {
        let Some(test) = self.tests.get(&id) else { return };
        let (target, after) = (test.target.to_string(), cx.mono() - test.at);
        next.record(Body::Drill(Drilled::TestAnswered { test: id, target, by: by.clone(), after }));
        next.wake(DeadlineReason::Retry(id), None);
        next.then(Task::ArmDrills);
    }

    /// A page can't be delivered: if it was a test, its channel is not proved.
    pub(in crate::engine) fn on_page_lost(&self, id: Seq, why: &str, next: &mut Next) {
        if let Some(test) = self.tests.get(&id) {
            close(id, test, format!("could not be delivered: {why}"), next);
            next.then(Task::ArmDrills);
        }
    }

    /// The next look gets its time: at whatever comes first.
    pub(in crate::engine) fn on_arm(&self, cx: &Context<'_>, next: &mut Next) {
        let now = cx.mono();
        let mut times: Vec<Moment> = Vec::new();
        let weekly = cx.plan.drill.pages.and_then(|weekly| weekly.around(&cx.now, &cx.plan.zone));
        times.extend(weekly.map(|(_, next)| next));
        times
            .extend(self.waiting(cx).iter().filter_map(|target| cx.reachable_at(target.contact.as_deref()?)));
        times.extend(self.next_notice(cx));
        // All these follow from the wall clock.
        let look = match cx.now.wall_trusted && self.waits.is_none() {
            true => LOOK_LONGEST,
            false => LOOK_AGAIN,
        };
        let by_wall = times.into_iter().min().map(|at| at.min(now + look).max(now + Span::seconds(1)));
        let over = self.tests.values().map(|test| test.at + test.within).min();
        next.wake(DeadlineReason::Drills, by_wall.into_iter().chain(over).min());
    }

    /// For `status`; none if there are no drills.
    pub(in crate::engine) fn view(&self, cx: &Context<'_>, now: &Now) -> Option<DrillsView> {
        let drill = &cx.plan.drill;
        let nothing = drill.pages.is_none() && drill.outage.is_none();
        if nothing && self.round.is_none() && self.outage.is_none() {
            return None;
        }
        let next = drill.pages.and_then(|weekly| weekly.around(now, &cx.plan.zone));
        let channels = tested(cx).into_iter().map(|target| {
            let proof = self.proofs.get(&target).copied().unwrap_or_default();
            let test = self.tests.values().find(|test| test.target == target);
            ProofView {
                proved: proof.at.map(|at| now.mono - at),
                missed: proof.missed,
                asked: test.map(|test| now.mono - test.at),
                target: target.to_string(),
            }
        });
        Some(DrillsView {
            next: next.map(|(_, next)| next - now.mono),
            waits: self.waits,
            channels: channels.collect(),
            outage: self.outage.map(|(_, at)| now.mono - at),
            outage_every: drill.outage,
        })
    }
}

/// Every channel of a person that some call-out uses, and those of sitters to come.
fn tested(cx: &Context<'_>) -> BTreeSet<Target> {
    let directory = &cx.plan.directory;
    let today = cx.civil().date();
    let steps = cx.plan.callouts.iter().flat_map(|callout| &callout.steps);
    let mut tested = BTreeSet::new();
    for target in steps.flat_map(|step| &step.to) {
        let Some(contact) = target.contact.as_ref().and_then(|name| directory.contacts.get(name)) else {
            continue;
        };
        let to_come = contact.away.iter().filter(|absence| absence.last >= today);
        tested.extend(to_come.flat_map(|absence| directory.stand_ins_on(target, absence.first)));
        tested.insert(target.clone());
    }
    // A ring carries no code: nobody could answer it.
    tested.retain(|target| directory.channels.get(target) != Some(&ChannelKind::Ring));
    tested
}

fn close(id: Seq, test: &OpenTest, why: String, next: &mut Next) {
    let target = test.target.to_string();
    next.record(Body::Drill(Drilled::TestUnanswered { test: id, target, why }));
    next.wake(DeadlineReason::Retry(id), None);
}
