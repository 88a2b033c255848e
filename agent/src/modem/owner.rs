//! The one task that owns the modem. Texts to send flow in from the lanes of all text channels and
//! leave one after the other; each step of each is told to whoever sent it. What has come flows
//! out to the loop, and is deleted once the loop has it in the journal. A modem that is pulled out
//! is looked for again, ever less often, up to once a minute.

use super::dialogue::ModemFault;
use super::pdu::{self, DeliveryReport, Incoming, TextFate};
use super::session::{ModemSession, PinTries, Standing, Stored};
use super::{Arrived, Errand, Job, ModemSettings, Sender, SendingStep, Views};
use slackwater_rules::record::Outcome;
use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;
use tokio::sync::{mpsc, oneshot};
use tokio::time::{Instant, MissedTickBehavior, interval, sleep_until, timeout};

/// Between two looks at the network and at the memory: notices of texts can get lost.
const LOOK: Duration = Duration::from_secs(30);

/// Waits between two searches. There is one board at one modem, so no chance is mixed in.
const FIRST_WAIT: Duration = Duration::from_secs(1);
const LONGEST_WAIT: Duration = Duration::from_secs(60);

/// A ring waits for so long, so that the text that says why, handed in beside it, goes first.
const RING_AFTER: Duration = Duration::from_secs(1);

/// A turn of the loop takes far less, unless it ends.
const TAKEN_WITHIN: Duration = Duration::from_secs(10);

/// Texts whose report is still awaited: as many as the modem has numbers for them.
type Awaited = BTreeMap<u8, Job>;

pub(super) struct Owner {
    settings: ModemSettings,
    jobs: mpsc::Receiver<Job>,
    texts: mpsc::Sender<Arrived>,
    views: Views,
    awaited: Awaited,
    /// Rings that wait until no text does: as many as there can be jobs.
    rings: VecDeque<Job>,
    /// By their place, so that none is handed on twice if the modem does not delete it, and so
    /// that one that can't be read gets a second look.
    seen: BTreeMap<u16, Stored>,
    pin: PinTries,
}

/// Nobody can send any more.
struct Over;

impl Owner {
    pub(super) fn new(
        settings: ModemSettings,
        jobs: mpsc::Receiver<Job>,
        texts: mpsc::Sender<Arrived>,
        views: Views,
    ) -> Self {
        Self {
            settings,
            jobs,
            texts,
            views,
            awaited: Awaited::new(),
            rings: VecDeque::new(),
            seen: BTreeMap::new(),
            pin: PinTries::default(),
        }
    }

    /// Until nobody can send any more.
    pub(super) async fn work(mut self) {
        let mut wait = FIRST_WAIT;
        loop {
            let why = match ModemSession::begin(&self.settings, &mut self.pin).await {
                Ok(session) => {
                    wait = FIRST_WAIT;
                    match self.serve(session).await {
                        Ok(Over) => return,
                        Err(why) => why,
                    }
                }
                Err(why) => why,
            };
            if self.views.set(Err(why.clone())) {
                tracing::warn!(why, "the modem can't be used");
            }
            // What waits must not wait for a modem that is away.
            for job in self.rings.drain(..) {
                job.tell(SendingStep::Ended(Outcome::deferred(format!("no modem: {why}"))));
            }
            let until = Instant::now() + wait;
            loop {
                tokio::select! {
                    () = sleep_until(until) => break,
                    job = self.jobs.recv() => match job {
                        Some(job) => job.tell(SendingStep::Ended(Outcome::deferred(format!("no modem: {why}")))),
                        None => return,
                    },
                }
            }
            wait = (wait * 2).min(LONGEST_WAIT);
        }
    }

    async fn serve(&mut self, mut session: ModemSession) -> Result<Over, String> {
        let lost = |fault| match fault {
            ModemFault::Lost(why) => why,
            ModemFault::Refused(refusal) => refusal.to_string(),
        };
        let mut look = interval(LOOK);
        look.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut rings_from = Instant::now();
        loop {
            self.settle(session.take_reports());
            let text_came = session.dialogue.text_came;
            tokio::select! {
                // A page goes before all else.
                biased;
                job = self.jobs.recv() => match job {
                    Some(job) if matches!(job.errand, Errand::Ring(_)) => {
                        self.rings.push_back(job);
                        rings_from = Instant::now() + RING_AFTER;
                    }
                    Some(job) => self.send(&mut session, job).await.map_err(lost)?,
                    None => return Ok(Over),
                },
                // The text that says why goes before the ring.
                () = sleep_until(rings_from), if !self.rings.is_empty() => {
                    if let Some(job) = self.rings.pop_front() {
                        self.send(&mut session, job).await.map_err(lost)?;
                    }
                }
                () = std::future::ready(()), if text_came => self.fetch(&mut session).await.map_err(lost)?,
                _ = look.tick() => {
                    let standing = session.standing().await.map_err(lost)?;
                    self.show(&session, &standing);
                    self.fetch(&mut session).await.map_err(lost)?;
                }
                heard = session.dialogue.listen() => heard.map_err(lost)?,
            }
        }
    }

    fn show(&self, session: &ModemSession, standing: &Standing) {
        let view = format!("{}, {standing}", session.who);
        match standing.trouble() {
            None if self.views.set(Ok(view.clone())) => tracing::info!(view, "the modem is ready"),
            Some(_) if self.views.set(Err(view.clone())) => tracing::warn!(view, "the modem has no network"),
            _ => {}
        }
    }

    async fn send(&mut self, session: &mut ModemSession, job: Job) -> Result<(), ModemFault> {
        if job.is_unwanted() {
            return Ok(());
        }
        let standing = match session.standing().await {
            Ok(standing) => standing,
            Err(fault) => {
                let why = match &fault {
                    ModemFault::Refused(refusal) => refusal.to_string(),
                    ModemFault::Lost(why) => format!("no modem: {why}"),
                };
                job.tell(SendingStep::Ended(Outcome::deferred(why)));
                return Err(fault);
            }
        };
        self.show(session, &standing);
        if let Some(why) = standing.trouble() {
            job.tell(SendingStep::Ended(Outcome::deferred(why)));
            return Ok(());
        }
        let text = match &job.errand {
            Errand::Text(text) => text,
            Errand::Ring(length) => {
                job.tell(SendingStep::Sending);
                return match session.ring(&job.to, *length).await {
                    Ok(end) => {
                        job.tell(SendingStep::Ended(end.outcome()));
                        Ok(())
                    }
                    Err(fault) => Self::failed(&job, fault),
                };
            }
        };
        let sent = session.send(&job.to, text, || job.tell(SendingStep::Sending)).await;
        match sent {
            Ok(reference) => {
                let awaited = reference.filter(|_| session.reports);
                job.tell(SendingStep::Taken { reference, awaited: awaited.is_some() });
                if let Some(reference) = awaited {
                    self.awaited.insert(reference, job);
                }
                Ok(())
            }
            Err(fault) => Self::failed(&job, fault),
        }
    }

    /// It came to nothing: the modem said no, or is lost.
    fn failed(job: &Job, fault: ModemFault) -> Result<(), ModemFault> {
        match fault {
            ModemFault::Refused(refusal) => {
                job.tell(SendingStep::Ended(refusal.outcome()));
                Ok(())
            }
            ModemFault::Lost(why) => {
                job.tell(SendingStep::Lost(why.clone()));
                Err(ModemFault::Lost(why))
            }
        }
    }

    /// Tells who waits for a report what became of the text.
    fn settle(&mut self, reports: Vec<DeliveryReport>) {
        for report in reports {
            let is_theirs = |job: &&Job| report.to.is(&job.to);
            let Some(job) = self.awaited.get(&report.reference).filter(is_theirs) else {
                tracing::debug!(to = %report.to, "a delivery report that nobody waits for");
                continue;
            };
            tracing::info!(to = %report.to, fate = report.fate.words(), "delivery report");
            job.tell(SendingStep::Reported(report.fate));
            match report.fate {
                TextFate::Trying(_) => {}
                TextFate::Delivered | TextFate::Forwarded | TextFate::GivenUp(_) => {
                    self.awaited.remove(&report.reference);
                }
            }
        }
    }

    /// Hands on what has come, and deletes it when it is safe.
    async fn fetch(&mut self, session: &mut ModemSession) -> Result<(), ModemFault> {
        let stored = session.stored().await?;
        self.seen.retain(|_, seen| stored.contains(seen));
        for text in stored {
            while let Ok(job) = self.jobs.try_recv() {
                match job.errand {
                    Errand::Text(_) => self.send(session, job).await?,
                    Errand::Ring(_) => self.rings.push_back(job),
                }
            }
            let again = self.seen.get(&text.index) == Some(&text);
            match pdu::incoming(&text.hex, text.octets) {
                Ok(Incoming::Report(report)) => self.settle(vec![report]),
                Ok(Incoming::Text { .. }) if again => {}
                Ok(Incoming::Text { from, text }) => {
                    if !self.hand_on(from, text).await {
                        continue;
                    }
                }
                // The line may have garbled it: it is looked at once more.
                Err(why) if !again => {
                    tracing::warn!(why, "a text that can't be read");
                    self.seen.insert(text.index, text);
                    continue;
                }
                Err(_) => {}
            }
            let index = text.index;
            self.seen.insert(index, text);
            if session.delete(index).await? {
                self.seen.remove(&index);
            }
        }
        Ok(())
    }

    /// Whether the loop has it.
    async fn hand_on(&self, from: Sender, text: Option<String>) -> bool {
        let (taken, is_taken) = oneshot::channel();
        if self.texts.try_send(Arrived { from, text, taken }).is_err() {
            return false;
        }
        matches!(timeout(TAKEN_WITHIN, is_taken).await, Ok(Ok(())))
    }
}
