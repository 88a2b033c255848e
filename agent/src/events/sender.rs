//! A site's records on their way to the fleet's journal. One task of its own: it is told when there
//! are new ones, reads them from the journal by their numbers, signs them in packs and publishes
//! these; what the receiver has stored comes back as receipts. There is no second outbox: what is
//! not stored elsewhere yet stands in the journal, and how far that is, in a small file beside it.

use super::{EVENTS, KIND, STORED, beside, connect};
use crate::checkin::{SiteKey, WayHealth, seal_as};
use crate::clock::Clock;
use crate::journal::{JournalError, JournalLog};
use crate::mqtt::{Handle, MqttEvent};
use crate::plain_text::tame;
use crate::settings::{CheckInSettings, write_whole};
use ring::digest::{SHA256, digest};
use ring::rand::{SecureRandom as _, SystemRandom};
use slackwater_fleet::event::Told;
use slackwater_fleet::pack::{LONGEST_EVENT, LONGEST_PACK, MOST_EVENTS};
use slackwater_fleet::sending::{Heard, Journal, Next, Progress, Sending};
use slackwater_fleet::{Event, Pack, Receipt};
use slackwater_rules::record::Seq;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;

/// The file beside the journal.
const PROGRESS: &str = "events.json";

/// It is written so often at most: a card is worn by writing, and what is sent twice is stored once.
const KEEP_EVERY: Duration = Duration::from_secs(60);

/// The journal is looked at so often without being told: a record may have waited for a disk.
const LOOK_EVERY: Duration = Duration::from_secs(30);

/// So long records that come together may come together.
const GATHER: Duration = Duration::from_millis(50);

/// Of a pack, besides its events.
const AROUND: usize = 1_024;

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
        let work = Work {
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

    /// The watch is being stopped, and this was its last record: waits a little for it to be stored.
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

/// What was seen of the journal.
struct Look {
    seed: u64,
    newest: u64,
    digests: BTreeMap<u64, String>,
}

impl Journal for Look {
    fn newest(&self) -> u64 {
        self.newest
    }

    fn digest(&self, number: u64) -> Option<String> {
        self.digests.get(&number).cloned()
    }
}

struct Work {
    site: String,
    key: SiteKey,
    journal: PathBuf,
    clock: Clock,
    health: Arc<Mutex<WayHealth>>,
    began: Instant,
    /// What the file beside the journal says, and since when.
    kept: Option<(Progress, Instant)>,
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

impl Work {
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
            let next = if up { sending.next(look.newest, now) } else { Next::Wait { until: None } };
            let until = match next {
                Next::Ask => {
                    if self.asked > 0 {
                        self.trouble("nobody says that they are stored: is there a receiver?");
                    }
                    self.asked += 1;
                    let Progress { epoch, begins, stored, .. } = sending.progress();
                    let pack = Pack::asking(&self.site, epoch, *begins, stored + 1);
                    self.publish(&handle, &pack);
                    continue;
                }
                Next::Pack { first } => {
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
                Next::Wait { until } => until,
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
    async fn begin(&mut self) -> (Sending, Look) {
        let text = std::fs::read_to_string(self.journal.with_file_name(PROGRESS)).unwrap_or_default();
        let kept: Option<Progress> = serde_json::from_str(&text).ok();
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
            None => Progress::new(look.seed, epoch(look.seed, None), 1),
        };
        (Sending::new(progress, self.now()), look)
    }

    /// Another life of the same journal: it has gone back in time.
    fn another(&mut self, before: &Progress, look: &Look) -> Progress {
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
        let next = Progress::new(look.seed, epoch, begins);
        self.keep(&next, Duration::ZERO);
        next
    }

    /// What the connection says; whether it is there afterwards.
    async fn hear(
        &mut self,
        event: MqttEvent,
        up: bool,
        handle: &Handle,
        sending: &mut Sending,
        look: &mut Look,
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
                match Receipt::read(&message.payload) {
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

    async fn stored(&mut self, receipt: &Receipt, sending: &mut Sending, known: &mut Look) {
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
    async fn look(&mut self, sending: &mut Sending, known: &mut Look) {
        let Some(seen) = self.read(|log| look(log, &[])).await else { return };
        if seen.seed != known.seed {
            let progress = Progress::new(seen.seed, epoch(seen.seed, None), 1);
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
    fn keep(&mut self, progress: &Progress, every: Duration) {
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

fn look(log: &JournalLog, numbers: &[u64]) -> Result<Look, JournalError> {
    let mut digests = BTreeMap::new();
    for number in numbers {
        digests.extend(log.digest_of(*number)?.map(|digest| (*number, digest)));
    }
    Ok(Look { seed: log.seed()?, newest: log.newest()?, digests })
}

/// What the journal has from this number on, as much as a pack holds; none if nothing.
fn pack_from(
    log: &JournalLog,
    site: &str,
    progress: &Progress,
    first: u64,
) -> Result<Option<Pack>, JournalError> {
    let mut pack = Pack::asking(site, &progress.epoch, progress.begins, first);
    let mut room = LONGEST_PACK - AROUND;
    for record in log.outgoing(first, MOST_EVENTS)? {
        let number = record.seq;
        let told = Told {
            site,
            epoch: &progress.epoch,
            number,
            at: record.at.0,
            sure: record.sure,
            record: record.body,
        };
        let mut event = Event::of(told);
        let length = |event: &Event| serde_json::to_string(event).map_or(usize::MAX, |text| text.len());
        if length(&event) > LONGEST_EVENT {
            event = event.leaving_out();
        }
        let (length, json) = (length(&event), serde_json::to_value(event));
        let (Some(left), Ok(json)) = (room.checked_sub(length + 1), json) else { break };
        (room, pack.last, pack.digest) = (left, number, record.digest);
        pack.events.push(json);
    }
    Ok(pack.covers().then_some(pack))
}

/// The name of one life of a journal: the first of a journal is known by its own number alone.
fn epoch(seed: u64, fresh: Option<[u8; 8]>) -> String {
    let seed = [b"slackwater events".as_slice(), &seed.to_be_bytes(), &fresh.unwrap_or_default()].concat();
    let mut name = String::new();
    for byte in digest(&SHA256, &seed).as_ref().iter().take(8) {
        // Writing to a text can't fail.
        let _ = write!(name, "{byte:02x}");
    }
    name
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::{BootId, Journal as Kept, JournalLimits};
    use slackwater_rules::record::{Body, Record};
    use slackwater_rules::time::{Moment, Now, Wall};

    fn journal(folder: &Path, bodies: Vec<(Seq, Body)>) -> JournalLog {
        let path = folder.join("journal.sqlite");
        let opened = Kept::open(&path, BootId("one".to_owned()), JournalLimits::default());
        let (mut journal, _) = opened.expect("a journal");
        let at = Now { mono: Moment(1_000), wall: Wall(1_798_078_440_000), wall_trusted: true };
        let records: Vec<_> = bodies.into_iter().map(|(seq, body)| Record { seq, at, body }).collect();
        journal.commit(&records, 1).expect("kept");
        JournalLog::open(&path).expect("opened")
    }

    fn packs(log: &JournalLog) -> Vec<Pack> {
        let progress = Progress::new(7, "one".to_owned(), 1);
        let mut packs: Vec<Pack> = Vec::new();
        loop {
            let first = packs.last().map_or(1, |pack| pack.last + 1);
            match pack_from(log, "halyard", &progress, first).expect("read") {
                Some(pack) => packs.push(pack),
                None => return packs,
            }
        }
    }

    #[test]
    fn records_go_out_in_packs_that_are_bounded_and_that_a_receiver_takes() {
        let folder = tempfile::tempdir().expect("a folder");
        let settled = |seq| (seq, Body::Settled { alarm: format!("alarm-{seq}") });
        // Numbers 300 to 499 were never kept; one record is longer than an event may be.
        let mut bodies: Vec<_> = (1..300).chain(500..1_000).map(settled).collect();
        bodies.push((1_000, Body::Reloaded { changes: vec!["a line".repeat(100); 100] }));
        let packs = packs(&journal(folder.path(), bodies));
        assert!(packs.iter().all(|pack| pack.events.len() <= MOST_EVENTS));
        assert_eq!((packs[0].first, packs.last().map(|pack| pack.last)), (1, Some(1_000)));
        let mut numbers = Vec::new();
        for pack in &packs {
            let body = serde_json::to_vec(pack).expect("JSON");
            let read = Pack::read(&body, "halyard").expect("a receiver takes it");
            numbers.extend(read.events.iter().map(|event| event.data.number));
        }
        assert_eq!(numbers, (1..300).chain(500..=1_000).collect::<Vec<_>>());
        let last = &packs.last().expect("some").events.last().expect("some")["data"];
        assert!(last["record"].is_null() && last["left_out"].as_u64() > Some(60_000), "{last}");
    }

    #[test]
    fn a_journal_has_the_same_first_epoch_for_ever_and_another_one_another() {
        assert_eq!(epoch(7, None), epoch(7, None));
        assert_ne!(epoch(7, None), epoch(8, None));
        assert_ne!(epoch(7, None), epoch(7, Some([1; 8])));
        assert!(slackwater_fleet::event::is_name(&epoch(7, None)));
    }
}
