//! What records are made of: who said something, why a page was sent, how it fared, and what a
//! person found when looking into it.

use crate::time::Span;
use serde::{Deserialize, Serialize};

/// Who did something, and by which way: `ines` by `socket`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct By {
    /// A contact's name, or what the person is known by.
    pub who: String,
    /// `socket`, `text`, `web` …
    pub via: String,
}

/// Why a page is sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Purpose {
    /// Someone is needed.
    Call,
    /// Someone else has answered, or put it aside: no more is wanted of you.
    Taken,
    /// What was wrong is over.
    AllClear,
    /// Low-priority news held until the morning.
    Digest,
    /// A test of the call-out.
    Drill,
    /// News outside every call-out, which asks for no answer.
    Notice,
}

/// How one attempt at one page ended.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "outcome", rename_all = "kebab-case")]
pub enum Outcome {
    /// The next hop took it. That is not an answer.
    Accepted {
        /// What it said.
        note: String,
    },
    /// Not now, perhaps later: a time-out, a busy server, no network.
    Deferred {
        /// What went wrong.
        why: String,
    },
    /// Not this way: refused for good, or the channel is set up wrongly.
    Failed {
        /// What went wrong.
        why: String,
    },
}

/// What a person who looked into it says of an episode.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// It was right to ring.
    Real,
    /// It should not have rung.
    False,
}

/// What test pages have shown of one channel.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Standing {
    /// The channel: `ines.mail`.
    pub target: String,
    /// How long ago a test page was last answered; none if never.
    pub proved: Option<Span>,
    /// Test pages since then that were not.
    pub missed: u32,
}

/// What a page outside every call-out is about. Each is told once.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(tag = "about", rename_all = "kebab-case")]
pub enum About {
    /// An outage drill is due.
    OutageDue,
    /// Someone will be away, is, or was.
    Absence {
        /// The contact.
        contact: String,
        /// First day, as 2026-12-20.
        first: String,
        /// Last day.
        last: String,
        /// Which page of it.
        stage: Stage,
    },
}

/// The pages about one absence, in order of time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stage {
    /// To the contact, some days before: the hours in which nobody can be reached.
    Coverage,
    /// To the contact, the day before: the sitter takes over.
    Leaving,
    /// To the sitter, on the first day.
    HandOver,
    /// To the sitter, on the day after the last.
    HandBack,
    /// To the contact, on the day after the last.
    Back,
}

/// One thing that an outage drill waited for.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Measured {
    /// What was to come: `raised`, `air-pump on confirmed`.
    pub what: String,
    /// How long it took, from the plug out or in; none if it did not come.
    pub took: Option<Span>,
    /// How long it may take.
    pub within: Span,
}

impl Measured {
    /// Whether it came, and soon enough.
    pub fn good(&self) -> bool {
        self.took.is_some_and(|took| took <= self.within)
    }
}
