//! The ways to a person. A page flows in with its target; exactly one [`Outcome`] for it flows
//! out over the results, whatever happens: accepted by the next hop, to be tried later, or
//! not possible this way. It exists so that a dead mail server delays no push: every target
//! has its own lane with its own short queue, worker and time-out, and nothing here waits for
//! anything without a bound.
//!
//! An outcome says what the next hop did, never that a person has read the page. Where an
//! attempt broke off after the page was on its way, the text says that it may have been
//! delivered; the page's name (Message-ID, event id) is the same on a repeat, so that the
//! receiver can tell.

mod email;
mod enclosed;
mod event;
mod folder;
mod mail;
mod names;
mod plain;
mod push;
mod ring;
mod settings;
mod siren;
mod smtp;
mod template;
mod text;
mod webhook;
mod worker;

pub(crate) use email::{header, page_of_mail};
pub use enclosed::{EnclosedReport, MakeReport};
pub(crate) use mail::send_mail;
pub use names::SentNames;
pub use push::{AcceptedIf, Proxy};
pub use settings::{
    ChannelSettings, FolderSettings, MailSettings, PushSettings, RingSettings, Security, SirenSettings,
    UnusableChannel,
};
pub use template::Template;
pub use webhook::Post;

use crate::modem::Modem;
use lettre::message::Mailbox;
use slackwater_rules::page::Page;
use slackwater_rules::plan::Target;
use slackwater_rules::record::{Outcome, Seq};
use slackwater_rules::time::{Span, Wall};
use std::collections::BTreeMap;
use std::fmt;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc::UnboundedSender;
use tokio::task::JoinSet;
use worker::{Lane, Progress};

/// Connecting gets this fraction of the time-out: the rest is for the conversation.
const CONNECTING: u32 = 3;

/// A way that can't be used says so without waiting for anything.
const AT_ONCE: Duration = Duration::from_secs(1);

/// The way to the broker, as far as a siren needs it.
pub trait Publish: Send + Sync {
    /// Hands a siren's message over, never retained, and ends when the broker has taken it, or with
    /// why it has not: there is no broker, or not for long enough. It is then not sent later by
    /// itself.
    fn publish<'a>(&'a self, topic: &'a str, payload: &'a [u8]) -> Publishing<'a>;
}

/// A siren's message on its way.
pub type Publishing<'a> = Pin<Box<dyn Future<Output = Result<(), NotPublished>> + Send + 'a>>;

/// Why a siren's message was not taken.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NotPublished {
    /// Not now.
    Yet {
        /// Cause in words for a person.
        why: String,
        /// It was under way, so the siren may have heard it.
        perhaps: bool,
    },
    /// The topic is no siren's, or the payload none of its words: the same again is of no use.
    Refused(String),
}

/// What all channels share.
#[derive(Clone)]
pub struct SharedParts {
    /// The time that people read, for dates on pages and in the health.
    pub clock: Arc<dyn Fn() -> Wall + Send + Sync>,
    /// How what they send is called.
    pub names: Arc<SentNames>,
    /// For sirens.
    pub publish: Arc<dyn Publish>,
    /// Where replies to pages by mail are to go, if not to their sender.
    pub reply_to: Option<Mailbox>,
    /// For texts, if there is one.
    pub modem: Option<Modem>,
    /// For mails that carry a report, if there is a journal to make it of.
    pub reports: Option<Arc<dyn MakeReport>>,
}

/// A channel that is set up and can be tried.
pub struct Channel(Carrier);

enum Carrier {
    Mail(Box<mail::Mail>),
    Push(Box<push::Push>),
    Folder(folder::Folder),
    Siren(siren::SirenChannel),
    Text(text::Text),
    Ring(ring::Ring),
    /// Why it can't be used.
    Unusable(String),
}

impl Channel {
    /// Makes a channel of its settings, or says all that is wrong with them. Reads the files of
    /// certificates, connects to nothing. `mail` is the server that mail goes through.
    pub fn new(settings: &ChannelSettings, mail: Option<&MailSettings>) -> Result<Self, Vec<String>> {
        Ok(Self(match settings {
            ChannelSettings::Mail(to) => {
                let server = mail.ok_or_else(|| vec!["mail: no server is set for it".to_owned()])?;
                Carrier::Mail(Box::new(mail::Mail::new(server, to)?))
            }
            ChannelSettings::Push(push) => Carrier::Push(Box::new(push::Push::new(push)?)),
            ChannelSettings::Folder(folder) => Carrier::Folder(folder::Folder::new(folder)?),
            ChannelSettings::Siren(siren) => Carrier::Siren(siren::SirenChannel::new(siren)?),
            ChannelSettings::Text(to) => Carrier::Text(text::Text::new(to)),
            ChannelSettings::Ring(ring) => Carrier::Ring(ring::Ring::new(ring)),
            ChannelSettings::Unusable(unusable) => Carrier::Unusable(unusable.why.clone()),
        }))
    }

    /// Why it can't be used, if that is known before any page.
    pub fn trouble(&self) -> Option<&str> {
        match &self.0 {
            Carrier::Unusable(why) => Some(why),
            Carrier::Mail(_)
            | Carrier::Push(_)
            | Carrier::Folder(_)
            | Carrier::Siren(_)
            | Carrier::Text(_)
            | Carrier::Ring(_) => None,
        }
    }

    /// Goes the way as far as it can without telling anybody anything: what was found there, or
    /// what is in the way. Nothing for ways that only a page can try.
    pub async fn try_out(&mut self) -> Option<Result<String, String>> {
        let progress = Progress::new();
        let limit = self.limit();
        let trying = async {
            Some(match &mut self.0 {
                Carrier::Mail(mail) => mail.try_out(&progress).await,
                Carrier::Push(push) => push.try_out().await,
                Carrier::Folder(folder) => folder.try_out(),
                Carrier::Unusable(why) => Err(why.clone()),
                Carrier::Siren(_) | Carrier::Text(_) | Carrier::Ring(_) => return None,
            })
        };
        match tokio::time::timeout(limit, trying).await {
            Ok(tried) => tried.map(|tried| tried.map_err(|why| plain::tame(&why, worker::LONGEST_NOTE))),
            Err(_) => Some(Err(format!("no answer within {} s", limit.as_secs()))),
        }
    }

    /// How long one attempt may take.
    fn limit(&self) -> Duration {
        match &self.0 {
            Carrier::Mail(mail) => mail.limit(),
            Carrier::Push(push) => push.limit(),
            Carrier::Folder(_) => folder::LIMIT,
            Carrier::Siren(_) => siren::LIMIT,
            Carrier::Text(_) => text::LIMIT,
            Carrier::Ring(_) => ring::LIMIT,
            Carrier::Unusable(_) => AT_ONCE,
        }
    }

    /// Tries once. Dropped if it takes too long.
    async fn attempt(&mut self, page: &Page, context: &SharedParts, progress: &Progress) -> Outcome {
        match &mut self.0 {
            Carrier::Mail(mail) => mail.attempt(page, context, progress).await,
            Carrier::Push(push) => push.attempt(page, context, progress).await,
            Carrier::Folder(folder) => folder.attempt(page, context, progress).await,
            Carrier::Siren(siren) => siren.attempt(page, context, progress).await,
            Carrier::Text(text) => text.attempt(page, context, progress).await,
            Carrier::Ring(ring) => ring.attempt(page, context, progress).await,
            // The next way at once: nothing is gained by trying again.
            Carrier::Unusable(why) => Outcome::Failed { why: why.clone() },
        }
    }

    /// A page is about to come, once its record is safe: what tells nobody anything begins now, and
    /// waits for nothing.
    fn expect(&mut self) {
        match &mut self.0 {
            Carrier::Mail(mail) => mail.expect(),
            Carrier::Push(_)
            | Carrier::Folder(_)
            | Carrier::Siren(_)
            | Carrier::Text(_)
            | Carrier::Ring(_)
            | Carrier::Unusable(_) => {}
        }
    }

    /// Lets go of what the last attempt kept for the next.
    async fn rest(&mut self) {
        match &mut self.0 {
            Carrier::Mail(mail) => mail.rest().await,
            Carrier::Push(_)
            | Carrier::Folder(_)
            | Carrier::Siren(_)
            | Carrier::Text(_)
            | Carrier::Ring(_)
            | Carrier::Unusable(_) => {}
        }
    }
}

impl fmt::Debug for Channel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match &self.0 {
            Carrier::Mail(_) => "Channel::Mail",
            Carrier::Push(_) => "Channel::Push",
            Carrier::Folder(_) => "Channel::Folder",
            Carrier::Siren(_) => "Channel::Siren",
            Carrier::Text(_) => "Channel::Text",
            Carrier::Ring(_) => "Channel::Ring",
            Carrier::Unusable(_) => "Channel::Unusable",
        })
    }
}

/// How a channel has been lately.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ChannelHealth {
    /// When the next hop last took a page.
    pub last_ok: Option<Wall>,
    /// When it last did not, and why.
    pub last_error: Option<(Wall, String)>,
    /// Whether the last page went through, or why not; none if no page has told.
    pub known: Option<Result<(), String>>,
    /// Pages queued or being tried.
    pub in_flight: usize,
}

/// All channels, each with its lane.
pub struct Channels {
    lanes: BTreeMap<Target, Arc<Lane>>,
    workers: JoinSet<()>,
    results: UnboundedSender<(Seq, Outcome)>,
}

impl Channels {
    /// Starts a worker for each channel; must be called on a tokio runtime. Outcomes go to
    /// `results`, which needs no bound of its own: there is one for each page sent.
    pub fn start(
        channels: BTreeMap<Target, Channel>,
        context: &SharedParts,
        results: UnboundedSender<(Seq, Outcome)>,
    ) -> Self {
        let mut lanes = BTreeMap::new();
        let mut workers = JoinSet::new();
        for (target, channel) in channels {
            let lane = Arc::new(Lane::new(channel.trouble()));
            workers.spawn(worker::work(
                Arc::clone(&lane),
                target.clone(),
                channel,
                context.clone(),
                results.clone(),
            ));
            lanes.insert(target, lane);
        }
        Self { lanes, workers, results }
    }

    /// Queues a page and returns at once.
    pub fn send(&self, target: &Target, page: Page) {
        let id = page.id;
        let refused = match self.lanes.get(target) {
            Some(lane) => lane.push(page).err(),
            None => Some(Outcome::Failed { why: format!("there is no channel {target}") }),
        };
        if let Some(outcome) = refused {
            self.report(id, outcome);
        }
    }

    /// Pages to these targets are about to come: their channels may connect meanwhile.
    pub fn expect<'a>(&self, targets: impl IntoIterator<Item = &'a Target>) {
        targets.into_iter().filter_map(|target| self.lanes.get(target)).for_each(|lane| lane.expect());
    }

    /// Gives up on a page. One that waits is not sent; one that is being tried is broken off,
    /// unless it is on its way already: then its true outcome is awaited. Each is reported.
    pub fn withdraw(&self, page: Seq) {
        for lane in self.lanes.values() {
            if lane.withdraw(page) {
                self.report(page, Outcome::Withdrawn);
            }
        }
    }

    /// A page that a channel had brought on its way came back: why. For a day after that the
    /// channel does not count as well for being taken pages from.
    pub fn returned(&self, page: Seq, why: &str, now: Wall) {
        self.lanes.values().for_each(|lane| lane.returned(page, why, now));
    }

    /// How the channels are, for `status`.
    pub fn health(&self) -> BTreeMap<Target, ChannelHealth> {
        self.lanes.iter().map(|(target, lane)| (target.clone(), lane.health())).collect()
    }

    /// Ends in good order: what is queued is still tried, until `within` is over. Pages without
    /// an outcome by then stay pending in the journal.
    pub async fn close(mut self, within: Span) {
        self.lanes.values().for_each(|lane| lane.close());
        let all = async { while self.workers.join_next().await.is_some() {} };
        if tokio::time::timeout(duration(within), all).await.is_err() {
            tracing::warn!("channels were still busy after {within}: they are left");
        }
    }

    fn report(&self, page: Seq, outcome: Outcome) {
        // Nobody listens only while the agent ends; the journal still has the page.
        let _ = self.results.send((page, outcome));
    }
}

impl Drop for Channels {
    /// The workers finish what they hold, bounded by queue and time-outs, and end.
    fn drop(&mut self) {
        self.lanes.values().for_each(|lane| lane.close());
        self.workers.detach_all();
    }
}

fn duration(span: Span) -> Duration {
    Duration::from_millis(u64::try_from(span.0).unwrap_or(0))
}

#[cfg(any(test, feature = "fuzzing"))]
/// What must hold for any octets that a gateway or a mail server may answer with.
pub(crate) fn promise(octets: &[u8]) {
    push::promise(octets);
    smtp::promise(octets);
}
