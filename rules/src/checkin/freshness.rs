//! Which of two check-ins is newer. Two things can prove it, and one is enough:
//!
//! - the count: in one journal of the site's, the record that its watch began with and the count
//!   since then only go up, whatever its clock does;
//! - the clock: a time that the site trusts, later than any it has given before. It lets a board
//!   come back whose journal was lost, once its clock is set.
//!
//! What was recorded earlier has neither. A site whose journal is lost while its clock is wrong is
//! refused until the clock is set; one that gave a time far ahead must bring a new key, since what
//! is remembered hangs on the key.

use super::form::CheckIn;
use crate::time::{Now, Span, Wall};
use serde::{Deserialize, Serialize};

/// Two clocks that are both right differ by less.
const APART: Span = Span::minutes(10);

/// The newest that a site has said.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct CheckInMark {
    journal: String,
    start: u64,
    count: u64,
    /// The latest time that the site trusted.
    at: Option<Wall>,
}

impl CheckInMark {
    /// What is the latest after this check-in.
    ///
    /// # Errors
    /// If the check-in can't be shown to be newer, with the reason.
    pub(super) fn after(&self, check_in: &CheckIn, now: &Now) -> Result<CheckInMark, String> {
        let by_count =
            check_in.journal == self.journal && (check_in.start, check_in.count) > (self.start, self.count);
        let ahead = check_in.at - now.wall;
        let believed = check_in.at_trusted && !(now.wall_trusted && ahead > APART);
        let by_clock = believed && self.at.is_none_or(|at| check_in.at > at);
        let first = self.journal.is_empty();
        if !(first || by_count || by_clock) {
            return Err(match (check_in.journal == self.journal, check_in.at_trusted) {
                (true, _) => format!("its count is {}, and {} has been heard", check_in.count, self.count),
                (false, false) => {
                    "it comes from another journal, and its clock is not set: it is taken once that is"
                        .to_owned()
                }
                (false, true) => {
                    "it comes from another journal, and its time is not later than what has been heard"
                        .to_owned()
                }
            });
        }
        // A time ahead of ours would shut the site out until it comes.
        let at = self.at.max(believed.then_some(check_in.at));
        Ok(CheckInMark {
            journal: check_in.journal.clone(),
            start: check_in.start,
            count: check_in.count,
            at,
        })
    }
}

/// Whether a check-in has been underway for so long that it tells of the past: only two clocks
/// that are both right can tell.
pub(super) fn is_late(check_in: &CheckIn, now: &Now) -> bool {
    let longest = check_in.next.times(2).max(Span::minutes(1));
    check_in.at_trusted && now.wall_trusted && now.wall - check_in.at > longest
}
