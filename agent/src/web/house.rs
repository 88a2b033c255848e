//! What all requests share: the settings, who is signed in, one look at the house at most a second
//! old, and the way to the event loop. A hundred viewers cost the loop as much as one.

use super::ask::{CodeAsk, Done, HouseLook, PressedAct, WebRequest};
use super::codes::Codes;
use super::history::History;
use super::sessions::Sessions;
use super::{readings, truth};
use crate::settings::WebSettings;
use jiff::tz::TimeZone;
use slackwater_rules::page::Page;
use slackwater_rules::record::Seq;
use std::path::PathBuf;
use std::sync::atomic::AtomicUsize;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::{Semaphore, mpsc, oneshot};

/// A look is shared for so long.
const FRESH: Duration = Duration::from_millis(1_000);

/// The loop answers within this, or the page says that it does not.
const PATIENCE: Duration = Duration::from_secs(5);

/// So many may have values sent to them as they change.
pub(super) const STREAMS: usize = 24;

/// Why there is nothing to show.
pub(super) const NO_WATCH: &str =
    "The watch does not answer. It may be starting or stopping: try again in a minute.";

pub(super) struct House {
    pub(super) settings: WebSettings,
    pub(super) zone: TimeZone,
    pub(super) journal: PathBuf,
    asks: mpsc::Sender<WebRequest>,
    sessions: Mutex<Sessions>,
    codes: Mutex<Codes>,
    seen: Arc<LastLook>,
    pub(super) history: History,
    /// The journal is read by one at a time.
    pub(super) reading: Arc<Semaphore>,
    /// Streams of values that are open.
    pub(super) streams: AtomicUsize,
}

/// The look that is shared for now, and when it was taken.
type LastLook = tokio::sync::Mutex<Option<(Instant, Arc<SharedLook>)>>;

/// One look, with what changes of it while somebody watches.
pub(super) struct SharedLook {
    pub(super) look: HouseLook,
    /// Names of values, and the values.
    pub(super) values: Vec<(String, String)>,
    /// Another number: more than values has changed.
    pub(super) shape: u64,
}

impl House {
    pub(super) fn new(
        settings: WebSettings,
        zone: TimeZone,
        journal: PathBuf,
        asks: mpsc::Sender<WebRequest>,
    ) -> Self {
        Self {
            sessions: Mutex::new(Sessions::open(&journal)),
            codes: Mutex::default(),
            settings,
            zone,
            journal,
            asks,
            seen: Arc::default(),
            history: History::default(),
            reading: Arc::new(Semaphore::new(1)),
            streams: AtomicUsize::new(0),
        }
    }

    pub(super) fn encrypted(&self) -> bool {
        self.settings.tls.is_some()
    }

    /// Never held over a wait.
    pub(super) fn sessions(&self) -> MutexGuard<'_, Sessions> {
        self.sessions.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Never held over a wait.
    pub(super) fn codes(&self) -> MutexGuard<'_, Codes> {
        self.codes.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A code is to be sent, or was guessed at: nobody waits for what comes of it, so that how long
    /// a reply takes says nothing.
    pub(super) fn hand_over(self: &Arc<Self>, ask: CodeAsk) {
        let asks = self.asks.clone();
        tokio::spawn(async move {
            let _ = tokio::time::timeout(PATIENCE, asks.send(WebRequest::Code(ask))).await;
        });
    }

    /// What is so now, or was a second ago; nothing if the watch does not answer.
    pub(super) async fn seen(&self) -> Option<Arc<SharedLook>> {
        let mut seen = self.seen.lock().await;
        if let Some((at, known)) = seen.as_ref()
            && at.elapsed() < FRESH
        {
            return Some(Arc::clone(known));
        }
        let look = self.ask(WebRequest::Look).await?;
        let mut values = truth::values(&look);
        values.extend(readings::ages(&look));
        let fresh = Arc::new(SharedLook { values, shape: truth::shape(&look), look });
        let at = Instant::now();
        *seen = Some((at, Arc::clone(&fresh)));
        // Kept any longer it would be of no use, and of ten thousand alarms it has megabytes.
        let kept = Arc::clone(&self.seen);
        tokio::spawn(async move {
            tokio::time::sleep(FRESH).await;
            let _old = kept.lock().await.take_if(|(taken, _)| *taken == at);
        });
        Some(fresh)
    }

    /// A call-out in the words of a page.
    pub(super) async fn read(&self, call: Seq, who: &str) -> Option<Page> {
        let who = who.to_owned();
        self.ask(|back| WebRequest::Read { call, who, back }).await.flatten()
    }

    /// Somebody has pressed something. What is seen next is what came of it.
    pub(super) async fn press(&self, who: &str, act: PressedAct) -> Done {
        let who = who.to_owned();
        let done = self.ask(|back| WebRequest::Press { who, act, back }).await;
        *self.seen.lock().await = None;
        done.unwrap_or_else(|| Done { taken: false, words: NO_WATCH.to_owned() })
    }

    async fn ask<T>(&self, request: impl FnOnce(oneshot::Sender<T>) -> WebRequest) -> Option<T> {
        let (back, answer) = oneshot::channel();
        let talk = async {
            self.asks.send(request(back)).await.ok()?;
            answer.await.ok()
        };
        tokio::time::timeout(PATIENCE, talk).await.ok().flatten()
    }
}
