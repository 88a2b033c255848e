//! The two ends of check-ins in the loop: what other sites send becomes inputs of the engine, and
//! this site's own go out after finished turns.

use super::Watch;
use crate::checkin::{Facts, Planned};
use crate::plain_text::tame;
use crate::witness::{Refusal, Taken};
use slackwater_rules::engine::{Delivery, Input, LONGEST_SHELF, OperatorCommand};
use slackwater_rules::plan::{CHECK_INS, SILENT, Watched};
use slackwater_rules::reading::Value;
use slackwater_rules::record::By;
use slackwater_rules::time::{Now, Span};

/// Two ends of an announced silence that lie this close are the same.
const SAME: Span = Span::minutes(1);

/// How a site itself is named in records.
const VIA: &str = "check-in";

impl Watch {
    /// Whether a message is a site's check-in; then it is taken here, or turned away.
    pub(super) fn witness(&mut self, now: Now, topic: &str, payload: &[u8], delivery: Delivery) -> bool {
        let Some(name) = topic.strip_prefix(CHECK_INS) else { return false };
        let plan = self.engine.plan();
        if plan.watched.is_empty() {
            return false;
        }
        let retained = delivery == Delivery::Retained;
        match self.roster.take(name, payload, retained, plan, &now) {
            Ok(taken) => {
                let site = plan.watched.iter().find(|site| site.name == taken.check_in.site).cloned();
                if let Some(site) = site {
                    self.believe(now, &site, taken, delivery);
                }
            }
            Err(refusal) => self.turn_away(now, name, &refusal),
        }
        true
    }

    fn turn_away(&mut self, now: Now, name: &str, refusal: &Refusal) {
        let Some(count) = self.roster.refused(refusal, &now) else { return };
        let what = if count == 1 { "a check-in".to_owned() } else { format!("{count} check-ins, the last") };
        let who = tame(name, 64);
        let by = By { who, via: VIA.to_owned() };
        self.turn(now, Input::TurnedAway { what, why: refusal.to_string(), by });
    }

    fn believe(&mut self, now: Now, site: &Watched, taken: Taken, delivery: Delivery) {
        let Taken { check_in, live, note } = taken;
        let delivery = if live { delivery } else { Delivery::Backlog };
        self.turn(now, Input::Noted { sensor: site.sensor, words: note.words, likely: note.likely });
        self.turn(now, Input::Measured { sensor: site.sensor, value: Value::Word(0), delivery });
        if let Some(asks) = site.asks {
            let value = Value::Word(u16::from(!check_in.asks));
            self.turn(now, Input::Measured { sensor: asks, value, delivery });
        }
        // The site's alarm for silence lies on the shelf while a silence is announced.
        let alarm = format!("{}{SILENT}", site.name);
        let aside = self.engine.aside(&alarm).map(|aside| (aside.by.via == VIA, aside.until));
        // Old news has used up some of what was left then.
        let since = if live { Span::ZERO } else { now.wall - check_in.at };
        let wanted = check_in.silence.map(|silence| Planned { left: silence.left - since, ..silence });
        let wanted = wanted.filter(|silence| silence.left > Span::ZERO);
        let shelved = match (aside, &wanted) {
            // A person here has put it aside, for a reason of their own.
            (Some((false, _)), _) | (None, None) => return,
            (Some((true, Some(until))), Some(wanted)) => {
                let off = until - (now.mono + wanted.left);
                if Span(off.0.abs()) <= SAME {
                    return;
                }
                true
            }
            (Some((true, _)), _) => true,
            (None, Some(_)) => false,
        };
        let who = wanted.as_ref().map_or_else(|| site.name.clone(), |wanted| wanted.who.clone());
        let by = By { who, via: VIA.to_owned() };
        if shelved {
            self.turn(
                now,
                Input::Said { command: OperatorCommand::Unshelve { alarm: alarm.clone() }, by: by.clone() },
            );
        }
        if let Some(wanted) = wanted {
            let length = wanted.left.min(LONGEST_SHELF);
            self.turn(
                now,
                Input::Said { command: OperatorCommand::Shelve { alarm, length, why: wanted.why }, by },
            );
        }
    }

    /// Tells the engine what an earlier life knew of the sites.
    pub(super) fn recall_sites(&mut self) {
        let now = self.clock.now();
        let notes: Vec<_> = self
            .roster
            .notes(self.engine.plan())
            .map(|(site, note)| Input::Noted {
                sensor: site.sensor,
                words: note.words.clone(),
                likely: note.likely.clone(),
            })
            .collect();
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

    /// Says that the watch is being stopped.
    pub(super) async fn say_farewell(&mut self, why: &str) {
        if let Some(sender) = self.sender.take() {
            let now = self.clock.now();
            sender.farewell(&now, &self.facts(Some(why))).await;
        }
    }

    fn facts<'a>(&'a self, stopping: Option<&'a str>) -> Facts<'a> {
        let broker = self.health.deaf.as_ref().map(|why| format!("its broker can't be heard: {why}"));
        let journal = self.keeper.trouble().map(|why| format!("its journal can't be written: {why}"));
        let clock = (!self.clock.now().wall_trusted).then(|| "its clock is not set".to_owned());
        let troubles = broker.into_iter().chain(journal).chain(clock).collect();
        Facts { engine: &self.engine, troubles, stopping }
    }
}
