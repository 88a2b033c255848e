//! What a watch is made of, and what can keep it from beginning.

use crate::clock::Clock;
use crate::journal::JournalError;
use crate::settings::Environment;
use crate::site::SiteFiles;
use slackwater_rules::engine::Turn;
use slackwater_rules::time::Now;
use std::fmt;
use std::io;
use std::path::PathBuf;
use std::pin::Pin;

/// Sees every turn: for the demo and for tests.
pub type TurnObserver = Box<dyn FnMut(&Now, &Turn) + Send>;

/// Comes to pass when the watch is to end, with the reason.
pub type Until = Pin<Box<dyn Future<Output = &'static str> + Send>>;

/// What the loop is made of.
pub struct Parts {
    /// The agent's configuration file.
    pub config: PathBuf,
    /// What it comes to.
    pub site: SiteFiles,
    /// Where changed settings are read from at a reload.
    pub environment: Environment,
    /// The board's clocks, or the demo's.
    pub clock: Clock,
    /// Sees every turn.
    pub onlooker: Option<TurnObserver>,
    /// When it is over of itself, and why: never, but for the demo.
    pub until: Until,
}

/// Why the watch could not begin, or ended otherwise than in good order.
#[derive(Debug)]
pub enum RunError {
    /// The journal belongs to something else.
    Journal(JournalError),
    /// The control socket.
    Control(io::Error),
    /// The signals of the system.
    Signals(io::Error),
    /// The broker's settings; `check` finds them first.
    Broker(String),
    /// The check-ins' settings; `check` finds them first.
    CheckIn(String),
    /// A part that the watch can't do without has ended.
    Lost(&'static str),
}

impl fmt::Display for RunError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Journal(error) => write!(f, "the journal: {error}"),
            Self::Control(error) => write!(f, "the control socket: {error}"),
            Self::Signals(error) => write!(f, "signals: {error}"),
            Self::Broker(text) => write!(f, "[broker]: {text}"),
            Self::CheckIn(text) => write!(f, "[check-in]: {text}"),
            Self::Lost(part) => write!(f, "{part} has ended: this should not happen"),
        }
    }
}

impl std::error::Error for RunError {}
