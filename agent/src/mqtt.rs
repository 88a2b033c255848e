//! Messages in, messages out, and the truth about the path between.
//!
//! [`spawn`] starts one task that keeps a connection to the broker, and nothing else. What it hears
//! and what happens to the connection comes out as [`MqttEvent`]s, in order, through one bounded
//! channel that is never skipped: a slow listener slows the broker down, it does not lose messages.
//! What goes in goes through the [`Handle`]: publications, acknowledgements, a new set of
//! subscriptions, the end.
//!
//! This is the only place that knows rumqttc, and none of its types shows, so that the client could
//! be replaced. It is also where the client's traps are kept shut; the reasons stand where the code
//! is odd.

mod bridge;
mod connection;
mod limits;
mod link;
mod loopback;
mod outbox;
mod owed;
mod reason;
mod retry;
mod settings;
mod subscriptions;
mod version;

use std::fmt;
use std::sync::Arc;
use std::time::Duration;

use bytes::Bytes;
use outbox::OutboxEntry;
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc, oneshot};
use tokio::task::AbortHandle;

pub use crate::tls::ClientIdentity;
pub use settings::{BrokerAddress, MOST_BROKERS, MqttSettings, SettingsError, Tls};

/// Events that may wait for the listener before the broker is slowed down. Large enough that one
/// turn of the listener can take a good batch, small enough to be no burden on a small board.
const EVENTS: usize = 512;

/// Bytes of messages that may wait for the listener, the same: a device that has gone mad fills the
/// queue with the longest messages that a broker lets through.
const WAITING_BYTES: usize = 2 << 20;

/// Publications that may wait for the broker's acknowledgement. What must outlive more than a short
/// outage belongs in the journal, which offers it again.
const OUTBOX: usize = 64;

/// What the connection tells its one listener.
#[derive(Debug)]
pub enum MqttEvent {
    /// Connected, and the subscriptions are on their way.
    Up {
        /// The broker still had our session: what it kept for us follows.
        session_present: bool,
    },
    /// Not connected. Told once per reason, not once per attempt; attempts go on by themselves.
    Down {
        /// Cause in words for a person.
        why: String,
    },
    /// The broker lets us in and soon puts us out again, time after time: another client with our
    /// client id, or something that it has against us. That a connection is there means nothing for
    /// a while.
    PushedOut {
        /// What was seen, in words for a person.
        why: String,
    },
    /// The broker refused a subscription. It is asked again at the next connection.
    Refused {
        /// The topic filter as asked for.
        filter: String,
        /// The broker's reason.
        reason: String,
    },
    /// Our own message came back: the way to the broker, through it and back is proved.
    Heard {
        /// From publishing it to hearing it.
        round_trip: Duration,
    },
    /// Connected, but our own message did not come back in time. Told once, until
    /// [`MqttEvent::Heard`].
    Deaf {
        /// How long ago the path was last proved (or the connection was made).
        silent_for: Duration,
    },
    /// A message on a subscribed topic.
    Message(MqttMessage),
    /// The broker has taken over a publication.
    Published {
        /// As given to [`Handle::publish`].
        id: u64,
    },
    /// A publication was for the connection that it met, and there was none, or it ended before the
    /// broker's answer: it will not be sent by another one.
    Lapsed {
        /// As given to [`Handle::publish_now`].
        id: u64,
        /// It was under way, so the broker may have it.
        perhaps: bool,
    },
    /// A publication will not be taken over; repeating it unchanged is of no use.
    Unpublished {
        /// As given to [`Handle::publish`].
        id: u64,
        /// The broker's reason, or ours.
        why: String,
    },
}

/// A message on a subscribed topic.
#[derive(Debug)]
pub struct MqttMessage {
    /// The topic it was published on.
    pub topic: String,
    /// What was published, not interpreted. It shares the connection's read buffer: parse and drop.
    pub payload: Bytes,
    /// The broker served it from its store because we subscribed: it tells what was, not what is.
    pub retained: bool,
    /// The broker delivers it again, because it has seen no acknowledgement.
    pub duplicate: bool,
    /// Where its sender wants to hear what came of it (MQTT 5.0, 3.3.2.3.5).
    pub response_topic: Option<String>,
    /// What its sender will know that by.
    pub correlation: Option<Bytes>,
    /// Its sender's time for it is over.
    pub expired: bool,
    /// Owed to the broker once the message is safe; `None` for QoS 0.
    pub ack: Option<Ack>,
    /// Its share of the bytes that may wait; free when the message is dropped.
    room: Option<OwnedSemaphorePermit>,
}

impl MqttEvent {
    /// What it takes of the bytes that may wait: topic and payload. All else is small.
    fn weight(&self) -> u32 {
        match self {
            Self::Message(message) => {
                let bytes = (message.topic.len() + message.payload.len()).min(WAITING_BYTES);
                u32::try_from(bytes).unwrap_or(u32::MAX)
            }
            Self::Up { .. }
            | Self::Down { .. }
            | Self::PushedOut { .. }
            | Self::Refused { .. }
            | Self::Heard { .. }
            | Self::Deaf { .. }
            | Self::Published { .. }
            | Self::Lapsed { .. }
            | Self::Unpublished { .. } => 0,
        }
    }

    fn without_room(mut self) -> Self {
        if let Self::Message(message) = &mut self {
            message.room = None;
        }
        self
    }

    fn with_room(mut self, room: OwnedSemaphorePermit) -> Self {
        if let Self::Message(message) = &mut self {
            message.room = Some(room);
        }
        self
    }
}

/// The acknowledgement that a message awaits. Dropping it lets the broker deliver the message again
/// after the next connect.
#[derive(Debug)]
#[must_use = "a message that is never acknowledged is delivered again, and blocks the broker's window"]
pub struct Ack {
    /// The connection the message came by. Packet ids mean nothing on another one.
    generation: u64,
    packet: u16,
    exactly_once: bool,
}

/// Why a publication was not accepted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PublishError {
    /// Too many publications wait for the broker. Try again after an [`MqttEvent::Published`].
    Full {
        /// How many may wait.
        limit: usize,
    },
    /// The topic cannot be published on.
    Topic {
        /// The topic as given.
        topic: String,
        /// What is wrong with it.
        why: &'static str,
    },
    /// The connection's task has ended.
    Closed,
}

impl fmt::Display for PublishError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Full { limit } => write!(f, "{limit} publications already wait for the broker"),
            Self::Topic { topic, why } => write!(f, "cannot publish on the topic {topic:?}: {why}"),
            Self::Closed => write!(f, "the connection to the broker has been closed for good"),
        }
    }
}

impl std::error::Error for PublishError {}

enum ConnectionCommand {
    Ack(Ack),
    Publish(OutboxEntry),
    Subscribe(Vec<String>),
    Settings(Box<MqttSettings>),
    Close(oneshot::Sender<()>),
}

/// The way in: cheap to clone, never blocks.
#[derive(Clone)]
pub struct Handle {
    commands: mpsc::UnboundedSender<ConnectionCommand>,
    room: Arc<Semaphore>,
    task: AbortHandle,
}

/// Starts the connection's task on the current tokio runtime.
///
/// The receiver ends when the task has ended: after [`Handle::close`], when every handle is
/// dropped, or by a fault of the program, which the caller should treat as one.
///
/// # Errors
/// Everything that is wrong with the settings, all at once; then nothing is started.
pub fn spawn(settings: MqttSettings) -> Result<(Handle, mpsc::Receiver<MqttEvent>), Vec<SettingsError>> {
    settings.validate()?;
    let (commands, orders) = mpsc::unbounded_channel();
    let (events, listener) = mpsc::channel(EVENTS);
    let worker = connection::Worker::new(settings, orders, events);
    let task = tokio::spawn(worker.run()).abort_handle();
    let room = Arc::new(Semaphore::new(OUTBOX));
    Ok((Handle { commands, room, task }, listener))
}

impl Handle {
    /// Acknowledges a message, after it is safe. Without effect when its connection is gone: the
    /// broker then delivers the message again.
    pub fn ack(&self, ack: Ack) {
        // A closed task has no connection left to acknowledge on.
        let _ = self.commands.send(ConnectionCommand::Ack(ack));
    }

    /// Publishes with QoS 1. The order is kept, reconnects are survived, and every accepted `id` is
    /// answered by one [`MqttEvent::Published`] or [`MqttEvent::Unpublished`]. A connection that
    /// breaks between the broker's taking it over and our hearing of it makes the broker see it
    /// twice.
    ///
    /// # Errors
    /// When too many wait already, the topic is none, the connection is a silent one, or the task
    /// has ended.
    pub fn publish(
        &self,
        id: u64,
        topic: impl Into<String>,
        payload: impl Into<Bytes>,
        retain: bool,
    ) -> Result<(), PublishError> {
        self.publish_reply(id, topic, payload, retain, None)
    }

    /// The same with what the other side gave to know it by.
    ///
    /// # Errors
    /// As for [`Handle::publish`].
    pub fn publish_reply(
        &self,
        id: u64,
        topic: impl Into<String>,
        payload: impl Into<Bytes>,
        retain: bool,
        correlation: Option<Bytes>,
    ) -> Result<(), PublishError> {
        let (topic, payload) = (topic.into(), payload.into());
        self.hand_over(OutboxEntry { id, topic, payload, retain, correlation, now_only: false, room: None })
    }

    /// Publishes by the connection that there is, with QoS 1, or not at all: what is true now and
    /// would be wrong later. Answered like the others, or by one [`MqttEvent::Lapsed`].
    ///
    /// # Errors
    /// As for [`Handle::publish`].
    pub fn publish_now(
        &self,
        id: u64,
        topic: impl Into<String>,
        payload: impl Into<Bytes>,
    ) -> Result<(), PublishError> {
        let (topic, payload) = (topic.into(), payload.into());
        let (retain, correlation) = (false, None);
        self.hand_over(OutboxEntry { id, topic, payload, retain, correlation, now_only: true, room: None })
    }

    fn hand_over(&self, mut entry: OutboxEntry) -> Result<(), PublishError> {
        if let Err(why) = settings::check_topic(&entry.topic) {
            return Err(PublishError::Topic { topic: entry.topic, why });
        }
        let room = Arc::clone(&self.room).try_acquire_owned();
        entry.room = Some(room.map_err(|_| PublishError::Full { limit: OUTBOX })?);
        self.commands.send(ConnectionCommand::Publish(entry)).map_err(|_| PublishError::Closed)
    }

    /// Replaces the set of subscriptions, after a reload: new filters are subscribed, those gone
    /// are unsubscribed, the rest is left in peace.
    ///
    /// # Errors
    /// Filters that cannot be subscribed; then nothing changes.
    pub fn resubscribe(&self, filters: Vec<String>) -> Result<(), Vec<SettingsError>> {
        settings::check_filters(&filters)?;
        // A closed task has nothing to subscribe to.
        let _ = self.commands.send(ConnectionCommand::Subscribe(filters));
        Ok(())
    }

    /// Other brokers, or the same ones under other terms, with their own subscriptions: the
    /// connection is closed in order and made anew.
    ///
    /// # Errors
    /// Everything that is wrong with the settings; then nothing changes.
    pub fn reconnect(&self, settings: MqttSettings) -> Result<(), Vec<SettingsError>> {
        settings.validate()?;
        // A closed task connects no more.
        let _ = self.commands.send(ConnectionCommand::Settings(Box::new(settings)));
        Ok(())
    }

    /// Says "offline" on the status topic, disconnects so that the last will stays unspoken, and
    /// ends the task; at the latest after `bound`. Events not yet received are dropped.
    pub async fn close(self, bound: Duration) {
        let (done, ended) = oneshot::channel();
        if self.commands.send(ConnectionCommand::Close(done)).is_ok() {
            // Ends by the sender's drop, when the task returns.
            let _ = tokio::time::timeout(bound, ended).await;
        }
        self.task.abort();
    }
}
