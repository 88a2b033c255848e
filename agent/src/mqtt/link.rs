//! One connection: how the library is set up for it, and what is asked of it.
//!
//! Every request goes into the library's own queue and never waits; a queue that is full means that
//! nothing gets out any more, and the connection is given up.

use std::collections::BTreeSet;
use std::time::Duration;

use rumqttc::Transport;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{
    ConnAckProperties, Filter, LastWill, Publish, PublishProperties, RetainForwardRule,
};
use rumqttc::v5::{AsyncClient, ClientError, EventLoop, MqttOptions};
use tokio::time::Instant;

use super::Ack;
use super::bridge::Bridge;
use super::limits::BrokerLimits;
use super::loopback::LoopBack;
use super::outbox::{LIBRARY_WINDOW, OutboxEntry};
use super::owed::OwedAcks;
use super::reason::{self, Loss};
use super::settings::MqttSettings;
use super::subscriptions::SubscriptionChange;
use crate::clock::Timer;

pub(super) const ONLINE: &str = "online";
pub(super) const OFFLINE: &str = "offline";

/// Messages of QoS 1 that the broker may send before our acknowledgements. One commit takes many.
const RECEIVE_WINDOW: u16 = 256;
/// Requests that may wait in the library. Windows keep it far from full; memory is taken as needed.
pub(super) const REQUESTS: usize = 4096;
/// Looks to a keep-alive, while the listener lags behind or another broker than the first is used.
const LOOKS: u32 = 10;
/// The library's ping, where our own message does what it is for.
const NO_PINGS: Duration = Duration::from_secs(24 * 3600);
/// So many keep-alives a broker may be silent: what it was asked at one is not answered by the
/// next, when the next message of our own is due anyhow.
const SILENCE: u32 = 2;

/// What belongs to one connection.
pub(super) struct BrokerLink {
    client: AsyncClient,
    /// When the broker accepted us.
    pub(super) up: Option<Instant>,
    /// Ours, or the broker's if that is shorter.
    pub(super) keep_alive: Duration,
    /// The largest packet that the broker takes.
    pub(super) largest: usize,
    /// When it is looked at next without anything having come: no sooner than there is something
    /// to see, since each look wakes the board.
    look: Instant,
    timer: Timer<Instant>,
    pub(super) last_heard: Instant,
    pub(super) stretch: u32,
    pub(super) loopback: LoopBack,
    owed: OwedAcks,
    /// The broker keeps retained messages.
    retains: bool,
    pub(super) told_refused: BTreeSet<String>,
}

impl BrokerLink {
    pub(super) fn new(client: AsyncClient, keep_alive: Duration) -> Self {
        let now = Instant::now();
        Self {
            client,
            up: None,
            keep_alive,
            largest: usize::MAX,
            look: now + keep_alive / LOOKS,
            timer: Timer::default(),
            last_heard: now,
            stretch: 0,
            loopback: LoopBack::new(now),
            owed: OwedAcks::default(),
            retains: true,
            told_refused: BTreeSet::new(),
        }
    }

    /// The broker has accepted us, and says what it wants of this connection; `ours` is the
    /// keep-alive that we asked for.
    pub(super) fn accepted(
        &mut self,
        wants: Option<&ConnAckProperties>,
        ours: Duration,
        eventloop: &mut EventLoop,
        no_retained: bool,
        silent: bool,
    ) {
        self.retains = !no_retained;
        // None would mean to the library that it pings without a pause.
        let wanted = wants.and_then(|p| p.server_keep_alive).filter(|seconds| *seconds > 0);
        self.keep_alive = wanted.map_or(ours, |seconds| ours.min(Duration::from_secs(seconds.into())));
        // Our own message goes out that often and asks for an answer: a ping beside it would only
        // wake the board.
        let pings = if silent { self.keep_alive } else { NO_PINGS };
        eventloop.options.set_keep_alive(pings);
        if let Some(largest) = wants.and_then(|p| p.max_packet_size) {
            self.largest = largest.try_into().unwrap_or(usize::MAX);
        }
        let now = Instant::now();
        self.up = Some(now);
        self.last_heard = now;
        self.loopback = LoopBack::new(now);
        self.look_again(true);
    }

    /// Sets the next look: soon, or when our own message or the broker's silence is due.
    pub(super) fn look_again(&mut self, soon: bool) {
        let soonest = Instant::now() + self.keep_alive / LOOKS;
        self.look = match soon {
            true => soonest,
            false => self.loopback.next(self.keep_alive).min(self.silent_from()).max(soonest),
        };
    }

    /// Until it is to be looked at.
    pub(super) async fn look_is_due(&mut self) {
        let look = self.look;
        self.timer.wait(look, || look.saturating_duration_since(Instant::now())).await;
    }

    /// From when on its silence is too long.
    pub(super) fn silent_from(&self) -> Instant {
        self.last_heard + self.keep_alive * SILENCE
    }

    /// Publishes our status, retained. The caller has noted it in the outbox.
    pub(super) fn say(&mut self, topic: &str, status: &'static str) -> Result<(), Loss> {
        self.client.try_publish(topic, QoS::AtLeastOnce, self.retains, status).map_err(stuck)
    }

    /// Sends our own message around. The caller has noted it in the outbox.
    pub(super) fn send_around(&mut self, topic: &str) -> Result<(), Loss> {
        let payload = self.loopback.send(Instant::now());
        let expiry = u32::try_from(self.keep_alive.as_secs()).unwrap_or(u32::MAX).max(1);
        let properties = PublishProperties { message_expiry_interval: Some(expiry), ..Default::default() };
        let sent =
            self.client.try_publish_with_properties(topic, QoS::AtLeastOnce, false, payload, properties);
        sent.map_err(stuck)
    }

    /// Publishes an entry that the outbox has handed over.
    pub(super) fn publish(&mut self, entry: &OutboxEntry) -> Result<(), Loss> {
        let (payload, retain) = (entry.payload.clone(), entry.retain && self.retains);
        let sent = match entry.correlation.clone() {
            None => self.client.try_publish(&entry.topic, QoS::AtLeastOnce, retain, payload),
            Some(correlation) => {
                let properties =
                    PublishProperties { correlation_data: Some(correlation), ..Default::default() };
                let topic = &entry.topic;
                self.client.try_publish_with_properties(topic, QoS::AtLeastOnce, retain, payload, properties)
            }
        };
        sent.map_err(stuck)
    }

    /// Disconnects in order, so that the last will stays unspoken.
    pub(super) fn goodbye(&mut self) -> Result<(), Loss> {
        self.client.try_disconnect().map_err(stuck)
    }

    /// A message came that wants to be acknowledged.
    pub(super) fn owes(&mut self, ack: &Ack) {
        self.owed.came(ack);
    }

    /// A message is safe: its acknowledgement leaves, with those that waited for it, once all
    /// before it have.
    pub(super) fn acknowledge(&mut self, ack: &Ack) -> Result<(), Loss> {
        self.owed.ready(ack);
        while let Some((packet, exactly_once)) = self.owed.next() {
            let qos = if exactly_once { QoS::ExactlyOnce } else { QoS::AtLeastOnce };
            let publish = Publish { qos, pkid: packet, ..Default::default() };
            self.client.try_ack(&publish).map_err(stuck)?;
        }
        Ok(())
    }

    /// Retained messages keep their flag only when served from the broker's store (no
    /// retain-as-published): a live message of a publisher that retains must not look old.
    pub(super) fn request(
        &mut self,
        changes: Vec<SubscriptionChange>,
        retained: RetainForwardRule,
    ) -> Result<(), Loss> {
        for change in changes {
            match change {
                SubscriptionChange::Subscribe(filters) => {
                    let filters = filters.into_iter().map(|path| Filter {
                        retain_forward_rule: retained.clone(),
                        ..Filter::new(path, QoS::AtLeastOnce)
                    });
                    self.client.try_subscribe_many(filters).map_err(stuck)?;
                }
                SubscriptionChange::Unsubscribe(filter) => {
                    self.client.try_unsubscribe(filter).map_err(stuck)?
                }
            }
        }
        Ok(())
    }
}

fn stuck(_: ClientError) -> Loss {
    Loss::new(format!("{REQUESTS} requests wait in the client library, and none gets out"))
}

pub(super) fn options(settings: &MqttSettings, bridge: &Bridge, limits: &BrokerLimits) -> MqttOptions {
    // The port of a Unix socket is nothing.
    let mut options = MqttOptions::new(&settings.client_id, &bridge.path, 0);
    options.set_transport(Transport::unix());
    if let Some(user) = &settings.user {
        options.set_credentials(user, settings.password.as_ref().map_or("", |password| password.expose()));
    }
    let session = u32::try_from(settings.session_expiry.as_secs()).unwrap_or(u32::MAX);
    options
        .set_keep_alive(settings.keep_alive)
        .set_clean_start(session == 0)
        .set_session_expiry_interval(Some(session))
        .set_receive_maximum(Some(RECEIVE_WINDOW))
        // Told to the broker too, which then withholds larger messages. The library's own default
        // would break the connection at 10 KiB, and again at every reconnect if the message is
        // retained.
        .set_max_packet_size(Some(settings.max_packet))
        .set_manual_acks(true)
        .set_outgoing_inflight_upper_limit(LIBRARY_WINDOW)
        .set_connection_timeout(reason::CONNECTING.as_secs());
    if !settings.silent {
        options.set_last_will(LastWill::new(
            &settings.status_topic,
            OFFLINE,
            QoS::AtLeastOnce,
            !limits.no_retained,
            None,
        ));
    }
    options
}
