//! The one task that keeps the connection: connect, serve until it breaks, pause, again.
//!
//! Every attempt gets a new client and event loop from the library, never a used one: a used one
//! resends stale acknowledgements, forgets or doubles publications, and can lock up after a lost
//! session. What has to outlive a connection lives here: [`Outbox`], [`Subscriptions`], [`Retry`],
//! and the events that the listener has not taken yet. Packet ids belong to one connection, hence
//! its generation number.
//!
//! The library's `poll` is never cancelled while the connection is to live on, since it may hold a
//! half written packet. It is held, and everything else happens beside it: orders, the listener's
//! room, a look. `poll` can also hang in a write to a broker that has stopped reading, its own
//! keep-alive included; the look notices that nothing has been heard for too long and gives the
//! connection up.

mod incoming;
mod rounds;

use std::collections::{BTreeMap, VecDeque};
use std::future::Future;
use std::pin::{Pin, pin};
use std::sync::Arc;

use rumqttc::v5::mqttbytes::v5::RetainForwardRule::OnNewSubscribe;
use rumqttc::v5::{ConnectionError, Event as Polled, EventLoop};
use tokio::sync::{Semaphore, mpsc, oneshot};
use tokio::time::Instant;

use rounds::Home;

use super::limits::BrokerLimits;
use super::link::{BrokerLink, OFFLINE};
use super::loopback::Due;
use super::outbox::{Outbox, OutboxEntry, Purpose};
use super::reason::Loss;
use super::retry::Retry;
use super::settings::{BrokerAddress, MqttSettings};
use super::subscriptions::Subscriptions;
use super::{ConnectionCommand, MqttEvent, WAITING_BYTES};

/// Polls granted per look while the listener lags behind: enough to get our own out between
/// messages.
const STRETCH: u32 = 32;

pub(super) struct Worker {
    settings: MqttSettings,
    orders: mpsc::UnboundedReceiver<ConnectionCommand>,
    events: mpsc::Sender<MqttEvent>,
    /// What the listener had no room for. While it is not empty, the broker is read only as much as
    /// it takes to stay connected.
    backlog: VecDeque<MqttEvent>,
    /// Bytes that may wait for the listener.
    room: Arc<Semaphore>,
    generation: u64,
    outbox: Outbox,
    subscriptions: Subscriptions,
    retry: Retry,
    told_down: Option<String>,
    /// What is known of brokers that said nothing, by their places, since one has let us in: each
    /// is asked once.
    mute: BTreeMap<usize, Option<String>>,
    /// Told as pushed out, since the last connection that lasted.
    told_out: bool,
    closing: bool,
    /// Settings that are to be taken once this connection has ended.
    next: Option<MqttSettings>,
    /// Which of the brokers is used or tried.
    at: usize,
    /// Which one holds the subscriptions that we know of.
    held_by: Option<usize>,
    home: Home,
    /// What the broker has said that it does not do.
    limits: BrokerLimits,
    /// Woken by their drop, when the task ends.
    waiting_for_end: Vec<oneshot::Sender<()>>,
}

enum ConnectionEnd {
    /// Closed, and nothing follows.
    ForGood,
    /// Closed in order, to connect anew: to the first broker, or by other settings.
    Elsewhere,
    Lost(Loss),
}

impl From<Loss> for ConnectionEnd {
    fn from(loss: Loss) -> Self {
        Self::Lost(loss)
    }
}

type Poll = Result<Polled, ConnectionError>;

impl Worker {
    pub(super) fn new(
        settings: MqttSettings,
        orders: mpsc::UnboundedReceiver<ConnectionCommand>,
        events: mpsc::Sender<MqttEvent>,
    ) -> Self {
        Self {
            subscriptions: Subscriptions::new(rounds::wanted(&settings)),
            settings,
            orders,
            events,
            backlog: VecDeque::new(),
            room: Arc::new(Semaphore::new(WAITING_BYTES)),
            generation: 0,
            outbox: Outbox::new(),
            retry: Retry::default(),
            told_down: None,
            mute: BTreeMap::new(),
            told_out: false,
            closing: false,
            next: None,
            at: 0,
            held_by: None,
            home: Home::default(),
            limits: BrokerLimits::default(),
            waiting_for_end: Vec::new(),
        }
    }

    async fn serve(
        &mut self,
        mut eventloop: EventLoop,
        link: &mut BrokerLink,
        broker: &BrokerAddress,
    ) -> ConnectionEnd {
        loop {
            let polled = {
                let poll = pin!(eventloop.poll());
                self.beside(poll, link).await
            };
            let lagged = !self.backlog.is_empty();
            let step = match polled {
                Ok(Ok(event)) => self.take(event, link, &mut eventloop),
                Ok(Err(error)) => {
                    if let ConnectionError::ConnectionRefused(code) = &error
                        && self.limits.learn_from_refusal(*code)
                    {
                        // At once, without what it does not do.
                        Err(ConnectionEnd::Elsewhere)
                    } else {
                        Err(Loss::explain(error, &self.settings, broker, link.up.is_some()).into())
                    }
                }
                Err(end) => Err(end),
            };
            if let Err(end) = step {
                return end;
            }
            if !self.backlog.is_empty() {
                // Also the messages that come between two of our own must not fill the memory.
                if !lagged {
                    link.look_again(true);
                }
                let waits: usize = self.backlog.iter().map(|event| event.weight() as usize).sum();
                link.stretch = if waits > WAITING_BYTES { 0 } else { link.stretch.saturating_sub(1) };
                // The answer to our ping may stand behind all that we do not read: not the broker's
                // fault.
                eventloop.state.await_pingresp = false;
            }
        }
    }

    /// Holds the library's poll until it has something, and does everything else beside it.
    async fn beside(
        &mut self,
        mut poll: Pin<&mut impl Future<Output = Poll>>,
        link: &mut BrokerLink,
    ) -> Result<Poll, ConnectionEnd> {
        loop {
            let reading = self.backlog.is_empty() || link.stretch > 0;
            tokio::select! {
                polled = &mut poll, if reading => return Ok(polled),
                passed = pass_on(&self.events, &self.room, &mut self.backlog), if !self.backlog.is_empty() => {
                    if passed.is_none() {
                        self.close(Some(&mut *link))?;
                    }
                }
                order = self.orders.recv(), if !self.closing => self.obey(order, Some(&mut *link))?,
                () = link.look_is_due() => self.look(link)?,
            }
        }
    }

    fn obey(
        &mut self,
        order: Option<ConnectionCommand>,
        link: Option<&mut BrokerLink>,
    ) -> Result<(), ConnectionEnd> {
        let up = link.filter(|link| link.up.is_some());
        match (order, up) {
            (Some(ConnectionCommand::Ack(ack)), Some(link)) if ack.generation == self.generation => {
                Ok(link.acknowledge(&ack)?)
            }
            // The broker will deliver it again.
            (Some(ConnectionCommand::Ack(_)), _) => Ok(()),
            (Some(ConnectionCommand::Publish(entry)), up) => {
                self.outbox.push(entry);
                up.map_or(Ok(()), |link| Ok(self.feed(link)?))
            }
            (Some(ConnectionCommand::Subscribe(filters)), up) => {
                let own = self.settings.loopback_topic.clone();
                self.subscriptions.want(filters.into_iter().chain([own]));
                up.map_or(Ok(()), |link| Ok(link.request(self.subscriptions.changes(), OnNewSubscribe)?))
            }
            (Some(ConnectionCommand::Settings(settings)), up) => {
                self.next = Some(*settings);
                self.leave(up)
            }
            (Some(ConnectionCommand::Close(done)), up) => {
                self.waiting_for_end.push(done);
                self.close(up)
            }
            (None, up) => self.close(up),
        }
    }

    /// Begins the end: "offline" goes out behind what is on the wire already.
    fn close(&mut self, link: Option<&mut BrokerLink>) -> Result<(), ConnectionEnd> {
        self.closing = true;
        self.backlog.clear();
        let link = link.filter(|link| link.up.is_some()).ok_or(ConnectionEnd::ForGood)?;
        self.farewell(link)
    }

    /// The same, to connect anew.
    fn leave(&mut self, link: Option<&mut BrokerLink>) -> Result<(), ConnectionEnd> {
        let link = link.filter(|link| link.up.is_some()).ok_or(ConnectionEnd::Elsewhere)?;
        self.farewell(link)
    }

    fn farewell(&mut self, link: &mut BrokerLink) -> Result<(), ConnectionEnd> {
        if self.settings.silent {
            return Ok(link.goodbye()?);
        }
        self.outbox.handed_over(Purpose::Farewell);
        Ok(link.say(&self.settings.status_topic, OFFLINE)?)
    }

    fn look(&mut self, link: &mut BrokerLink) -> Result<(), ConnectionEnd> {
        let looked = self.look_at(link);
        link.look_again(link.up.is_none() || !self.backlog.is_empty() || self.at > 0);
        looked
    }

    fn look_at(&mut self, link: &mut BrokerLink) -> Result<(), ConnectionEnd> {
        let now = Instant::now();
        if self.events.is_closed() && !self.closing {
            return self.close(Some(link));
        }
        if link.up.is_none() {
            // The library bounds the connecting.
            return Ok(());
        }
        if !self.backlog.is_empty() {
            // It is we who do not read.
            link.last_heard = now;
            link.stretch = STRETCH;
        }
        if now >= link.silent_from() {
            let silent_for = (now - link.last_heard).as_secs_f32();
            return Err(Loss::new(format!("nothing came from the broker for {silent_for:.0} s")).into());
        }
        if self.at > 0 && !self.closing && self.home.is_well(&self.settings) {
            return self.leave(Some(link));
        }
        if self.settings.silent {
            return Ok(());
        }
        let due = link.loopback.due(now, link.keep_alive);
        match due {
            Due::Nothing => return Ok(()),
            Due::Send => {}
            Due::Deaf { .. } | Due::StillDeaf => {
                // In case the broker has forgotten what we want to hear.
                link.request(self.subscriptions.all(), OnNewSubscribe)?;
            }
        }
        if let Due::Deaf { silent_for } = due {
            self.deliver(MqttEvent::Deaf { silent_for });
        }
        Ok(self.send_around(link)?)
    }

    fn send_around(&mut self, link: &mut BrokerLink) -> Result<(), Loss> {
        self.outbox.handed_over(Purpose::Passing);
        link.send_around(&self.settings.loopback_topic)
    }

    fn feed(&mut self, link: &mut BrokerLink) -> Result<(), Loss> {
        // Topic and payload, and generously what stands around them in the packet.
        let known_by = |entry: &OutboxEntry| entry.correlation.as_ref().map_or(0, bytes::Bytes::len);
        let fits = |entry: &OutboxEntry| {
            entry.topic.len() + entry.payload.len() + known_by(entry) + 32 <= link.largest
        };
        while let Some(entry) = self.outbox.remove_unfit(fits) {
            let why = format!("larger than the {} bytes that the broker takes", link.largest);
            self.deliver(MqttEvent::Unpublished { id: entry.id, why });
        }
        while let Some(entry) = self.outbox.hand_over() {
            link.publish(entry)?;
        }
        Ok(())
    }

    /// In order, never skipped; while closing, nobody listens any more.
    fn deliver(&mut self, event: MqttEvent) {
        if self.closing {
            return;
        }
        let room = Arc::clone(&self.room).try_acquire_many_owned(event.weight());
        let (true, Ok(room)) = (self.backlog.is_empty(), room) else {
            self.backlog.push_back(event);
            return;
        };
        match self.events.try_send(event.with_room(room)) {
            Ok(()) => {}
            Err(mpsc::error::TrySendError::Full(event)) => self.backlog.push_back(event.without_room()),
            // The next look closes.
            Err(mpsc::error::TrySendError::Closed(_)) => {}
        }
    }
}

/// Gives the listener the next event once there is room. `None`: nobody listens any more. Safe to
/// cancel.
async fn pass_on(
    events: &mpsc::Sender<MqttEvent>,
    room: &Arc<Semaphore>,
    backlog: &mut VecDeque<MqttEvent>,
) -> Option<()> {
    let place = events.reserve().await.ok()?;
    let room =
        Arc::clone(room).acquire_many_owned(backlog.front().map_or(0, MqttEvent::weight)).await.ok()?;
    if let Some(event) = backlog.pop_front() {
        place.send(event.with_room(room));
    }
    Some(())
}
