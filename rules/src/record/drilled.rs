//! What is kept of trying out whether help comes: test pages and what they have shown, notices
//! of what is due or of who stands in, and how an outage drill went. One part of
//! [`Body`](super::Body), for one part of the engine.

use super::{By, Seq};
use crate::time::Span;
use crate::words::counted;
use jiff::civil::DateTime;
use serde::{Deserialize, Serialize};
use std::fmt;

/// One thing of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "drill", rename_all = "kebab-case")]
#[expect(missing_docs, reason = "a field without a comment is what its name says, by name or number")]
pub enum Drilled {
    /// A round of test pages began. It carries over what is known of each channel, so that
    /// nothing older has to be read back.
    TestsBegan {
        /// By the rule file or by whom, and why late if it is late.
        why: String,
        /// Every channel that gets a page of this round, each in its owner's hours.
        channels: Vec<Standing>,
    },
    /// A test page was planned. It is known by this record's number.
    Tested {
        /// To: `ines.mail`.
        target: String,
        /// Answers it, once.
        code: String,
        /// So long it waits for the answer.
        within: Span,
        /// Its first line.
        headline: String,
        /// The rest of it.
        lines: Vec<String>,
    },
    /// A test page was answered: its channel is proved.
    TestAnswered {
        test: Seq,
        target: String,
        by: By,
        /// How long it took.
        after: Span,
    },
    /// A test page was not answered in time, or could not be delivered.
    TestUnanswered {
        test: Seq,
        target: String,
        /// Which of the two.
        why: String,
    },
    /// A page outside every call-out was planned, which asks for no answer. It is known by
    /// this record's number.
    Noticed {
        /// To: `ines.mail`.
        target: String,
        /// What it is about.
        about: About,
        /// How long ago what it asks for was last done, if ever.
        #[serde(default)]
        last: Option<Span>,
        /// Its first line.
        headline: String,
        /// The rest of it.
        lines: Vec<String>,
    },
    /// A person is about to pull the plug, on purpose: the watch waits for what has to come of it.
    /// The drill is known by this record's number.
    OutageBegan {
        /// The alarm that it is about.
        alarm: String,
        by: By,
    },
    /// The plug is out.
    PlugOut {
        /// Who says so.
        by: By,
    },
    /// The plug is back.
    PlugBack {
        /// Who says so.
        by: By,
    },
    /// The drill that was going on came to nothing.
    OutageBrokenOff { why: String },
    /// What came of a drill.
    OutageDrilled {
        /// The alarm that it was about.
        alarm: String,
        /// What was waited for, in the order in which it was to come.
        steps: Vec<Measured>,
        by: By,
    },
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
        stage: DrillStage,
    },
    /// Too many wrong codes came in somebody's name.
    Guessing {
        /// In whose.
        who: String,
        /// By which way.
        via: String,
        /// Who is told.
        to: String,
    },
    /// Somebody has not answered a test page within its time.
    Unanswered {
        /// Who.
        who: String,
        /// By which way it went: `ines.push`.
        target: String,
        /// The next hop had taken it.
        delivered: bool,
        /// Who is told.
        to: String,
    },
    /// The report of a stretch of time: after an absence, or of a week.
    Report {
        /// Whose.
        contact: String,
        /// From this local time on, as 2026-12-20T00:00:00.
        since: String,
        /// Until this one.
        until: String,
    },
}

impl About {
    /// The time that a report is of, if it is one.
    pub(crate) fn report(&self) -> Option<(DateTime, DateTime)> {
        match self {
            Self::Report { since, until, .. } => Some((since.parse().ok()?, until.parse().ok()?)),
            Self::OutageDue | Self::Absence { .. } | Self::Guessing { .. } | Self::Unanswered { .. } => None,
        }
    }
}

/// The pages about one absence, in order of time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DrillStage {
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

impl fmt::Display for Drilled {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TestsBegan { why, channels } => {
                write!(f, "test pages began for {}: {why}", counted(channels.len(), "channel"))
            }
            Self::Tested { target, within, headline, .. } => {
                write!(f, "test page to {target}, to be answered within {within}: {headline}")
            }
            Self::TestAnswered { target, by, after, .. } => {
                write!(f, "{target} is proved: test page answered by {by} after {after}")
            }
            Self::TestUnanswered { target, why, .. } => write!(f, "{target} is NOT proved: test page {why}"),
            Self::Noticed { target, headline, .. } => write!(f, "notice to {target}: {headline}"),
            Self::OutageBegan { alarm, by } => {
                write!(f, "outage drill of {alarm} began, by {}", by.who)
            }
            Self::PlugOut { by } => write!(f, "the plug is out, says {}", by.who),
            Self::PlugBack { by } => write!(f, "the plug is back, says {}", by.who),
            Self::OutageBrokenOff { why } => write!(f, "the outage drill is broken off: {why}"),
            Self::OutageDrilled { alarm, steps, by } => {
                let steps: Vec<_> = steps.iter().map(Measured::to_string).collect();
                write!(f, "outage drill of {alarm} by {by}: {}", steps.join(", "))
            }
        }
    }
}

impl fmt::Display for Measured {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.took {
            Some(took) if self.good() => write!(f, "{} after {took}", self.what),
            Some(took) => write!(f, "{} after {took}, LATE: expected within {}", self.what, self.within),
            None => write!(f, "{} NOT SEEN, expected within {}", self.what, self.within),
        }
    }
}
