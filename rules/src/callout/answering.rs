//! What people say to a call-out: an answer, or that the next person is to be called; and how
//! whoever answered is asked again, alone, before others are.

use super::bounds::{self, Lease};
use super::decide::{Decision, Reply};
use super::headline::Lead;
use super::ladder::Ladder;
use super::state::PRESSED_AGAIN;
use super::table::{Move, Row};
use crate::alarm::Priority;
use crate::plan::Target;
use crate::record::{By, CallChange, CallKind, CallMessage, Seq};
use crate::time::Span;

impl<'a> Decision<'a> {
    pub(super) fn answered(&mut self, by: &By, named: Option<Span>, only: Option<Seq>) {
        if self.call.kind == CallKind::Drill {
            let lease = Lease { length: Span::ZERO, bound: None };
            self.change(CallChange::Answered { by: by.clone(), lease: lease.length, rank: Priority::Low });
            self.out.reply = Some(Reply::Holds(lease));
            return self.change(CallChange::Ended);
        }
        let ladders = self.ladders_of_standing();
        let lease = bounds::lease(&self.call, &ladders, &by.who, named, self.facts, self.now);
        self.out.reply = Some(if self.call.stands() { Reply::Holds(lease) } else { Reply::NothingStands });
        if let (CallKind::Mass | CallKind::Digest, Some(episode)) = (self.call.kind, only) {
            return self.change(CallChange::AnsweredOne { episode, by: by.clone(), lease: lease.length });
        }
        let before = self.call.answerer().cloned();
        let next = self.stage().after(Row::Answer);
        let rank = self.call.members.standing_rank().unwrap_or(self.rank());
        let mut told: Vec<Target> = self.told_people(Some(&by.who));
        if next == Move::Replaces {
            let earlier = before.map(|before| before.who);
            told.retain(|target| target.contact == earlier);
        }
        self.change(CallChange::Answered { by: by.clone(), lease: lease.length, rank });
        for target in told {
            self.tell(&target, CallMessage::Taken(by.clone()), Lead::Rung, rank);
        }
    }

    pub(super) fn ladders_of_standing(&self) -> Vec<&'a Ladder> {
        let names = self.call.members.standing_ladders();
        names.into_iter().filter_map(|name| self.facts.ladder(name)).collect()
    }

    pub(super) fn next(&mut self, by: &By) {
        let at_last = self.is_at_last();
        let next = self.stage().after(Row::Next { at_last });
        // What only waits to be told in the morning calls nobody either.
        if next == Move::Nothing || !self.call.stands() {
            self.out.reply = Some(Reply::NothingStands);
            return;
        }
        self.out.reply = Some(if at_last { Reply::NobodyElse } else { Reply::NextIsCalled });
        if at_last {
            self.change(CallChange::Pressed { by: by.clone(), again: Some(PRESSED_AGAIN) });
        }
        self.carry_out(next, Lead::Rung, None);
    }

    /// Whoever answered is asked alone, if there is a way to; else others are called.
    pub(super) fn ask(&mut self) {
        let Some(who) = self.call.answer.as_ref().map(|answer| answer.by.who.clone()) else {
            return self.climb_from_zero(true);
        };
        let Some(rank) = self.call.standing_rank(self.now) else { return self.change(CallChange::GoesOn) };
        let to = self.facts.ways_to_ask(&who);
        if to.is_empty() || self.facts.is_away(&who) {
            return self.news(Row::Unrenewed, Lead::Rung);
        }
        let renew = self.ladders_of_standing().iter().map(|ladder| ladder.renew).min();
        let renew = renew.unwrap_or(bounds::SHORTEST);
        self.change(CallChange::Asks { renew, rank, to: to.clone() });
        for target in to {
            self.tell(&target, CallMessage::Ask, Lead::Rung, rank);
        }
    }
}
