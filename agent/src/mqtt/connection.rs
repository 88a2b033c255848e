//! The one task that keeps the connection: connect, serve until it breaks, pause, again.
//!
//! Every attempt gets a new client and event loop from the library, never a used one: a used one resends
//! stale acknowledgements, forgets or doubles publications, and can lock up after a lost session. What has
//! to outlive a connection lives here: [`Outbox`], [`Subscriptions`], [`Retry`], and the events that the
//! listener has not taken yet. Packet ids belong to one connection, hence its generation number.
//!
//! The library's `poll` is never cancelled while the connection is to live on, since it may hold a half
//! written packet. It is held, and everything else happens beside it: orders, the listener's room, a tick.
//! `poll` can also hang in a write to a broker that has stopped reading, its own keep-alive included; the
//! tick notices that nothing has been heard for too long and gives the connection up.

use std::collections::{BTreeSet, VecDeque};
use std::future::Future;
use std::pin::{Pin, pin};
use std::time::Duration;

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{
    ConnAck, ConnAckProperties, Filter, LastWill, Publish, PublishProperties, RetainForwardRule,
};
use rumqttc::v5::{
    AsyncClient, ClientError, ConnectionError, Event as Polled, EventLoop, Incoming, MqttOptions,
};
use rumqttc::{Outgoing, Transport};
use tokio::sync::{mpsc, oneshot};
use tokio::time::{Instant, Interval, MissedTickBehavior, interval, sleep};

use super::loopback::{Due, LoopBack};
use super::outbox::{LIBRARY_WINDOW, Outbox, Purpose};
use super::reason::{self, Loss};
use super::retry::Retry;
use super::settings::Settings;
use super::subscriptions::{Change, Subscriptions};
use super::tunnel::{self, Tunnel};
use super::{Ack, Command, Event, Message};

const ONLINE: &str = "online";
const OFFLINE: &str = "offline";

/// Messages of QoS 1 that the broker may send before our acknowledgements. One commit takes many.
const RECEIVE_WINDOW: u16 = 256;
/// Requests that may wait in the library. Windows keep it far from full; memory is taken as needed.
const REQUESTS: usize = 4096;
/// Ticks to a keep-alive: how finely silence is measured.
const TICKS: u32 = 10;
/// Polls granted per tick while the listener lags behind: enough to get a ping out between messages.
const STRETCH: u32 = 32;

pub(super) struct Worker {
    settings: Settings,
    orders: mpsc::UnboundedReceiver<Command>,
    events: mpsc::Sender<Event>,
    /// What the listener had no room for. While it is not empty, the broker is read only as much as it
    /// takes to stay connected.
    backlog: VecDeque<Event>,
    generation: u64,
    outbox: Outbox,
    subscriptions: Subscriptions,
    retry: Retry,
    told_down: Option<String>,
    told_taken: bool,
    closing: bool,
    /// Woken by their drop, when the task ends.
    waiting_for_end: Vec<oneshot::Sender<()>>,
}

/// What belongs to one connection.
struct Link {
    client: AsyncClient,
    /// When the broker accepted us.
    up: Option<Instant>,
    /// Ours, or the broker's if it insists.
    keep_alive: Duration,
    /// The largest packet that the broker takes.
    largest: usize,
    tick: Interval,
    heard_since_tick: bool,
    last_heard: Instant,
    stretch: u32,
    loopback: LoopBack,
    told_refused: BTreeSet<String>,
}

enum End {
    Closed,
    Lost(Loss),
}

type Poll = Result<Polled, ConnectionError>;

impl Worker {
    pub(super) fn new(
        settings: Settings,
        orders: mpsc::UnboundedReceiver<Command>,
        events: mpsc::Sender<Event>,
    ) -> Self {
        let wanted = settings.subscriptions.iter().chain([&settings.loopback_topic]).cloned();
        Self {
            subscriptions: Subscriptions::new(wanted),
            settings,
            orders,
            events,
            backlog: VecDeque::new(),
            generation: 0,
            outbox: Outbox::new(),
            retry: Retry::default(),
            told_down: None,
            told_taken: false,
            closing: false,
            waiting_for_end: Vec::new(),
        }
    }

    pub(super) async fn run(mut self) {
        while let Some((loss, lived)) = self.attempt().await {
            self.report(loss, lived);
            let pause = sleep(self.retry.pause());
            if self.meanwhile(pause).await.is_none() {
                break;
            }
        }
    }

    /// One connection, from opening to its end. `None`: closed for good.
    async fn attempt(&mut self) -> Option<(Loss, Option<Duration>)> {
        self.generation += 1;
        let tunnel = match self.settings.tls.clone() {
            Some(tls) => match self.meanwhile(tunnel::open(self.settings.clone(), tls)).await? {
                Ok(tunnel) => Some(tunnel),
                Err(why) => return Some((Loss::new(why), None)),
            },
            None => None,
        };
        let (client, eventloop) = AsyncClient::new(options(&self.settings, tunnel.as_ref()), REQUESTS);
        let mut link = Link::new(client, self.settings.keep_alive);
        let end = self.serve(eventloop, &mut link).await;
        let cause = match tunnel {
            Some(tunnel) => tunnel.close().await,
            None => None,
        };
        match end {
            End::Lost(mut loss) if !self.closing => {
                loss.why = cause.unwrap_or(loss.why);
                Some((loss, link.up.map(|up| up.elapsed())))
            }
            End::Lost(_) | End::Closed => None,
        }
    }

    fn report(&mut self, loss: Loss, lived: Option<Duration>) {
        let lasting = self.settings.keep_alive;
        if lived.is_some_and(|lived| lived >= lasting) {
            self.told_taken = false;
        }
        let crowded = self.retry.ended(lived, loss.closed_by_broker, lasting);
        if (loss.taken || crowded) && !self.told_taken {
            self.told_taken = true;
            let id = &self.settings.client_id;
            let why = if loss.taken {
                format!("another client has connected with our client id {id:?}")
            } else {
                format!(
                    "the broker has closed several connections in a row soon after accepting them: \
                     does another client use the client id {id:?}?"
                )
            };
            self.deliver(Event::Taken { why });
        }
        if lived.is_some() || self.told_down.as_ref() != Some(&loss.why) {
            self.told_down = Some(loss.why.clone());
            self.deliver(Event::Down { why: loss.why });
        }
    }

    /// Waits for something while there is no connection. `None`: closed for good.
    async fn meanwhile<T>(&mut self, something: impl Future<Output = T>) -> Option<T> {
        let mut something = pin!(something);
        loop {
            tokio::select! {
                done = &mut something => return Some(done),
                passed = pass_on(&self.events, &mut self.backlog), if !self.backlog.is_empty() => passed?,
                order = self.orders.recv() => {
                    // Without a connection, the only end that an order can bring is the close.
                    self.obey(order, None).ok()?;
                }
            }
        }
    }

    async fn serve(&mut self, mut eventloop: EventLoop, link: &mut Link) -> End {
        loop {
            let polled = {
                let poll = pin!(eventloop.poll());
                self.beside(poll, link).await
            };
            let step = match polled {
                Ok(Ok(event)) => self.take(event, link, &mut eventloop),
                Ok(Err(error)) => Err(End::Lost(Loss::explain(error, &self.settings, link.up.is_some()))),
                Err(end) => Err(end),
            };
            if let Err(end) = step {
                return end;
            }
            if !self.backlog.is_empty() {
                link.stretch = link.stretch.saturating_sub(1);
                // The answer to our ping may stand behind all that we do not read: not the broker's fault.
                eventloop.state.await_pingresp = false;
            }
        }
    }

    /// Holds the library's poll until it has something, and does everything else beside it.
    async fn beside(
        &mut self,
        mut poll: Pin<&mut impl Future<Output = Poll>>,
        link: &mut Link,
    ) -> Result<Poll, End> {
        loop {
            let reading = self.backlog.is_empty() || link.stretch > 0;
            tokio::select! {
                polled = &mut poll, if reading => return Ok(polled),
                passed = pass_on(&self.events, &mut self.backlog), if !self.backlog.is_empty() => {
                    if passed.is_none() {
                        self.close(Some(&mut *link))?;
                    }
                }
                order = self.orders.recv(), if !self.closing => self.obey(order, Some(&mut *link))?,
                _ = link.tick.tick() => self.tick(link)?,
            }
        }
    }

    fn obey(&mut self, order: Option<Command>, link: Option<&mut Link>) -> Result<(), End> {
        let up = link.filter(|link| link.up.is_some());
        match (order, up) {
            (Some(Command::Ack(ack)), Some(link)) if ack.generation == self.generation => {
                link.acknowledge(&ack)
            }
            // The broker will deliver it again.
            (Some(Command::Ack(_)), _) => Ok(()),
            (Some(Command::Publish(entry)), up) => {
                self.outbox.push(entry);
                up.map_or(Ok(()), |link| self.feed(link))
            }
            (Some(Command::Subscribe(filters)), up) => {
                let own = self.settings.loopback_topic.clone();
                self.subscriptions.want(filters.into_iter().chain([own]));
                up.map_or(Ok(()), |link| {
                    link.request(self.subscriptions.changes(), RetainForwardRule::OnNewSubscribe)
                })
            }
            (Some(Command::Close(done)), up) => {
                self.waiting_for_end.push(done);
                self.close(up)
            }
            (None, up) => self.close(up),
        }
    }

    /// Begins the end: "offline" goes out behind what is on the wire already.
    fn close(&mut self, link: Option<&mut Link>) -> Result<(), End> {
        self.closing = true;
        self.backlog.clear();
        let link = link.filter(|link| link.up.is_some()).ok_or(End::Closed)?;
        self.outbox.handed_over(Purpose::Farewell);
        link.say(&self.settings.status_topic, OFFLINE)
    }

    fn tick(&mut self, link: &mut Link) -> Result<(), End> {
        let now = Instant::now();
        if self.events.is_closed() && !self.closing {
            return self.close(Some(link));
        }
        if link.up.is_none() {
            // The library bounds the connecting.
            return Ok(());
        }
        if link.heard_since_tick || !self.backlog.is_empty() {
            link.heard_since_tick = false;
            link.last_heard = now;
        }
        if !self.backlog.is_empty() {
            link.stretch = STRETCH;
        }
        let silent_for = now - link.last_heard;
        if silent_for > link.keep_alive.mul_f32(2.4) {
            let silent_for = silent_for.as_secs_f32();
            return Err(End::Lost(Loss::new(format!("nothing came from the broker for {silent_for:.0} s"))));
        }
        let due = link.loopback.due(now, link.keep_alive);
        match due {
            Due::Nothing => return Ok(()),
            Due::Send => {}
            Due::Deaf { .. } | Due::StillDeaf => {
                // In case the broker has forgotten what we want to hear.
                link.request(self.subscriptions.all(), RetainForwardRule::OnNewSubscribe)?;
            }
        }
        if let Due::Deaf { silent_for } = due {
            self.deliver(Event::Deaf { silent_for });
        }
        self.send_around(link)
    }

    fn send_around(&mut self, link: &mut Link) -> Result<(), End> {
        let payload = link.loopback.send(Instant::now());
        let expiry = u32::try_from(link.keep_alive.as_secs()).unwrap_or(u32::MAX).max(1);
        let properties = PublishProperties { message_expiry_interval: Some(expiry), ..Default::default() };
        self.outbox.handed_over(Purpose::Passing);
        let topic = self.settings.loopback_topic.as_str();
        let sent =
            link.client.try_publish_with_properties(topic, QoS::AtLeastOnce, false, payload, properties);
        sent.map_err(stuck)
    }

    fn feed(&mut self, link: &mut Link) -> Result<(), End> {
        // Topic and payload, and generously what stands around them in the packet.
        let fits = |topic: &str, payload: &[u8]| topic.len() + payload.len() + 32 <= link.largest;
        while let Some(entry) = self.outbox.remove_unfit(|entry| fits(&entry.topic, &entry.payload)) {
            let why = format!("larger than the {} bytes that the broker takes", link.largest);
            self.deliver(Event::Unpublished { id: entry.id, why });
        }
        while let Some(entry) = self.outbox.hand_over() {
            let (topic, payload) = (entry.topic.as_str(), entry.payload.clone());
            link.client.try_publish(topic, QoS::AtLeastOnce, entry.retain, payload).map_err(stuck)?;
        }
        Ok(())
    }

    fn take(&mut self, event: Polled, link: &mut Link, eventloop: &mut EventLoop) -> Result<(), End> {
        match event {
            Polled::Incoming(packet) => {
                link.heard_since_tick = true;
                match packet {
                    Incoming::Publish(publish) => self.hear(publish, link),
                    Incoming::ConnAck(accepted) => self.accepted(accepted, link, eventloop),
                    Incoming::PubAck(answer) => {
                        let settled = self.outbox.settled(answer.pkid);
                        self.settled(settled, reason::publication(answer.reason), link)
                    }
                    Incoming::SubAck(answer) => {
                        let verdicts = answer.return_codes.into_iter().map(reason::subscription);
                        let (refused, undo) = self.subscriptions.subscribed(answer.pkid, verdicts);
                        for (filter, reason) in refused {
                            if link.told_refused.insert(filter.clone()) {
                                self.deliver(Event::Refused { filter, reason: reason.to_owned() });
                            }
                        }
                        link.request(undo, RetainForwardRule::OnNewSubscribe)
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
            Polled::Outgoing(Outgoing::Disconnect) => Err(End::Closed),
            Polled::Outgoing(_) => Ok(()),
        }
    }

    fn accepted(&mut self, accepted: ConnAck, link: &mut Link, eventloop: &mut EventLoop) -> Result<(), End> {
        let properties = accepted.properties.as_ref();
        let limit = |pick: fn(&ConnAckProperties) -> Option<u16>| properties.and_then(pick);
        match limit(|p| p.server_keep_alive) {
            // "Never": the library would ping without a pause.
            Some(0) => {
                eventloop.options.set_keep_alive(self.settings.keep_alive);
            }
            Some(seconds) => link.keep_alive = Duration::from_secs(seconds.into()),
            None => {}
        }
        if let Some(largest) = properties.and_then(|p| p.max_packet_size) {
            link.largest = largest.try_into().unwrap_or(usize::MAX);
        }
        let now = Instant::now();
        link.up = Some(now);
        link.last_heard = now;
        link.loopback = LoopBack::new(now);
        link.tick = ticks(link.keep_alive);
        self.outbox.connected(limit(|p| p.receive_max).unwrap_or(u16::MAX));
        self.subscriptions.connected(accepted.session_present);
        self.told_down = None;
        self.deliver(Event::Up { session_present: accepted.session_present });

        link.request(self.subscriptions.changes(), RetainForwardRule::OnEverySubscribe)?;
        self.outbox.handed_over(Purpose::Passing);
        link.say(&self.settings.status_topic, ONLINE)?;
        self.send_around(link)?;
        self.feed(link)
    }

    fn hear(&mut self, publish: Publish, link: &mut Link) -> Result<(), End> {
        let ack = (publish.qos != QoS::AtMostOnce).then(|| Ack {
            generation: self.generation,
            packet: publish.pkid,
            exactly_once: publish.qos == QoS::ExactlyOnce,
        });
        if publish.topic == self.settings.loopback_topic.as_bytes() {
            if let Some(round_trip) = link.loopback.hear(&publish.payload, Instant::now()) {
                self.deliver(Event::Heard { round_trip });
            }
            return ack.map_or(Ok(()), |ack| link.acknowledge(&ack));
        }
        match String::from_utf8(publish.topic.into()) {
            Ok(topic) => {
                let (retained, duplicate) = (publish.retain, publish.dup);
                self.deliver(Event::Message(Message {
                    topic,
                    payload: publish.payload,
                    retained,
                    duplicate,
                    ack,
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
        link: &mut Link,
    ) -> Result<(), End> {
        match (settled, verdict) {
            (Some(Purpose::Entry(id)), Ok(())) => self.deliver(Event::Published { id }),
            (Some(Purpose::Entry(id)), Err(why)) => {
                self.deliver(Event::Unpublished { id, why: why.to_owned() })
            }
            (Some(Purpose::Farewell), _) => return link.client.try_disconnect().map_err(stuck),
            (Some(Purpose::Passing), Err(why)) => {
                tracing::warn!(why, "the broker does not take our status or loop-back message");
            }
            (Some(Purpose::Passing), Ok(())) | (None, _) => {}
        }
        if self.closing { Ok(()) } else { self.feed(link) }
    }

    /// In order, never skipped; while closing, nobody listens any more.
    fn deliver(&mut self, event: Event) {
        if self.closing {
            return;
        }
        if !self.backlog.is_empty() {
            self.backlog.push_back(event);
            return;
        }
        match self.events.try_send(event) {
            Ok(()) => {}
            Err(mpsc::error::TrySendError::Full(event)) => self.backlog.push_back(event),
            // The next tick closes.
            Err(mpsc::error::TrySendError::Closed(_)) => {}
        }
    }
}

impl Link {
    fn new(client: AsyncClient, keep_alive: Duration) -> Self {
        let now = Instant::now();
        Self {
            client,
            up: None,
            keep_alive,
            largest: usize::MAX,
            tick: ticks(keep_alive),
            heard_since_tick: false,
            last_heard: now,
            stretch: 0,
            loopback: LoopBack::new(now),
            told_refused: BTreeSet::new(),
        }
    }

    /// Publishes our status, retained. The caller has noted it in the outbox.
    fn say(&mut self, topic: &str, status: &'static str) -> Result<(), End> {
        self.client.try_publish(topic, QoS::AtLeastOnce, true, status).map_err(stuck)
    }

    fn acknowledge(&mut self, ack: &Ack) -> Result<(), End> {
        let qos = if ack.exactly_once { QoS::ExactlyOnce } else { QoS::AtLeastOnce };
        let publish = Publish { qos, pkid: ack.packet, ..Default::default() };
        self.client.try_ack(&publish).map_err(stuck)
    }

    /// Retained messages keep their flag only when served from the broker's store (no retain-as-published):
    /// a live message of a publisher that retains must not look old.
    fn request(&mut self, changes: Vec<Change>, retained: RetainForwardRule) -> Result<(), End> {
        for change in changes {
            match change {
                Change::Subscribe(filters) => {
                    let filters = filters.into_iter().map(|path| Filter {
                        retain_forward_rule: retained.clone(),
                        ..Filter::new(path, QoS::AtLeastOnce)
                    });
                    self.client.try_subscribe_many(filters).map_err(stuck)?;
                }
                Change::Unsubscribe(filter) => self.client.try_unsubscribe(filter).map_err(stuck)?,
            }
        }
        Ok(())
    }
}

/// Gives the listener the next event once there is room. `None`: nobody listens any more. Safe to cancel.
async fn pass_on(events: &mpsc::Sender<Event>, backlog: &mut VecDeque<Event>) -> Option<()> {
    let room = events.reserve().await.ok()?;
    if let Some(event) = backlog.pop_front() {
        room.send(event);
    }
    Some(())
}

fn stuck(_: ClientError) -> End {
    End::Lost(Loss::new(format!("{REQUESTS} requests wait in the client library, and none gets out")))
}

fn ticks(keep_alive: Duration) -> Interval {
    let mut ticks = interval(keep_alive / TICKS);
    ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    ticks
}

fn options(settings: &Settings, tunnel: Option<&Tunnel>) -> MqttOptions {
    let mut options = match tunnel {
        Some(tunnel) => {
            let mut options = MqttOptions::new(&settings.client_id, &tunnel.path, settings.port);
            options.set_transport(Transport::unix());
            options
        }
        None => {
            let mut options = MqttOptions::new(&settings.client_id, &settings.host, settings.port);
            let mut network = options.network_options();
            network.set_tcp_nodelay(true);
            options.set_network_options(network);
            options
        }
    };
    if let Some(user) = &settings.user {
        options.set_credentials(user, settings.password.as_ref().map_or("", |password| password.reveal()));
    }
    let session = u32::try_from(settings.session_expiry.as_secs()).unwrap_or(u32::MAX);
    options
        .set_keep_alive(settings.keep_alive)
        .set_clean_start(session == 0)
        .set_session_expiry_interval(Some(session))
        .set_receive_maximum(Some(RECEIVE_WINDOW))
        // Told to the broker too, which then withholds larger messages. The library's own default would
        // break the connection at 10 KiB, and again at every reconnect if the message is retained.
        .set_max_packet_size(Some(settings.max_packet))
        .set_manual_acks(true)
        .set_outgoing_inflight_upper_limit(LIBRARY_WINDOW)
        .set_connection_timeout(reason::CONNECTING.as_secs())
        .set_last_will(LastWill::new(&settings.status_topic, OFFLINE, QoS::AtLeastOnce, true, None));
    options
}
