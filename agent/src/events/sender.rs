//! A site's records on their way to the fleet's journal. One task of its own: it is told when there
//! are new ones, reads them from the journal by their numbers, signs them in packs and publishes
//! these; what the receiver has stored comes back as receipts. There is no second outbox: what is
//! not stored elsewhere yet stands in the journal, and how far that is, in a small file beside it.

use super::from_journal::{JournalLook, epoch, look, pack_from};
use super::{EVENTS, KIND, STORED, beside, connect};
use crate::checkin::{SiteKey, WayHealth, seal_as};
use crate::clock::Clock;
use crate::journal::{JournalError, JournalLog};
use crate::mqtt::{Handle, MqttEvent};
use crate::plain_text::tame;
use crate::settings::{CheckInSettings, write_whole};
use ring::rand::{SecureRandom as _, SystemRandom};
use slackwater_fleet::sending::{EventProgress, EventSending, Heard, SendNext};
use slackwater_fleet::{EventReceipt, Pack};
use slackwater_rules::record::Seq;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;

/// The file beside the journal.
const PROGRESS: &str = "events.json";

/// It is written so often at most: a card is worn by it, and what is sent twice is stored once.
const KEEP_EVERY: Duration = Duration::from_secs(60);

/// The journal is looked at so often without being told: a record may have waited for a disk.
const LOOK_EVERY: Duration = Duration::from_secs(30);

/// So long records that come together may come together.
const GATHER: Duration = Duration::from_millis(50);

const LONGEST_WHY: usize = 300;

/// At the end, the last records have so long to be stored.
const LAST: Duration = Duration::from_secs(2);

/// Tells the records of this site.
#[derive(Debug)]
pub struct EventSender {
    news: watch::Sender<Seq>,
    health: Arc<Mutex<WayHealth>>,
    /// Up to here everything is stored.
    stored: watch::Receiver<Seq>,
    task: JoinHandle<()>,
}

impl EventSender {
    /// Begins, by the connection of `[check-in.broker]`; none if there is none.
    ///
    /// # Errors
    /// What is wrong with the connection.
    pub fn start(check_in: &CheckInSettings, journal: &Path, clock: &Clock) -> Result<Option<Self>, String> {
        let Some(broker) = &check_in.broker else { return Ok(None) };
        let stored = format!("{EVENTS}{}{STORED}", check_in.name);
        let (handle, events) = connect(beside(broker, "events", vec![stored]))?;
        let (news, listener) = watch::channel(0);
        let (done, stored) = watch::channel(0);
        let health = Arc::<Mutex<WayHealth>>::default();
        let work = SenderTask {
            site: check_in.name.clone(),
            key: check_in.key.clone(),
            journal: journal.to_owned(),
            clock: clock.clone(),
            health: Arc::clone(&health),
            began: Instant::now(),
            kept: None,
            published: 0,
            asked: 0,
            done,
        };
        work.trouble("not yet connected");
        let task = tokio::spawn(work.run(handle, events, listener));
        Ok(Some(Self { news, health, stored, task }))
    }

    /// Records up to this number may be there.
    pub fn note(&self, newest: Seq) {
        self.news.send_replace(newest);
    }

    /// The watch is being stopped, and this was its last record: waits a little for its receipt.
    pub async fn farewell(mut self, last: Seq) {
        self.note(last);
        if self.health().trouble.is_none() {
            // What is not stored by then is told after the next start.
            let _ = tokio::time::timeout(LAST, self.stored.wait_for(|stored| *stored >= last)).await;
        }
        drop(self.news);
        if tokio::time::timeout(LAST, self.task).await.is_err() {
            tracing::debug!("the sending of events did not end in time");
        }
    }

    /// How the way is.
    pub fn health(&self) -> WayHealth {
        let health = lock(&self.health).clone();
        let ended = self.task.is_finished().then(|| "it has ended by itself".to_owned());
        WayHealth { trouble: ended.or(health.trouble), ..health }
    }
}

fn lock(health: &Mutex<WayHealth>) -> MutexGuard<'_, WayHealth> {
    health.lock().unwrap_or_else(PoisonError::into_inner)
}

struct SenderTask {
    site: String,
    key: SiteKey,
    journal: PathBuf,
    clock: Clock,
    health: Arc<Mutex<WayHealth>>,
    began: Instant,
    /// What the file beside the journal says, and since when.
    kept: Option<(EventProgress, Instant)>,
    /// Publications so far.
    published: u64,
    /// Questions since the last receipt.
    asked: u32,
    done: watch::Sender<Seq>,
}

/// Why the task waits.
enum Woken {
    News,
    Gone,
    Event(MqttEvent),
    Time,
}

impl SenderTask {
    /// Until the sender is dropped, or the connection's own task has ended.
    async fn run(
        mut self,
        handle: Handle,
        mut events: mpsc::Receiver<MqttEvent>,
        mut news: watch::Receiver<Seq>,
    ) {
        let (mut sending, mut look) = self.begin().await;
        let mut up = false;
        loop {
            let now = self.now();
            let next = if up { sending.next(look.newest, now) } else { SendNext::Wait { until: None } };
            let until = match next {
                SendNext::Ask => {
                    if self.asked > 0 {
                        self.trouble("nobody says that they are stored: is there a receiver?");
                    }
                    self.asked += 1;
                    let EventProgress { epoch, begins, stored, .. } = sending.progress();
                    let pack = Pack::asking(&self.site, epoch, *begins, stored + 1);
                    self.publish(&handle, &pack);
                    continue;
                }
                SendNext::Pack { first } => {
                    let (site, progress) = (self.site.clone(), sending.progress().clone());
                    let made = self.read(move |log| pack_from(log, &site, &progress, first)).await;
                    match made.flatten() {
                        Some(pack) if self.publish(&handle, &pack) => {
                            sending.sent(pack.last, now);
                            continue;
                        }
                        // What stood there has gone, or the outbox is full.
                        Some(_) | None => Some(now + 1_000),
                    }
                }
                SendNext::Wait { until } => until,
            };
            let pause = until.map_or(LOOK_EVERY, |until| {
                LOOK_EVERY.min(Duration::from_millis(until.saturating_sub(self.now()).max(1)))
            });
            let woken = tokio::select! {
                changed = news.changed() => if changed.is_ok() { Woken::News } else { Woken::Gone },
                event = events.recv() => event.map_or(Woken::Gone, Woken::Event),
                () = tokio::time::sleep(pause) => Woken::Time,
            };
            match woken {
                Woken::News => {
                    tokio::time::sleep(GATHER).await;
                    news.borrow_and_update();
                    self.look(&mut sending, &mut look).await;
                }
                Woken::Time => self.look(&mut sending, &mut look).await,
                Woken::Event(event) => up = self.hear(event, up, &handle, &mut sending, &mut look).await,
                Woken::Gone => break,
            }
            self.keep(sending.progress(), KEEP_EVERY);
        }
        self.keep(sending.progress(), Duration::ZERO);
        self.trouble("the connection has ended");
        handle.close(GATHER).await;
    }

    fn now(&self) -> u64 {
        u64::try_from(self.began.elapsed().as_millis()).unwrap_or(u64::MAX)
    }

    /// From what an earlier life left beside the journal, as far as it is still true.
    async fn begin(&mut self) -> (EventSending, JournalLook) {
        let text = std::fs::read_to_string(self.journal.with_file_name(PROGRESS)).unwrap_or_default();
        let kept: Option<EventProgress> = serde_json::from_str(&text).ok();
        let stored = kept.as_ref().map_or(0, |kept| kept.stored);
        let look = loop {
            if let Some(look) = self.read(move |log| look(log, &[stored])).await {
                break look;
            }
            tokio::time::sleep(LOOK_EVERY).await;
        };
        let progress = match kept.filter(|kept| kept.journal == look.seed) {
            Some(kept) if kept.holds_in(&look) => {
                self.kept = Some((kept.clone(), Instant::now()));
                kept
            }
            Some(kept) => self.another(&kept, &look),
            None => EventProgress::new(look.seed, epoch(look.seed, None), 1),
        };
        (EventSending::new(progress, self.now()), look)
    }

    /// Another life of the same journal: it has gone back in time.
    fn another(&mut self, before: &EventProgress, look: &JournalLook) -> EventProgress {
        let mut fresh = [0; 8];
        if SystemRandom::new().fill(&mut fresh).is_err() {
            fresh = self.clock.now().wall.0.to_be_bytes();
        }
        let begins = before.diverges(look);
        let (site, epoch) = (&self.site, epoch(look.seed, Some(fresh)));
        tracing::warn!(
            site,
            begins,
            "the journal has gone back in time, most likely with an old card: its records are told under another \
             epoch, {epoch}"
        );
        let next = EventProgress::new(look.seed, epoch, begins);
        self.keep(&next, Duration::ZERO);
        next
    }

    /// What the connection says; whether it is there afterwards.
    async fn hear(
        &mut self,
        event: MqttEvent,
        up: bool,
        handle: &Handle,
        sending: &mut EventSending,
        look: &mut JournalLook,
    ) -> bool {
        match event {
            MqttEvent::Up { .. } => {
                sending.reconnected(self.now());
                self.look(sending, look).await;
                return true;
            }
            MqttEvent::Down { why } | MqttEvent::PushedOut { why } => {
                self.trouble(&why);
                return false;
            }
            MqttEvent::Refused { filter, reason } => {
                self.trouble(&format!("the broker refuses to tell what is stored ({filter}): {reason}"));
            }
            MqttEvent::Unpublished { why, .. } => {
                self.trouble(&format!("the broker does not take it: {why}"));
            }
            MqttEvent::Message(message) => {
                match EventReceipt::read(&message.payload) {
                    Ok(receipt) if !message.retained && receipt.site == self.site => {
                        self.stored(&receipt, sending, look).await;
                    }
                    Ok(_) => {}
                    Err(why) => tracing::debug!("no receipt: {why}"),
                }
                message.ack.into_iter().for_each(|ack| handle.ack(ack));
            }
            MqttEvent::Heard { .. }
            | MqttEvent::Deaf { .. }
            | MqttEvent::Published { .. }
            | MqttEvent::Lapsed { .. } => {}
        }
        up
    }

    async fn stored(&mut self, receipt: &EventReceipt, sending: &mut EventSending, known: &mut JournalLook) {
        let numbers = [receipt.stored, sending.progress().stored];
        let Some(seen) = self.read(move |log| look(log, &numbers)).await else { return };
        *known = seen;
        let now = self.now();
        match sending.hear(receipt, known, now) {
            Heard::Other => {}
            Heard::Stored => {
                self.asked = 0;
                self.done.send_replace(sending.progress().stored);
                let mut health = lock(&self.health);
                *health = WayHealth { last_ok: Some(self.clock.now().wall), trouble: None };
            }
            Heard::WentBack => {
                let before = sending.progress().clone();
                sending.begin(self.another(&before, known), now);
            }
        }
    }

    /// Looks at the journal again: at one that was begun anew, its records are told from the first.
    async fn look(&mut self, sending: &mut EventSending, known: &mut JournalLook) {
        let Some(seen) = self.read(|log| look(log, &[])).await else { return };
        if seen.seed != known.seed {
            let progress = EventProgress::new(seen.seed, epoch(seen.seed, None), 1);
            sending.begin(progress, self.now());
        }
        *known = seen;
    }

    /// Reads the journal on a thread of its own; none if it can't be read now.
    async fn read<T: Send + 'static>(
        &self,
        work: impl FnOnce(&JournalLog) -> Result<T, JournalError> + Send + 'static,
    ) -> Option<T> {
        let path = self.journal.clone();
        let read = move || JournalLog::open(&path).and_then(|log| work(&log));
        match tokio::task::spawn_blocking(read).await {
            Ok(Ok(value)) => Some(value),
            Ok(Err(error)) => {
                self.trouble(&error.to_string());
                None
            }
            Err(_) => None,
        }
    }

    /// False if there is no room for it now.
    fn publish(&mut self, handle: &Handle, pack: &Pack) -> bool {
        let Ok(body) = serde_json::to_vec(pack) else { return false };
        let sealed = seal_as(&self.key, KIND, &body).into_bytes();
        self.published += 1;
        match handle.publish(self.published, format!("{EVENTS}{}", self.site), sealed, false) {
            Ok(()) => true,
            Err(why) => {
                self.trouble(&why.to_string());
                false
            }
        }
    }

    /// Writes how far it is, unless that was done less than `every` ago.
    fn keep(&mut self, progress: &EventProgress, every: Duration) {
        if self.kept.as_ref().is_some_and(|(kept, at)| kept == progress || at.elapsed() < every) {
            return;
        }
        let Ok(text) = serde_json::to_string(progress) else { return };
        if let Err(error) = write_whole(&self.journal.with_file_name(PROGRESS), &text, 0o600) {
            // What was sent is sent again after a restart, and stored once.
            tracing::debug!("{PROGRESS} can't be written: {error}");
        }
        self.kept = Some((progress.clone(), Instant::now()));
    }

    fn trouble(&self, why: &str) {
        let why = tame(why, LONGEST_WHY);
        let mut health = lock(&self.health);
        if health.trouble.as_ref() != Some(&why) {
            tracing::warn!(why, "events don't get through");
            health.trouble = Some(why);
        }
    }
}
