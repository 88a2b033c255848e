//! The two ends of check-ins in the loop: what other sites send becomes inputs of the engine, and
//! this site's own go out after finished turns.

use super::EventLoop;
use crate::checkin::{CheckInSender, WayHealth};
use crate::secret::strike_out;
use slackwater_rules::checkin::{self, Believed, CheckinFacts, CheckinRefusal};
use slackwater_rules::engine::Arrival;
use slackwater_rules::plan::{CHECK_INS, Watched};
use slackwater_rules::time::Now;

impl EventLoop {
    /// Whether a message is a site's check-in; then it is taken here, or turned away.
    pub(super) fn witness(&mut self, now: Now, topic: &str, payload: &[u8], delivery: Arrival) -> bool {
        if self.hear_join(topic, payload, delivery) {
            return true;
        }
        let Some(name) = topic.strip_prefix(CHECK_INS) else { return false };
        let plan = self.engine.plan();
        if plan.watched.is_empty() && self.settings.witness.is_none() {
            return false;
        }
        let retained = delivery == Arrival::Retained;
        match self.roster.take(name, payload, retained, plan, &now) {
            Ok(believed) => {
                let site = plan.watched_named(name).cloned();
                if let Some(site) = site {
                    self.believe(now, &site, &believed, delivery);
                }
            }
            Err(CheckinRefusal::Forged) if self.is_by_waiting_key(name, payload, &now) => {}
            Err(refusal) => self.turn_away(now, name, &refusal),
        }
        true
    }

    fn turn_away(&mut self, now: Now, name: &str, refusal: &CheckinRefusal) {
        if let Some(count) = self.roster.refused(refusal, &now) {
            self.turn(now, checkin::turned_away(&strike_out(name), refusal, count));
        }
    }

    fn believe(&mut self, now: Now, site: &Watched, believed: &Believed, delivery: Arrival) {
        for sign in checkin::sign_of_life(site, believed, delivery) {
            self.turn(now, sign);
        }
        for word in checkin::announced(&self.engine, site, believed, &now) {
            self.turn(now, word);
        }
    }

    /// Tells the engine what an earlier life knew of the sites.
    pub(super) fn recall_sites(&mut self) {
        let now = self.clock.now();
        let notes = self.roster.notes(self.engine.plan());
        let notes: Vec<_> = notes.map(|(site, note)| checkin::noted(site, note)).collect();
        for note in notes {
            self.turn(now, note);
        }
    }

    /// Makes this site's check-in, if one is due.
    pub(super) fn check_in(&mut self, now: &Now, has_records: bool) {
        let Some(mut sender) = self.sender.take() else { return };
        sender.turn_finished(now, has_records, || self.facts(None));
        self.sender = Some(sender);
    }

    /// How each way is by which this site tells others of itself.
    pub(super) fn ways_out(&self) -> Vec<(&'static str, WayHealth)> {
        let check_ins = self.sender.as_ref().map(CheckInSender::health).unwrap_or_default();
        let events = self.fleet.health_out().map(|health| ("events", health));
        check_ins.into_iter().chain(events).collect()
    }

    /// Says that the watch is being stopped.
    pub(super) async fn say_farewell(&mut self, why: &str) {
        if let Some(sender) = self.sender.take() {
            let now = self.clock.now();
            sender.farewell(&now, &self.facts(Some(why))).await;
        }
        self.fleet.farewell(self.engine.next_seq().saturating_sub(1)).await;
    }

    fn facts<'a>(&'a self, stopping: Option<&'a str>) -> CheckinFacts<'a> {
        let broker = self.health.deaf.as_ref().map(|why| format!("its broker can't be heard: {why}"));
        let journal = self.keeper.trouble().map(|why| format!("its journal can't be written: {why}"));
        let clock = (!self.clock.now().wall_trusted).then(|| "its clock is not set".to_owned());
        let troubles = broker.into_iter().chain(journal).chain(clock).collect();
        CheckinFacts { engine: &self.engine, troubles, stopping }
    }
}
