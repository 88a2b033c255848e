//! What an event brings about. Each event is held against the state to find its row, the table
//! names the move, and the move is carried out as changes, each applied to a copy at once so that
//! what follows sees it. Nothing here alters the call-out itself: the caller records the changes,
//! applies them, and sends what is wanted.

use super::bounds::Lease;
use super::change::Tell;
use super::event::{Event, Time};
use super::facts::{Block, Facts};
use super::headline::Lead;
use super::quiet;
use super::state::{CallOut, LONGEST_HOLD, NEWS_WITHIN, Phase};
use super::table::{Move, Row, Stage};
use crate::alarm::Priority;
use crate::plan::Target;
use crate::record::{CallChange, CallKind, CallMessage, HeldBy, Joined, PageFate};
use crate::time::{Moment, Span};

/// What follows from an event.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Outcome {
    /// What is to be recorded and applied, in this order.
    pub changes: Vec<CallChange>,
    /// Who is to be told; nobody twice.
    pub tells: Vec<Tell>,
    /// Who should have been told, and what stood against it.
    pub skipped: Vec<(Target, Block)>,
    /// What whoever spoke is told.
    pub reply: Option<Reply>,
}

/// The answer to an answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reply {
    /// It holds this long.
    Holds(Lease),
    /// The next person is being called.
    NextIsCalled,
    /// There is nobody else; all have been called again.
    NobodyElse,
    /// Nothing stands any more.
    NothingStands,
    /// Something that stands would be dropped.
    WouldDrop,
}

/// What is known at a call-out's beginning, beside its first member.
#[derive(Clone, Copy, Debug, Default)]
pub struct Beginning<'a> {
    /// A cause that is about to be raised will be by then.
    pub cause_by: Option<Moment>,
    /// The call-out that its kin comes from: for those who were told of that it is news.
    pub aware: Option<&'a CallOut>,
}

/// Begins a call-out that has no members yet with its first one. If a cause is about to be raised
/// it waits for that, unless it is news for somebody; what is critical not for long. A loss of
/// sight alone waits as long as it may.
pub fn begin(
    call: &CallOut,
    joined: &Joined,
    beginning: &Beginning<'_>,
    facts: &dyn Facts,
    now: Moment,
) -> Outcome {
    let mut decision = Decision::new(call, facts, now);
    decision.change(CallChange::Joined(joined.clone()));
    let lead = Lead::Raised(joined.episode);
    beginning.aware.into_iter().for_each(|other| decision.tell_those_of(other, lead));
    let longest = if joined.rank == Priority::Critical { LONGEST_HOLD } else { Span(i64::MAX) };
    let cause = beginning.cause_by.map(|at| ((at - now).min(longest), HeldBy::Cause));
    let sight = facts.may_wait_until(&joined.alarm).map(|at| (at - now, HeldBy::Sight));
    let waits = [cause, sight].into_iter().flatten().filter(|(length, _)| *length > Span::ZERO);
    match waits.max_by_key(|(length, _)| *length).filter(|_| decision.out.tells.is_empty()) {
        Some((length, by)) => decision.change(CallChange::Held { length, by }),
        None => decision.climb_from_zero(false),
    }
    decision.out
}

/// Begins a drill of a ladder.
pub fn begin_drill(call: &CallOut, ladder: &str, facts: &dyn Facts, now: Moment) -> Outcome {
    let mut decision = Decision::new(call, facts, now);
    decision.begin_at(ladder, Priority::Critical, 0, None);
    decision.out
}

/// What follows from an event that meets a call-out at `now`.
pub fn decide(call: &CallOut, event: &Event, facts: &dyn Facts, now: Moment) -> Outcome {
    let mut decision = Decision::new(call, facts, now);
    if call.phase != Phase::Over {
        decision.meet(event);
        decision.mend_ladders();
        decision.hush_sirens();
    }
    decision.out
}

/// A decision in the making.
pub(super) struct Decision<'a> {
    pub(super) call: CallOut,
    pub(super) facts: &'a dyn Facts,
    pub(super) now: Moment,
    pub(super) out: Outcome,
}

impl<'a> Decision<'a> {
    fn new(call: &CallOut, facts: &'a dyn Facts, now: Moment) -> Self {
        Self { call: call.clone(), facts, now, out: Outcome::default() }
    }

    pub(super) fn change(&mut self, change: CallChange) {
        self.call.apply(&change, self.now);
        self.out.changes.push(change);
    }

    pub(super) fn tell(&mut self, target: &Target, message: CallMessage, lead: Lead, rank: Priority) {
        if !self.out.tells.iter().any(|tell| tell.target == *target) {
            let about = self.call.headline(lead, self.facts, self.now).map(|member| member.episode);
            self.out.tells.push(Tell { target: target.clone(), message, lead, about, rank });
        }
    }

    pub(super) fn stage(&self) -> Stage {
        self.call.stage()
    }

    /// The rank that pages of now are about.
    pub(super) fn rank(&self) -> Priority {
        let members = &self.call.members;
        self.call.standing_rank(self.now).or(members.highest()).unwrap_or(Priority::Low)
    }

    fn meet(&mut self, event: &Event) {
        match event {
            Event::Raised(joined) => self.raised(joined),
            Event::Left(episodes) => {
                for episode in episodes {
                    self.change(CallChange::Left { episode: *episode });
                }
                if self.call.members.is_empty() {
                    self.change(CallChange::Ended);
                }
            }
            Event::Worse(episode) => self.worse(*episode),
            Event::Returned { episode, latched } => self.returned(*episode, *latched),
            Event::PutAside { episode, by } => self.put_aside(*episode, by),
            Event::Hand { episode, awaited } => self.hand(*episode, *awaited),
            Event::Unproved(episode) => self.news(Row::Unproved, Lead::Unproved(*episode)),
            Event::Disobeyed(episode) => self.news(Row::Disobeyed, Lead::Disobeyed(*episode)),
            Event::Answered { by, named, only } => self.answered(by, *named, *only),
            Event::Next { by } => self.next(by),
            Event::Page { target, fate } => self.page(target, *fate),
            Event::GoesDark => self.news(Row::GoesDark, Lead::GoesDark),
            Event::Started => self.carry_out(self.stage().after(Row::Started), Lead::Rung, None),
            Event::Dropped { episode, forced, by } => {
                if self.stage().after(Row::Dropped { forced: *forced }) == Move::PutsAside {
                    // Nobody could see any more that it was switched back.
                    self.change(CallChange::Hand { episode: *episode, awaited: false });
                    self.put_aside(*episode, by);
                } else {
                    self.out.reply = Some(Reply::WouldDrop);
                }
            }
            Event::DrillWaits { for_clock } => {
                if self.stage().after(Row::DrillMustWait) == Move::DrillWaits
                    && self.call.kind == CallKind::Drill
                {
                    self.change(CallChange::Waits { waits: true, for_clock: *for_clock });
                }
            }
            Event::DrillGoesOn => self.change(CallChange::Waits { waits: false, for_clock: false }),
            Event::Time(time) => self.time(time),
        }
    }

    /// A row that is about no newcomer.
    pub(super) fn news(&mut self, row: Row, lead: Lead) {
        self.carry_out(self.stage().after(row), lead, None);
    }

    fn page(&mut self, target: &Target, fate: PageFate) {
        let open_before: Vec<_> = self.call.active(self.now).into_iter().cloned().collect();
        self.change(CallChange::Page { target: target.clone(), fate });
        if self.call.settling.is_some() || fate == PageFate::Taken {
            return;
        }
        match &self.call.phase {
            Phase::Asking { open, .. } if open.is_empty() => {
                self.news(Row::RungFailed { at_last: false }, Lead::Rung);
            }
            Phase::Climbing => {
                for climb in open_before.into_iter().filter(|climb| climb.open.contains(target)) {
                    let Some(ladder) = self.facts.ladder(&climb.ladder) else { continue };
                    let failed = climb.open.len() == 1;
                    let at_last = climb.next >= ladder.len();
                    if failed && self.stage().after(Row::RungFailed { at_last }) == Move::NextRung {
                        self.take(&climb.ladder, climb.rank, climb.next, Lead::Rung);
                    }
                }
            }
            Phase::Asking { .. } | Phase::Held { .. } | Phase::Answered { .. } | Phase::Over => {}
        }
    }

    fn time(&mut self, time: &Time) {
        let held = quiet::held_until(&self.call, self.facts, self.now);
        match time {
            Time::HoldOver => self.news(Row::HoldOver, Lead::Rung),
            Time::QuietOver => self.news(Row::QuietOver { stands: self.call.stands() }, Lead::Rung),
            Time::LeaseEnded => self.news(Row::LeaseEnded { only_quiet: held.is_some() }, Lead::Rung),
            Time::Unrenewed => self.news(Row::Unrenewed, Lead::Rung),
            Time::Settled => self.news(Row::Settled, Lead::Rung),
            Time::Anew(episode) => {
                let Some(member) = self.call.member(*episode).cloned() else { return };
                let row = self.row_of(&member.alarm, member.rank, &member.ladder);
                self.change(CallChange::RaisedAnew { episode: *episode });
                let next = self.stage().after(row);
                self.carry_out(next, Lead::Raised(*episode), Some((member.ladder, member.rank)));
            }
            Time::Rung { ladder, rank } if self.stage().after(Row::RungDue) == Move::TellsRung => {
                match held.filter(|_| self.call.kind != CallKind::Drill) {
                    Some(until) => self.hold(until),
                    None => self.rung_due(ladder, *rank),
                }
            }
            Time::Rung { .. } => {}
            Time::News => {
                let since = self.call.news.map_or(self.now, |news| news.since);
                let unaware =
                    |target: &Target| self.call.told.get(target).is_some_and(|told| told.asked < since);
                for target in self.told_now().into_iter().filter(unaware).collect::<Vec<_>>() {
                    self.tell(&target, CallMessage::Call, Lead::Rung, self.rank());
                }
                self.change(CallChange::NewsTold);
            }
            // Whatever happens, sirens that nobody wants are hushed in the end.
            Time::Sirens => {}
            Time::Pressed => {
                let Some((by, _)) = self.call.pressed.clone() else { return };
                for target in self.facts.ways(&by.who) {
                    self.tell(&target, CallMessage::Call, Lead::NobodyElse, self.rank());
                }
                self.change(CallChange::Pressed { by, again: None });
            }
        }
    }

    /// Quiet hours hold it.
    pub(super) fn hold(&mut self, until: Moment) {
        self.change(CallChange::Held { length: until - self.now, by: HeldBy::Quiet });
    }

    /// Carries out what the table said; `newcomer` is the ladder and rank of what was raised.
    pub(super) fn carry_out(&mut self, next: Move, lead: Lead, newcomer: Option<(String, Priority)>) {
        match next {
            Move::Nothing
            | Move::GoesOn
            | Move::Listed
            | Move::StandsOn
            | Move::IsCovered
            | Move::Settles
            | Move::StateBefore
            | Move::RaisedLater => {}
            Move::ListedSoon => self.change(CallChange::NewsDue { within: NEWS_WITHIN }),
            Move::AllRungs => self.all_rungs(lead),
            Move::TellsTold => self.tell_told(lead),
            Move::BreaksThrough => self.break_through(lead),
            Move::BeginsWithNews | Move::Begins => {
                match (newcomer, &self.call.phase) {
                    (Some((ladder, rank)), Phase::Climbing) => {
                        self.begin_at(&ladder, rank, 0, Some(Span::ZERO))
                    }
                    (_, _) => self.climb_from_zero(true),
                }
                if next == Move::BeginsWithNews {
                    self.tell_told(lead);
                }
            }
            Move::GoesOnMilder => {
                let asked = self.call.asked_ladders(self.now).map(|(_, ladders)| ladders);
                self.go_on_milder(asked.unwrap_or_default().into_iter().collect());
            }
            Move::NextRung => self.next_rungs(lead),
            Move::AllAgain => self.all_again(),
            Move::RungAfter => self.rung_after(false, lead),
            Move::RungAfterAndAllBefore => match quiet::held_until(&self.call, self.facts, self.now) {
                Some(until) => self.hold(until),
                None => self.rung_after(true, lead),
            },
            Move::Asks => self.ask(),
            Move::Holds => match quiet::held_until(&self.call, self.facts, self.now) {
                Some(until) => self.hold(until),
                None => self.ask(),
            },
            Move::ClimbsFromZero => self.climb_from_zero(false),
            Move::TellsMorning => {
                self.tell_morning();
                self.change(CallChange::Ended);
            }
            Move::AllClear => {
                for target in self.told_people(None) {
                    self.tell(&target, CallMessage::AllClear, Lead::Rung, self.rank());
                }
                self.change(CallChange::Ended);
            }
            Move::SaysDark => self.say_dark(),
            Move::Waits => self.change(CallChange::Started),
            // Carried out where their event is met.
            Move::TellsRung
            | Move::Answers
            | Move::Replaces
            | Move::EndsPutAside
            | Move::Refuses
            | Move::PutsAside
            | Move::DrillWaits => {}
        }
    }

    /// Whatever a move left behind: each asked ladder is climbed, and nothing is held that may not
    /// be.
    fn mend_ladders(&mut self) {
        if self.call.settling.is_some() || self.call.kind == CallKind::Drill {
            return;
        }
        if matches!(self.call.phase, Phase::Held { by: HeldBy::Quiet, .. })
            && quiet::held_until(&self.call, self.facts, self.now).is_none()
        {
            match self.unclimbed().is_empty() {
                true => self.change(CallChange::GoesOn),
                false => self.climb_from_zero(false),
            }
        }
        let missing = self.unclimbed();
        if self.call.phase == Phase::Climbing && !missing.is_empty() {
            self.go_on_milder(missing);
        }
    }
}
