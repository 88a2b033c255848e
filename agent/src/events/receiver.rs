//! The one who keeps what sites tell. Packs flow in from the broker that the watch listens to; each
//! is proved by its site's key before it is parsed, stored with others in one transaction, and
//! acknowledged to its site by a receipt. What can't be stored is dropped and not acknowledged: the
//! site has it, and sends it again. So a database that is away, full or read-only takes no memory
//! here and loses nothing.

use super::refusals::{EventRefusal, EventRefusals};
use super::{EVENTS, KIND, STORED, beside, connect, database};
use crate::checkin::{NotSealed, open_as};
use crate::mqtt::{Handle, MqttEvent, MqttMessage};
use crate::plain_text::tame;
use crate::secret::strike_out;
use crate::settings::{BrokerSettings, FleetSettings};
use slackwater_fleet::pack::ProvedPack;
use slackwater_fleet::store::{EventNews, Store, StoreError, Taken};
use slackwater_fleet::{EventReceipt, Pack};
use slackwater_rules::plan::Plan;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;

/// Messages that are stored together.
const BATCH: usize = 64;

/// Receipts that may wait for the broker; the connection takes a few more.
const MOST_UNDERWAY: usize = 48;

/// Between two tries to reach the database.
const AGAIN: Duration = Duration::from_secs(5);

/// Old weeks are looked for so often.
const TIDY_EVERY: Duration = Duration::from_secs(24 * 3_600);

/// Receipts that wait for room.
const MOST_OWED: usize = 20_000;

const LONGEST_WHY: usize = 300;
const LONGEST_NAME: usize = 64;
const LAST: Duration = Duration::from_secs(2);

/// The public keys of watched sites.
type PublicKeys = BTreeMap<String, String>;

/// Keeps what watched sites tell.
#[derive(Debug)]
pub struct FleetReceiver {
    keys: watch::Sender<PublicKeys>,
    trouble: Arc<Mutex<Option<String>>>,
    task: JoinHandle<()>,
}

impl FleetReceiver {
    /// Begins: by a connection of its own to the watch's broker.
    ///
    /// # Errors
    /// What is wrong with the connection.
    pub fn start(fleet: &FleetSettings, broker: &BrokerSettings, plan: &Plan) -> Result<Self, String> {
        let (handle, events) = connect(beside(broker, "fleet", vec![format!("{EVENTS}+")]))?;
        let (keys, listener) = watch::channel(keys(plan));
        let trouble = Arc::<Mutex<Option<String>>>::default();
        let work = ReceiverTask {
            settings: fleet.clone(),
            handle,
            keys: listener,
            trouble: Arc::clone(&trouble),
            store: None,
            try_at: Instant::now(),
            tidy_at: Instant::now(),
            refusals: EventRefusals::default(),
            owed: BTreeMap::new(),
            underway: 0,
            published: 0,
            unheard: BTreeMap::new(),
        };
        let task = tokio::spawn(work.run(events));
        Ok(Self { keys, trouble, task })
    }

    /// Other sites are watched, or by other keys.
    pub fn adopt(&self, plan: &Plan) {
        self.keys.send_replace(keys(plan));
    }

    /// Whether something can be kept now.
    ///
    /// # Errors
    /// Why not, in words that stay the same while it lasts.
    pub fn health(&self) -> Result<(), String> {
        if self.task.is_finished() {
            return Err("it has ended by itself".to_owned());
        }
        lock(&self.trouble).clone().map_or(Ok(()), Err)
    }
}

fn keys(plan: &Plan) -> PublicKeys {
    plan.watched.iter().map(|site| (site.name.clone(), site.key.clone())).collect()
}

fn lock(trouble: &Mutex<Option<String>>) -> MutexGuard<'_, Option<String>> {
    trouble.lock().unwrap_or_else(PoisonError::into_inner)
}

struct ReceiverTask {
    settings: FleetSettings,
    handle: Handle,
    keys: watch::Receiver<PublicKeys>,
    trouble: Arc<Mutex<Option<String>>>,
    store: Option<Store>,
    try_at: Instant,
    tidy_at: Instant,
    refusals: EventRefusals,
    /// The newest receipt of each site and epoch that has not left yet.
    owed: BTreeMap<(String, String), EventReceipt>,
    underway: usize,
    published: u64,
    /// Who spoke while nothing could be stored: each is told how far it is when that is known.
    unheard: BTreeMap<String, ProvedPack>,
}

impl ReceiverTask {
    /// Until the receiver is dropped, or the connection's own task has ended.
    async fn run(mut self, mut events: mpsc::Receiver<MqttEvent>) {
        let mut batch = Vec::with_capacity(BATCH);
        loop {
            self.tend().await;
            let wake = if self.store.is_some() { self.tidy_at } else { self.try_at };
            tokio::select! {
                count = events.recv_many(&mut batch, BATCH) => if count == 0 { break },
                changed = self.keys.changed() => if changed.is_err() { break },
                () = tokio::time::sleep_until(wake.into()) => {}
            }
            let (mut packs, mut acks) = (Vec::new(), Vec::new());
            for event in batch.drain(..) {
                match event {
                    MqttEvent::Message(message) => {
                        packs.extend(self.judge(&message));
                        acks.extend(message.ack);
                    }
                    MqttEvent::Published { .. }
                    | MqttEvent::Unpublished { .. }
                    | MqttEvent::Lapsed { .. } => {
                        self.underway = self.underway.saturating_sub(1);
                    }
                    MqttEvent::Refused { filter, reason } => {
                        tracing::error!("the broker refuses the events of sites ({filter}): {reason}");
                    }
                    // The watch's own connection to the same broker says the rest.
                    MqttEvent::Up { .. }
                    | MqttEvent::Down { .. }
                    | MqttEvent::PushedOut { .. }
                    | MqttEvent::Heard { .. }
                    | MqttEvent::Deaf { .. } => {}
                }
            }
            if !packs.is_empty() {
                self.keep(&packs).await;
            }
            acks.into_iter().for_each(|ack| self.handle.ack(ack));
            self.acknowledge();
        }
        self.handle.close(LAST).await;
    }

    /// Reaches for the database if it is time, and drops what is old.
    async fn tend(&mut self) {
        let now = Instant::now();
        if self.store.is_none() && now >= self.try_at {
            match database::open(&self.settings).await {
                Ok(store) => {
                    tracing::info!("the fleet's journal is open");
                    *lock(&self.trouble) = None;
                    self.store = Some(store);
                    let unheard: Vec<_> = std::mem::take(&mut self.unheard).into_values().collect();
                    for some in unheard.chunks(BATCH) {
                        self.keep(some).await;
                    }
                    self.acknowledge();
                }
                Err(why) => self.fail(&why),
            }
        }
        if now < self.tidy_at {
            return;
        }
        if let Some(store) = &mut self.store {
            match store.tidy(self.settings.keep_weeks).await {
                Ok(dropped) => {
                    if let Some(name) = dropped {
                        tracing::info!("the fleet's journal: {name} is over and was dropped");
                    }
                    self.tidy_at = now + TIDY_EVERY;
                }
                Err(error) => self.fail(&database::words(&error)),
            }
        }
    }

    /// The database does not do what it should: another connection is made after a while.
    fn fail(&mut self, why: &str) {
        let why = strike_out(&tame(why, LONGEST_WHY)).into_owned();
        let mut trouble = lock(&self.trouble);
        if trouble.as_ref() != Some(&why) {
            tracing::error!(why, "the fleet's journal can't be kept: sites keep what they tell until it can");
            *trouble = Some(why);
        }
        drop(trouble);
        self.store = None;
        self.try_at = Instant::now() + AGAIN;
    }

    /// The pack in a message, if it is one of a watched site.
    fn judge(&mut self, message: &MqttMessage) -> Option<ProvedPack> {
        let site = message.topic.strip_prefix(EVENTS)?;
        // A broker may keep what was sent long ago: it is of no use, and harms nobody.
        if message.retained {
            return None;
        }
        let judged = match self.keys.borrow().get(site) {
            None => Err((EventRefusal::Unknown, String::new())),
            Some(key) => match open_as(key, KIND, &message.payload) {
                Err(NotSealed::Garbled) => Err((EventRefusal::Garbled, String::new())),
                Err(NotSealed::Forged) => Err((EventRefusal::Forged, String::new())),
                Ok(body) => Pack::read(&body, site).map_err(|wrong| (EventRefusal::Wrong, wrong.to_string())),
            },
        };
        judged.map_err(|(refusal, why)| self.refuse(site, refusal, &why)).ok()
    }

    fn refuse(&mut self, site: &str, refusal: EventRefusal, why: &str) {
        let site = strike_out(&tame(site, LONGEST_NAME)).into_owned();
        if let Some(count) = self.refusals.note(&site, refusal, Instant::now()) {
            let (words, why) = (refusal.words(), strike_out(&tame(why, LONGEST_WHY)).into_owned());
            tracing::warn!(site, count, why, "events under this name are turned away: {words}");
        }
    }

    /// Stores them. Of those that can't be stored now it is kept who sent them, and no more.
    async fn keep(&mut self, packs: &[ProvedPack]) {
        self.try_to_keep(packs).await;
        if self.store.is_none() {
            for ProvedPack { pack, .. } in packs {
                let asking = Pack::asking(&pack.site, &pack.epoch, pack.begins, pack.begins);
                self.unheard.insert(pack.site.clone(), ProvedPack { pack: asking, events: Vec::new() });
            }
        }
    }

    /// One that the database can't take does not keep back the others.
    async fn try_to_keep(&mut self, packs: &[ProvedPack]) {
        match self.take(packs).await {
            Some(Err(error)) if error.is_of_the_data() => {
                for pack in packs {
                    match self.take(std::slice::from_ref(pack)).await {
                        Some(Err(error)) if error.is_of_the_data() => {
                            let site = pack.pack.site.clone();
                            self.refuse(&site, EventRefusal::Unstorable, &database::words(&error));
                        }
                        Some(Err(error)) => return self.fail(&database::words(&error)),
                        Some(Ok(())) | None => {}
                    }
                }
            }
            Some(Err(error)) => self.fail(&database::words(&error)),
            Some(Ok(())) | None => {}
        }
    }

    async fn take(&mut self, packs: &[ProvedPack]) -> Option<Result<(), StoreError>> {
        let taken = self.store.as_mut()?.take(packs).await;
        Some(taken.map(|all| {
            for Taken { receipt, news, .. } in all {
                news.iter().for_each(|news| say(&receipt.site, news));
                if self.owed.len() < MOST_OWED {
                    self.owed.insert((receipt.site.clone(), receipt.epoch.clone()), receipt);
                }
            }
        }))
    }

    /// Sends receipts, as many as the connection takes.
    fn acknowledge(&mut self) {
        while self.underway < MOST_UNDERWAY {
            let Some(((site, _), receipt)) = self.owed.pop_first() else { return };
            let Ok(body) = serde_json::to_vec(&receipt) else { continue };
            self.published += 1;
            let topic = format!("{EVENTS}{site}{STORED}");
            match self.handle.publish(self.published, topic, body, false) {
                Ok(()) => self.underway += 1,
                // The site asks again.
                Err(why) => tracing::debug!("a receipt was not sent: {why}"),
            }
        }
    }
}

fn say(site: &str, news: &EventNews) {
    match news {
        EventNews::OtherEpoch { begins } => tracing::warn!(
            site,
            begins,
            "its journal goes on under another epoch: it was begun anew, or went back in time with an old card"
        ),
        EventNews::Missing { first, last } => {
            tracing::warn!(site, first, last, "events are missing, and asked for")
        }
        EventNews::Gone { count } => {
            tracing::warn!(
                site,
                count,
                "numbers of its journal have no event: never kept, or dropped before they were told"
            );
        }
    }
}
