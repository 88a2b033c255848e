//! The call-outs: who is to be asked, when. What alarms, stopgaps, people and pages do flows in by
//! `on_*` methods and is held against the one table of [`crate::callout`]; its changes flow out as
//! records, the pages that it wants as tasks. Beside each call-out stands what its pages say of its
//! episodes. Which deadline follows from its state is worked out anew whenever a record has touched
//! it.

mod answering;
mod changes;
mod climbing;
mod episodes;
mod facts;
mod joining;
mod kept;
mod older;
mod register;
mod sirens;

use super::context::Context;
use super::ground::Ground;
use super::task::{Next, Task};
use super::timers::DeadlineReason;
use crate::callout::bounds;
use crate::callout::change::Tell;
use crate::callout::decide::{Outcome, Reply};
use crate::callout::event::Time;
use crate::callout::facts::{Block, Facts as _};
use crate::callout::headline::Lead;
use crate::callout::ladder::Ladder;
use crate::callout::siren::Siren;
use crate::callout::state::CallOut;
use crate::callout::{Call, Tick, quiet};
use crate::ids::{By, Seq};
use crate::plan::Target;
use crate::record::{self, Body, CallChange, CallKind, Record};
use crate::time::{Moment, Span};
use facts::Known;
use register::{CallRegister, LatestEpisodes};
use std::collections::{BTreeMap, BTreeSet};

/// So many answers are kept with a call-out.
const ANSWERS: usize = 8;
/// So many ticked steps of a call-out are remembered: a card has fewer.
const TICKS: usize = 60;

/// What lasts of all call-outs.
#[derive(Debug, Default)]
pub(super) struct Callouts {
    calls: CallRegister,
    episodes: LatestEpisodes,
    /// What each siren that a call-out has told was last bidden, and for how long it sounded.
    sirens: BTreeMap<Target, Siren>,
    /// Those whose deadlines have to be set anew.
    touched: BTreeSet<Seq>,
}

impl Callouts {
    /// What a record does to what lasts.
    pub(super) fn apply(&mut self, ground: &Ground<'_>, record: &Record) {
        let at = record.at.mono;
        self.tell_of_episodes(ground, record);
        self.apply_older(ground, record);
        match &record.body {
            Body::Answered { call, by, .. } => {
                let Some(known) = self.calls.get_mut(*call) else { return };
                known.answers.push((by.clone(), at));
                if known.answers.len() > ANSWERS {
                    known.answers.remove(0);
                }
            }
            Body::Ticked { call, step, done, by } => {
                let Some(known) = self.calls.get_mut(*call) else { return };
                known.ticks.retain(|tick| tick.step != *step);
                if *done && known.ticks.len() < TICKS {
                    known.ticks.push(Tick { step: step.clone(), by: by.clone(), at });
                }
            }
            Body::CallChanged { call, change } => self.change(*call, change, at),
            Body::CallEnded { call } => self.change(*call, &CallChange::Ended, at),
            Body::Paged { target, purpose, .. } => self.bid_siren(&Target::parse(target), *purpose, record),
            Body::Hushed { siren, length, .. } => self.hush_siren(&Target::parse(siren), *length, record),
            Body::Started { .. } => {
                let running: Vec<Seq> = self.running().map(Call::id).collect();
                running.into_iter().for_each(|call| self.change(call, &CallChange::Started, at));
            }
            _ => {}
        }
    }

    /// A call-out that is over, and whose last pages are through, is forgotten.
    pub(super) fn forget(&mut self, id: Seq) {
        self.calls.remove(id);
    }

    /// The next call-out whose deadlines have to be set anew.
    pub(super) fn take_touched(&mut self) -> Option<Seq> {
        self.touched.pop_first()
    }

    /// Whether there are any.
    pub(super) fn any_touched(&self) -> bool {
        !self.touched.is_empty()
    }

    /// All of them have to be: under another plan.
    pub(super) fn touch_all(&mut self) {
        self.touched.extend(self.calls.ids());
    }

    /// Whether there are some whose next time depends on more than their own state: on what has
    /// been heard, on a forecast, on quiet hours.
    pub(super) fn any_waits(&self) -> bool {
        !self.calls.waiting().is_empty()
    }

    /// The deadlines of those have to be set anew.
    pub(super) fn touch_those_that_wait(&mut self) {
        self.touched.extend(self.calls.waiting());
    }

    /// An alarm begins to wait out its on-delay, or does no more: until then nothing that it was in
    /// is over.
    pub(super) fn touch_those_that_settle(&mut self, alarm: &str) {
        let settles = |id: &Seq| self.calls.get(*id).is_some_and(|call| call.core.settling.is_some());
        self.touched.extend(self.calls.with_alarm(alarm).filter(settles));
    }

    /// What the call-out waits for next, and until when.
    pub(super) fn pending(&self, cx: &Context<'_>, id: Seq) -> Option<(Moment, Time)> {
        let call = self.calls.get(id).filter(|call| !call.ended())?;
        call.core.pending(&Known::of(cx, call), cx.mono())
    }

    /// The same, by the names of the deadlines: at most one of them is set.
    pub(super) fn deadlines(&self, cx: &Context<'_>, id: Seq) -> [(DeadlineReason, Option<Moment>); 3] {
        let pending = self.pending(cx, id);
        let at = |which: DeadlineReason| {
            let (at, time) = pending.as_ref()?;
            let reason = match time {
                Time::LeaseEnded | Time::Unrenewed => DeadlineReason::Lease(id),
                Time::Settled => DeadlineReason::Settle(id),
                Time::HoldOver
                | Time::QuietOver
                | Time::Anew(_)
                | Time::Rung { .. }
                | Time::News
                | Time::Sirens
                | Time::Pressed => DeadlineReason::Step(id),
            };
            (reason == which).then_some(*at)
        };
        [DeadlineReason::Step(id), DeadlineReason::Lease(id), DeadlineReason::Settle(id)]
            .map(|of| (of, at(of)))
    }

    /// This call-out, over or not.
    pub(super) fn get(&self, id: Seq) -> Option<&Call> {
        self.calls.get(id)
    }

    /// All of them, the oldest first: those too that are over and wait for their last pages.
    pub(super) fn iter(&self) -> impl Iterator<Item = &Call> {
        self.calls.iter()
    }

    /// Those that are over and wait for their last pages.
    pub(super) fn over(&self) -> impl Iterator<Item = Seq> + '_ {
        self.calls.over()
    }

    /// Whether there are any.
    pub(super) fn any_over(&self) -> bool {
        self.calls.any_over()
    }

    /// Those that are not over.
    pub(super) fn running(&self) -> impl Iterator<Item = &Call> {
        self.calls.iter().filter(|call| !call.ended())
    }

    /// The running call-out that the episode stands in, or else is part of.
    pub(super) fn of_episode(&self, episode: Seq) -> Option<&Call> {
        let calls = self.calls.with_episode(episode).filter(|call| !call.ended());
        let found = calls.filter_map(|call| Some((call, call.core.member(episode)?)));
        found.min_by_key(|(_, member)| !member.stands()).map(|(call, _)| call)
    }

    /// Whether the running call-out that an episode is in, if any, knows that it got worse.
    pub(super) fn knows_as_worse(&self, episode: Seq) -> bool {
        let member = self.of_episode(episode).and_then(|call| call.core.member(episode));
        member.is_none_or(|member| member.worse)
    }

    /// Whether a running call-out is about this alarm, whichever of its spells.
    pub(super) fn is_about(&self, alarm: &str) -> bool {
        let mut calls = self.calls.with_alarm(alarm).filter_map(|id| self.get(id));
        calls.any(|call| !call.ended() && call.core.members.of_alarm(alarm).is_some())
    }

    /// The alarm of an episode that is, or was lately, open.
    pub(super) fn alarm_of(&self, episode: Seq) -> Option<&str> {
        self.episodes.alarm_of(episode)
    }

    /// The episode that weighs most in a call-out now: what a page without news leads with.
    pub(super) fn weightiest(&self, cx: &Context<'_>, call: &Call) -> Option<Seq> {
        let facts = Known::of(cx, call);
        call.core.headline(Lead::Rung, &facts, cx.mono()).map(|member| member.episode)
    }

    /// How long an answer that this person gave now would hold.
    pub(super) fn would_hold(&self, cx: &Context<'_>, call: &Call, who: Option<&str>) -> Moment {
        let facts = Known::of(cx, call);
        let standing = call.core.members.iter().filter(|member| member.stands());
        let ladders: Vec<&Ladder> = standing.filter_map(|member| facts.ladder(&member.ladder)).collect();
        let lease = bounds::lease(&call.core, &ladders, who.unwrap_or_default(), None, &facts, cx.mono());
        cx.mono() + lease.length
    }

    /// How long an answer could hold at most that this person gave now.
    pub(super) fn could_hold(&self, cx: &Context<'_>, call: &Call, who: &str) -> Moment {
        let facts = Known::of(cx, call);
        let standing = call.core.members.iter().filter(|member| member.stands());
        let ladders: Vec<&Ladder> = standing.filter_map(|member| facts.ladder(&member.ladder)).collect();
        let named = Some(Span::hours(7 * 24));
        cx.mono() + bounds::lease(&call.core, &ladders, who, named, &facts, cx.mono()).length
    }

    /// Whom the next rung tells, and when.
    pub(super) fn next_rung(&self, cx: &Context<'_>, call: &Call) -> Option<(Vec<Target>, Moment)> {
        let facts = Known::of(cx, call);
        let climb = call.core.active(cx.mono()).into_iter().min_by_key(|climb| climb.due)?;
        let last = facts.ladder(&climb.ladder)?.rungs.len().checked_sub(1)?;
        let rung = (climb.next as usize).min(last);
        Some((facts.people(&climb.ladder, rung as u32), climb.due))
    }

    /// Whether a call-out has this code.
    pub(super) fn has_code(&self, code: &str) -> bool {
        self.calls.iter().any(|call| call.code() == code)
    }

    /// The records that it rests on: those of an hour's raises too, since what flickers is known by
    /// them.
    pub(super) fn rests_on(&self, now: Moment) -> impl Iterator<Item = Seq> + '_ {
        let members = self.calls.iter().flat_map(|call| call.core.members.iter().map(|m| m.episode));
        let recent = self.episodes.raised_within(crate::callout::kin::FLICKER_WITHIN, now);
        let sirens = self.sirens.values().filter_map(move |siren| siren.rests_on(now));
        self.calls.ids().chain(members).chain(recent).chain(sirens)
    }

    /// Records what was decided of a call-out, and asks for the pages that it wants.
    fn put(&self, cx: &Context<'_>, call: &CallOut, outcome: Outcome, next: &mut Next) {
        let id = call.id;
        next.reply = outcome.reply.or(next.reply.take());
        let ended = outcome.changes.contains(&CallChange::Ended);
        let begins = outcome.changes.iter().any(|change| matches!(change, CallChange::Began { .. }));
        if let (Some(by), true) = (call.answerer(), begins) {
            next.record(Body::Resumed { call: id, why: self.why_resumed(cx.plan.person(&by.who), &outcome) });
        }
        // It ends when its last pages are planned.
        for change in outcome.changes.into_iter().filter(|change| *change != CallChange::Ended) {
            // What has come back with a new episode is in it by that.
            if let CallChange::CameBack { alarm, episode, .. } = &change
                && call.member(*episode).is_none()
            {
                next.record(Body::Joined { call: id, alarm: alarm.clone(), episode: *episode });
            }
            for body in kept::bodies(id, change) {
                next.record(body);
            }
        }
        for (target, block) in outcome.skipped {
            let why = why_not(cx, &target, block);
            next.record(Body::Skipped { call: id, target: target.to_string(), why });
        }
        // What a siren should do follows from the states of all call-outs that told it.
        if call.told.keys().any(|target| target.contact.is_none()) {
            next.then(Task::TendSirens { again: false });
        }
        let facts = Known { cx, about_channels: false };
        let could_wait = call.kind == CallKind::Digest && quiet::cant_wait(call, &facts, cx.mono()).is_none();
        for tell in outcome.tells {
            let purpose = kept::purpose(&tell.message, tell.lead, could_wait);
            let Tell { target, message, about, rank, lead } = tell;
            // One page a person and moment: a rung adds nothing to what they have just been told.
            let just_told = lead == Lead::Rung && message.asks() && has_just_left(cx, id, &target);
            let told = CallChange::Told { target: target.clone(), message, rank, about, news: lead.news() };
            for body in kept::bodies(id, told) {
                next.record(body);
            }
            match target.contact {
                Some(_) if just_told => {}
                Some(_) => next.then(Task::Page { call: id, target, purpose }),
                None => next.then(Task::TendSirens { again: false }),
            }
        }
        next.then(Task::DropUnwanted(id));
        if ended {
            next.then(Task::End(id));
        }
    }

    /// Its last pages are planned. If something has come back meanwhile, it goes on.
    pub(super) fn on_end(&self, cx: &Context<'_>, id: Seq, next: &mut Next) {
        let goes_on = |call: &Call| call.stands() && call.core.kind != CallKind::Drill;
        if !self.get(id).is_some_and(|call| !call.ended() && !goes_on(call)) {
            return;
        }
        if self.has_to_bid(cx, id) {
            next.then(Task::End(id));
        } else {
            next.record(Body::CallEnded { call: id });
            next.then(Task::DropUnwanted(id));
            next.then(Task::JudgeSights);
            // What was left for a person to switch back is said for the last time by its pages, and
            // then let go.
            for (relay, _) in cx.relays.runs() {
                next.wake(DeadlineReason::Wait(relay), Some(cx.mono()));
            }
            self.on_drills(cx, Some(id), next);
        }
    }
}

impl Callouts {
    fn why_resumed(&self, who: &str, outcome: &Outcome) -> String {
        if matches!(outcome.reply, Some(Reply::NextIsCalled | Reply::NobodyElse)) {
            return "the next person was asked for".to_owned();
        }
        let lead = outcome.tells.first().map(|tell| tell.lead);
        let alarm = |episode| self.alarm_of(episode).unwrap_or("another alarm");
        match lead {
            Some(Lead::Raised(episode)) => format!("{} was raised too", alarm(episode)),
            Some(Lead::Worse(episode)) => format!("{} got worse", alarm(episode)),
            Some(Lead::Unproved(episode)) => format!("what was done about {} is not proved", alarm(episode)),
            Some(Lead::Disobeyed(episode)) => format!("a relay does not obey {}", alarm(episode)),
            Some(Lead::GoesDark) => "this watch goes dark soon".to_owned(),
            Some(Lead::Rung | Lead::NobodyElse) | None => {
                format!("it is still wrong, and the answer of {who} has run out")
            }
        }
    }
}

fn why_not(cx: &Context<'_>, target: &Target, block: Block) -> String {
    match block {
        Block::Away => {
            let today = cx.civil();
            match cx.plan.directory.stand_ins(target, today).first() {
                Some(Target { contact: Some(sitter), .. }) => {
                    format!("away, {} stands in", cx.plan.person(sitter))
                }
                Some(_) | None => "away".to_owned(),
            }
        }
        Block::Hours => "outside their hours".to_owned(),
        Block::Never => "outside their hours, and never called then".to_owned(),
        Block::Gone => "there is no such contact or channel any more".to_owned(),
        Block::Shut => "it is one of the channels that fail".to_owned(),
        Block::Rank => "a siren is for what is critical".to_owned(),
    }
}

/// Whether a page that asks has left by this way in this very moment, and has not failed.
fn has_just_left(cx: &Context<'_>, call: Seq, target: &Target) -> bool {
    cx.pages(call).iter().any(|sent| {
        let fine = matches!(sent.last, None | Some(record::Outcome::Accepted { .. }));
        sent.asks() && sent.target == *target && sent.at == cx.mono() && fine
    })
}

/// Who put an alarm aside: a person, or the work that one began.
fn put_aside_by(cx: &Context<'_>, episode: Seq) -> By {
    let id = cx.callouts.alarm_of(episode).and_then(|alarm| cx.alarm(alarm));
    let aside = id.and_then(|id| cx.alarms.state(id).aside.as_ref());
    match aside {
        Some(aside) => aside.by.clone(),
        None => By { who: "declared work".to_owned(), via: "work".to_owned() },
    }
}

#[cfg(test)]
mod tests;
