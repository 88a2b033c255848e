//! One lane for each target: pages queue up, a worker takes one after the other, and an outcome
//! for each goes to the results. Time-out, withdrawal and panic are handled here, once for all
//! kinds of channel, so that a channel's own code only has to try.

use super::{Channel, ChannelHealth, SharedParts, plain};
use slackwater_rules::page::Page;
use slackwater_rules::plan::Target;
use slackwater_rules::record::{Outcome, Seq};
use slackwater_rules::time::Wall;
use std::any::Any;
use std::collections::VecDeque;
use std::fmt;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::pin::pin;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::Notify;
use tokio::sync::mpsc::UnboundedSender;
use tokio::time::timeout;

/// A lane that is this far behind is no way to reach anybody: the next page is deferred.
const LONGEST_QUEUE: usize = 32;

/// A channel rests after this long without a page, so that no server's idle time-out or
/// router's forgotten connection is met half-open an hour later.
const REST_AFTER: Duration = Duration::from_secs(20);

/// So many of the last pages that were taken are known by each lane.
const CARRIED: usize = 64;

/// After a page came back, that the next is taken says little: the server takes them all, and gives
/// them back later.
const DOUBTED_FOR: Duration = Duration::from_secs(24 * 3_600);

/// A reply is kept up to this many characters.
pub(super) const LONGEST_NOTE: usize = 400;

/// How far an attempt has come, so that whoever breaks it off knows what to say.
pub(super) struct Progress {
    step: Mutex<&'static str>,
    on_its_way: AtomicBool,
}

impl Progress {
    pub(super) fn new() -> Self {
        Self { step: Mutex::new("at the start"), on_its_way: AtomicBool::new(false) }
    }

    /// The attempt comes to this step: `while connecting`.
    pub(super) fn at(&self, step: &'static str) {
        *self.step.lock().unwrap_or_else(PoisonError::into_inner) = step;
    }

    /// From here on the page may arrive even if no reply does.
    pub(super) fn on_its_way(&self) {
        self.on_its_way.store(true, Ordering::Relaxed);
    }

    fn is_on_its_way(&self) -> bool {
        self.on_its_way.load(Ordering::Relaxed)
    }

    pub(super) fn step(&self) -> &'static str {
        *self.step.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The outcome of an attempt that broke off without a reply to the page.
    pub(super) fn broke_off(&self, why: impl fmt::Display) -> Outcome {
        let why = format!("{why}, {}", self.step());
        Outcome::Deferred { why, may_have_arrived: self.is_on_its_way(), again_in: None }
    }
}

/// A queue, and what `status` wants to know.
#[derive(Default)]
pub(super) struct Lane {
    state: Mutex<WorkerState>,
    wake: Notify,
    withdrawn: Notify,
}

#[derive(Default)]
struct WorkerState {
    queue: VecDeque<Page>,
    trying: Option<Seq>,
    /// A page is about to come.
    expected: bool,
    /// The page that is being tried is no longer wanted.
    unwanted: bool,
    closed: bool,
    last_ok: Option<Wall>,
    last_error: Option<(Wall, String)>,
    /// What came of the last page that was not taken back: nothing wrong, or what.
    known: Option<Result<(), String>>,
    /// The last pages that were taken, the oldest first.
    carried: VecDeque<Seq>,
    /// When one of them last came back.
    returned: Option<Instant>,
}

/// What a worker is to do.
enum Job {
    /// Try this page.
    Page(Box<Page>),
    /// A page is about to come.
    Expect,
    /// The lane is closed and empty.
    End,
}

impl Lane {
    /// A lane of a channel that has not been tried; what is known to be wrong with it is said from
    /// the start.
    pub(super) fn new(trouble: Option<&str>) -> Self {
        let known = trouble.map(|why| Err(why.to_owned()));
        Self { state: Mutex::new(WorkerState { known, ..WorkerState::default() }), ..Self::default() }
    }

    fn state(&self) -> MutexGuard<'_, WorkerState> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Queues a page, or says why not.
    pub(super) fn push(&self, page: Page) -> Result<(), Outcome> {
        let mut state = self.state();
        let why = match state.queue.len() {
            _ if state.closed => "the channel is closing".to_owned(),
            LONGEST_QUEUE.. => format!("{LONGEST_QUEUE} pages wait for this channel already"),
            _ => {
                state.queue.push_back(page);
                self.wake.notify_one();
                return Ok(());
            }
        };
        Err(Outcome::deferred(why))
    }

    /// A page is about to come: the channel may go as far as it can before.
    pub(super) fn expect(&self) {
        self.state().expected = true;
        self.wake.notify_one();
    }

    /// Takes a page back; true if it was still waiting.
    pub(super) fn withdraw(&self, page: Seq) -> bool {
        let mut state = self.state();
        let before = state.queue.len();
        state.queue.retain(|queued| queued.id != page);
        if state.trying == Some(page) {
            state.unwanted = true;
            self.withdrawn.notify_one();
        }
        state.queue.len() < before
    }

    /// Lets the worker end once the queue is empty.
    pub(super) fn close(&self) {
        self.state().closed = true;
        self.wake.notify_one();
    }

    pub(super) fn health(&self) -> ChannelHealth {
        let state = self.state();
        ChannelHealth {
            last_ok: state.last_ok,
            last_error: state.last_error.clone(),
            known: state.known.clone(),
            in_flight: state.queue.len() + usize::from(state.trying.is_some()),
        }
    }

    /// What to do next.
    async fn next(&self) -> Job {
        loop {
            {
                let mut state = self.state();
                let expected = std::mem::take(&mut state.expected);
                if let Some(page) = state.queue.pop_front() {
                    state.trying = Some(page.id);
                    state.unwanted = false;
                    return Job::Page(Box::new(page));
                }
                if state.closed {
                    return Job::End;
                }
                if expected {
                    return Job::Expect;
                }
            }
            self.wake.notified().await;
        }
    }

    /// Ends when the page being tried is withdrawn, unless it is on its way by then.
    async fn unwanted(&self, progress: &Progress) {
        while !self.state().unwanted {
            self.withdrawn.notified().await;
        }
        if progress.is_on_its_way() {
            std::future::pending::<()>().await;
        }
    }

    /// A page came back after it had been taken, if it was taken here.
    pub(super) fn returned(&self, page: Seq, why: &str, now: Wall) {
        let mut state = self.state();
        if state.carried.contains(&page) {
            state.returned = Some(Instant::now());
            state.last_error = Some((now, why.to_owned()));
            state.known = Some(Err(why.to_owned()));
        }
    }

    fn done(&self, outcome: &Outcome, page: Seq, now: Wall) {
        let mut state = self.state();
        state.trying = None;
        match outcome {
            Outcome::Accepted { .. } => {
                state.last_ok = Some(now);
                if state.returned.is_none_or(|at| at.elapsed() > DOUBTED_FOR) {
                    state.known = Some(Ok(()));
                }
                if state.carried.len() >= CARRIED {
                    state.carried.pop_front();
                }
                state.carried.push_back(page);
            }
            // Nothing was tried.
            Outcome::Withdrawn | Outcome::HeldUntil { .. } | Outcome::GivenUp { .. } => {}
            Outcome::Deferred { .. } | Outcome::Failed { .. } => {
                let why = outcome.trouble().unwrap_or_default();
                state.last_error = Some((now, why.clone()));
                state.known = Some(Err(why));
            }
        }
    }
}

/// The worker of a lane: ends when the lane is closed and empty, and not before.
pub(super) async fn work(
    lane: Arc<Lane>,
    target: Target,
    mut channel: Channel,
    context: SharedParts,
    results: UnboundedSender<(Seq, Outcome)>,
) {
    loop {
        let next = match timeout(REST_AFTER, lane.next()).await {
            Ok(next) => next,
            Err(_) => {
                rest(&mut channel).await;
                lane.next().await
            }
        };
        let page = match next {
            Job::Page(page) => page,
            Job::Expect => {
                channel.expect();
                continue;
            }
            Job::End => break,
        };
        let outcome = bounded(attempt(&lane, &mut channel, &page, &context).await);
        let why = outcome.trouble().unwrap_or_default();
        match &outcome {
            Outcome::Accepted { note } => tracing::info!(%target, page = page.id, note, "page accepted"),
            Outcome::Deferred { .. } | Outcome::HeldUntil { .. } => {
                tracing::warn!(%target, page = page.id, why, "page deferred");
            }
            Outcome::Withdrawn | Outcome::GivenUp { .. } => {
                tracing::info!(%target, page = page.id, why, "page taken back");
            }
            Outcome::Failed { .. } => tracing::error!(%target, page = page.id, why, "page failed"),
        }
        lane.done(&outcome, page.id, (context.clock)());
        // Nobody listens only while the agent ends; the journal still has the page.
        let _ = results.send((page.id, outcome));
    }
    rest(&mut channel).await;
}

async fn rest(channel: &mut Channel) {
    if let Err(panic) = unwound(channel.rest()).await {
        tracing::error!(panic, "a defect in the program while a channel went to rest");
    }
}

async fn attempt(lane: &Lane, channel: &mut Channel, page: &Page, context: &SharedParts) -> Outcome {
    let limit = channel.limit();
    let progress = Progress::new();
    let trying = unwound(channel.attempt(page, context, &progress));
    tokio::select! {
        biased;
        tried = trying => tried.unwrap_or_else(|panic| {
            let why = format!("a defect in the program: {panic}");
            match progress.is_on_its_way() {
                true => progress.broke_off(why),
                false => Outcome::Failed { why: format!("{why}, {}", progress.step()) },
            }
        }),
        () = lane.unwanted(&progress) => Outcome::Withdrawn,
        () = tokio::time::sleep(limit) => {
            progress.broke_off(format_args!("no answer within {} s", limit.as_secs_f64()))
        }
    }
}

/// Runs a future to its end, or to its panic.
async fn unwound<T>(future: impl Future<Output = T>) -> Result<T, String> {
    let mut future = pin!(future);
    std::future::poll_fn(move |cx| match catch_unwind(AssertUnwindSafe(|| future.as_mut().poll(cx))) {
        Ok(poll) => poll.map(Ok),
        Err(panic) => std::task::Poll::Ready(Err(said(panic.as_ref()))),
    })
    .await
}

fn said(panic: &(dyn Any + Send)) -> String {
    let text = panic.downcast_ref::<&str>().copied();
    let text = text.or_else(|| panic.downcast_ref::<String>().map(String::as_str));
    text.unwrap_or("no words").to_owned()
}

/// One line of bounded length and without secrets: what a server says goes into the journal and
/// onto terminals.
fn bounded(outcome: Outcome) -> Outcome {
    let tidy = |text: String| plain::tame(&text, LONGEST_NOTE);
    match outcome {
        Outcome::Accepted { note } => Outcome::Accepted { note: tidy(note) },
        Outcome::Deferred { why, may_have_arrived, again_in } => {
            Outcome::Deferred { why: tidy(why), may_have_arrived, again_in }
        }
        Outcome::Failed { why } => Outcome::Failed { why: tidy(why) },
        Outcome::HeldUntil { .. } | Outcome::Withdrawn | Outcome::GivenUp { .. } => outcome,
    }
}
