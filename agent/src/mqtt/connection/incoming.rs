//! What one poll brought: packets of the broker, and news of what was written to it. Each goes to
//! the part that waits for it, and what concerns the listener becomes an
//! [`MqttEvent`](crate::mqtt::MqttEvent).

use super::super::link::{BrokerLink, ONLINE};
use super::super::outbox::Purpose;
use super::super::reason::{self, Loss};
use super::super::{Ack, MqttEvent, MqttMessage};
use super::{ConnectionEnd, Worker};
use rumqttc::Outgoing;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::RetainForwardRule::{OnEverySubscribe, OnNewSubscribe};
use rumqttc::v5::mqttbytes::v5::{ConnAck, Publish};
use rumqttc::v5::{Event as Polled, EventLoop, Incoming};
use tokio::time::Instant;

/// A response topic and correlation data that are longer are left out.
const LONGEST_RESPONSE: usize = 1_024;

impl Worker {
    pub(super) fn take(
        &mut self,
        event: Polled,
        link: &mut BrokerLink,
        eventloop: &mut EventLoop,
    ) -> Result<(), ConnectionEnd> {
        match event {
            Polled::Incoming(packet) => {
                link.last_heard = Instant::now();
                match packet {
                    Incoming::Publish(publish) => Ok(self.hear(publish, link)?),
                    Incoming::ConnAck(accepted) => Ok(self.accepted(accepted, link, eventloop)?),
                    Incoming::PubAck(answer) => {
                        let settled = self.outbox.settled(answer.pkid);
                        Ok(self.settled(settled, reason::publication(answer.reason), link)?)
                    }
                    Incoming::SubAck(answer) => {
                        let verdicts = answer.return_codes.into_iter().map(reason::subscription);
                        let (refused, undo) = self.subscriptions.subscribed(answer.pkid, verdicts);
                        for (filter, reason) in refused {
                            if link.told_refused.insert(filter.clone()) {
                                self.deliver(MqttEvent::Refused { filter, reason: reason.to_owned() });
                            }
                        }
                        Ok(link.request(undo, OnNewSubscribe)?)
                    }
                    Incoming::UnsubAck(answer) => {
                        self.subscriptions.unsubscribed(answer.pkid);
                        Ok(())
                    }
                    // Pings are the library's own; the rest never reaches a client with QoS 1.
                    _ => Ok(()),
                }
            }
            Polled::Outgoing(Outgoing::Publish(packet)) => {
                self.outbox.written(packet);
                Ok(())
            }
            Polled::Outgoing(Outgoing::Subscribe(packet) | Outgoing::Unsubscribe(packet)) => {
                self.subscriptions.written(packet);
                Ok(())
            }
            Polled::Outgoing(Outgoing::PingReq) => {
                link.stretch = 0;
                Ok(())
            }
            Polled::Outgoing(Outgoing::Disconnect) => Err(ConnectionEnd::Elsewhere),
            Polled::Outgoing(_) => Ok(()),
        }
    }

    fn accepted(
        &mut self,
        accepted: ConnAck,
        link: &mut BrokerLink,
        eventloop: &mut EventLoop,
    ) -> Result<(), Loss> {
        let properties = accepted.properties.as_ref();
        let (max_qos, retain) = properties.map_or((None, None), |p| (p.max_qos, p.retain_available));
        self.limits.learn(max_qos, retain).map_err(Loss::new)?;
        link.accepted(
            properties,
            self.settings.keep_alive,
            eventloop,
            self.limits.no_retained,
            self.settings.silent,
        );
        let at_once = properties.and_then(|p| p.receive_max).unwrap_or(u16::MAX);
        self.outbox.connected(at_once);
        self.arrived(accepted.session_present);

        link.request(self.subscriptions.changes(), OnEverySubscribe)?;
        if self.settings.silent {
            return Ok(());
        }
        self.outbox.handed_over(Purpose::Passing);
        link.say(&self.settings.status_topic, ONLINE)?;
        self.send_around(link)?;
        self.feed(link)
    }

    fn hear(&mut self, publish: Publish, link: &mut BrokerLink) -> Result<(), Loss> {
        let ack = (publish.qos != QoS::AtMostOnce).then(|| Ack {
            generation: self.generation,
            packet: publish.pkid,
            exactly_once: publish.qos == QoS::ExactlyOnce,
        });
        if let Some(ack) = &ack {
            link.owes(ack);
        }
        if publish.topic == self.settings.loopback_topic.as_bytes() && !self.settings.silent {
            if let Some(round_trip) = link.loopback.hear(&publish.payload, Instant::now()) {
                self.deliver(MqttEvent::Heard { round_trip });
            }
            return ack.map_or(Ok(()), |ack| link.acknowledge(&ack));
        }
        match String::from_utf8(publish.topic.into()) {
            Ok(topic) => {
                let (retained, duplicate) = (publish.retain, publish.dup);
                let properties = publish.properties.unwrap_or_default();
                self.deliver(MqttEvent::Message(MqttMessage {
                    topic,
                    payload: publish.payload,
                    retained,
                    duplicate,
                    response_topic: properties.response_topic.filter(|topic| topic.len() <= LONGEST_RESPONSE),
                    correlation: properties.correlation_data.filter(|data| data.len() <= LONGEST_RESPONSE),
                    expired: properties.message_expiry_interval == Some(0),
                    ack,
                    room: None,
                }));
                Ok(())
            }
            Err(wrong) => {
                tracing::warn!(topic = ?wrong.as_bytes(), "dropped a message whose topic is not UTF-8");
                ack.map_or(Ok(()), |ack| link.acknowledge(&ack))
            }
        }
    }

    fn settled(
        &mut self,
        settled: Option<Purpose>,
        verdict: Result<(), &'static str>,
        link: &mut BrokerLink,
    ) -> Result<(), Loss> {
        match (settled, verdict) {
            (Some(Purpose::Entry(id)), Ok(())) => self.deliver(MqttEvent::Published { id }),
            (Some(Purpose::Entry(id)), Err(why)) => {
                self.deliver(MqttEvent::Unpublished { id, why: why.to_owned() })
            }
            (Some(Purpose::Farewell), _) => return link.goodbye(),
            (Some(Purpose::Passing), Err(why)) => {
                tracing::warn!(why, "the broker does not take our status or loop-back message");
            }
            (Some(Purpose::Passing), Ok(())) | (None, _) => {}
        }
        if self.closing { Ok(()) } else { self.feed(link) }
    }
}
