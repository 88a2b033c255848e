//! The one way by which commands and sirens leave for the broker. Each message flows in with who
//! sends it, and leaves only if the register of outputs gives the topic and the words to that
//! sender: a siren of before a reload, or a fault of ours, must not switch a heater.

use super::{EventLoop, SIRENS};
use crate::channels::{NotPublished, Publish, Publishing};
use crate::mqtt;
use crate::settings::usual_reply_topic;
use bytes::Bytes;
use slackwater_rules::engine::{Effect, Input};
use slackwater_rules::plan::{Publisher, Register};
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, RwLock};
use tokio::sync::oneshot;

/// Who waits for the broker's answer to a message, by its number.
type Waiting = BTreeMap<u64, oneshot::Sender<Result<(), NotPublished>>>;

/// The way out; cheap to clone.
#[derive(Clone)]
pub(super) struct Outlet {
    broker: mqtt::Handle,
    register: Arc<RwLock<Register>>,
    sirens: Arc<AtomicU64>,
    /// Sirens' messages that the broker has not answered yet.
    waiting: Arc<Mutex<Waiting>>,
}

impl Outlet {
    pub(super) fn new(broker: mqtt::Handle, register: Register) -> Self {
        Self {
            broker,
            register: Arc::new(RwLock::new(register)),
            sirens: Arc::default(),
            waiting: Arc::default(),
        }
    }

    /// From now on topics belong to those that `register` says.
    pub(super) fn adopt(&self, register: Register) {
        *self.register.write().unwrap_or_else(PoisonError::into_inner) = register;
    }

    /// Hands a relay's command over, or says why it is not to be or can't be.
    pub(super) fn command(
        &self,
        switching: u64,
        relay: String,
        topic: String,
        payload: String,
    ) -> Result<(), String> {
        let publisher = Publisher::Relay(relay);
        self.look(|register| register.permits(&publisher, &topic, payload.as_bytes()))?;
        self.broker.publish(switching, topic, payload, false).map_err(|error| error.to_string())
    }

    /// Hands the watch's own state over, to be kept by the broker.
    pub(super) fn state(&self, topic: &str, payload: &str) -> Result<(), String> {
        self.look(|register| register.permits(&Publisher::State, topic, payload.as_bytes()))?;
        let id = SIRENS + self.sirens.fetch_add(1, Ordering::Relaxed);
        self.broker.publish(id, topic, payload.to_owned(), true).map_err(|error| error.to_string())
    }

    /// Hands over what came of a contact's answer: to the contact's own reply topic, or below it.
    pub(super) fn answer(
        &self,
        contact: &str,
        answers: &str,
        topic: String,
        payload: Vec<u8>,
        correlation: Option<Bytes>,
    ) -> Result<(), String> {
        let publisher = Publisher::Answers(contact.to_owned());
        let own = usual_reply_topic(answers, contact);
        self.look(|register| {
            register.permits(&publisher, &own, &payload)?;
            match register.output(&topic).filter(|output| output.publisher != publisher) {
                Some(output) => Err(format!("`{topic}` belongs to {}", output.publisher)),
                None => Ok(()),
            }
        })?;
        let id = SIRENS + self.sirens.fetch_add(1, Ordering::Relaxed);
        self.broker.publish_reply(id, topic, payload, false, correlation).map_err(|error| error.to_string())
    }

    /// Hands over what is said to a site that asks to join: on a topic that is nobody else's.
    pub(super) fn join_answer(&self, topic: String, payload: String) -> Result<(), String> {
        self.look(|register| match register.output(&topic) {
            Some(output) => Err(format!("`{topic}` belongs to {}", output.publisher)),
            None => Ok(()),
        })?;
        let id = SIRENS + self.sirens.fetch_add(1, Ordering::Relaxed);
        self.broker.publish(id, topic, payload, false).map_err(|error| error.to_string())
    }

    /// What the broker, or the connection's end, has made of a message of ours.
    pub(super) fn settled(&self, id: u64, result: Result<(), NotPublished>) {
        if let Some(waiting) = self.waiting().remove(&id) {
            // Whoever waited has given up by itself.
            let _ = waiting.send(result);
        }
    }

    fn waiting(&self) -> MutexGuard<'_, Waiting> {
        self.waiting.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn look(&self, may: impl Fn(&Register) -> Result<(), String>) -> Result<(), String> {
        let register = self.register.read().unwrap_or_else(PoisonError::into_inner);
        may(&register).inspect_err(|why| tracing::error!("REFUSED to publish: {why}"))
    }
}

impl Publish for Outlet {
    fn publish<'a>(&'a self, topic: &'a str, payload: &'a [u8]) -> Publishing<'a> {
        Box::pin(async move {
            self.look(|register| register.permits_siren(topic, payload)).map_err(NotPublished::Refused)?;
            let id = SIRENS + self.sirens.fetch_add(1, Ordering::Relaxed);
            let (told, answer) = oneshot::channel();
            self.waiting().insert(id, told);
            if let Err(error) = self.broker.publish_now(id, topic, payload.to_vec()) {
                self.waiting().remove(&id);
                return Err(NotPublished::Yet { why: error.to_string(), perhaps: false });
            }
            let gone = || NotPublished::Yet { why: "the watch ends".to_owned(), perhaps: true };
            answer.await.unwrap_or_else(|_| Err(gone()))
        })
    }
}

impl EventLoop {
    /// Does what the engine wants done in the world: its record is committed.
    pub(super) fn run(&mut self, effect: Effect) {
        match effect {
            Effect::Send { target, page } => self.hand_over(&target, *page),
            Effect::Withdraw { page } => self.channels.withdraw(page),
            Effect::Command { switching, relay, topic, payload } => {
                // A command that waits for a broker would switch something at a time that
                // nobody chose.
                let published = match &self.health.deaf {
                    Some(why) => Err(format!("the broker can't be heard: {why}")),
                    None => self.outlet.command(switching, relay, topic, payload),
                };
                if let Err(why) = published {
                    self.take(Input::Commanded { switching, failed: Some(why) });
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::Outlet;
    use crate::channels::{NotPublished, Publish};
    use crate::mqtt::{self, MqttEvent};
    use slackwater_rules::plan::{Output, Payloads, Publisher, Register};

    fn output(publisher: Publisher, topic: &str, may_switch_on: bool) -> Output {
        let (on, off) = ("on".to_owned(), "off".to_owned());
        let payloads = Some(Payloads { on, off, may_switch_on, inverted: false });
        Output { publisher, topic: topic.to_owned(), payloads, place: String::new() }
    }

    #[tokio::test]
    async fn nothing_leaves_by_another_ones_topic_not_even_by_what_was_right_before_a_reload() {
        // Nobody listens there: what is for later waits, and what is for now lapses.
        let (broker, mut events) =
            mqtt::spawn(mqtt::MqttSettings::new("127.0.0.1", 9, "halyard")).expect("begun");
        let heater = output(Publisher::Relay("heater".into()), "room2/heater/set", false);
        let siren = |topic| output(Publisher::Siren("siren".into()), topic, true);
        let (register, _) = Register::new(&[heater.clone(), siren("hall/siren")]);
        let outlet = Outlet::new(broker, register);
        let command = |relay: &str, topic: &str, payload: &str| {
            outlet.command(1, relay.to_owned(), topic.to_owned(), payload.to_owned())
        };
        assert_eq!(command("heater", "room2/heater/set", "off"), Ok(()));
        assert!(
            command("heater", "room2/heater/set", "on").is_err_and(|why| why.contains("never switched on"))
        );
        assert!(command("air-pump", "room2/heater/set", "on").is_err_and(|why| why.contains("belongs to")));
        assert!(command("air-pump", "room2/airpump/set", "on").is_err());
        let sounding = outlet.clone();
        let sounded = tokio::spawn(async move { sounding.publish("hall/siren", b"on").await });
        let id = loop {
            if let MqttEvent::Lapsed { id, perhaps: false } = events.recv().await.expect("the task lives") {
                break id;
            }
        };
        let away = NotPublished::Yet { why: "no broker".to_owned(), perhaps: false };
        outlet.settled(id, Err(away.clone()));
        assert_eq!(sounded.await.expect("ended"), Err(away));

        let moved = output(Publisher::Relay("heater".into()), "hall/siren", false);
        outlet.adopt(Register::new(&[moved, siren("room2/siren")]).0);
        let late = outlet.publish("hall/siren", b"on").await;
        assert!(matches!(late, Err(NotPublished::Refused(why)) if why.contains("relay `heater`")));
        assert!(command("heater", "room2/heater/set", "off").is_err());
        assert_eq!(command("heater", "hall/siren", "off"), Ok(()));
    }
}
