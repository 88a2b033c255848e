//! What an event brings about. Each event is held against the state to find its row, the table
//! names the move, and the move is carried out as changes, each applied to a copy at once so that
//! what follows sees it. Nothing here alters the call-out itself: the caller records the changes,
//! applies them, and sends what is wanted.

use super::bounds::{self, Lease};
use super::change::{Change, Fate, Joined, Message, Tell};
use super::event::{Event, Time};
use super::facts::{Block, Facts};
use super::headline::Lead;
use super::ladder::Ladder;
use super::quiet;
use super::state::{CallOut, Hold, Kind, LONGEST_HOLD, NEWS_WITHIN, PRESSED_AGAIN, Phase};
use super::table::{Move, Row, Stage};
use crate::alarm::Priority;
use crate::plan::Target;
use crate::record::{By, Seq};
use crate::time::{Moment, Span};

/// What follows from an event.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Outcome {
    /// What is to be recorded and applied, in this order.
    pub changes: Vec<Change>,
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

/// Begins a call-out that has no members yet with its first one. If a cause is about to be raised
/// it waits for that; what is critical not for long.
pub fn begin(
    call: &CallOut,
    joined: &Joined,
    cause_by: Option<Moment>,
    facts: &dyn Facts,
    now: Moment,
) -> Outcome {
    let mut decision = Decision::new(call, facts, now);
    decision.change(Change::Joined(joined.clone()));
    let longest = if joined.rank == Priority::Critical { LONGEST_HOLD } else { Span(i64::MAX) };
    match cause_by.map(|at| (at - now).min(longest)).filter(|length| *length > Span::ZERO) {
        Some(length) => decision.change(Change::Held { length, by: Hold::Cause }),
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

    pub(super) fn change(&mut self, change: Change) {
        self.call.apply(&change, self.now);
        self.out.changes.push(change);
    }

    pub(super) fn tell(&mut self, target: &Target, message: Message, lead: Lead, rank: Priority) {
        if !self.out.tells.iter().any(|tell| tell.target == *target) {
            let about = self.call.headline(lead, self.facts, self.now).map(|member| member.episode);
            self.out.tells.push(Tell { target: target.clone(), message, lead, about, rank });
        }
    }

    fn stage(&self) -> Stage {
        self.call.stage()
    }

    /// The rank that pages of now are about.
    pub(super) fn rank(&self) -> Priority {
        let all = self.call.members.iter().map(|member| member.rank);
        self.call.standing_rank(self.now).or(all.max()).unwrap_or(Priority::Low)
    }

    fn meet(&mut self, event: &Event) {
        match event {
            Event::Raised(joined) => self.raised(joined),
            Event::Worse(episode) => self.worse(*episode),
            Event::Returned { episode, latched } => self.returned(*episode, *latched),
            Event::PutAside { episode, by } => self.put_aside(*episode, by),
            Event::Hand { episode, awaited } => {
                let before = self.call.standing_rank(self.now);
                self.change(Change::Hand { episode: *episode, awaited: *awaited });
                if !awaited {
                    self.fell(*episode, before, None);
                }
            }
            Event::Unproved(episode) => self.news(Row::Unproved, Lead::Unproved(*episode)),
            Event::Disobeyed(episode) => self.news(Row::Disobeyed, Lead::Disobeyed(*episode)),
            Event::Answered { by, named, only } => self.answered(by, *named, *only),
            Event::Next { by } => self.next(by),
            Event::Page { target, fate } => self.page(target, *fate),
            Event::GoesDark => self.news(Row::GoesDark, Lead::GoesDark),
            Event::Started => match self.stage().after(Row::Started) {
                Move::Waits => self.change(Change::Started),
                _ => {}
            },
            Event::Dropped { episode, forced, by } => {
                match self.stage().after(Row::Dropped { forced: *forced }) {
                    Move::PutsAside => self.put_aside(*episode, by),
                    _ => self.out.reply = Some(Reply::WouldDrop),
                }
            }
            Event::Real { began } if self.call.kind == Kind::Drill => match began {
                true => match self.stage().after(Row::RealBegan) {
                    Move::DrillWaits => self.change(Change::Waits { waits: true }),
                    _ => {}
                },
                false => self.change(Change::Waits { waits: false }),
            },
            Event::Real { .. } => {}
            Event::Time(time) => self.time(time),
        }
    }

    /// Which row an alarm is that is raised, or counts as raised anew, with these ranks.
    fn row_of(&self, alarm: &str, rank: Priority, ladder: &str) -> Row {
        let others = || self.call.members.iter().filter(|member| member.alarm != alarm);
        let asked = match self.stage() {
            Stage::Settling if self.call.answerer().is_none() => {
                others().filter(|member| member.returned() == self.call.settling).map(|m| m.rank).max()
            }
            Stage::Held | Stage::Climbing => {
                others().filter(|member| member.calls(self.now)).map(|member| member.rank).max()
            }
            Stage::Answered | Stage::Asking | Stage::Settling | Stage::Over => self.call.asked_rank(self.now),
        };
        if asked.is_none_or(|asked| rank > asked) {
            return Row::Above;
        }
        if rank < Priority::Critical {
            return Row::Milder;
        }
        let causes = others().filter(|cause| cause.stands());
        let expected = causes.clone().any(|cause| self.facts.expects(alarm, &cause.alarm));
        let climbed = |ladder: &str| {
            self.call.active(self.now).iter().any(|climb| climb.ladder == ladder)
                || causes.clone().any(|cause| cause.rank == rank && cause.ladder == ladder)
        };
        Row::CriticalToo { other_ladder: !climbed(ladder), expected }
    }

    fn raised(&mut self, joined: &Joined) {
        if self.is_back(joined) {
            self.change(Change::CameBack { alarm: joined.alarm.clone(), episode: joined.episode });
            return self.forget_anew(&joined.alarm);
        }
        let row = match self.call.phase {
            Phase::Held { by: Hold::Cause, .. } if self.explains_standing(&joined.alarm) => Row::HoldOver,
            _ => self.row_of(&joined.alarm, joined.rank, &joined.ladder),
        };
        let listed = self.is_explained(&joined.alarm);
        let was = match self.stage().after(row) {
            Move::StateBefore => self.call.stage_before(),
            _ => self.stage(),
        };
        let mut next = was.after(row);
        let only_listed = listed && matches!(next, Move::Listed | Move::ListedSoon);
        self.change(Change::Joined(Joined { listed: only_listed, ..joined.clone() }));
        self.forget_anew(&joined.alarm);
        // Quiet hours hold what ranks above as well, if it can wait; and nothing that can't.
        if matches!(self.call.phase, Phase::Held { by: Hold::Quiet, .. }) {
            let held = quiet::held_until(&self.call, self.facts, self.now).is_some();
            next = if held { Move::Listed } else { Move::BeginsWithNews };
        }
        self.carry_out(next, Lead::Raised(joined.episode), Some((joined.ladder.clone(), joined.rank)));
    }

    /// Whether an alarm that is raised is a member come back: it never ceased to stand, or returned
    /// within `settle` and nobody was told.
    fn is_back(&self, joined: &Joined) -> bool {
        let known = self.call.members.iter().find(|member| member.alarm == joined.alarm);
        let settle = self.call.settle(self.facts);
        known.is_some_and(|member| {
            let soon = member.returned().is_some_and(|at| self.now - at <= settle);
            member.stands() || (soon && !member.end_told)
        })
    }

    fn explains_standing(&self, cause: &str) -> bool {
        let standing = self.call.members.iter().filter(|member| member.stands());
        standing.into_iter().any(|effect| self.facts.explains(cause, &effect.alarm))
    }

    fn is_explained(&self, effect: &str) -> bool {
        let mut standing =
            self.call.members.iter().filter(|member| member.stands() && member.alarm != effect);
        standing.any(|cause| self.facts.explains(&cause.alarm, effect))
    }

    /// A cause is there again: what was to count as raised anew is its consequence once more.
    fn forget_anew(&mut self, cause: &str) {
        let members = self.call.members.iter().filter(|member| member.anew.is_some());
        let explained = members.filter(|member| self.facts.explains(cause, &member.alarm));
        for episode in explained.map(|member| member.episode).collect::<Vec<_>>() {
            self.change(Change::Anew { episode, after: None });
        }
    }

    fn worse(&mut self, episode: Seq) {
        let Some(member) = self.call.member(episode) else { return };
        let asked = self.call.asked_rank(self.now);
        let matters = member.rank == Priority::Critical || asked.is_none_or(|asked| member.rank >= asked);
        self.change(Change::Worsened { episode });
        self.news(Row::Worse { matters }, Lead::Worse(episode));
    }

    fn news(&mut self, row: Row, lead: Lead) {
        self.carry_out(self.stage().after(row), lead, None);
    }

    fn returned(&mut self, episode: Seq, latches: bool) {
        let Some(member) = self.call.member(episode) else { return };
        let row = Row::LatchedReturned { answered: member.answered };
        let latched = latches
            && match self.stage().after(row) {
                Move::StandsOn => true,
                _ => false,
            };
        let before = self.call.standing_rank(self.now);
        self.change(Change::Returned { episode, latched });
        self.fell(episode, before, None);
    }

    fn put_aside(&mut self, episode: Seq, by: &By) {
        let Some(stood) = self.call.member(episode).map(|member| member.stands()) else { return };
        let before = self.call.standing_rank(self.now);
        self.change(Change::PutAside { episode, by: by.clone() });
        self.fell(episode, before, Some(by).filter(|_| stood));
    }

    /// A member may have ceased to stand.
    fn fell(&mut self, episode: Seq, before: Option<Priority>, aside: Option<&By>) {
        let Some(member) = self.call.member(episode).filter(|member| !member.stands()) else { return };
        let cause = member.alarm.clone();
        if !self.call.stands() {
            let row = match aside {
                Some(_) => Row::LastPutAside,
                None => Row::NothingStands { waits_for_morning: self.call.waits_for_morning() },
            };
            // Settling shows in the members; only a stage that was open before can be left.
            if let (Move::EndsPutAside, Some(by)) = (self.call.stage_before().after(row), aside) {
                for target in self.told_people(None) {
                    self.tell(&target, Message::PutAside(by.clone()), Lead::Rung, self.rank());
                }
                self.change(Change::Ended);
            }
            return;
        }
        let listed = self.call.members.iter().filter(|effect| effect.stands() && effect.listed);
        let orphans = listed
            .filter(|effect| self.facts.explains(&cause, &effect.alarm) && !self.is_explained(&effect.alarm));
        let orphans: Vec<(Seq, Span)> =
            orphans.map(|effect| (effect.episode, self.facts.on_delay(&effect.alarm))).collect();
        if !orphans.is_empty() && self.stage().after(Row::CauseReturned) == Move::RaisedLater {
            for (episode, after) in orphans {
                self.change(Change::Anew { episode, after: Some(after) });
            }
        }
        if self.call.standing_rank(self.now) < before {
            self.news(Row::RankFell, Lead::Rung);
        }
    }

    fn answered(&mut self, by: &By, named: Option<Span>, only: Option<Seq>) {
        if self.call.kind == Kind::Drill {
            let lease = Lease { length: Span::ZERO, bound: None };
            self.change(Change::Answered { by: by.clone(), lease: lease.length, rank: Priority::Low });
            self.out.reply = Some(Reply::Holds(lease));
            return self.change(Change::Ended);
        }
        let ladders = self.ladders_of_standing();
        let lease = bounds::lease(&self.call, &ladders, &by.who, named, self.facts, self.now);
        self.out.reply = Some(if self.call.stands() { Reply::Holds(lease) } else { Reply::NothingStands });
        if let (Kind::Mass, Some(episode)) = (self.call.kind, only) {
            return self.change(Change::AnsweredOne { episode, by: by.clone(), lease: lease.length });
        }
        let before = self.call.answerer().cloned();
        let next = self.stage().after(Row::Answer);
        let standing = self.call.members.iter().filter(|member| member.stands());
        let rank = standing.map(|member| member.rank).max().unwrap_or(self.rank());
        let told = match next {
            Move::Answers => self.told_people(Some(&by.who)),
            _ => {
                let others = self.told_people(Some(&by.who)).into_iter();
                let earlier = before.map(|before| before.who);
                others.filter(|target| target.contact.is_some() && target.contact == earlier).collect()
            }
        };
        self.change(Change::Answered { by: by.clone(), lease: lease.length, rank });
        for target in told {
            self.tell(&target, Message::Taken(by.clone()), Lead::Rung, rank);
        }
    }

    fn ladders_of_standing(&self) -> Vec<&'a Ladder> {
        let mut names: Vec<&str> =
            self.call.members.iter().filter(|m| m.stands()).map(|m| m.ladder.as_str()).collect();
        names.sort_unstable();
        names.dedup();
        names.into_iter().filter_map(|name| self.facts.ladder(name)).collect()
    }

    fn next(&mut self, by: &By) {
        let at_last = self.is_at_last();
        let next = self.stage().after(Row::Next { at_last });
        self.out.reply = Some(match next {
            Move::Nothing => Reply::NothingStands,
            _ if at_last => Reply::NobodyElse,
            _ => Reply::NextIsCalled,
        });
        if next == Move::Nothing {
            return;
        }
        if at_last {
            self.change(Change::Pressed { by: by.clone(), again: Some(PRESSED_AGAIN) });
        }
        self.carry_out(next, Lead::Rung, None);
    }

    fn page(&mut self, target: &Target, fate: Fate) {
        let open_before: Vec<_> = self.call.active(self.now).into_iter().cloned().collect();
        self.change(Change::Page { target: target.clone(), fate });
        if self.call.settling.is_some() || fate == Fate::Taken {
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
                self.change(Change::RaisedAnew { episode: *episode });
                let next = self.stage().after(row);
                self.carry_out(next, Lead::Raised(*episode), Some((member.ladder, member.rank)));
            }
            Time::Rung { ladder, rank } => match (self.stage().after(Row::RungDue), held) {
                (Move::TellsRung, Some(until)) if self.call.kind != Kind::Drill => self.hold(until),
                (Move::TellsRung, _) => self.rung_due(ladder, *rank),
                _ => {}
            },
            Time::News => {
                let since = self.call.news.map_or(self.now, |news| news.since);
                let unaware =
                    |target: &Target| self.call.told.get(target).is_some_and(|told| told.last < since);
                for target in self.told_now().into_iter().filter(unaware).collect::<Vec<_>>() {
                    self.tell(&target, Message::Call, Lead::Rung, self.rank());
                }
                self.change(Change::NewsTold);
            }
            Time::Pressed => {
                let Some((by, _)) = self.call.pressed.clone() else { return };
                for target in self.facts.ways(&by.who) {
                    self.tell(&target, Message::NobodyElse, Lead::Rung, self.rank());
                }
                self.change(Change::Pressed { by, again: None });
            }
        }
    }

    fn hold(&mut self, until: Moment) {
        self.change(Change::Held { length: until - self.now, by: Hold::Quiet });
    }

    /// Carries out what the table said; `newcomer` is the ladder and rank of what was raised.
    fn carry_out(&mut self, next: Move, lead: Lead, newcomer: Option<(String, Priority)>) {
        match next {
            Move::Nothing
            | Move::GoesOn
            | Move::Listed
            | Move::StandsOn
            | Move::IsCovered
            | Move::Settles
            | Move::StateBefore
            | Move::RaisedLater => {}
            Move::ListedSoon => self.change(Change::NewsDue { within: NEWS_WITHIN }),
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
                self.change(Change::Ended);
            }
            Move::AllClear => {
                for target in self.told_people(None) {
                    self.tell(&target, Message::AllClear, Lead::Rung, self.rank());
                }
                self.change(Change::Ended);
            }
            Move::SaysDark => self.say_dark(),
            // Carried out where their event is met.
            Move::TellsRung
            | Move::Answers
            | Move::Replaces
            | Move::EndsPutAside
            | Move::Waits
            | Move::Refuses
            | Move::PutsAside
            | Move::DrillWaits => {}
        }
    }

    /// Whoever answered is asked alone, if there is a way to; else others are called.
    fn ask(&mut self) {
        let Some(who) = self.call.answer.as_ref().map(|answer| answer.by.who.clone()) else {
            return self.climb_from_zero(true);
        };
        let Some(rank) = self.call.standing_rank(self.now) else { return self.change(Change::GoesOn) };
        let to = self.facts.ways_to_ask(&who);
        if to.is_empty() || self.facts.is_away(&who) {
            return self.news(Row::Unrenewed, Lead::Rung);
        }
        let renew = self.ladders_of_standing().iter().map(|ladder| ladder.renew).min();
        let renew = renew.unwrap_or(bounds::SHORTEST).max(Span::minutes(1));
        self.change(Change::Asks { renew, rank, to: to.clone() });
        for target in to {
            self.tell(&target, Message::Ask, Lead::Rung, rank);
        }
    }

    /// Whatever a move left behind: each asked ladder is climbed, and nothing is held that may not be.
    fn mend_ladders(&mut self) {
        if self.call.settling.is_some() || self.call.kind == Kind::Drill {
            return;
        }
        if matches!(self.call.phase, Phase::Held { by: Hold::Quiet, .. })
            && quiet::held_until(&self.call, self.facts, self.now).is_none()
        {
            match self.unclimbed().is_empty() {
                true => self.change(Change::GoesOn),
                false => self.climb_from_zero(false),
            }
        }
        let missing = self.unclimbed();
        if self.call.phase == Phase::Climbing && !missing.is_empty() {
            self.go_on_milder(missing);
        }
    }
}
