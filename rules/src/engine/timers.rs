//! Deadlines, each with its name. The engine never sleeps: it says when it wants to be woken
//! and why, and a wake-up that comes early finds nothing due.

use crate::plan::{AlarmId, RelayId, SensorId, TankId};
use crate::record::Seq;
use crate::time::Moment;
use std::collections::{BTreeMap, BTreeSet};

/// Why the engine wants to be woken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum DeadlineReason {
    /// A sensor may have been silent for too long.
    Stale(SensorId),
    /// A condition may change by the passing of time alone.
    Recheck(AlarmId),
    /// An on-delay ends.
    OnDelay(AlarmId),
    /// An off-delay ends.
    OffDelay(AlarmId),
    /// A shelf ends.
    Shelf(AlarmId),
    /// Work on a tank ends.
    Work(TankId),
    /// A relay's proof is due.
    Proof(RelayId),
    /// A fallback has run for its longest.
    Longest(RelayId),
    /// What a relay waits for may have come: a pause or a hold is over.
    Wait(RelayId),
    /// A call-out's next step is due.
    Step(Seq),
    /// An answer's lease ends.
    Lease(Seq),
    /// A call-out has been quiet for long enough.
    Settle(Seq),
    /// A deferred page is tried again.
    Retry(Seq),
}

/// One deadline per reason.
#[derive(Clone, Debug, Default)]
pub(super) struct Timers {
    by_reason: BTreeMap<DeadlineReason, Moment>,
    by_time: BTreeSet<(Moment, DeadlineReason)>,
}

impl Timers {
    /// Sets, moves or (with none) removes the deadline.
    pub(super) fn set(&mut self, reason: DeadlineReason, at: Option<Moment>) {
        let before = match at {
            Some(at) => self.by_reason.insert(reason, at),
            None => self.by_reason.remove(&reason),
        };
        if before == at {
            return;
        }
        if let Some(before) = before {
            self.by_time.remove(&(before, reason));
        }
        if let Some(at) = at {
            self.by_time.insert((at, reason));
        }
    }

    /// Sets the deadline only if there is none: for one that is moved on with every reading,
    /// where an early wake-up costs less than keeping the exact time.
    pub(super) fn set_if_none(&mut self, reason: DeadlineReason, at: Moment) {
        if !self.by_reason.contains_key(&reason) {
            self.set(reason, Some(at));
        }
    }

    /// The deadline for this reason.
    pub(super) fn get(&self, reason: DeadlineReason) -> Option<Moment> {
        self.by_reason.get(&reason).copied()
    }

    /// Removes and returns the earliest deadline that is due.
    pub(super) fn pop_due(&mut self, now: Moment) -> Option<DeadlineReason> {
        let &(at, reason) = self.by_time.first()?;
        if at > now {
            return None;
        }
        self.by_time.pop_first();
        self.by_reason.remove(&reason);
        Some(reason)
    }

    /// All of them, the earliest first.
    pub(super) fn iter(&self) -> impl Iterator<Item = (Moment, DeadlineReason)> + '_ {
        self.by_time.iter().copied()
    }
}
