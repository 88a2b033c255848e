//! The boards in the house: a bare MQTT client, independent of the agent's own, that says what
//! the sensors see, again and again, as real boards do.

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{ConnectReturnCode, PubAckReason, SubscribeReasonCode};
use rumqttc::v5::{AsyncClient, Event, EventLoop, Incoming, MqttOptions};
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::Notify;
use tokio::task::JoinSet;

/// How often every sensor speaks.
pub(crate) const EVERY: Duration = Duration::from_millis(250);

/// After a connection that broke: the library would try again at once.
const PAUSE: Duration = Duration::from_millis(100);

/// For the broker to take one message.
const TAKEN: Duration = Duration::from_secs(10);

type Values = BTreeMap<String, String>;

/// All sensors of the house. Silent once dropped.
pub struct Board {
    values: Arc<Mutex<Values>>,
    changed: Arc<Notify>,
    _task: JoinSet<()>,
}

/// A client of a board's, to do something else with.
pub fn client(port: u16, (user, password): (&str, &str), id: &str) -> (AsyncClient, EventLoop) {
    let mut options = MqttOptions::new(id, "127.0.0.1", port);
    options.set_credentials(user, password).set_keep_alive(Duration::from_secs(10)).set_clean_start(true);
    AsyncClient::new(options, 64)
}

impl Board {
    /// Speaks from now on, whenever there is a broker at `port` of this machine.
    pub fn start(port: u16, login: (&str, &str), values: &[(&str, &str)]) -> Self {
        let values = values.iter().map(|(topic, value)| ((*topic).to_owned(), (*value).to_owned())).collect();
        let values = Arc::new(Mutex::new(values));
        let changed = Arc::new(Notify::new());
        let (client, eventloop) = client(port, login, "board");
        let mut task = JoinSet::new();
        let connected = Arc::new(AtomicBool::new(false));
        task.spawn(connect(eventloop, Arc::clone(&connected)));
        task.spawn(speak(client, connected, Arc::clone(&values), Arc::clone(&changed)));
        Self { values, changed, _task: task }
    }

    /// What a sensor sees changes, and is said at once.
    pub fn set(&self, topic: &str, value: &str) {
        self.values().insert(topic.to_owned(), value.to_owned());
        self.changed.notify_one();
    }

    /// A way to [`Self::set`] for what stands beside the board.
    pub fn sayer(&self) -> impl Fn(&str, &str) + Send + 'static {
        let (values, changed) = (Arc::clone(&self.values), Arc::clone(&self.changed));
        move |topic, value| {
            values.lock().unwrap_or_else(PoisonError::into_inner).insert(topic.to_owned(), value.to_owned());
            changed.notify_one();
        }
    }

    /// A sensor falls silent.
    pub fn silence(&self, topic: &str) {
        self.values().remove(topic);
    }

    fn values(&self) -> std::sync::MutexGuard<'_, Values> {
        self.values.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Keeps the connection. Never broken off in the middle: the library may hold half a packet.
async fn connect(mut eventloop: EventLoop, connected: Arc<AtomicBool>) {
    loop {
        match eventloop.poll().await {
            Ok(Event::Incoming(Incoming::ConnAck(_))) => connected.store(true, Ordering::Relaxed),
            Ok(_) => {}
            Err(_) => {
                connected.store(false, Ordering::Relaxed);
                // What was not said in time is not said late.
                eventloop.clean();
                eventloop.pending.clear();
                tokio::time::sleep(PAUSE).await;
            }
        }
    }
}

async fn speak(
    client: AsyncClient,
    connected: Arc<AtomicBool>,
    values: Arc<Mutex<Values>>,
    changed: Arc<Notify>,
) {
    let mut tick = tokio::time::interval(EVERY);
    loop {
        tokio::select! {
            _ = tick.tick() => {}
            () = changed.notified() => {}
        }
        if connected.load(Ordering::Relaxed) {
            let now = values.lock().unwrap_or_else(PoisonError::into_inner).clone();
            for (topic, value) in now {
                // A full queue means that the broker lags: the next round is newer.
                let _ = client.try_publish(topic, QoS::AtMostOnce, false, value);
            }
        }
    }
}

/// Says the same thing many times over, as fast as the broker takes it, and goes; a broker that
/// goes first ends it.
pub async fn flood(port: u16, login: (&str, &str), topic: &str, value: &str, times: usize) {
    let (client, mut eventloop) = client(port, login, &format!("{}-floods", login.0));
    let say = async {
        for _ in 0..times {
            if client.publish(topic, QoS::AtMostOnce, false, value.to_owned()).await.is_err() {
                return;
            }
        }
        let _ = client.disconnect().await;
    };
    tokio::select! {
        // The broker ends it: after the farewell, or before.
        () = async { while eventloop.poll().await.is_ok() {} } => {}
        () = async { say.await; std::future::pending::<()>().await } => {}
    }
}

/// Says one thing as a client of its own, and returns once the broker has it (QoS 1).
///
/// # Panics
/// When the broker can't be reached or doesn't take it.
pub async fn publish(port: u16, login: (&str, &str), topic: &str, value: &str, retain: bool) -> PubAckReason {
    let (client, mut eventloop) = client(port, login, &format!("{}-says", login.0));
    let said = client.publish(topic, QoS::AtLeastOnce, retain, value.to_owned()).await;
    said.expect("an empty queue has room");
    let taken = async {
        loop {
            match eventloop.poll().await.expect("the broker is there") {
                Event::Incoming(Incoming::ConnAck(answer)) => {
                    assert_eq!(answer.code, ConnectReturnCode::Success, "{answer:?}");
                }
                Event::Incoming(Incoming::PubAck(answer)) => return answer.reason,
                _ => {}
            }
        }
    };
    tokio::time::timeout(TAKEN, taken).await.expect("the broker takes it soon")
}

/// Waits for the next message on a topic as a client of its own; `ready` is called once it listens.
/// None if the broker does not let it listen, or nothing comes within the bound.
///
/// # Panics
/// When the broker can't be reached.
pub async fn hear<F: Future<Output = ()>>(
    port: u16,
    login: (&str, &str),
    topic: &str,
    within: Duration,
    ready: impl FnOnce() -> F,
) -> Option<String> {
    let (client, mut eventloop) = client(port, login, &format!("{}-hears", login.0));
    client.subscribe(topic, QoS::AtLeastOnce).await.expect("an empty queue has room");
    let mut ready = Some(ready);
    let heard = async {
        loop {
            match eventloop.poll().await.expect("the broker is there") {
                Event::Incoming(Incoming::SubAck(answer)) => {
                    if !answer.return_codes.iter().all(|code| matches!(code, SubscribeReasonCode::Success(_)))
                    {
                        return None;
                    }
                    if let Some(ready) = ready.take() {
                        ready().await;
                    }
                }
                Event::Incoming(Incoming::Publish(message)) => {
                    return Some(String::from_utf8_lossy(&message.payload).into_owned());
                }
                _ => {}
            }
        }
    };
    tokio::time::timeout(within, heard).await.ok().flatten()
}
