//! What the alarms of a call-out do to it: they are raised, come back, get worse, return, are put
//! aside. Which row of the table that is depends on the ranks, the ladders and the causes that
//! stand here at the time.

use super::decide::Decision;
use super::headline::Lead;
use super::member::Member;
use super::quiet;
use super::state::Phase;
use super::table::{Move, Row, Stage};
use crate::alarm::Priority;
use crate::record::{By, CallChange, CallMessage, HeldBy, Joined, Seq};
use crate::time::{Moment, Span};
use std::collections::BTreeSet;

impl Decision<'_> {
    /// Which row an alarm is that is raised, or counts as raised anew, with these ranks.
    pub(super) fn row_of(&self, alarm: &str, rank: Priority, ladder: &str) -> Row {
        let others = || self.call.members.iter().filter(|member| member.alarm != alarm);
        let asked = match self.stage() {
            Stage::Settling if self.call.answerer().is_none() => {
                others().filter(|member| member.returned() == self.call.settling).map(|m| m.rank).max()
            }
            Stage::Held | Stage::Climbing if self.call.members.of_alarm(alarm).is_none() => {
                self.call.members.calling_rank(self.now)
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
        let stands = |cause: &str| self.call.members.of_alarm(cause).is_some_and(Member::stands);
        let mut expected = self.facts.expected(alarm).into_iter().filter(|cause| *cause != alarm);
        let expected = expected.any(stands);
        // Its own is no reason: what counts as raised anew counts as if it came now.
        let climbed = others().any(|it| it.stands() && it.rank == rank && it.ladder == ladder);
        Row::CriticalToo { other_ladder: !climbed, expected }
    }

    pub(super) fn raised(&mut self, joined: &Joined) {
        if self.is_back(joined) {
            let stood = self.call.stands();
            self.change(CallChange::CameBack {
                alarm: joined.alarm.clone(),
                episode: joined.episode,
                flickers: joined.flickers,
                worse: joined.worse,
            });
            // It was seen in between: its time begins anew.
            if let Phase::Held { by: HeldBy::Sight, .. } = self.call.phase
                && let Some(until) = self.facts.may_wait_until(&joined.alarm).filter(|_| !stood)
            {
                self.wait_for_sight(until);
            }
            return self.forget_anew(&joined.alarm);
        }
        if let Phase::Held { until, by: HeldBy::Sight } = self.call.phase
            && let Some(may) = self.facts.may_wait_until(&joined.alarm)
        {
            // What is noticed later is listed, and waits with the rest; no longer than it may
            // itself, and quiet hours hold it.
            let quiet = quiet::holds_newcomer(joined, self.facts, self.now);
            let may = quiet.map_or(may, |quiet| may.max(quiet));
            let until = if self.call.stands() { until.min(may) } else { may };
            self.change(CallChange::Joined(Joined { listed: true, ..joined.clone() }));
            return self.wait_for_sight(until);
        }
        let row = match self.call.phase {
            Phase::Held { by: HeldBy::Cause, .. } if self.explains_standing(&joined.alarm) => Row::HoldOver,
            // What can be seen does not wait with what can't.
            Phase::Held { by: HeldBy::Sight, .. } => Row::HoldOver,
            Phase::Held { .. }
            | Phase::Climbing
            | Phase::Answered { .. }
            | Phase::Asking { .. }
            | Phase::Over => {
                let row = self.row_of(&joined.alarm, joined.rank, &joined.ladder);
                let may_hide = row == Row::Milder && joined.rank > Priority::Low;
                if may_hide && self.hides_what_stands(&joined.alarm) { Row::Hides } else { row }
            }
        };
        let listed = self.is_explained(&joined.alarm);
        let settles = self.stage().after(row) == Move::StateBefore;
        let was = if settles { self.call.stage_before() } else { self.stage() };
        let mut next = was.after(row);
        let only_listed = listed && matches!(next, Move::Listed | Move::ListedSoon);
        self.change(CallChange::Joined(Joined { listed: only_listed, ..joined.clone() }));
        self.forget_anew(&joined.alarm);
        // Quiet hours hold what ranks above as well, if it can wait; and nothing that can't.
        if matches!(self.call.phase, Phase::Held { by: HeldBy::Quiet, .. }) {
            let held = quiet::held_until(&self.call, self.facts, self.now).is_some();
            next = if held { Move::Listed } else { Move::BeginsWithNews };
        }
        self.carry_out(next, Lead::Raised(joined.episode), Some((joined.ladder.clone(), joined.rank)));
    }

    fn wait_for_sight(&mut self, until: Moment) {
        let length = (until - self.now).max(Span::ZERO);
        self.change(CallChange::Held { length, by: HeldBy::Sight });
    }

    /// Whether it is the loss of sight of an alarm that stands here and that nothing here explains
    /// it by.
    fn hides_what_stands(&self, sight: &str) -> bool {
        let stands = |alarm: &str| {
            self.call.members.of_alarm(alarm).is_some_and(|member| member.stands() && !member.sight)
        };
        !self.is_explained(sight) && self.facts.hidden(sight).into_iter().any(stands)
    }

    /// Whether an alarm that is raised is a member come back: it never ceased to stand, or became
    /// true again within `settle` of its return, and nobody was told. What comes off a shelf is
    /// raised anew, even if what it cut stands there.
    pub(super) fn is_back(&self, joined: &Joined) -> bool {
        let known = self.call.members.of_alarm(&joined.alarm);
        let settle = self.call.settle(self.facts);
        known.is_some_and(|member| {
            let on_delay = self.facts.on_delay(&joined.alarm);
            let soon = member.returned().is_some_and(|at| self.now - at - on_delay <= settle);
            (member.stands() && member.put_aside_by().is_none()) || (soon && !member.end_told)
        })
    }

    pub(super) fn explains_standing(&self, cause: &str) -> bool {
        let stands = |effect: &str| self.call.members.of_alarm(effect).is_some_and(Member::stands);
        self.facts.effects(cause).into_iter().any(stands)
    }

    pub(super) fn is_explained(&self, effect: &str) -> bool {
        let stands = |cause: &str| self.call.members.of_alarm(cause).is_some_and(Member::stands);
        self.facts.causes(effect).into_iter().any(|cause| cause != effect && stands(cause))
    }

    /// A cause is there again: what was to count as raised anew is its consequence once more.
    pub(super) fn forget_anew(&mut self, cause: &str) {
        if !self.call.members.any_anew() {
            return;
        }
        let effects = self.facts.effects(cause);
        let members = self.call.members.iter().filter(|member| member.anew.is_some());
        let explained = members.filter(|member| effects.contains(&member.alarm.as_str()));
        for episode in explained.map(|member| member.episode).collect::<Vec<_>>() {
            self.change(CallChange::Anew { episode, after: None });
        }
    }

    pub(super) fn worse(&mut self, episode: Seq) {
        let Some(member) = self.call.member(episode) else { return };
        let asked = self.call.asked_rank(self.now);
        let matters = member.rank == Priority::Critical || asked.is_none_or(|asked| member.rank >= asked);
        self.change(CallChange::Worsened { episode });
        self.news(Row::Worse { matters }, Lead::Worse(episode));
    }

    pub(super) fn returned(&mut self, episode: Seq, latches: bool) {
        let Some(member) = self.call.member(episode) else { return };
        let row = Row::LatchedReturned { answered: member.answered };
        let latched = latches && self.stage().after(row) == Move::StandsOn;
        let before = self.call.standing_rank(self.now);
        self.change(CallChange::Returned { episode, latched });
        self.fell(episode, before, None);
    }

    /// What a stopgap cut waits for a person's hand, or does not any more.
    pub(super) fn hand(&mut self, episode: Seq, awaited: bool) {
        let before = self.call.standing_rank(self.now);
        let aside = self.call.member(episode).and_then(Member::put_aside_by).cloned();
        self.change(CallChange::Hand { episode, awaited });
        if !awaited {
            self.fell(episode, before, aside.as_ref());
        }
    }

    pub(super) fn put_aside(&mut self, episode: Seq, by: &By) {
        let Some(stood) = self.call.member(episode).map(|member| member.stands()) else { return };
        let before = self.call.standing_rank(self.now);
        self.change(CallChange::PutAside { episode, by: by.clone() });
        self.fell(episode, before, Some(by).filter(|_| stood));
    }

    /// A member may have ceased to stand.
    pub(super) fn fell(&mut self, episode: Seq, before: Option<Priority>, aside: Option<&By>) {
        let Some(member) = self.call.member(episode).filter(|member| !member.stands()) else { return };
        let cause = member.alarm.clone();
        if !self.call.stands() {
            let came_and_went = self.call.members.iter().any(|member| member.returned().is_some());
            let aside = aside.filter(|_| !(self.call.waits_for_morning() && came_and_went));
            let row = match aside {
                Some(_) => Row::LastPutAside,
                None => Row::NothingStands { waits_for_morning: self.call.waits_for_morning() },
            };
            // Settling shows in the members; only a stage that was open before can be left.
            if let (Move::EndsPutAside, Some(by)) = (self.call.stage_before().after(row), aside) {
                for target in self.told_people(None) {
                    self.tell(&target, CallMessage::PutAside(by.clone()), Lead::Rung, self.rank());
                }
                self.change(CallChange::Ended);
            }
            return;
        }
        // From what it explains, not from the members, of which there may be thousands.
        let effects: BTreeSet<&str> = self.facts.effects(&cause).into_iter().collect();
        let members = effects.into_iter().filter_map(|effect| self.call.members.of_alarm(effect));
        let listed = members.filter(|effect| effect.stands() && effect.listed);
        let orphans = listed.filter(|effect| !self.is_explained(&effect.alarm));
        let mut orphans: Vec<(Seq, Span)> =
            orphans.map(|effect| (effect.episode, self.facts.on_delay(&effect.alarm))).collect();
        orphans.sort_unstable();
        if !orphans.is_empty() && self.stage().after(Row::CauseReturned) == Move::RaisedLater {
            for (episode, after) in orphans {
                self.change(CallChange::Anew { episode, after: Some(after) });
            }
        }
        if self.call.standing_rank(self.now) < before {
            self.news(Row::RankFell, Lead::Rung);
        }
    }
}
