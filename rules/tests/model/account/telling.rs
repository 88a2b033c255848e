//! Who is told: by a rung, with news, and what all that comes to by one way in one moment.

use super::Account;
use super::call::Phase;
use super::house::{CRITICAL, MINUTE, Rank, SIREN, Telling};
use super::siren::A_RUNG;
use std::collections::BTreeSet;

impl Account<'_> {
    pub(super) fn tell(&mut self, at: usize, target: &'static str, what: &'static str) {
        if target == SIREN {
            return self.tell_siren(at);
        }
        let now = self.now;
        let told = (now, self.failures);
        let cant_wait = self.calls[at].digest && self.cant_wait(at);
        let call = &mut self.calls[at];
        // A rung adds nothing to the news of the same moment.
        let is_news = call.out.iter().any(|(at, to, what)| (*at, *to, *what) == (told, target, "news"));
        let what = if (is_news || cant_wait) && what == "call" { "news" } else { what };
        let asks = asks(what);
        for member in &mut call.members {
            // What latched, or waits for a hand, has not ended.
            member.end_told |= !member.stands();
            if asks && member.stands() {
                member.told = member.told.or(Some(now));
            }
        }
        if asks {
            call.told.insert(target, now);
        }
        if self.amiss(target).is_none() && !self.finds_room(at, target, what) {
            return;
        }
        if self.tries(at, target, what) && asks {
            self.calls[at].reached.insert(target);
        }
        self.calls[at].out.push(((now, self.failures), target, what));
    }

    /// All that went out: of what one call-out says in one moment by one way, the last; but what
    /// follows from a failure is said apart.
    pub(crate) fn pages(self) -> Vec<Telling> {
        let mut pages: Vec<Telling> = self.siren_pages().collect();
        for call in &self.calls {
            for (nth, (at, target, what)) in call.out.iter().enumerate() {
                let later = call.out.iter().skip(nth + 1);
                if later.into_iter().any(|(then, to, _)| then == at && to == target) {
                    continue;
                }
                // What follows from a failure adds nothing to a page that got through.
                let mut earlier = call.out.iter().take(nth);
                let told = |(then, to, earlier): &((i64, u32), &'static str, &str)| {
                    then.0 == at.0
                        && then.1 < at.1
                        && to == target
                        && asks(earlier)
                        && !call.lost.contains(&(*then, *to))
                };
                if asks(what) && earlier.any(told) {
                    continue;
                }
                let what = match *what {
                    "ask" | "news" => "call",
                    "call" if call.digest => "digest",
                    "morning" => "digest",
                    what => what,
                };
                pages.push((at.0, (*target).to_owned(), what));
            }
        }
        pages.sort();
        pages
    }

    /// Everyone told so far who may be told now; a siren that was told sounds for news too.
    pub(super) fn told_so_far(&self, at: usize) -> Vec<&'static str> {
        let call = &self.calls[at];
        let loud = self.standing(call) == Some(CRITICAL);
        let siren = call.siren.filter(|_| loud).map(|_| SIREN);
        let asked = self.asked_so_far(at).into_iter();
        asked.filter(|target| loud || !self.sleeps(target)).chain(siren).collect()
    }

    /// Whom a page has reached, or still may.
    pub(super) fn asked_so_far(&self, at: usize) -> BTreeSet<&'static str> {
        let call = &self.calls[at];
        let waiting = call.waiting.iter().filter(|(_, it)| asks(it.what)).map(|(target, _)| *target);
        call.reached.iter().copied().chain(waiting).collect()
    }

    /// When this call-out told it something that asks for the last time.
    pub(super) fn last_told(&self, at: usize, target: &str) -> Option<i64> {
        match target {
            SIREN => self.calls[at].siren.map(|(until, _)| until - A_RUNG),
            person => self.calls[at].told.get(person).copied(),
        }
    }

    pub(super) fn news(&mut self, at: usize) {
        if self.held_until(at).is_none() {
            self.told_so_far(at).into_iter().for_each(|target| self.tell(at, target, "news"));
        }
    }

    /// It is known of a way that its page has failed. A rung all of whose pages failed gives way to
    /// the next, now; whoever answered and can't be reached, to others.
    pub(super) fn fails(&mut self, at: usize, target: &'static str) {
        let rank = self.standing(&self.calls[at]).unwrap_or(0);
        let asked = self.asked_ladders(&self.calls[at]);
        let mut in_vain = Vec::new();
        let call = &mut self.calls[at];
        for ((ladder, of), climb) in &mut call.climbs {
            if climb.open.remove(target) && climb.open.is_empty() && *of == rank && asked.contains(ladder) {
                in_vain.push((*ladder, climb.next));
            }
        }
        let asking_failed = call.open.remove(target) && call.open.is_empty();
        if call.nothing_since.is_some() {
            return;
        }
        match call.phase {
            Phase::Asking(_) if asking_failed => self.nobody_said_a_word(at),
            Phase::Climbing => {
                for (ladder, next) in in_vain {
                    if next < self.house.ladders[ladder].rungs.len() {
                        self.take(at, (ladder, rank), next, "call");
                    }
                }
            }
            Phase::ForCause(_)
            | Phase::ForSight(_)
            | Phase::ForMorning(_)
            | Phase::Answered(_)
            | Phase::Asking(_)
            | Phase::Over => {}
        }
        self.see_to_ladders(at);
    }

    /// Whom a rung tells; from the ladder's length on it repeats the last that reaches somebody,
    /// and for something critical also those whom their hours have spared.
    pub(super) fn whom(
        &self,
        _at: usize,
        ladder: usize,
        rank: Rank,
        rung: usize,
        in_its_time: bool,
    ) -> Vec<&'static str> {
        let rungs = &self.house.ladders[ladder].rungs;
        let all = || rungs.iter().flat_map(|(_, to)| to.iter().copied()).filter(|to| *to != SIREN);
        let nobody_awake = all().all(|target| self.sleeps(target));
        let second_round = rung >= rungs.len() && rank == CRITICAL && (rung > rungs.len() || in_its_time);
        let may = |target: &&str| match *target {
            SIREN => rank == CRITICAL,
            person => nobody_awake || second_round || !self.sleeps(person),
        };
        let of = |rung: usize| rungs[rung].1.iter().copied().filter(may).collect::<Vec<_>>();
        let mut to = match rung < rungs.len() {
            true => of(rung),
            false => (0..rungs.len()).rev().map(of).find(|to| names_somebody(to)).unwrap_or_default(),
        };
        if second_round {
            to.extend(all().filter(|target| self.sleeps(target)));
        }
        to
    }

    /// A repeat within five minutes of news that has reached all whom it would tell comes its time
    /// after that news.
    pub(super) fn repeats_behind_news(&self, at: usize, ladder: usize, rank: Rank) -> Option<i64> {
        let (call, of) = (&self.calls[at], &self.house.ladders[ladder]);
        let climb = &call.climbs[&(ladder, rank)];
        let again = of.again * MINUTE;
        if climb.next < of.rungs.len() {
            return None;
        }
        let people = self.whom(at, ladder, rank, climb.next, true);
        if people.contains(&SIREN) {
            return None;
        }
        let asked = people.into_iter().map(|target| {
            let asked = *call.told.get(target)?;
            let lost = call.lost.iter().any(|((then, _), to)| *then == asked && *to == target);
            (!lost && asked > climb.due - again && self.now - asked < 5 * MINUTE).then_some(asked)
        });
        asked.collect::<Option<Vec<i64>>>()?.into_iter().min().map(|asked| asked + again)
    }

    /// A rung is told; if it reaches nobody, those after it.
    pub(super) fn take(&mut self, at: usize, (ladder, rank): (usize, Rank), rung: usize, what: &'static str) {
        let rungs: Vec<i64> =
            self.house.ladders[ladder].rungs.iter().map(|(after, _)| *after * MINUTE).collect();
        let last = rungs.len() - 1;
        for (nth, rung) in (rung..=rung.max(rungs.len())).enumerate() {
            let to = self.whom(at, ladder, rank, rung, nth == 0);
            to.iter().for_each(|target| self.tell(at, target, what));
            let now = self.now;
            let again = self.house.ladders[ladder].again * MINUTE;
            self.calls[at].unheard = None;
            let Some(climb) = self.calls[at].climbs.get_mut(&(ladder, rank)) else { return };
            climb.next = rung + 1;
            climb.reached = climb.reached.max(Some(rung.min(last)));
            climb.due = rungs.get(rung + 1).map_or(now + again, |after| (climb.begun + after).max(now));
            climb.open = to.iter().copied().filter(|target| *target != SIREN).collect();
            if names_somebody(&to) {
                return;
            }
        }
    }
}

pub(super) fn asks(what: &str) -> bool {
    matches!(what, "call" | "news" | "ask" | "morning")
}

/// A siren is nobody.
fn names_somebody(to: &[&str]) -> bool {
    to.iter().any(|target| *target != SIREN)
}
