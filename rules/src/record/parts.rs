//! What records are made of: who said something, why a page was sent, how it fared, and what a
//! person found when looking into it.

use crate::time::Span;
use serde::{Deserialize, Serialize};
use std::fmt;

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

/// Work that had paused an alarm, and after which its condition has been true ever since.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct AfterWork {
    /// The kind: `feeding`.
    pub work: String,
    /// How long ago it had ended when the alarm was raised.
    pub ended: Span,
}

/// How far a reading went while its alarm stood.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Farthest {
    /// The lowest, else the highest.
    pub lowest: bool,
    /// With its unit, for people.
    pub value: String,
    /// How long before the return.
    pub ago: Span,
}

impl Farthest {
    /// `lowest 23.8 °C`
    pub fn words(&self) -> String {
        format!("{} {}", if self.lowest { "lowest" } else { "highest" }, self.value)
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
    /// The limit of the tank's water that it is about: held against what came.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub water: Option<WaterLimit>,
}

/// A limit of a tank's water.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct WaterLimit {
    /// Below it is bad; else above.
    pub below: bool,
    /// degC.
    pub limit: f64,
}

/// What has changed of a site that this watch is the witness of. Keys are told by their beginning.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "change", rename_all = "kebab-case")]
pub enum SiteChange {
    /// It was invited, for so long.
    Invited {
        /// Until the link is of no use any more.
        length: Span,
    },
    /// It joined.
    Joined {
        /// Of its key.
        key: String,
    },
    /// It has proved another key, which holds from the first check-in that is signed with it.
    KeyProved {
        /// Of the new key.
        key: String,
    },
    /// It has another key.
    KeyChanged {
        /// Of the new key.
        key: String,
    },
    /// Its key was withdrawn, or its invitation.
    Withdrawn,
}

impl fmt::Display for SiteChange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Invited { length } => write!(f, "was invited to join within {length}"),
            Self::Joined { key } => write!(f, "joined, its key is {key}"),
            Self::KeyProved { key } => {
                write!(f, "proved another key, {key}, which holds from its first check-in on")
            }
            Self::KeyChanged { key } => write!(f, "has another key, {key}; the old one holds no more"),
            Self::Withdrawn => f.write_str("was withdrawn: it may not check in any more"),
        }
    }
}
