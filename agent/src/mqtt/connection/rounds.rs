//! From one connection to the next: the brokers are tried in their order until one lets us in, and
//! after a round in vain there is a pause. While another than the first is used, the first is
//! looked for now and then, and gone back to once it can be reached. Settings that change end the
//! connection in order.

use super::super::MqttEvent;
use super::super::bridge;
use super::super::link::{self, BrokerLink};
use super::super::reason::Loss;
use super::super::retry::Retry;
use super::super::settings::{BrokerAddress, MqttSettings};
use super::super::subscriptions::Subscriptions;
use super::super::version;
use super::{ConnectionEnd, Worker, pass_on};
use rumqttc::v5::AsyncClient;
use std::future::Future;
use std::pin::pin;
use std::time::Duration;
use tokio::sync::oneshot;
use tokio::time::{Instant, sleep};

/// The first broker is looked for at the latest after this.
const LONGEST_AWAY: Duration = Duration::from_secs(3600);

/// The way back to the first broker.
#[derive(Default)]
pub(super) struct Home {
    /// How long until the next look; it doubles with each that was in vain.
    pause: Option<Duration>,
    next: Option<Instant>,
    /// A look that is under way.
    look: Option<oneshot::Receiver<bool>>,
}

impl Home {
    /// A connection to another broker than the first was made.
    fn away(&mut self, first_again: Duration) {
        let pause = self.pause.map_or(first_again, |last| (last * 2).min(LONGEST_AWAY));
        self.pause = Some(pause);
        self.next = Some(Instant::now() + pause);
        self.look = None;
    }

    /// Whether the first broker can be reached again: looks when it is time to.
    pub(super) fn is_well(&mut self, settings: &MqttSettings) -> bool {
        match &mut self.look {
            Some(look) => match look.try_recv() {
                Ok(true) => {
                    self.look = None;
                    true
                }
                Ok(false) | Err(oneshot::error::TryRecvError::Closed) => {
                    self.away(settings.first_again);
                    false
                }
                Err(oneshot::error::TryRecvError::Empty) => false,
            },
            None if self.next.is_some_and(|next| next <= Instant::now()) => {
                self.next = None;
                let (told, look) = oneshot::channel();
                self.look = Some(look);
                let settings = settings.clone();
                tokio::spawn(async move {
                    let well = match settings.brokers.first() {
                        Some(first) => bridge::reach(&settings, first).await.is_ok(),
                        None => false,
                    };
                    // Nobody waits for it any more: the connection has ended.
                    let _ = told.send(well);
                });
                false
            }
            None => false,
        }
    }
}

impl Worker {
    pub(in super::super) async fn run(mut self) {
        loop {
            if let Some(next) = self.next.take() {
                self.take_settings(next);
            }
            match self.round().await {
                (ConnectionEnd::ForGood, _) => break,
                (ConnectionEnd::Elsewhere, _) => continue,
                (ConnectionEnd::Lost(loss), lived) => self.report(loss, lived),
            }
            let pause = sleep(self.retry.pause());
            if let Err(ConnectionEnd::ForGood) = self.meanwhile(pause).await {
                break;
            }
        }
    }

    fn take_settings(&mut self, settings: MqttSettings) {
        self.subscriptions = Subscriptions::new(wanted(&settings));
        self.settings = settings;
        self.retry = Retry::default();
        self.home = Home::default();
        self.told_down = None;
        self.mute.clear();
        self.told_out = false;
        self.held_by = None;
    }

    /// Each broker in its order, until one has let us in and that connection has ended, with how
    /// long it lived.
    async fn round(&mut self) -> (ConnectionEnd, Option<Duration>) {
        let mut lost: Option<Loss> = None;
        for (at, broker) in self.settings.brokers.clone().iter().enumerate() {
            let (end, lived) = self.connection(at, broker).await;
            self.lapse();
            match end {
                ConnectionEnd::Lost(loss) if lived.is_none() => {
                    lost = Some(match lost {
                        Some(before) => before.and(loss),
                        None => loss,
                    });
                }
                end => return (end, lived),
            }
        }
        (ConnectionEnd::Lost(lost.unwrap_or_else(|| Loss::new("there is no broker to go to"))), None)
    }

    /// One connection, from opening to its end, and how long it lived.
    async fn connection(&mut self, at: usize, broker: &BrokerAddress) -> (ConnectionEnd, Option<Duration>) {
        self.generation += 1;
        self.at = at;
        let settings = self.settings.clone();
        let bridge = match self.meanwhile(bridge::open(&settings, broker)).await {
            Ok(Ok(bridge)) => bridge,
            Ok(Err(why)) => return (Loss::new(why).into(), None),
            Err(end) => return (end, None),
        };
        let (client, eventloop) =
            AsyncClient::new(link::options(&settings, &bridge, &self.limits), link::REQUESTS);
        let mut link = BrokerLink::new(client, settings.keep_alive);
        let end = self.serve(eventloop, &mut link, broker).await;
        let mute = bridge.is_mute() && !self.closing;
        let mut cause = bridge.close().await;
        if mute && cause.is_none() {
            if !self.mute.contains_key(&at) {
                match self.meanwhile(version::of_a_mute_broker(&settings, broker)).await {
                    Ok(known) => drop(self.mute.insert(at, known)),
                    Err(end) => return (end, None),
                }
            }
            cause = self.mute.get(&at).cloned().flatten();
        }
        let lived = link.up.map(|up| up.elapsed());
        let end = match end {
            _ if self.closing => ConnectionEnd::ForGood,
            ConnectionEnd::Lost(mut loss) => {
                if let Some(cause) = cause {
                    loss.why = Loss::new(cause).why;
                }
                ConnectionEnd::Lost(loss)
            }
            end => end,
        };
        (end, lived)
    }

    /// The broker has let us in.
    pub(super) fn arrived(&mut self, session_present: bool) {
        match self.at {
            0 => self.home = Home::default(),
            _ => self.home.away(self.settings.first_again),
        }
        // Another broker's session is not the one that we know.
        let known = self.held_by == Some(self.at);
        self.held_by = Some(self.at);
        self.subscriptions.connected(session_present && known);
        self.told_down = None;
        self.mute.clear();
        self.deliver(MqttEvent::Up { session_present });
    }

    /// What was for the connection that has ended, or that has not come about, alone.
    fn lapse(&mut self) {
        for (id, perhaps) in self.outbox.lapse() {
            self.deliver(MqttEvent::Lapsed { id, perhaps });
        }
    }

    fn report(&mut self, loss: Loss, lived: Option<Duration>) {
        let lasting = self.settings.keep_alive;
        if lived.is_some_and(|lived| lived >= lasting) {
            self.told_out = false;
        }
        let crowded = self.retry.ended(lived, loss.closed_by_broker, lasting);
        if (loss.taken || crowded) && !self.told_out {
            self.told_out = true;
            let id = &self.settings.client_id;
            let why = if loss.taken {
                format!("another client has connected with our client id {id:?}")
            } else {
                // Some brokers give no reason when another client takes a session over, nor when it
                // is ours.
                format!(
                    "{}, several times in a row soon after it had let us in: its own log may say why \
                     (a second client with the client id {id:?} would be one reason)",
                    loss.why
                )
            };
            self.deliver(MqttEvent::PushedOut { why });
        }
        if lived.is_some() || self.told_down.as_ref() != Some(&loss.why) {
            self.told_down = Some(loss.why.clone());
            self.deliver(MqttEvent::Down { why: loss.why });
        }
    }

    /// Waits for something while there is no connection. `Err`: what an order has put an end to.
    async fn meanwhile<T>(&mut self, something: impl Future<Output = T>) -> Result<T, ConnectionEnd> {
        let mut something = pin!(something);
        loop {
            tokio::select! {
                done = &mut something => return Ok(done),
                passed = pass_on(&self.events, &self.room, &mut self.backlog), if !self.backlog.is_empty() => {
                    if passed.is_none() {
                        return Err(ConnectionEnd::ForGood);
                    }
                }
                order = self.orders.recv() => {
                    self.obey(order, None)?;
                    self.lapse();
                }
            }
        }
    }
}

/// What is to be heard: what the settings say, and our own message.
pub(super) fn wanted(settings: &MqttSettings) -> impl Iterator<Item = String> + use<> {
    let own = (!settings.silent).then(|| settings.loopback_topic.clone());
    settings.subscriptions.clone().into_iter().chain(own)
}
