//! What records are made of: who said something, why a page was sent, how it fared, and what a
//! person found when looking into it.

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

/// What the outcome of an attempt says that broke off when the page was on its way already.
pub const MAY_HAVE_ARRIVED: &str = "it may have been delivered";

impl Outcome {
    /// Not accepted, and yet perhaps delivered: trying again may make a second copy.
    pub fn is_doubtful(&self) -> bool {
        match self {
            Self::Accepted { .. } => false,
            Self::Deferred { why } | Self::Failed { why } => why.contains(MAY_HAVE_ARRIVED),
        }
    }
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

/// An estimate of the hours that are left.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Estimated {
    /// The tank, or the site.
    pub place: String,
    /// `about 5 to 8 h until 22 degC if nothing changes`, or why nobody can say.
    pub words: String,
    /// Hours, the earliest; none if there is no estimate, or never.
    pub low_h: Option<f64>,
    /// Hours, the likeliest.
    pub likely_h: Option<f64>,
    /// Hours, the latest.
    pub high_h: Option<f64>,
    /// What it rests on; empty if there is no estimate.
    pub rests_on: String,
}
