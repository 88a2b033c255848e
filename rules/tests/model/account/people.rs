//! What people say: answers, and "next person now"; and what comes of their silence.

use super::Account;
use super::call::{Call, Member, Phase};
use super::house::{MINUTE, Rank, WAYS, person};

impl Account<'_> {
    /// The call-out in which an alarm stands, or else that in which it stood last.
    pub(super) fn call_of(&self, alarm: usize) -> Option<usize> {
        let of = |stands: bool| {
            self.calls.iter().rposition(|call| {
                let is = |it: &Member| it.alarm == alarm && (it.stands() || !stands);
                call.phase != Phase::Over && call.members.iter().any(is)
            })
        };
        of(true).or_else(|| of(false))
    }

    /// What an alarm's own code answers: the call-out that has it, or else that of the alarm.
    fn call_by_code_of(&self, alarm: usize) -> Option<usize> {
        let spell = self.spells[alarm].map(|spell| spell.nth);
        let has_it = |call: &Call| call.phase != Phase::Over && spell.is_some() && call.spell == spell;
        self.calls.iter().position(has_it).or_else(|| self.call_of(alarm))
    }

    pub(super) fn answers(&mut self, who: &'static str, alarm: usize, own: bool, named: Option<i64>) {
        let now = self.now;
        let by_code = if own { self.call_by_code_of(alarm) } else { self.call_of(alarm) };
        let Some(at) = by_code else { return };
        let covered: Vec<usize> = self.calls[at].members.iter().map(|it| it.alarm).collect();
        let covered = covered.into_iter().filter(|it| self.call_of(*it) == Some(at)).collect::<Vec<_>>();
        let standing: Vec<usize> =
            self.calls[at].members.iter().filter(|it| it.stands()).map(|it| it.alarm).collect();
        let of = |alarm: &usize| &self.house.ladders[self.house.alarms[*alarm].ladder];
        // Where nothing stands there is nothing to hold: it covers what comes back soon, whatever
        // time is named.
        let usual = standing.iter().map(|it| of(it).lease).min();
        let longest = if usual.is_some() && !self.goes_dark() { 12 * 60 } else { 10 };
        let lease = named.unwrap_or(usual.unwrap_or(longest)).clamp(1, longest) * MINUTE;
        let call = &mut self.calls[at];
        let several = call.digest || call.mass.is_some();
        if own && several && call.members.len() > 1 && standing.contains(&alarm) {
            if let Some(member) = call.members.iter_mut().find(|it| it.alarm == alarm) {
                (member.alone, member.covered) = (Some(now + lease), true);
                call.was_answered = true;
                member.acknowledged = true;
                if std::mem::take(&mut member.latched) && !call.members.iter().any(Member::stands) {
                    call.nothing_since = Some(now);
                }
            }
            self.sees_to_spell(alarm, true);
            return self.see_to_ladders(at);
        }
        covered.into_iter().for_each(|alarm| self.sees_to_spell(alarm, true));
        let call = &mut self.calls[at];
        let replaces = match call.phase {
            Phase::Answered(_) | Phase::Asking(_) => Some(call.answerer),
            _ if call.nothing_since.is_some() => Some(""),
            _ => None,
        };
        let all = call.members.iter().map(|it| self.house.alarms[it.alarm].rank);
        let of_standing = standing.iter().map(|it| self.house.alarms[*it].rank).max();
        call.covers = of_standing.or(all.max()).unwrap_or(0);
        let told: Vec<&str> = call.reached.iter().copied().filter(|to| person(to) != who).collect();
        let told = told.into_iter().filter(|to| replaces.is_none_or(|earlier| person(to) == earlier));
        let told: Vec<&str> = told.collect();
        call.phase = Phase::Answered(now + lease);
        call.was_answered = true;
        call.answerer = who;
        (call.news, call.pressed) = (None, None);
        for member in &mut call.members {
            // What is over, and was not answered yet, is too.
            member.acknowledged = true;
            if member.stands() {
                (member.covered, member.latched, member.alone) = (true, false, None);
            }
        }
        if !call.members.iter().any(Member::stands) {
            call.nothing_since = call.nothing_since.or(Some(now));
        }
        told.into_iter().for_each(|target| self.tell(at, target, "taken"));
    }

    /// Whoever answered is asked alone, if there is a way to.
    pub(super) fn ask(&mut self, at: usize) {
        let who = self.calls[at].answerer;
        let ways: Vec<&str> = WAYS.into_iter().filter(|it| person(it) == who && !self.sleeps(it)).collect();
        if ways.is_empty() {
            return self.nobody_said_a_word(at);
        }
        let Some(rank) = self.standing(&self.calls[at]) else {
            self.calls[at].phase = Phase::Climbing;
            return;
        };
        let renew = self.calls[at].members.iter().filter(|it| it.stands());
        let renew = renew.map(|it| self.house.ladders[self.house.alarms[it.alarm].ladder].renew).min();
        self.calls[at].phase = Phase::Asking(self.now + renew.unwrap_or(10) * MINUTE);
        self.calls[at].covers = rank;
        self.calls[at].open = ways.iter().copied().collect();
        ways.into_iter().for_each(|target| self.tell(at, target, "ask"));
    }

    pub(super) fn last_reached(&self, at: usize, ladder: usize, rank: Rank) -> Option<usize> {
        let call = &self.calls[at];
        let any =
            call.climbs.iter().filter(|((of, _), _)| *of == ladder).filter_map(|(_, climb)| climb.reached);
        call.climbs.get(&(ladder, rank)).and_then(|climb| climb.reached).or(any.max())
    }

    /// At the rung after the last one reached, and all before it again in the same moment.
    pub(super) fn nobody_said_a_word(&mut self, at: usize) {
        match self.held_until(at) {
            Some(until) => self.calls[at].phase = Phase::ForMorning(until),
            None => self.rung_after(at, true, "call"),
        }
    }

    pub(super) fn rung_after(&mut self, at: usize, all_before: bool, what: &'static str) {
        let Some(rank) = self.standing(&self.calls[at]) else {
            self.calls[at].phase = Phase::Climbing;
            return;
        };
        for ladder in self.asked_ladders(&self.calls[at]) {
            let last = self.house.ladders[ladder].rungs.len() - 1;
            let after = self.last_reached(at, ladder, rank).map_or(0, |reached| reached + 1).min(last);
            self.begin(at, ladder, rank, after, 0);
            for rung in if all_before { 0 } else { after }..=after {
                self.take(at, (ladder, rank), rung, what);
            }
        }
    }

    pub(super) fn presses_next(&mut self, who: &'static str, alarm: usize) {
        let Some(at) = self.call_by_code_of(alarm) else { return };
        if self.calls[at].nothing_since.is_some() {
            return;
        }
        let Some(rank) = self.standing(&self.calls[at]) else { return };
        let ladders = self.asked_ladders(&self.calls[at]);
        let climbing = self.calls[at].phase == Phase::Climbing;
        let answered = matches!(self.calls[at].phase, Phase::Answered(_) | Phase::Asking(_));
        let at_last = ladders.iter().all(|ladder| {
            let rungs = self.house.ladders[*ladder].rungs.len();
            match climbing {
                true => self.calls[at].climbs.get(&(*ladder, rank)).is_some_and(|climb| climb.next >= rungs),
                false => answered && self.last_reached(at, *ladder, rank).is_some_and(|it| it + 1 >= rungs),
            }
        });
        if at_last {
            self.calls[at].pressed = Some((who, self.now + 10 * MINUTE));
            for ladder in ladders {
                let last = self.house.ladders[ladder].rungs.len() - 1;
                self.begin(at, ladder, rank, last, 0);
                (0..=last).for_each(|rung| self.take(at, (ladder, rank), rung, "call"));
            }
        } else {
            self.next_rung(at, "call");
        }
        self.see_to_ladders(at);
    }

    /// The next rung, now; at the rung after the last reached, if somebody has it.
    pub(super) fn next_rung(&mut self, at: usize, what: &'static str) {
        if matches!(self.calls[at].phase, Phase::Answered(_) | Phase::Asking(_)) {
            return self.rung_after(at, false, what);
        }
        let Some(rank) = self.standing(&self.calls[at]) else { return };
        let climbing = self.calls[at].phase == Phase::Climbing;
        for ladder in self.asked_ladders(&self.calls[at]) {
            if !climbing || !self.calls[at].climbs.contains_key(&(ladder, rank)) {
                self.begin(at, ladder, rank, 0, 0);
            }
            let next = self.calls[at].climbs[&(ladder, rank)].next;
            if next < self.house.ladders[ladder].rungs.len() {
                self.take(at, (ladder, rank), next, what);
            }
        }
    }

    /// Whether the watch's own power is about to end.
    pub(super) fn goes_dark(&self) -> bool {
        self.house.alarms.iter().zip(&self.raised).any(|(alarm, raised)| alarm.own_end && *raised)
    }

    /// This watch goes dark: that breaks through everything, to all who were told and the next
    /// rung.
    pub(super) fn says_dark(&mut self, own: usize) {
        for at in 0..self.calls.len() {
            let call = &self.calls[at];
            let open = call.phase != Phase::Over && call.nothing_since.is_none();
            let says_it = call.phase == Phase::Climbing && call.members.iter().all(|it| it.alarm == own);
            if !open || says_it {
                continue;
            }
            if matches!(call.phase, Phase::Answered(_) | Phase::Asking(_)) {
                let who = call.answerer;
                let ways = WAYS.into_iter().filter(|target| person(target) == who);
                ways.for_each(|target| self.tell(at, target, "news"));
            }
            self.told_so_far(at).into_iter().for_each(|target| self.tell(at, target, "news"));
            self.next_rung(at, "news");
            self.see_to_ladders(at);
        }
    }
}
