//! How the moves of the table climb ladders: which rungs are told now, whom a rung reaches, and
//! when the next is due. People's hours hold until nobody else is left; a rung that reaches nobody
//! gives way to the next in the same moment.

use super::decide::Decision;
use super::facts::{Block, Insistence};
use super::headline::Lead;
use super::ladder::Ladder;
use super::quiet;
use super::state::Phase;
use crate::alarm::Priority;
use crate::plan::Target;
use crate::record::{CallChange, CallKind, CallMessage, HeldBy};
use crate::time::Span;
use std::collections::BTreeSet;

impl Decision<'_> {
    /// Begins a ladder at a rung. It falls due at its own time, counted from now on, or after
    /// `due`.
    pub(super) fn begin_at(&mut self, ladder: &str, rank: Priority, rung: u32, due: Option<Span>) {
        let Some(known) = self.facts.ladder(ladder) else { return };
        let after = known.after(rung).unwrap_or(Span::ZERO);
        let (ago, due) = match due {
            Some(due) => (after - due, due),
            None => (Span::ZERO, after),
        };
        self.change(CallChange::Began {
            ladder: ladder.to_owned(),
            rank,
            rung,
            ago: ago.max(Span::ZERO),
            due,
        });
    }

    /// All asked ladders begin at rung 0, at once or at its own time; held, if quiet hours hold it.
    pub(super) fn climb_from_zero(&mut self, at_once: bool) {
        if let Some(until) = quiet::held_until(&self.call, self.facts, self.now) {
            return self.change(CallChange::Held { length: until - self.now, by: HeldBy::Quiet });
        }
        let Some((rank, ladders)) = self.call.asked_ladders(self.now) else {
            return self.change(CallChange::GoesOn);
        };
        for ladder in ladders {
            self.begin_at(&ladder, rank, 0, at_once.then_some(Span::ZERO));
        }
    }

    pub(super) fn blocked(&self, target: &Target, rank: Priority) -> Option<Block> {
        match target.contact {
            Some(_) => self.facts.block(target),
            None => {
                let by_sight_alone = self.call.kind != CallKind::Drill
                    && self.call.sounding_rank(self.now).is_none_or(|sounding| sounding < rank);
                let silent = by_sight_alone || rank < self.facts.siren(target).from;
                self.facts.block(target).or(silent.then_some(Block::Rank))
            }
        }
    }

    /// A rung's time has come. A drill ends where another climb would begin to repeat.
    pub(super) fn rung_due(&mut self, ladder: &str, rank: Priority) {
        let Some(climb) = self.call.climb(ladder, rank) else { return };
        let next = climb.next;
        let rungs = self.facts.ladder(ladder).map_or(0, Ladder::len);
        if self.call.kind == CallKind::Drill && next >= rungs {
            return self.change(CallChange::Ended);
        }
        match self.put_off_by_news(ladder, rank) {
            Some(due) => {
                let ago = self.now - climb.begun;
                self.change(CallChange::Began {
                    ladder: ladder.to_owned(),
                    rank,
                    rung: next,
                    ago,
                    due: due - self.now,
                });
            }
            None => self.take(ladder, rank, next, Lead::Rung),
        }
    }

    /// Tells a rung's people, and those of the rungs after it as long as nobody is reached.
    pub(super) fn take(&mut self, name: &str, rank: Priority, rung: u32, lead: Lead) {
        let Some(ladder) = self.facts.ladder(name) else { return };
        let begun = self.call.climb(name, rank).map_or(self.now, |climb| climb.begun);
        let rungs = ladder.len();
        for (nth, rung) in (rung..=rung.max(rungs)).enumerate() {
            let (to, skipped) = self.reaches(ladder, rank, rung, nth == 0);
            let reaches_someone = to.iter().any(|target| target.contact.is_some());
            let message =
                if self.call.kind == CallKind::Drill { CallMessage::Drill } else { CallMessage::Call };
            for target in &to {
                self.tell(target, message.clone(), lead, rank);
            }
            let is_shut = skipped.iter().any(|(_, block)| *block == Block::Shut);
            self.out.skipped.extend(skipped);
            let next = ladder.wait_after(rung, begun, self.now);
            let (ladder, last) = (name.to_owned(), rungs.saturating_sub(1));
            self.change(CallChange::Rung { ladder, rank, rung, last, to, next });
            // Whoever has been told needs no help with a channel before its time.
            if reaches_someone || (is_shut && !self.told_people(None).is_empty()) {
                break;
            }
        }
    }

    /// Whom a rung tells, and who is left out and why. From the ladder's length on it is a repeat:
    /// the last rung that reaches somebody, and for something critical all whose hours spared them,
    /// unless it only takes the place of a last rung that reaches nobody (`in_its_time`): that
    /// round has just ended, and nobody could have answered it.
    pub(super) fn reaches(
        &self,
        ladder: &Ladder,
        rank: Priority,
        rung: u32,
        in_its_time: bool,
    ) -> (Vec<Target>, Vec<(Target, Block)>) {
        let repeat = rung.checked_sub(ladder.len());
        let by_round = match (repeat, rank) {
            (None, _) | (_, Priority::Low | Priority::Medium | Priority::High) => Insistence::Polite,
            (Some(0), Priority::Critical) if !in_its_time => Insistence::Polite,
            (Some(0 | 1), Priority::Critical) => Insistence::Hours,
            (Some(_), Priority::Critical) => Insistence::All,
        };
        let by_round = if self.call.kind == CallKind::Drill { Insistence::Polite } else { by_round };
        let insistence = by_round.max(self.insistence(ladder, rank));
        let may =
            |target: &Target| self.blocked(target, rank).is_none_or(|block| insistence.overrides(block));
        let is_person = |target: &Target| target.contact.is_some() && may(target);
        let last = || (0..ladder.len()).rev().find(|rung| self.people(ladder, *rung).iter().any(is_person));
        let rung = match repeat {
            Some(_) => last().unwrap_or(ladder.len().saturating_sub(1)),
            None => rung,
        };
        let (mut to, left): (Vec<Target>, Vec<Target>) = self.people(ladder, rung).into_iter().partition(may);
        if by_round > Insistence::Polite {
            let all = (0..ladder.len()).flat_map(|rung| self.people(ladder, rung));
            let spared = all.filter(|target| self.blocked(target, rank).is_some() && may(target));
            to.extend(spared.collect::<Vec<_>>());
        }
        let mut seen = BTreeSet::new();
        to.retain(|target| seen.insert(target.clone()));
        let left =
            left.into_iter().filter_map(|target| self.blocked(&target, rank).map(|block| (target, block)));
        (to, left.collect())
    }

    fn people(&self, ladder: &Ladder, rung: u32) -> Vec<Target> {
        self.facts.people(&ladder.name, rung)
    }

    /// Better woken than late: if no rung can reach anybody, people's hours don't count, and if
    /// that is not enough, those who are away are asked.
    fn insistence(&self, ladder: &Ladder, rank: Priority) -> Insistence {
        let all: Vec<Target> = (0..ladder.len()).flat_map(|rung| self.people(ladder, rung)).collect();
        let people = || all.iter().filter(|target| target.contact.is_some());
        let reaches = |insistence: Insistence| {
            people().any(|target| self.blocked(target, rank).is_none_or(|block| insistence.overrides(block)))
        };
        let levels = [Insistence::Polite, Insistence::Hours, Insistence::All];
        levels.into_iter().find(|insistence| reaches(*insistence)).unwrap_or(Insistence::Polite)
    }

    /// The highest rank has fallen: each ladder of what is left goes on at the first rung that
    /// names somebody who was not told yet, in its own time; held, if quiet hours hold it.
    pub(super) fn go_on_milder(&mut self, ladders: Vec<String>) {
        if let Phase::Held { by: HeldBy::Cause | HeldBy::Sight, .. } = self.call.phase {
            return;
        }
        if let Some(until) = quiet::held_until(&self.call, self.facts, self.now) {
            return self.change(CallChange::Held { length: until - self.now, by: HeldBy::Quiet });
        }
        let Some(rank) = self.call.standing_rank(self.now) else { return };
        // Whoever is told in this moment is told.
        let asked = self.out.tells.iter().filter(|tell| tell.message.asks() && tell.target.contact.is_some());
        let just_told: Vec<Target> = asked.map(|tell| tell.target.clone()).collect();
        let told: BTreeSet<Target> = self.call.told_so_far().chain(&just_told).cloned().collect();
        for name in ladders {
            let Some(ladder) = self.facts.ladder(&name) else { continue };
            let of =
                self.call.members.iter().filter(|m| m.calls(self.now) && m.rank == rank && m.ladder == name);
            let raised = of.map(|member| member.raised).min().unwrap_or(self.now);
            let is_new = |target: &Target| target.contact.is_some() && !told.contains(target);
            let rung = (0..ladder.len()).find(|rung| self.people(ladder, *rung).iter().any(is_new));
            let due = match rung.and_then(|rung| ladder.after(rung)) {
                Some(after) => raised + after,
                None => {
                    // That a siren fell silent, or that somebody has it, asked nobody.
                    let people = self.call.told.iter().filter(|(target, _)| target.contact.is_some());
                    let now = (!just_told.is_empty()).then_some(self.now);
                    let last = people.map(|(_, told)| told.asked).chain(now).max();
                    last.unwrap_or(self.now) + ladder.again
                }
            };
            self.change(CallChange::Began {
                ladder: name,
                rank,
                rung: rung.unwrap_or(ladder.len()),
                ago: self.now - raised,
                due: (due - self.now).max(Span::ZERO),
            });
        }
    }

    /// Which asked ladders have no climb for the asked rank.
    pub(super) fn unclimbed(&self) -> Vec<String> {
        let Some((rank, ladders)) = self.call.asked_ladders(self.now) else { return Vec::new() };
        let climbed =
            |ladder: &String| self.facts.ladder(ladder).is_none() || self.call.climb(ladder, rank).is_some();
        ladders.into_iter().filter(|ladder| !climbed(ladder)).collect()
    }

    /// Whether all rungs of all asked ladders have been taken.
    pub(super) fn is_at_last(&self) -> bool {
        let Some((rank, ladders)) = self.call.asked_ladders(self.now) else { return false };
        ladders.iter().all(|ladder| {
            let rungs = self.facts.ladder(ladder).map_or(0, Ladder::len);
            match self.call.phase {
                Phase::Climbing => self.call.climb(ladder, rank).is_some_and(|climb| climb.next >= rungs),
                Phase::Answered { .. } | Phase::Asking { .. } => {
                    self.call.reached(ladder, rank).is_some_and(|reached| reached.saturating_add(1) >= rungs)
                }
                Phase::Held { .. } | Phase::Over => false,
            }
        })
    }

    /// The next rung of each asked ladder, now.
    pub(super) fn next_rungs(&mut self, lead: Lead) {
        let climbed = self.call.phase == Phase::Climbing;
        let Some((rank, ladders)) = self.call.asked_ladders(self.now) else {
            return self.change(CallChange::GoesOn);
        };
        // What quiet hours hold is told all the same if a person wants it; its later rungs wait
        // again.
        for ladder in ladders {
            if !climbed || self.call.climb(&ladder, rank).is_none() {
                self.begin_at(&ladder, rank, 0, Some(Span::ZERO));
            }
            let next = self.call.climb(&ladder, rank).map_or(0, |climb| climb.next);
            let rungs = self.facts.ladder(&ladder).map_or(0, Ladder::len);
            if next < rungs {
                self.take(&ladder, rank, next, lead);
            }
        }
    }

    /// Each asked ladder goes on at the rung after the last that was reached, now; with all rungs
    /// before it, if those people are to be told again too.
    pub(super) fn rung_after(&mut self, and_all_before: bool, lead: Lead) {
        let Some((rank, ladders)) = self.call.asked_ladders(self.now) else {
            return self.change(CallChange::GoesOn);
        };
        for name in ladders {
            let last = self.facts.ladder(&name).map_or(0, Ladder::len).saturating_sub(1);
            let after =
                self.call.reached(&name, rank).map_or(0, |reached| reached.saturating_add(1)).min(last);
            let first = if and_all_before { 0 } else { after };
            self.take_all(&name, rank, first, after, lead);
        }
    }

    /// All rungs of all asked ladders again.
    pub(super) fn all_again(&mut self) {
        let Some((rank, ladders)) = self.call.asked_ladders(self.now) else { return };
        for name in ladders {
            let last = self.facts.ladder(&name).map_or(0, Ladder::len).saturating_sub(1);
            self.take_all(&name, rank, 0, last, Lead::Rung);
        }
    }

    /// All rungs of all ladders, at once: it can't wait for anybody's answer.
    pub(super) fn all_rungs(&mut self, lead: Lead) {
        self.tell_answerer(lead);
        let standing: BTreeSet<String> = self.call.members.ladders().map(str::to_owned).collect();
        let asked = self.call.asked_ladders(self.now).filter(|_| self.call.settling.is_none());
        if let Some((rank, ladders)) = &asked {
            for name in ladders {
                let last = self.facts.ladder(name).map_or(0, Ladder::len).saturating_sub(1);
                self.take_all(name, *rank, 0, last, lead);
            }
        }
        let climbed = asked.map(|(_, ladders)| ladders).unwrap_or_default();
        let rank = self.rank();
        for name in standing.difference(&climbed) {
            let Some(ladder) = self.facts.ladder(name) else { continue };
            for rung in 0..ladder.len() {
                for target in self.reaches(ladder, rank, rung, true).0 {
                    self.tell(&target, CallMessage::Call, lead, rank);
                }
            }
        }
    }

    /// Takes the rungs from `first` to `after` now; the ladder's times go on from the latter.
    fn take_all(&mut self, name: &str, rank: Priority, first: u32, after: u32, lead: Lead) {
        self.begin_at(name, rank, after, Some(Span::ZERO));
        for rung in first..=after {
            // A rung in between may have gone on to later ones already, if it reaches nobody.
            self.take(name, rank, rung, lead);
        }
    }

    /// Sirens that this call-out told, once their time is over. Until then its wish follows from
    /// what it does: what is back within that time wants them again.
    pub(super) fn hush_sirens(&mut self) {
        let sounding =
            self.call.told.iter().filter(|(target, told)| target.contact.is_none() && told.message.asks());
        let is_over = |target: &Target, last| last + self.facts.siren(target).a_rung <= self.now;
        let ends = self.call.phase == Phase::Over;
        let unwanted = sounding.filter(|(target, told)| ends || is_over(target, told.last));
        for target in unwanted.map(|(target, _)| target.clone()).collect::<Vec<_>>() {
            self.tell(&target, CallMessage::Hush, Lead::Rung, self.rank());
        }
    }

    /// Everyone told so far and the next rung learn that nobody is called after this.
    pub(super) fn say_dark(&mut self) {
        // What came and went waits for the morning as it did.
        if !self.call.stands() {
            return;
        }
        let lead = Lead::GoesDark;
        self.tell_answerer(lead);
        self.tell_told(lead);
        match self.call.phase {
            Phase::Held { .. } | Phase::Climbing | Phase::Over => self.next_rungs(lead),
            Phase::Answered { .. } | Phase::Asking { .. } => self.rung_after(false, lead),
        }
    }

    /// What came and went at night is told once, to whoever rung 0 names.
    pub(super) fn tell_morning(&mut self) {
        let rank = self.rank();
        let ladders: BTreeSet<String> = self.call.members.ladders().map(str::to_owned).collect();
        for name in ladders {
            let Some(ladder) = self.facts.ladder(&name) else { continue };
            let people = |rung: &u32| {
                self.reaches(ladder, rank, *rung, true).0.into_iter().filter(|t| t.contact.is_some())
            };
            let first = (0..ladder.len()).find(|rung| people(rung).next().is_some()).unwrap_or(0);
            for target in people(&first).collect::<Vec<_>>() {
                self.tell(&target, CallMessage::Morning, Lead::Rung, rank);
            }
        }
    }
}
