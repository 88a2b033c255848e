//! The modem: the way out that needs neither the mains nor the router. Texts to people flow in
//! from all text channels, and what the network said of each flows back in steps; texts from
//! people flow out to the loop. One task owns the serial line (`owner`), talks to whatever modem
//! hangs on it (`session`, `dialogue`, `port`), and the rest is pure: lines, units, refusals,
//! numbers. What a text means is not its business.
//!
//! GSM modems of the last twenty-five years understand the same commands: 3GPP TS 27.007 and TS
//! 27.005, over a serial line or a USB device that looks like one.

mod dialogue;
mod lines;
mod number;
mod owner;
mod pdu;
mod port;
mod refusal;
mod ring;
mod session;

pub use number::{Number, Sender};
pub(crate) use pdu::TextFate;

use crate::plain_text::tame;
use crate::secret::Secret;
use owner::Owner;
use slackwater_rules::record::Outcome;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::{mpsc, oneshot};

/// Texts that may wait for the modem: more than one call-out has at once.
const LONGEST_QUEUE: usize = 64;

/// So much is shown of what it says of itself.
const LONGEST_VIEW: usize = 300;

/// Texts handed to the loop that it has not looked at.
const ARRIVED: usize = 8;

/// Where the modem is and what it needs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ModemSettings {
    /// A device, best by its link under `/dev/serial/by-id`; with a `*` in its last part, the
    /// first that answers.
    pub device: PathBuf,
    /// What maker and model must contain, so that no other device is taken for it.
    pub model: Option<String>,
    /// The PIN of its SIM.
    pub pin: Option<Secret>,
    /// Its SIM's own number as pages show it, to which people can text their answers.
    pub number: Option<String>,
    /// Bits a second; a USB modem does not mind.
    pub speed: u32,
}

/// How the modem is, in words: well, or why not.
pub type View = Result<String, String>;

/// A text that has come.
#[derive(Debug)]
pub struct Arrived {
    /// Whom from.
    pub from: Sender,
    /// What it says; none if it carries data.
    pub text: Option<String>,
    /// To be told when it is safe to delete it from the SIM.
    pub taken: oneshot::Sender<()>,
}

/// What becomes of a text that was handed in, one after the other.
#[derive(Debug)]
pub(crate) enum SendingStep {
    /// From here on it may arrive.
    Sending,
    /// The network took it. A report may follow.
    Taken { reference: Option<u8>, awaited: bool },
    /// What a report says of it.
    Reported(TextFate),
    /// It is not sent.
    Ended(Outcome),
    /// The modem was lost in the middle.
    Lost(String),
}

/// What is to be done for a number.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Errand {
    /// Send this.
    Text(String),
    /// Let it ring for so long.
    Ring(Duration),
}

/// A text or a ring on its way to the modem.
struct Job {
    to: Number,
    errand: Errand,
    steps: mpsc::UnboundedSender<SendingStep>,
    /// To be sent even if nobody listens to what becomes of it.
    unheeded: bool,
}

impl Job {
    fn tell(&self, step: SendingStep) {
        // Whoever sent it may have given up.
        let _ = self.steps.send(step);
    }

    fn is_unwanted(&self) -> bool {
        self.steps.is_closed() && !self.unheeded
    }
}

/// What `status` shows.
#[derive(Clone)]
struct Views(Arc<Mutex<View>>);

impl Views {
    /// Whether this is news.
    fn set(&self, view: View) -> bool {
        let view = match view {
            Ok(well) => Ok(tame(&well, LONGEST_VIEW)),
            Err(why) => Err(tame(&why, LONGEST_VIEW)),
        };
        let mut held = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let news = held.is_ok() != view.is_ok() || (view.is_err() && *held != view);
        *held = view;
        news
    }
}

/// The way to the modem, for everyone who has something to send. It is looked for as long as one
/// of these lives.
#[derive(Clone)]
pub struct Modem {
    jobs: mpsc::Sender<Job>,
    views: Views,
}

impl Modem {
    /// Starts to look for the modem; must be called on a tokio runtime. Texts from people come out
    /// of the second part.
    pub fn start(settings: ModemSettings) -> (Self, mpsc::Receiver<Arrived>) {
        let (jobs, taken) = mpsc::channel(LONGEST_QUEUE);
        let (texts, arrived) = mpsc::channel(ARRIVED);
        let views = Views(Arc::new(Mutex::new(Err("not looked for yet".to_owned()))));
        let owner = tokio::spawn(Owner::new(settings, taken, texts, views.clone()).work());
        tokio::spawn({
            let views = views.clone();
            async move {
                if let Err(error) = owner.await {
                    tracing::error!(%error, "a defect in the program has ended the modem's task");
                    views.set(Err("a defect in the program has ended it: restart the agent".to_owned()));
                }
            }
        });
        (Self { jobs, views }, arrived)
    }

    /// How it is.
    pub fn view(&self) -> View {
        self.views.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Hands a text in and tells what becomes of it. It is cut to what one text carries. If the
    /// steps are dropped before its turn, it is not sent.
    pub(crate) fn send(&self, to: &Number, text: &str) -> mpsc::UnboundedReceiver<SendingStep> {
        let (steps, told) = mpsc::unbounded_channel();
        self.hand_in(Job { to: to.clone(), errand: Errand::Text(text.to_owned()), steps, unheeded: false });
        told
    }

    /// Lets a number ring for so long. Texts that wait go first. If the steps are dropped before
    /// its turn, it does not ring.
    pub(crate) fn ring(&self, to: &Number, length: Duration) -> mpsc::UnboundedReceiver<SendingStep> {
        let (steps, told) = mpsc::unbounded_channel();
        self.hand_in(Job { to: to.clone(), errand: Errand::Ring(length), steps, unheeded: false });
        told
    }

    /// Hands a text in where nobody waits for what becomes of it.
    pub(crate) fn reply(&self, to: &Number, text: &str) {
        let (steps, _) = mpsc::unbounded_channel();
        self.hand_in(Job { to: to.clone(), errand: Errand::Text(text.to_owned()), steps, unheeded: true });
    }

    fn hand_in(&self, job: Job) {
        if let Err(refused) = self.jobs.try_send(job) {
            let (why, job) = match refused {
                mpsc::error::TrySendError::Full(job) => {
                    (format!("{LONGEST_QUEUE} texts wait for the modem already"), job)
                }
                mpsc::error::TrySendError::Closed(job) => ("the modem's task has ended".to_owned(), job),
            };
            job.tell(SendingStep::Ended(Outcome::deferred(why)));
        }
    }
}

#[cfg(any(test, feature = "fuzzing"))]
/// What must hold for any octets on the modem's line: however they are cut they are the same lines,
/// no more is kept than a line, and a unit is read or refused.
pub(crate) fn promise(octets: &[u8]) {
    let whole = lines::all(&[octets]);
    let (first, last) = octets.split_at(octets.len() / 3);
    assert_eq!(whole, lines::all(&[first, last]));
    for said in whole {
        if let lines::LineSaid::Pdu(hex) = said {
            for length in [0, hex.len() / 2 - 1, hex.len() / 2 - 8] {
                let _ = pdu::incoming(&hex, length);
            }
        }
    }
}
