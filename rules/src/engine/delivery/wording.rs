//! What a page says, as things stand when the queue is empty.

use crate::callout::{Call, Fate, Member};
use crate::engine::context::Context;
use crate::ids::{RelayId, Seq};
use crate::page::{self, Page, Sent, Subject};
use crate::plan::Target;
use crate::record::Purpose;
use crate::stopgap::Run;

impl Context<'_> {
    /// What a page to this target leads with: its news, or else what weighs most now.
    fn leader_of<'c>(&self, call: &'c Call, target: &Target) -> Option<&'c Member> {
        let of = |episode: Seq| call.members.iter().find(|member| member.episode == episode);
        let news = call.core.told.get(target).and_then(|told| told.about).and_then(of);
        // What was news and is over leads no page that asks for help.
        let fresh = news.filter(|member| member.fate == Fate::Stands || !call.stands());
        fresh.or_else(|| of(self.callouts.weightiest(self, call)?)).or_else(|| call.members.first())
    }

    /// The page as it reads now; none if its call-out is forgotten.
    pub(in crate::engine) fn worded(&self, sent: &Sent) -> Option<Page> {
        let call = match &sent.of {
            Subject::Itself(slip) => {
                let repeat = sent.may_be_a_repeat();
                return Some(slip.compose(&self.plan.site, sent.id, sent.purpose, &self.now, repeat));
            }
            Subject::Call(call) => self.callouts.get(*call)?,
        };
        let leader = self.leader_of(call, &sent.target);
        let matters = |relay: &RelayId, run: &Run| {
            call.members.iter().any(|member| {
                let alarm = self.alarm(&member.alarm).map(|id| self.plan.alarm(id));
                let stopgap = alarm.and_then(|alarm| alarm.stopgap);
                member.episode == run.episode || stopgap.is_some_and(|stopgap| stopgap.relay == *relay)
            })
        };
        let runs = self.relays.runs().filter(|(relay, run)| matters(relay, run));
        let (by_hand, done): (Vec<_>, Vec<_>) = runs.partition(|(_, run)| run.needs_a_hand());
        let words = |runs: Vec<(RelayId, &Run)>| -> Vec<String> {
            let relays = runs.into_iter().map(|(id, run)| (&self.plan.relays[id.index()], run));
            relays.map(|(relay, run)| format!("{}: {}", relay.name, run.words(relay))).collect()
        };
        let alarms = call.members.iter().filter_map(|member| self.alarm(&member.alarm));
        // Only who is asked to act needs to know.
        let asks = sent.purpose == Purpose::Call;
        let mut notes: Vec<String> = alarms.flat_map(|id| self.notes_of(self.plan.alarm(id), asks)).collect();
        notes.dedup();
        let (mut prospects, soonest) = if asks { self.how_long(call) } else { Default::default() };
        if let Some(dark) = self.dark_from().filter(|_| asks) {
            let at = self.now.wall_at(dark).civil(&self.plan.zone).strftime("%H:%M");
            prospects.insert(0, format!("This watch goes dark about {at}. After that nobody is called."));
        }
        let facts = page::Context {
            plan: self.plan,
            call,
            pages: self.pages(call.id()),
            leader,
            target: &sent.target,
            purpose: sent.purpose,
            id: sent.id,
            now: self.now,
            prospects,
            soonest,
            situation: leader.map(|leader| self.situation(&leader.alarm)).unwrap_or_default(),
            by_hand: words(by_hand),
            done: words(done),
            also: sent.also.iter().filter_map(|call| self.callouts.get(*call)).collect(),
            held: self.delivery.quota().held(&sent.target, Some(sent.id), self.mono()),
            notes,
            maybe_repeat: sent.may_be_a_repeat(),
        };
        Some(facts.compose())
    }
}
