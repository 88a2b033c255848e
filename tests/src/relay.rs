//! A relay on a board: hears its commands from the broker, does them unless it is broken, and
//! shows on a sensor of its board what it really does. Independent of the agent's own client.

use crate::board::{Board, EVERY, client};
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::{Event, Incoming};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;
use tokio::task::JoinSet;

/// One relay with its load.
pub struct Relay {
    obeys: Arc<AtomicBool>,
    heard: Arc<Mutex<Vec<(Instant, String)>>>,
    _task: JoinSet<()>,
}

impl Relay {
    /// Listens for `on` and `off` on `topic`, and shows the load's amount or `0` on `shows`, from
    /// its first command on.
    pub fn start(port: u16, login: (&str, &str), topic: &str, board: &Board, shows: (&str, &str)) -> Self {
        let (obeys, heard) = (Arc::new(AtomicBool::new(true)), Arc::new(Mutex::new(Vec::new())));
        let (client, mut eventloop) = client(port, login, &format!("relay-{}", topic.replace('/', "-")));
        let (topic, sayer) = (topic.to_owned(), board.sayer());
        let (shown, amount) = (shows.0.to_owned(), shows.1.to_owned());
        let mut task = JoinSet::new();
        task.spawn({
            let (obeys, heard) = (Arc::clone(&obeys), Arc::clone(&heard));
            async move {
                loop {
                    match eventloop.poll().await {
                        Ok(Event::Incoming(Incoming::ConnAck(_))) => {
                            // The queue is empty so soon after connecting.
                            let _ = client.try_subscribe(topic.as_str(), QoS::AtLeastOnce);
                        }
                        Ok(Event::Incoming(Incoming::Publish(message))) => {
                            let payload = String::from_utf8_lossy(&message.payload).into_owned();
                            if obeys.load(Ordering::Relaxed) {
                                sayer(&shown, if payload == "on" { &amount } else { "0" });
                            }
                            heard
                                .lock()
                                .unwrap_or_else(PoisonError::into_inner)
                                .push((Instant::now(), payload));
                        }
                        Ok(_) => {}
                        Err(_) => tokio::time::sleep(EVERY).await,
                    }
                }
            }
        });
        Self { obeys, heard, _task: task }
    }

    /// From now on it does what it is told, or nothing.
    pub fn obeys(&self, obeys: bool) {
        self.obeys.store(obeys, Ordering::Relaxed);
    }

    /// Every command that has reached it.
    pub fn heard(&self) -> Vec<String> {
        self.heard_when().into_iter().map(|(_, payload)| payload).collect()
    }

    /// The same, and when.
    pub fn heard_when(&self) -> Vec<(Instant, String)> {
        self.heard.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}
