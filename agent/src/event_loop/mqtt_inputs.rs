//! What the connection to the broker says, made into inputs of the engine: messages with how
//! fresh they are, whether we hear our own, what became of what we published.

use super::{CONTESTED, EventLoop, SIRENS};
use crate::channels::NotPublished;
use crate::mqtt::MqttEvent;
use slackwater_rules::engine::{Arrival, Input, Link};
use slackwater_rules::time::Now;

const BROKER_AWAY: &str = "the connection to the broker ended before its answer";

impl EventLoop {
    pub(super) fn hear(&mut self, now: Now, event: MqttEvent) {
        match event {
            MqttEvent::Message(message) => {
                let delivery = match (message.retained, self.backlog) {
                    (true, _) => Arrival::Retained,
                    (false, true) => Arrival::Backlog,
                    (false, false) => Arrival::Live,
                };
                let heard = self.hear_on_topic(&message, delivery);
                if !heard && !self.witness(now, &message.topic, &message.payload, delivery) {
                    let payload = message.payload.to_vec();
                    self.turn(now, Input::Message { topic: message.topic, payload, delivery });
                }
                self.acks.extend(message.ack);
            }
            MqttEvent::Up { session_present } => {
                tracing::info!(session_present, "connected to the broker");
                self.backlog = session_present;
                self.health.refused.clear();
            }
            MqttEvent::Heard { round_trip } => {
                self.backlog = false;
                self.health.round_trip = Some(round_trip);
                let contested = self.contested.is_some_and(|until| now.mono < until);
                if !contested {
                    self.contested = None;
                }
                if !contested && (self.health.deaf.take().is_some() || !self.ready) {
                    tracing::info!(?round_trip, "our own message came back: the broker can be heard");
                    self.turn(now, Input::Link(Link::Hears));
                }
                self.announce();
            }
            MqttEvent::Down { why } if self.contested.is_none() => self.deaf(now, why),
            // Why we are put out says more than each closing.
            MqttEvent::Down { .. } => self.contest(now),
            MqttEvent::PushedOut { why } => {
                self.deaf(now, why);
                self.contest(now);
            }
            MqttEvent::Deaf { silent_for } => {
                let why = format!(
                    "connected, but our own message has not come back for {} s",
                    silent_for.as_secs()
                );
                self.deaf(now, why);
            }
            MqttEvent::Refused { filter, reason } => {
                tracing::error!(filter, reason, "the broker refused a subscription");
                self.health.refused.insert(filter, reason);
            }
            MqttEvent::Published { id } if id < SIRENS => {
                self.turn(now, Input::Commanded { switching: id, failed: None })
            }
            MqttEvent::Unpublished { id, why } if id < SIRENS => {
                self.turn(now, Input::Commanded { switching: id, failed: Some(why) });
            }
            MqttEvent::Published { id } => self.outlet.settled(id, Ok(())),
            MqttEvent::Lapsed { id, perhaps } => {
                self.outlet.settled(id, Err(NotPublished::Yet { why: BROKER_AWAY.to_owned(), perhaps }));
            }
            MqttEvent::Unpublished { id, why } => {
                tracing::warn!(why, "a siren's message, a reply or the state was not taken");
                self.outlet.settled(id, Err(NotPublished::Refused(why)));
            }
        }
    }

    /// Tells the service manager, once, that the watch has begun.
    pub(super) fn announce(&mut self) {
        if !self.ready {
            self.ready = true;
            let state = self
                .health
                .deaf
                .as_ref()
                .map_or("watching".to_owned(), |why| format!("watching, but: {why}"));
            self.service.ready(&state);
        }
    }

    fn contest(&mut self, now: Now) {
        self.contested = Some(now.mono + CONTESTED);
    }

    fn deaf(&mut self, now: Now, why: String) {
        tracing::warn!(why, "the broker can't be heard");
        self.health.deaf = Some(why.clone());
        self.turn(now, Input::Link(Link::Lost { why }));
    }
}
