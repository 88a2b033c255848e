//! Who hears at once of what an event brings: whoever has the call-out, by all their ways, and
//! those told so far. Whom a page of it may have reached, and so who hears of an answer and of the
//! end.

use super::decide::Decision;
use super::facts::Insistence;
use super::headline::Lead;
use super::quiet;
use super::state::CallOut;
use crate::alarm::Priority;
use crate::plan::Target;
use crate::record::CallMessage;

impl Decision<'_> {
    /// Whoever's answer holds is told at once by all their channels, and the climb begins anew.
    /// What quiet hours hold waits for the morning with it.
    pub(super) fn break_through(&mut self, lead: Lead) {
        if quiet::held_until(&self.call, self.facts, self.now).is_none() {
            self.tell_answerer(lead);
        }
        self.climb_from_zero(true);
    }

    pub(super) fn tell_answerer(&mut self, lead: Lead) {
        self.tell_all(self.ways_of_answerer(&self.call), lead);
    }

    /// Whoever has another call-out, or was told of it, hears this news.
    pub(super) fn tell_those_of(&mut self, other: &CallOut, lead: Lead) {
        let people = self.may_be_told_now(other).into_iter().filter(|target| target.contact.is_some());
        self.tell_all(self.ways_of_answerer(other).into_iter().chain(people), lead);
    }

    fn ways_of_answerer(&self, of: &CallOut) -> Vec<Target> {
        of.answerer().map(|by| self.facts.ways(&by.who)).unwrap_or_default()
    }

    fn tell_all(&mut self, targets: impl IntoIterator<Item = Target>, lead: Lead) {
        for target in targets {
            self.tell(&target, CallMessage::Call, lead, self.rank());
        }
    }

    /// Everyone told so far who may be told now.
    pub(super) fn told_now(&self) -> Vec<Target> {
        self.may_be_told_now(&self.call)
    }

    fn may_be_told_now(&self, of: &CallOut) -> Vec<Target> {
        let rank = self.rank();
        let critical = rank == Priority::Critical;
        let insistence = if critical { Insistence::Hours } else { Insistence::Polite };
        let may =
            |target: &&Target| self.blocked(target, rank).is_none_or(|block| insistence.overrides(block));
        of.told_so_far().filter(may).cloned().collect()
    }

    /// The people whom a page may have reached, but for one. Whose page still waits knows of
    /// nothing that could have been taken care of, or be over.
    pub(super) fn told_people(&self, except: Option<&str>) -> Vec<Target> {
        let people = self.call.reached_so_far().filter(|target| target.contact.is_some());
        people.filter(|target| except.is_none() || target.contact.as_deref() != except).cloned().collect()
    }

    /// A page at once to those told so far. What quiet hours hold waits for the morning with it.
    pub(super) fn tell_told(&mut self, lead: Lead) {
        if lead != Lead::GoesDark && quiet::held_until(&self.call, self.facts, self.now).is_some() {
            return;
        }
        // No siren sounds for lost sight.
        let news = lead.episode().and_then(|episode| self.call.member(episode));
        let people_only = news.is_some_and(|member| member.sight);
        let told = self.told_now().into_iter();
        self.tell_all(told.filter(|target| target.contact.is_some() || !people_only), lead);
    }
}
