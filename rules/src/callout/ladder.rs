//! A ladder as the rule file has it, and how far a call-out has climbed it. What flows in is the
//! plan's timeline of who is told when; what flows out is which rung comes next and when it is due.
//! Each rank climbs for itself, so that what was interrupted by something worse goes on where it
//! was.

use crate::alarm::Priority;
use crate::plan::Target;
use crate::time::{Moment, Span};
use std::collections::BTreeSet;

/// What a `[callout.NAME]` says.
#[derive(Clone, Debug, PartialEq)]
pub struct Ladder {
    /// Its name in the rule file.
    pub name: String,
    /// At least one, in order of time.
    pub rungs: Vec<Rung>,
    /// The last rung repeats this often until someone answers; more than zero.
    pub again: Span,
    /// An answer holds this long, unless the person names a time or a bound comes first.
    pub lease: Span,
    /// No answer holds longer, whatever the person names.
    pub longest_lease: Span,
    /// Whoever answered is asked alone for this long before others are called again.
    pub renew: Span,
    /// What comes back within this is the same trouble; the all-clear waits for it.
    pub settle: Span,
}

/// One rung: people and sirens that are told side by side.
#[derive(Clone, Debug, PartialEq)]
pub struct Rung {
    /// Since the ladder began.
    pub after: Span,
    /// Told side by side.
    pub to: Vec<Target>,
}

impl Ladder {
    /// How many rungs there are.
    pub fn len(&self) -> u32 {
        u32::try_from(self.rungs.len()).unwrap_or(u32::MAX)
    }

    /// Whether there are none: never true of a ladder from a checked rule file.
    pub fn is_empty(&self) -> bool {
        self.rungs.is_empty()
    }

    /// How long after the ladder's beginning a rung falls due; none past the last.
    pub fn after(&self, rung: u32) -> Option<Span> {
        self.rungs.get(rung as usize).map(|rung| rung.after)
    }

    /// The wait from `rung`, taken at `now`, to the one after it, for a climb that began at
    /// `begun`.
    pub fn wait_after(&self, rung: u32, begun: Moment, now: Moment) -> Span {
        match self.after(rung.saturating_add(1)) {
            Some(after) => (begun + after - now).max(Span::ZERO),
            None => self.again.max(Span::seconds(1)),
        }
    }
}

/// How far one ladder has been climbed for members of one rank.
#[derive(Clone, Debug, PartialEq)]
pub struct Climb {
    /// The ladder's name.
    pub ladder: String,
    /// The rank that it is climbed for.
    pub rank: Priority,
    /// When its rungs' times begin to count.
    pub begun: Moment,
    /// The rung that comes next; the ladder's length and more are repeats.
    pub next: u32,
    /// When.
    pub due: Moment,
    /// The last rung that was taken in it; never past the ladder's last.
    pub reached: Option<u32>,
    /// The people's channels that the last rung told and that are not known to have failed.
    pub open: BTreeSet<Target>,
}

impl Climb {
    /// Whether the next rung is a repeat, and which: 0 is the first.
    pub fn repeat(&self, rungs: u32) -> Option<u32> {
        self.next.checked_sub(rungs)
    }
}
