//! A call-out in a review: who was told, how it went, who answered.

use super::{Answer, Reason, Stamp};
use serde::Serialize;
use slackwater_rules::record::{Outcome, Purpose, Seq};

/// One call-out, or one drill.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct CallOutReview {
    /// Its number.
    pub call_out: Seq,
    /// The policy's name.
    pub policy: String,
    /// The episodes in it, the leading one first; none for a drill.
    pub episodes: Vec<Seq>,
    /// Began.
    pub began: Stamp,
    /// Who was told.
    pub pages: Vec<Paged>,
    /// Who could not be told.
    pub skipped: Vec<Skipped>,
    /// Who answered.
    pub answers: Vec<Answer>,
    /// When it went on after an answer.
    pub resumed: Vec<Reason>,
    /// Ended; none if it had not.
    pub ended: Option<Stamp>,
}

impl CallOutReview {
    /// As it begins.
    pub(in crate::review) fn begun(call_out: Seq, policy: String, began: Stamp) -> Self {
        Self {
            call_out,
            policy,
            episodes: Vec::new(),
            began,
            pages: Vec::new(),
            skipped: Vec::new(),
            answers: Vec::new(),
            resumed: Vec::new(),
            ended: None,
        }
    }
}

/// One page.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Paged {
    /// Its number.
    pub page: Seq,
    /// When it was planned.
    pub at: Stamp,
    /// To: `ines.push`.
    pub to: String,
    /// Why.
    pub purpose: Purpose,
    /// Its first line.
    pub headline: String,
    /// How it ended, as far as is known.
    pub result: PageResult,
    /// When that was known.
    pub result_at: Option<Stamp>,
    /// How many attempts are on record.
    pub attempts: u32,
}

impl Paged {
    /// As it is planned: how it ends is not known yet.
    pub(in crate::review) fn planned(
        page: Seq,
        at: Stamp,
        to: String,
        purpose: Purpose,
        headline: String,
    ) -> Self {
        Self { page, at, to, purpose, headline, result: PageResult::Unknown, result_at: None, attempts: 0 }
    }
}

/// How a page ended.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(tag = "outcome", rename_all = "kebab-case")]
pub enum PageResult {
    /// The next hop took it. That is not an answer.
    Accepted {
        /// What it said.
        note: String,
    },
    /// Not then.
    Deferred {
        /// Why.
        why: String,
    },
    /// Not at all.
    Failed {
        /// Why.
        why: String,
    },
    /// There is no record of it: it may or may not have gone out.
    Unknown,
}

impl From<Outcome> for PageResult {
    fn from(outcome: Outcome) -> Self {
        let for_now = outcome.is_for_now();
        match outcome {
            Outcome::Accepted { note } => Self::Accepted { note },
            other => {
                let why = other.trouble().unwrap_or_default();
                if for_now { Self::Deferred { why } } else { Self::Failed { why } }
            }
        }
    }
}

/// Someone who could not be told.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Skipped {
    /// When.
    pub at: Stamp,
    /// Who.
    pub to: String,
    /// Why.
    pub why: String,
}
