//! How one attempt at a page ended. The channel says it, or the watch does of a page that it holds
//! back or gives up; what follows from it is decided by its variant, never by its words. Journals
//! of before kept some of this as prose: it is told apart here, on reading, and nowhere else.

use super::Seq;
use crate::time::Span;
use serde::{Deserialize, Serialize};
use std::fmt;

/// How one attempt at one page ended.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(from = "StoredOutcome", into = "StoredOutcome")]
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
        /// It broke off when the page was on its way already: trying again may make a second copy.
        may_have_arrived: bool,
        /// How long the other side asks to be left alone, if it says.
        again_in: Option<Span>,
    },
    /// The watch has not handed it out: its channel has no room for it before this is over.
    HeldUntil {
        /// In words: `4 a day`.
        limit: String,
        /// How long until there is room.
        room_in: Span,
    },
    /// Not this way: refused for good, or the channel is set up wrongly.
    Failed {
        /// What went wrong.
        why: String,
    },
    /// Called back by the watch, and never sent.
    Withdrawn,
    /// The watch tries it no more.
    GivenUp {
        /// Why not.
        why: NoMore,
    },
}

/// Why a page is not tried any more.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "because", rename_all = "kebab-case")]
pub enum NoMore {
    /// A newer one has gone the same way, or nobody is asked any more.
    NotNeeded,
    /// Another page to the same person says what it says.
    ToldWith {
        /// That one.
        page: Seq,
    },
    /// It has waited for longer than any outage that someone comes home from.
    TooOld,
    /// More than one attempt broke off when it was on its way already.
    PerhapsThereTwice,
}

impl Outcome {
    /// Not now, perhaps later, and certainly not arrived.
    pub fn deferred(why: impl Into<String>) -> Self {
        Self::Deferred { why: why.into(), may_have_arrived: false, again_in: None }
    }

    /// Not accepted, and yet perhaps delivered: trying again may make a second copy.
    pub fn is_doubtful(&self) -> bool {
        match self {
            Self::Deferred { may_have_arrived, .. } => *may_have_arrived,
            Self::Accepted { .. }
            | Self::HeldUntil { .. }
            | Self::Failed { .. }
            | Self::Withdrawn
            | Self::GivenUp { .. } => false,
        }
    }

    /// How long the other side asks to be left alone.
    pub fn again_in(&self) -> Option<Span> {
        match self {
            Self::Deferred { again_in, .. } => *again_in,
            Self::Accepted { .. }
            | Self::HeldUntil { .. }
            | Self::Failed { .. }
            | Self::Withdrawn
            | Self::GivenUp { .. } => None,
        }
    }

    /// Whether it will be tried again.
    pub fn is_for_now(&self) -> bool {
        match self {
            Self::Deferred { .. } | Self::HeldUntil { .. } => true,
            Self::Accepted { .. } | Self::Failed { .. } | Self::Withdrawn | Self::GivenUp { .. } => false,
        }
    }

    /// Whether no hop has taken it, nor will any.
    pub fn is_lost(&self) -> bool {
        match self {
            Self::Failed { .. } | Self::Withdrawn | Self::GivenUp { .. } => true,
            Self::Accepted { .. } | Self::Deferred { .. } | Self::HeldUntil { .. } => false,
        }
    }

    /// What went wrong, or why it waits, in words; none if it was accepted.
    pub fn trouble(&self) -> Option<String> {
        match self {
            Self::Accepted { .. } => None,
            Self::Deferred { why, may_have_arrived: false, .. } | Self::Failed { why } => Some(why.clone()),
            Self::Deferred { why, may_have_arrived: true, .. } => Some(format!("{why}: {MAY_HAVE_ARRIVED}")),
            Self::HeldUntil { limit, room_in } => {
                Some(format!("{HELD}at most {limit}, room again in {room_in}"))
            }
            Self::Withdrawn => Some(WITHDRAWN.to_owned()),
            Self::GivenUp { why } => Some(why.to_string()),
        }
    }
}

impl fmt::Display for Outcome {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let trouble = self.trouble().unwrap_or_default();
        match self {
            Self::Accepted { note } if note.is_empty() => f.write_str("accepted"),
            Self::Accepted { note } => write!(f, "accepted: {note}"),
            Self::Deferred { .. } | Self::HeldUntil { .. } => write!(f, "not yet: {trouble}"),
            Self::Failed { .. } => write!(f, "failed: {trouble}"),
            Self::Withdrawn => f.write_str(&trouble),
            Self::GivenUp { .. } => write!(f, "given up: {trouble}"),
        }
    }
}

impl fmt::Display for NoMore {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotNeeded => f.write_str(NOT_NEEDED),
            Self::ToldWith { page } => write!(f, "{TOLD_WITH}{page}"),
            Self::TooOld => f.write_str(TOO_OLD),
            Self::PerhapsThereTwice => f.write_str(TWICE),
        }
    }
}

/// These words stood in journals before outcomes said it by their type, and are still what people
/// read.
const MAY_HAVE_ARRIVED: &str = "it may have been delivered";
const HELD: &str = "held back: ";
const WITHDRAWN: &str = "withdrawn before it was sent";
const NOT_NEEDED: &str = "no longer needed";
const TOLD_WITH: &str = "told with page ";
const TOO_OLD: &str = "not delivered within a week";
const TWICE: &str = "perhaps delivered more than once by now: not tried again";

/// As it stands in the journal. What was kept before has no `may-have-arrived` and no `typed`.
#[derive(Serialize, Deserialize)]
#[serde(tag = "outcome", rename_all = "kebab-case", rename_all_fields = "kebab-case")]
enum StoredOutcome {
    Accepted {
        note: String,
    },
    Deferred {
        why: String,
        #[serde(default)]
        may_have_arrived: Option<bool>,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        again_in: Option<Span>,
    },
    HeldUntil {
        limit: String,
        room_in: Span,
    },
    Failed {
        why: String,
        #[serde(default)]
        typed: bool,
    },
    Withdrawn,
    GivenUp {
        #[serde(flatten)]
        why: NoMore,
    },
}

impl From<Outcome> for StoredOutcome {
    fn from(outcome: Outcome) -> Self {
        match outcome {
            Outcome::Accepted { note } => Self::Accepted { note },
            Outcome::Deferred { why, may_have_arrived, again_in } => {
                Self::Deferred { why, may_have_arrived: Some(may_have_arrived), again_in }
            }
            Outcome::HeldUntil { limit, room_in } => Self::HeldUntil { limit, room_in },
            Outcome::Failed { why } => Self::Failed { why, typed: true },
            Outcome::Withdrawn => Self::Withdrawn,
            Outcome::GivenUp { why } => Self::GivenUp { why },
        }
    }
}

impl From<StoredOutcome> for Outcome {
    fn from(written: StoredOutcome) -> Self {
        match written {
            StoredOutcome::Accepted { note } => Self::Accepted { note },
            StoredOutcome::Deferred { why, may_have_arrived: Some(may_have_arrived), again_in } => {
                Self::Deferred { why, may_have_arrived, again_in }
            }
            StoredOutcome::Deferred { why, may_have_arrived: None, .. } => deferred_before(why),
            StoredOutcome::HeldUntil { limit, room_in } => Self::HeldUntil { limit, room_in },
            StoredOutcome::Failed { why, typed: true } => Self::Failed { why },
            StoredOutcome::Failed { why, typed: false } => failed_before(why),
            StoredOutcome::Withdrawn => Self::Withdrawn,
            StoredOutcome::GivenUp { why } => Self::GivenUp { why },
        }
    }
}

/// `held back: at most 4 a day, room again in 3 h` was one of them.
fn deferred_before(why: String) -> Outcome {
    let held = why.strip_prefix(HELD).and_then(|rest| rest.strip_prefix("at most "));
    if let Some((limit, room_in)) = held.and_then(|rest| rest.split_once(", room again in ")) {
        // How long was kept in words only. Whether there is room is found when it is tried.
        let room_in = span_in_words(room_in).unwrap_or(Span::ZERO);
        return Outcome::HeldUntil { limit: limit.to_owned(), room_in };
    }
    let may_have_arrived = why.contains(MAY_HAVE_ARRIVED);
    let bare = why.strip_suffix(MAY_HAVE_ARRIVED).map(|bare| bare.trim_end_matches([':', ' ']).to_owned());
    Outcome::Deferred { why: bare.unwrap_or(why), may_have_arrived, again_in: None }
}

/// `23 h 40 min`, as a [`Span`] is shown.
fn span_in_words(text: &str) -> Option<Span> {
    let mut words = text.split(' ');
    let mut whole = Span::ZERO;
    while let Some(number) = words.next() {
        let unit = match words.next()? {
            "s" => Span::seconds(1),
            "min" => Span::minutes(1),
            "h" => Span::hours(1),
            "d" => Span::hours(24),
            _ => return None,
        };
        whole = whole + Span(number.parse::<i64>().ok()?.saturating_mul(unit.0));
    }
    Some(whole)
}

fn failed_before(why: String) -> Outcome {
    let given_up = match why.as_str() {
        WITHDRAWN => return Outcome::Withdrawn,
        NOT_NEEDED => Some(NoMore::NotNeeded),
        TOO_OLD => Some(NoMore::TooOld),
        TWICE => Some(NoMore::PerhapsThereTwice),
        other => other
            .strip_prefix(TOLD_WITH)
            .and_then(|page| page.parse().ok())
            .map(|page| NoMore::ToldWith { page }),
    };
    given_up.map_or(Outcome::Failed { why }, |why| Outcome::GivenUp { why })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(json: &str) -> Outcome {
        serde_json::from_str(json).unwrap()
    }

    #[test]
    fn what_a_server_says_is_not_taken_for_what_the_watch_knows() {
        for outcome in [
            Outcome::deferred("451 4.3.0 it may have been delivered"),
            Outcome::deferred("held back: at most 4 a day, room again in 3 h"),
            Outcome::Failed { why: "no longer needed".to_owned() },
            Outcome::Failed { why: "withdrawn before it was sent".to_owned() },
        ] {
            let json = serde_json::to_string(&outcome).unwrap();
            assert_eq!(read(&json), outcome, "{json}");
        }
        assert!(!Outcome::deferred("451 4.3.0 it may have been delivered").is_doubtful());
    }

    #[test]
    fn every_outcome_is_read_back_as_it_was_written() {
        for outcome in [
            Outcome::Accepted { note: "250 ok".to_owned() },
            Outcome::Deferred {
                why: "the line broke".to_owned(),
                may_have_arrived: true,
                again_in: Some(Span::seconds(90)),
            },
            Outcome::HeldUntil { limit: "4 a day".to_owned(), room_in: Span::hours(3) },
            Outcome::Withdrawn,
            Outcome::GivenUp { why: NoMore::NotNeeded },
            Outcome::GivenUp { why: NoMore::ToldWith { page: 17 } },
            Outcome::GivenUp { why: NoMore::TooOld },
            Outcome::GivenUp { why: NoMore::PerhapsThereTwice },
        ] {
            let json = serde_json::to_string(&outcome).unwrap();
            assert_eq!(read(&json), outcome, "{json}");
        }
    }

    #[test]
    fn what_journals_of_before_say_in_words_is_told_apart() {
        let before = |outcome: &str, why: &str| read(&format!(r#"{{"outcome":"{outcome}","why":"{why}"}}"#));
        let held = Outcome::HeldUntil { limit: "5 a day".to_owned(), room_in: Span::minutes(23 * 60 + 40) };
        assert_eq!(before("deferred", "held back: at most 5 a day, room again in 23 h 40 min"), held);
        let doubtful = Outcome::Deferred {
            why: "no answer to the text".to_owned(),
            may_have_arrived: true,
            again_in: None,
        };
        assert_eq!(before("deferred", "no answer to the text: it may have been delivered"), doubtful);
        assert_eq!(before("deferred", "no route"), Outcome::deferred("no route"));
        assert_eq!(before("failed", "withdrawn before it was sent"), Outcome::Withdrawn);
        assert_eq!(before("failed", "no longer needed"), Outcome::GivenUp { why: NoMore::NotNeeded });
        let told = Outcome::GivenUp { why: NoMore::ToldWith { page: 46 } };
        assert_eq!(before("failed", "told with page 46"), told);
        assert_eq!(before("failed", "550 no"), Outcome::Failed { why: "550 no".to_owned() });
    }
}
