//! Why a check-in is turned away, and how often that is said: for each cause once, and then at
//! most once an hour with how many there were, whatever anybody sends.

use crate::time::{Moment, Span};
use std::collections::BTreeMap;
use std::fmt;

/// Between two records of one cause.
const APART: Span = Span::hours(1);

/// Why a check-in is turned away.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum CheckinRefusal {
    /// No site of this name is watched, or not any more.
    Unknown,
    /// Longer than any site's.
    TooLarge {
        /// Its length in bytes.
        length: usize,
        /// The most that is looked at.
        limit: usize,
    },
    /// It hasn't the form of a check-in.
    Garbled(String),
    /// It is not signed with the site's key.
    Forged,
    /// It is signed, but for another site.
    Misplaced {
        /// The site that it names.
        site: String,
    },
    /// It is not newer than what the site has said already.
    Replayed(String),
    /// The broker kept it: whoever asked for that, no site does.
    Retained,
}

impl CheckinRefusal {
    /// What is counted as one cause.
    pub fn cause(&self) -> &'static str {
        match self {
            Self::Unknown => "unknown site",
            Self::TooLarge { .. } => "too large",
            Self::Garbled(_) => "garbled",
            Self::Forged => "forged",
            Self::Misplaced { .. } => "for another site",
            Self::Replayed(_) => "replayed",
            Self::Retained => "retained",
        }
    }
}

impl fmt::Display for CheckinRefusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Unknown => f.write_str("no site of this name is watched here"),
            Self::TooLarge { length, limit } => {
                write!(f, "{length} bytes are too many: a check-in has at most {limit}")
            }
            Self::Garbled(why) => write!(f, "it is no check-in: {why}"),
            Self::Forged => f.write_str("it is not signed with the site's key"),
            Self::Misplaced { site } => write!(f, "it is signed, but for the site `{site}`"),
            Self::Replayed(why) => write!(f, "it is not new: {why}"),
            Self::Retained => f.write_str("the broker had kept it, so it says nothing of now"),
        }
    }
}

/// What has been turned away so far, by the name of the cause.
#[derive(Debug, Default)]
pub struct Refusals {
    causes: BTreeMap<&'static str, Count>,
}

#[derive(Debug)]
struct Count {
    total: u64,
    unsaid: u64,
    said: Moment,
}

impl Refusals {
    /// Counts one. If it is to be said, how many of its cause there were since that was last said,
    /// this one included.
    pub fn count(&mut self, cause: &'static str, now: Moment) -> Option<u64> {
        let count = self.causes.entry(cause).or_insert(Count { total: 0, unsaid: 0, said: now - APART });
        count.total += 1;
        count.unsaid += 1;
        if now - count.said < APART {
            return None;
        }
        count.said = now;
        Some(std::mem::take(&mut count.unsaid))
    }

    /// How many of each cause.
    pub fn totals(&self) -> BTreeMap<&'static str, u64> {
        self.causes.iter().map(|(cause, count)| (*cause, count.total)).collect()
    }
}
