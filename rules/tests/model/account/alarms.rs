//! What alarms mean for call-outs: whose call-out is theirs, what their coming and their end does.

use super::Account;
use super::call::{Call, Member, Phase, Spell};
use super::house::{CRITICAL, MINUTE, Rank, WAYS, person};
use std::collections::{BTreeMap, BTreeSet};

impl Account<'_> {
    pub(super) fn raise(&mut self, alarm: usize) {
        let now = self.now;
        self.raises[alarm].retain(|at| now - at <= 180 * MINUTE);
        self.raises[alarm].push(now);
        match self.home(alarm) {
            Some(at) if self.takes_its_kin_out_of(at, alarm) => {
                // Whoever has what could wait, or was told of it, hears that this can't.
                let aware = self.aware_of(at, self.house.alarms[alarm].rank);
                self.begins_known_to(alarm, &aware);
                let kin: Vec<usize> = self.calls[at]
                    .members
                    .iter()
                    .filter(|it| {
                        let related = self.explains(alarm, it.alarm) || self.explains(it.alarm, alarm);
                        (it.over.is_none() || it.latched) && (related || self.loss_is_kin_of(it, alarm))
                    })
                    .map(|it| it.alarm)
                    .collect();
                self.calls[at].members.retain(|it| !kin.contains(&it.alarm));
                if self.calls[at].members.is_empty() {
                    self.calls[at].phase = Phase::Over;
                } else if !self.calls[at].members.iter().any(Member::stands) {
                    self.calls[at].nothing_since = self.calls[at].nothing_since.or(Some(now));
                } else {
                    self.see_to_ladders(at);
                }
                for kin in kin {
                    self.joins_some_call(kin);
                    self.is_worse(kin);
                }
            }
            _ => self.joins_some_call(alarm),
        }
    }

    /// Something that can't wait begins a call-out with its kin out of those that could: if nobody
    /// is asked for them yet, or for less.
    fn takes_its_kin_out_of(&self, at: usize, alarm: usize) -> bool {
        let call = &self.calls[at];
        let nobody_yet = matches!(call.phase, Phase::ForMorning(_));
        let asked = match call.phase {
            Phase::Answered(_) | Phase::Asking(_) => Some(call.covers),
            _ => self.standing(call),
        };
        let above = asked.is_none_or(|asked| self.house.alarms[alarm].rank > asked);
        call.digest
            && (nobody_yet || above)
            && self.is_held(alarm, self.now).is_none()
            && !call.members.iter().any(|it| it.alarm == alarm)
    }

    /// Who has a call-out, by all their ways, and who was told of it and may be told of this.
    fn aware_of(&self, at: usize, rank: Rank) -> BTreeSet<&'static str> {
        let call = &self.calls[at];
        let told = self.asked_so_far(at).into_iter();
        let told = told.filter(|target| rank == CRITICAL || !self.sleeps(target));
        let has_it = matches!(call.phase, Phase::Answered(_) | Phase::Asking(_));
        told.chain(WAYS.into_iter().filter(|target| has_it && person(target) == call.answerer)).collect()
    }

    pub(super) fn joins_some_call(&mut self, alarm: usize) {
        match self.home(alarm) {
            Some(at) => self.joins(at, alarm),
            None => {
                let ladder = self.house.alarms[alarm].ladder;
                let digest = self.calls.iter().position(|call| {
                    call.digest
                        && matches!(call.phase, Phase::ForMorning(_))
                        && call.members.iter().any(|it| self.house.alarms[it.alarm].ladder == ladder)
                });
                let held = self.is_held(alarm, self.now).is_some();
                let low = self.low_of_kind(alarm).filter(|_| !held);
                match digest.filter(|_| held).or(low) {
                    Some(at) => self.joins(at, alarm),
                    None => self.begins(alarm),
                }
            }
        }
    }

    /// The call-out of its kin: the one of higher rank, else the older.
    pub(super) fn home(&self, alarm: usize) -> Option<usize> {
        // What has never ceased to stand is where it is.
        let own = |call: &Call| {
            call.phase != Phase::Over && call.members.iter().any(|it| it.alarm == alarm && it.stands())
        };
        if let Some(at) = self.calls.iter().position(own) {
            return Some(at);
        }
        let claims = |call: &Call| {
            call.members.iter().any(|it| {
                let recent = it.stands() || it.over.is_some_and(|at| self.now - at <= self.settle(call));
                it.alarm == alarm
                    || (recent && (self.explains(it.alarm, alarm) || self.explains(alarm, it.alarm)))
            })
        };
        let claims = |call: &Call| claims(call) || self.loss_belongs(call, alarm);
        let open =
            self.calls.iter().enumerate().filter(|(_, call)| call.phase != Phase::Over && claims(call));
        let all = |call: &Call| call.members.iter().map(|it| self.house.alarms[it.alarm].rank).max();
        open.max_by_key(|(at, call)| (self.standing(call).or(all(call)), std::cmp::Reverse(*at)))
            .map(|(at, _)| at)
    }

    pub(super) fn begins(&mut self, alarm: usize) {
        self.begins_known_to(alarm, &BTreeSet::new());
    }

    fn begins_known_to(&mut self, alarm: usize, aware: &BTreeSet<&'static str>) {
        let of = &self.house.alarms[alarm];
        let held = self.is_held(alarm, self.now);
        let (many, mass) = self.mass_for(of.ladder);
        if let Some(at) = mass.filter(|_| held.is_none()) {
            return self.joins(at, alarm);
        }
        let about_several = held.is_some() || many;
        let spell = self.spells[alarm].filter(|_| !about_several).map(|spell| spell.nth);
        self.calls.push(Call {
            digest: held.is_some(),
            spell,
            members: Vec::new(),
            phase: Phase::Climbing,
            nothing_since: None,
            climbs: BTreeMap::new(),
            answerer: "",
            covers: 0,
            told: BTreeMap::new(),
            reached: BTreeSet::new(),
            failed: Vec::new(),
            waiting: BTreeMap::new(),
            in_vain: BTreeSet::new(),
            was_answered: false,
            lost: BTreeSet::new(),
            open: BTreeSet::new(),
            news: None,
            pressed: None,
            flickers: false,
            started: None,
            unheard: None,
            mass: (many && held.is_none()).then_some(of.ladder),
            siren: None,
            out: Vec::new(),
        });
        let at = self.calls.len() - 1;
        self.adds(at, alarm, false);
        aware.iter().for_each(|target| self.tell(at, target, "news"));
        let all = 0..self.house.alarms.len();
        let coming = all
            .filter(|cause| self.explains(*cause, alarm) && !self.raised[*cause])
            .filter_map(|cause| Some(self.true_since[cause]? + self.house.alarms[cause].on_delay * 1_000));
        let longest = if of.rank == CRITICAL { 60_000 } else { i64::MAX };
        let wait = coming.max().map_or(0, |until| (until - self.now).min(longest));
        if let Some(until) = self.may_wait(alarm).filter(|until| *until > self.now) {
            self.calls[at].phase = Phase::ForSight(until);
            return;
        }
        match wait > 0 && aware.is_empty() {
            true => self.calls[at].phase = Phase::ForCause(self.now + wait),
            false => self.climb_anew(at),
        }
    }

    pub(super) fn adds(&mut self, at: usize, alarm: usize, listed_only: bool) {
        let member = Member {
            alarm,
            raised: self.now,
            over: None,
            latched: false,
            hand: false,
            covered: false,
            acknowledged: false,
            worse: false,
            listed_only,
            told: None,
            end_told: false,
            anew: None,
            alone: None,
        };
        let flickers = self.raises[alarm].len() >= 2;
        let call = &mut self.calls[at];
        call.flickers |= flickers;
        match call.members.iter_mut().find(|it| it.alarm == alarm) {
            Some(known) => *known = Member { worse: known.worse && !known.acknowledged, ..member },
            None => call.members.push(member),
        }
        self.stands_again(at);
    }

    /// Ladders stood still while nothing stood; that of something critical no longer than five
    /// minutes.
    pub(super) fn stands_again(&mut self, at: usize) {
        let now = self.now;
        let call = &mut self.calls[at];
        if !call.members.iter().any(Member::stands) {
            return;
        }
        let Some(since) = call.nothing_since.take() else { return };
        for ((_, rank), climb) in call.climbs.iter_mut().filter(|(_, climb)| climb.due <= now) {
            let still = if *rank == CRITICAL { (now - since).min(5 * MINUTE) } else { now - since };
            climb.due += still;
            climb.begun += still;
        }
    }

    pub(super) fn joins(&mut self, at: usize, alarm: usize) {
        let settle = self.settle(&self.calls[at]);
        let known = self.calls[at].members.iter().find(|it| it.alarm == alarm);
        let back = known.is_some_and(|it| {
            let true_since = self.now - self.house.alarms[alarm].on_delay * 1_000;
            it.stands() || (it.over.is_some_and(|over| true_since - over <= settle) && !it.end_told)
        });
        let forget = |of: &mut Self| {
            let explained: Vec<usize> =
                (0..of.house.alarms.len()).filter(|it| of.explains(alarm, *it)).collect();
            for member in of.calls[at].members.iter_mut().filter(|it| explained.contains(&it.alarm)) {
                member.anew = None;
            }
        };
        let stood = self.calls[at].members.iter().any(Member::stands);
        if back {
            self.calls[at].flickers |= self.raises[alarm].len() >= 2;
            if let Some(member) = self.calls[at].members.iter_mut().find(|it| it.alarm == alarm) {
                (member.over, member.latched, member.anew, member.end_told) = (None, false, None, false);
                // What comes back unanswered is the same spell.
                member.worse &= !std::mem::take(&mut member.acknowledged);
            }
            self.stands_again(at);
            // It was seen in between: its time begins anew.
            if let (Phase::ForSight(_), Some(until), false) =
                (self.calls[at].phase, self.may_wait(alarm), stood)
            {
                self.calls[at].phase = Phase::ForSight(until);
            }
            forget(self);
            self.see_to_ladders(at);
            return;
        }
        if self.waits_with_losses(at, alarm) {
            return;
        }
        let before = self.asked(at, Some(alarm));
        let was_for = self.calls[at].phase;
        let explains_standing =
            self.calls[at].members.iter().any(|it| it.stands() && self.explains(alarm, it.alarm));
        let listed = self.is_explained(at, alarm);
        self.adds(at, alarm, listed);
        forget(self);
        if matches!(was_for, Phase::ForCause(_)) && explains_standing {
            self.not_only_listed(at, alarm);
            self.climb_anew(at);
            self.see_to_ladders(at);
            return;
        }
        let of = &self.house.alarms[alarm];
        let milder = before.is_some_and(|asked| of.rank <= asked);
        if milder && self.hides(at, alarm) && !matches!(was_for, Phase::Answered(_) | Phase::Asking(_)) {
            self.news(at);
        }
        self.comes_in(at, alarm, before);
    }

    /// What is worse from the first moment on counts as if it had got worse in the next.
    pub(super) fn is_worse(&mut self, alarm: usize) {
        let of = &self.house.alarms[alarm];
        let Some(at) = self.call_of(alarm).filter(|_| self.worse[alarm]) else { return };
        let stands = |it: &&mut Member| it.alarm == alarm && it.over.is_none();
        let Some(member) = self.calls[at].members.iter_mut().find(stands) else { return };
        if std::mem::replace(&mut member.worse, true) {
            return;
        }
        let counts = of.rank == CRITICAL || self.asked(at, None).is_none_or(|asked| of.rank >= asked);
        match self.calls[at].phase {
            Phase::Answered(_) | Phase::Asking(_) if counts => self.breaks_through(at),
            Phase::Climbing if counts => self.news(at),
            _ => {}
        }
    }

    pub(super) fn not_only_listed(&mut self, at: usize, alarm: usize) {
        if let Some(member) = self.calls[at].members.iter_mut().find(|it| it.alarm == alarm) {
            member.listed_only = false;
        }
    }

    /// What something that is raised, or counts as raised anew, means for a call-out.
    pub(super) fn comes_in(&mut self, at: usize, alarm: usize, asked: Option<Rank>) {
        let of = self.house.alarms[alarm].clone();
        let answered = matches!(self.calls[at].phase, Phase::Answered(_) | Phase::Asking(_));
        let above = asked.is_none_or(|asked| of.rank > asked);
        let others = || self.calls[at].members.iter().filter(|it| it.alarm != alarm && it.stands());
        let expected =
            others().any(|cause| of.causes.iter().any(|(at, expected)| *at == cause.alarm && *expected));
        let same_ladder = others().any(|it| {
            let other = &self.house.alarms[it.alarm];
            other.rank == of.rank && other.ladder == of.ladder
        });
        let breaks = above || (of.rank == CRITICAL && !expected);
        if matches!(self.calls[at].phase, Phase::ForMorning(_)) {
            if self.held_until(at).is_none() {
                self.not_only_listed(at, alarm);
                self.climb_anew(at);
                self.news(at);
            }
            return self.see_to_ladders(at);
        }
        if answered {
            if breaks {
                self.not_only_listed(at, alarm);
                self.breaks_through(at);
            }
            return self.see_to_ladders(at);
        }
        let climbing = self.calls[at].phase == Phase::Climbing;
        if above {
            self.not_only_listed(at, alarm);
            match climbing {
                true => self.begin(at, of.ladder, of.rank, 0, 0),
                false => self.climb_anew(at),
            }
            self.news(at);
        } else if of.rank == CRITICAL && !same_ladder {
            self.not_only_listed(at, alarm);
            match climbing {
                true => self.begin(at, of.ladder, of.rank, 0, 0),
                false => self.climb_anew(at),
            }
        } else if of.rank == CRITICAL {
            let due = self.calls[at].news.map_or(self.now + 5 * MINUTE, |(_, due)| due);
            self.calls[at].news = Some((self.now, due));
        }
        self.see_to_ladders(at);
    }

    /// What comes back and was not over and answered is the same spell.
    pub(super) fn begins_spell(&mut self, alarm: usize) {
        self.begun += 1;
        let nth = self.spells[alarm].map_or(self.begun, |spell| spell.nth);
        self.spells[alarm] = Some(Spell { nth, answered: false });
    }

    /// Somebody has answered, or it has ended. What latches is never reset in these nights.
    pub(super) fn sees_to_spell(&mut self, alarm: usize, answered: bool) {
        let Some(spell) = &mut self.spells[alarm] else { return };
        spell.answered |= answered;
        if spell.answered && !self.raised[alarm] && !self.house.alarms[alarm].latching {
            self.spells[alarm] = None;
        }
    }

    pub(super) fn ends(&mut self, alarm: usize) {
        self.sees_to_spell(alarm, false);
        let latches = self.house.alarms[alarm].latching;
        let now = self.now;
        let open = |call: &Call| {
            call.phase != Phase::Over && call.members.iter().any(|it| it.alarm == alarm && it.over.is_none())
        };
        let Some(at) = self.calls.iter().position(open) else { return };
        let before = self.standing(&self.calls[at]);
        let answered = matches!(self.calls[at].phase, Phase::Answered(_) | Phase::Asking(_));
        if self.house.alarms[alarm].cuts {
            self.cut_for_nothing();
        }
        let waits = self.waits_for_hand(alarm);
        let Some(member) = self.calls[at].members.iter_mut().find(|it| it.alarm == alarm) else { return };
        member.over = Some(now);
        // An answer covers it for as long as it holds.
        member.latched = latches && !(member.covered && answered) && !member.acknowledged;
        member.hand = waits;
        member.anew = None;
        member.alone = None;
        if member.stands() {
            return;
        }
        self.fell(at, alarm, before);
    }

    /// Something does not stand any more.
    pub(super) fn fell(&mut self, at: usize, alarm: usize, before: Option<Rank>) {
        let now = self.now;
        let answered = matches!(self.calls[at].phase, Phase::Answered(_) | Phase::Asking(_));
        if !self.calls[at].members.iter().any(Member::stands) {
            self.calls[at].nothing_since = Some(now);
            return;
        }
        let left: Vec<usize> = self.calls[at]
            .members
            .iter()
            .filter(|it| it.stands() && it.listed_only && self.explains(alarm, it.alarm))
            .map(|it| it.alarm)
            .collect();
        for effect in left.into_iter().filter(|effect| !self.is_explained(at, *effect)).collect::<Vec<_>>() {
            let due = now + self.house.alarms[effect].on_delay * 1_000;
            if let Some(member) = self.calls[at].members.iter_mut().find(|it| it.alarm == effect) {
                member.anew = Some(due);
            }
        }
        let waits = matches!(self.calls[at].phase, Phase::ForCause(_) | Phase::ForSight(_));
        if self.standing(&self.calls[at]) < before && !answered && !waits {
            let asked = self.asked_ladders(&self.calls[at]);
            self.goes_on_milder(at, asked);
        }
        self.see_to_ladders(at);
    }
}
