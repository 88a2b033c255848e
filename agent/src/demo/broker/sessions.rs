//! What the broker knows: its clients' sessions, and the retained messages.
//!
//! A connection enters, has its packets applied, and leaves. What has to go to a client, by its own
//! doing or another's, is put into the queue that its connection writes from. No waiting, no
//! sockets here. Numbers in brackets are sections of MQTT 5.0.

use std::collections::{BTreeMap, HashMap, VecDeque};
use std::time::{Duration, Instant};

use bytes::Bytes;
use rumqttc::v5::mqttbytes::v5::{
    ConnAck, ConnAckProperties, Connect, ConnectReturnCode, Disconnect, DisconnectProperties,
    DisconnectReasonCode, Filter, LastWill, Packet, PingResp, PubAck, PubAckReason, Publish,
    RetainForwardRule, SubAck, SubscribeReasonCode, UnsubAck, UnsubAckReason,
};
use rumqttc::v5::mqttbytes::{Error as CodecError, QoS, valid_filter};
use tokio::sync::mpsc;

/// The largest packet taken from a client.
pub(super) const LARGEST_PACKET: u32 = 256 * 1024;
/// Packets waiting for one client's socket. Beyond it QoS 0 is dropped, as the standard allows.
const WRITER_QUEUE: usize = 4096;
/// Messages of QoS 1 kept for one client. The oldest unsent goes first.
const SESSION_QUEUE: usize = 1024;

/// All sessions and retained messages.
#[derive(Default)]
pub(super) struct Core {
    pub(super) sessions: HashMap<String, ClientSession>,
    retained: BTreeMap<String, Publish>,
    links_made: u64,
}

/// What the broker knows about one client id.
#[derive(Default)]
pub(super) struct ClientSession {
    pub(super) filters: Vec<Filter>,
    queue: VecDeque<Queued>,
    last_packet: u16,
    expiry: Duration,
    left: Option<Instant>,
    link: Option<ClientLink>,
}

struct Queued {
    publish: Publish,
    sent: bool,
}

/// The connection that a session has now.
struct ClientLink {
    number: u64,
    out: mpsc::Sender<Packet>,
    receive_window: usize,
    largest: usize,
    will: Option<LastWill>,
}

/// A client that has its session: what its connection needs to serve it.
pub(super) struct Entered {
    pub(super) client: String,
    /// Tells this connection from an older one of the same client.
    pub(super) number: u64,
    pub(super) queue: mpsc::Receiver<Packet>,
    pub(super) keep_alive: Duration,
}

impl Core {
    /// Puts a client into its session, in place of whoever was there.
    pub(super) fn enter(&mut self, connect: Connect, will: Option<LastWill>, prescribed: u16) -> Entered {
        self.links_made += 1;
        let number = self.links_made;
        let assigned = connect.client_id.is_empty().then(|| format!("guest-{number}"));
        let client = assigned.clone().unwrap_or(connect.client_id);
        let asked = connect.properties;
        let asked = asked.as_ref();

        self.sessions.retain(|_, session| session.left.is_none_or(|left| left.elapsed() < session.expiry));
        let (mut ended, mut taken) = (connect.clean_start, None);
        if let Some(session) = self.sessions.get_mut(&client) {
            taken = session.link.take();
            ended |= session.expiry.is_zero();
        }
        if let Some(taken) = taken {
            // With properties, since the codec can neither write nor read a bare reason.
            let properties = DisconnectProperties {
                session_expiry_interval: None,
                reason_string: Some("another client has connected with this id".to_owned()),
                user_properties: Vec::new(),
                server_reference: None,
            };
            let mut goodbye = Disconnect::new(DisconnectReasonCode::SessionTakenOver);
            goodbye.properties = Some(properties);
            // A full queue: it notices by the end of its connection.
            let _ = taken.out.try_send(Packet::Disconnect(goodbye));
            if let Some(will) = taken.will {
                self.publish(from_will(will), None);
            }
        }
        if ended {
            self.sessions.remove(&client);
        }
        let session_present = self.sessions.contains_key(&client);

        let keep_alive = if prescribed == 0 { connect.keep_alive } else { prescribed };
        let (out, queue) = mpsc::channel(WRITER_QUEUE);
        let accepted = ConnAck {
            session_present,
            code: ConnectReturnCode::Success,
            properties: Some(ConnAckProperties {
                session_expiry_interval: None,
                receive_max: None,
                max_qos: Some(1),
                retain_available: None,
                max_packet_size: Some(LARGEST_PACKET),
                assigned_client_identifier: assigned,
                topic_alias_max: None,
                reason_string: None,
                user_properties: Vec::new(),
                wildcard_subscription_available: None,
                subscription_identifiers_available: Some(0),
                shared_subscription_available: Some(0),
                server_keep_alive: (prescribed != 0).then_some(prescribed),
                response_information: None,
                server_reference: None,
                authentication_method: None,
                authentication_data: None,
            }),
        };
        // The queue is new: there is room.
        let _ = out.try_send(Packet::ConnAck(accepted));

        let session = self.sessions.entry(client.clone()).or_default();
        session.left = None;
        session.expiry =
            Duration::from_secs(asked.and_then(|p| p.session_expiry_interval).unwrap_or(0).into());
        session.link = Some(ClientLink {
            number,
            out,
            receive_window: asked.and_then(|p| p.receive_maximum).unwrap_or(u16::MAX).into(),
            largest: asked.and_then(|p| p.max_packet_size).map_or(usize::MAX, |most| most as usize),
            will,
        });
        for queued in &mut session.queue {
            queued.publish.dup |= queued.sent;
            queued.sent = false;
        }
        session.pump();
        Entered { client, number, queue, keep_alive: Duration::from_secs(keep_alive.into()) }
    }

    /// Takes a connection out of its session, unless another has taken it over.
    pub(super) fn leave(&mut self, client: &str, number: u64, orderly: bool) {
        let Some(session) = self.sessions.get_mut(client) else { return };
        let Some(link) = session.link.take_if(|link| link.number == number) else { return };
        session.left = Some(Instant::now());
        if session.expiry.is_zero() {
            self.sessions.remove(client);
        }
        if let Some(will) = link.will.filter(|_| !orderly) {
            self.publish(from_will(will), None);
        }
    }

    /// Applies a packet that the connection `number` of a client has sent.
    pub(super) fn apply(
        &mut self,
        client: &str,
        number: u64,
        packet: Packet,
        refuse: bool,
    ) -> Result<(), CodecError> {
        match packet {
            Packet::Publish(publish) => {
                let answer = (publish.qos == QoS::AtLeastOnce).then(|| PubAck::new(publish.pkid, None));
                let valid = std::str::from_utf8(&publish.topic).is_ok_and(valid_topic);
                if publish.qos == QoS::ExactlyOnce || !valid {
                    return Err(CodecError::MalformedPacket);
                }
                let listeners = self.publish(publish, Some(client));
                if let Some(mut answer) = answer {
                    if listeners == 0 {
                        answer.reason = PubAckReason::NoMatchingSubscribers;
                    }
                    self.answer(client, number, Packet::PubAck(answer));
                }
            }
            Packet::PubAck(ack) => {
                if let Some(session) = self.sessions.get_mut(client) {
                    session.acknowledged(ack.pkid)?;
                    session.pump();
                }
            }
            Packet::Subscribe(subscribe) => {
                let mut served = Vec::new();
                let mut return_codes = Vec::new();
                for filter in subscribe.filters {
                    let filter = Filter { qos: at_most_once_acked(filter.qos), ..filter };
                    return_codes.push(if refuse {
                        SubscribeReasonCode::NotAuthorized
                    } else if filter.path.starts_with("$share/") {
                        SubscribeReasonCode::SharedSubscriptionsNotSupported
                    } else if !valid_filter(&filter.path) {
                        SubscribeReasonCode::TopicFilterInvalid
                    } else {
                        served.push(filter.clone());
                        SubscribeReasonCode::Success(filter.qos)
                    });
                }
                let answer = SubAck { pkid: subscribe.pkid, return_codes, properties: None };
                self.answer(client, number, Packet::SubAck(answer));
                for filter in served {
                    self.subscribe(client, filter);
                }
            }
            Packet::Unsubscribe(unsubscribe) => {
                let mut reasons = Vec::new();
                if let Some(session) = self.sessions.get_mut(client) {
                    for path in &unsubscribe.filters {
                        let before = session.filters.len();
                        session.filters.retain(|filter| filter.path != *path);
                        let gone = session.filters.len() < before;
                        let none = UnsubAckReason::NoSubscriptionExisted;
                        reasons.push(if gone { UnsubAckReason::Success } else { none });
                    }
                }
                let answer = UnsubAck { pkid: unsubscribe.pkid, reasons, properties: None };
                self.answer(client, number, Packet::UnsubAck(answer));
            }
            Packet::PingReq(_) => self.answer(client, number, Packet::PingResp(PingResp)),
            Packet::Auth(_)
            | Packet::Connect(..)
            | Packet::ConnAck(_)
            | Packet::PingResp(_)
            | Packet::SubAck(_)
            | Packet::PubRec(_)
            | Packet::PubRel(_)
            | Packet::PubComp(_)
            | Packet::UnsubAck(_)
            | Packet::Disconnect(_) => return Err(CodecError::IncorrectPacketFormat),
        }
        Ok(())
    }

    /// Answers the connection that asked, unless another has taken its session over.
    fn answer(&self, client: &str, number: u64, packet: Packet) {
        let link = self.sessions.get(client).and_then(|session| session.link.as_ref());
        if let Some(link) = link.filter(|link| link.number == number) {
            // A full queue means a client that does not read: its keep-alive ends it.
            let _ = link.out.try_send(packet);
        }
    }

    fn subscribe(&mut self, client: &str, filter: Filter) {
        let Some(session) = self.sessions.get_mut(client) else { return };
        let known = session.filters.iter_mut().find(|held| held.path == filter.path);
        let new = known.is_none();
        match known {
            Some(held) => *held = filter.clone(),
            None => session.filters.push(filter.clone()),
        }
        let serve = match filter.retain_forward_rule {
            RetainForwardRule::OnEverySubscribe => true,
            RetainForwardRule::OnNewSubscribe => new,
            RetainForwardRule::Never => false,
        };
        if serve {
            for (_, publish) in self.retained.iter().filter(|(topic, _)| matches(&filter.path, topic)) {
                session.take(publish.clone(), filter.qos, true);
            }
        }
    }

    /// Delivers to every session that listens, and says how many they were.
    fn publish(&mut self, mut publish: Publish, publisher: Option<&str>) -> usize {
        // Checked on the way in, by `apply`; a will with a wrong topic goes nowhere.
        let Ok(topic) = String::from_utf8(publish.topic.to_vec()) else { return 0 };
        publish.dup = false;
        if publish.retain {
            if publish.payload.is_empty() {
                self.retained.remove(&topic);
            } else {
                let stored = Publish { payload: Bytes::copy_from_slice(&publish.payload), ..publish.clone() };
                self.retained.insert(topic.clone(), stored);
            }
        }
        let mut listeners = 0;
        for (client, session) in &mut self.sessions {
            let own = publisher == Some(client);
            let fitting = session.filters.iter().filter(|filter| matches(&filter.path, &topic));
            let (mut qos, mut keep_flag) = (None, false);
            for filter in fitting.filter(|filter| !(own && filter.nolocal)) {
                qos = qos.max(Some(filter.qos as u8));
                keep_flag |= filter.preserve_retain;
            }
            if let Some(qos) = qos {
                listeners += 1;
                let qos = if qos == 0 { QoS::AtMostOnce } else { QoS::AtLeastOnce };
                session.take(publish.clone(), qos, publish.retain && keep_flag);
            }
        }
        listeners
    }
}

impl ClientSession {
    /// Takes a message for its client, at the lower of the two QoS.
    fn take(&mut self, publish: Publish, most: QoS, retain: bool) {
        let qos = at_most_once_acked(if most < publish.qos { most } else { publish.qos });
        let mut publish = Publish { qos, retain, pkid: 0, ..publish };
        if qos == QoS::AtMostOnce {
            if let Some(link) = self.link.as_ref().filter(|link| publish.size() <= link.largest) {
                let _ = link.out.try_send(Packet::Publish(publish));
            }
            return;
        }
        if self.queue.len() >= SESSION_QUEUE {
            match self.queue.iter().position(|queued| !queued.sent) {
                Some(oldest) => self.queue.remove(oldest),
                None => return,
            };
        }
        publish.pkid = self.free_packet();
        self.queue.push_back(Queued { publish, sent: false });
        self.pump();
    }

    /// Acknowledgements come in the order of their messages, or the client is at fault (4.6.0-2).
    fn acknowledged(&mut self, packet: u16) -> Result<(), CodecError> {
        match self.queue.iter().filter(|queued| queued.sent).position(|sent| sent.publish.pkid == packet) {
            Some(0) => drop(self.queue.pop_front()),
            Some(_) => return Err(CodecError::IncorrectPacketFormat),
            None => {}
        }
        Ok(())
    }

    fn free_packet(&mut self) -> u16 {
        loop {
            self.last_packet = self.last_packet.checked_add(1).unwrap_or(1);
            if !self.queue.iter().any(|queued| queued.publish.pkid == self.last_packet) {
                return self.last_packet;
            }
        }
    }

    /// Sends what the window has room for. What is too large counts as delivered (3.1.2.11.4).
    fn pump(&mut self) {
        let Some(link) = &self.link else { return };
        self.queue.retain(|queued| queued.publish.size() <= link.largest);
        let unanswered = self.queue.iter().filter(|queued| queued.sent).count();
        let room = link.receive_window.saturating_sub(unanswered);
        for queued in self.queue.iter_mut().filter(|queued| !queued.sent).take(room) {
            if link.out.try_send(Packet::Publish(queued.publish.clone())).is_err() {
                break;
            }
            queued.sent = true;
        }
    }
}

/// The highest QoS here is 1.
fn at_most_once_acked(qos: QoS) -> QoS {
    match qos {
        QoS::AtMostOnce => QoS::AtMostOnce,
        QoS::AtLeastOnce | QoS::ExactlyOnce => QoS::AtLeastOnce,
    }
}

fn valid_topic(topic: &str) -> bool {
    !topic.is_empty() && !topic.contains(['+', '#', '\0'])
}

/// MQTT 5.0, 4.7. (The codec's own function panics on some topics and never matches `$SYS`.)
fn matches(filter: &str, topic: &str) -> bool {
    if topic.starts_with('$') && filter.starts_with(['+', '#']) {
        return false;
    }
    let mut topic = topic.split('/');
    for level in filter.split('/') {
        match (level, topic.next()) {
            ("#", _) => return true,
            ("+", Some(_)) => {}
            (level, Some(name)) if level == name => {}
            (_, Some(_) | None) => return false,
        }
    }
    topic.next().is_none()
}

fn from_will(will: LastWill) -> Publish {
    Publish {
        qos: will.qos,
        retain: will.retain,
        topic: will.topic,
        payload: will.message,
        ..Default::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn filters_match_as_the_standards_own_examples_say() {
        // MQTT 5.0, 4.7.1.2, 4.7.1.3 and 4.7.2.
        for (filter, topic, expected) in [
            ("sport/tennis/player1/#", "sport/tennis/player1", true),
            ("sport/tennis/player1/#", "sport/tennis/player1/ranking", true),
            ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", true),
            ("sport/#", "sport", true),
            ("#", "sport/tennis", true),
            ("sport/tennis/+", "sport/tennis/player1", true),
            ("sport/tennis/+", "sport/tennis/player1/ranking", false),
            ("sport/+", "sport", false),
            ("sport/+", "sport/", true),
            ("+/+", "/finance", true),
            ("/+", "/finance", true),
            ("+", "/finance", false),
            ("#", "$SYS/monitor/Clients", false),
            ("+/monitor/Clients", "$SYS/monitor/Clients", false),
            ("$SYS/#", "$SYS/monitor/Clients", true),
            ("$SYS/monitor/+", "$SYS/monitor/Clients", true),
            ("lagoon", "łagoon", false),
        ] {
            assert_eq!(matches(filter, topic), expected, "{filter} against {topic}");
        }
    }
}
