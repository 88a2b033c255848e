//! Deadlines, each with its name. The engine never sleeps: it says when it wants to be woken
//! and why, and a wake-up that comes early finds nothing due.

// What is new has to be handled here.
#![warn(clippy::wildcard_enum_match_arm)]

use crate::ids::{AlarmId, RelayId, SensorId, Seq, TankId};
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
    /// Spells that were too short to be raised are told together.
    Blips(AlarmId),
    /// A shelf ends.
    Shelf(AlarmId),
    /// Work on a tank ends.
    Work(TankId),
    /// A relay's proof is due.
    Proof(RelayId),
    /// A stopgap has run for its longest.
    Longest(RelayId),
    /// What a relay waits for may have come: a pause or a hold is over.
    Wait(RelayId),
    /// A call-out's next step is due.
    Step(Seq),
    /// An answer's lease ends.
    Lease(Seq),
    /// A call-out has been quiet for long enough.
    Settle(Seq),
    /// What a siren should do may change.
    Sirens,
    /// A deferred page is tried again.
    Retry(Seq),
    /// A test page or a notice is due, or a test page has waited for long enough.
    Drills,
    /// An outage drill goes on.
    Outage,
    /// What the last turn has left goes on.
    Unfinished,
}

/// One deadline per reason. Most questions, several for each reading, are for a deadline that
/// is not set: those of the plan's parts are found by their place, without a search.
#[derive(Clone, Debug, Default)]
pub(super) struct Timers {
    of_parts: [Vec<Option<Moment>>; KINDS],
    of_records: BTreeMap<DeadlineReason, Moment>,
    by_time: BTreeSet<(Moment, DeadlineReason)>,
}

/// Kinds of deadlines that belong to a part of the plan.
const KINDS: usize = 10;

impl DeadlineReason {
    /// Its kind and the part's place in the plan; none for what belongs to a record.
    fn part(self) -> Option<(usize, usize)> {
        Some(match self {
            Self::Stale(sensor) => (0, sensor.index()),
            Self::Recheck(alarm) => (1, alarm.index()),
            Self::OnDelay(alarm) => (2, alarm.index()),
            Self::OffDelay(alarm) => (3, alarm.index()),
            Self::Shelf(alarm) => (4, alarm.index()),
            Self::Work(tank) => (5, tank.index()),
            Self::Proof(relay) => (6, relay.index()),
            Self::Longest(relay) => (7, relay.index()),
            Self::Wait(relay) => (8, relay.index()),
            Self::Blips(alarm) => (9, alarm.index()),
            Self::Step(_)
            | Self::Lease(_)
            | Self::Settle(_)
            | Self::Sirens
            | Self::Retry(_)
            | Self::Drills
            | Self::Outage
            | Self::Unfinished => return None,
        })
    }
}

impl Timers {
    /// Sets, moves or (with none) removes the deadline.
    pub(super) fn set(&mut self, reason: DeadlineReason, at: Option<Moment>) {
        let before = self.note(reason, at);
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

    /// Notes it by its reason alone; gives what was noted before.
    fn note(&mut self, reason: DeadlineReason, at: Option<Moment>) -> Option<Moment> {
        let Some((kind, place)) = reason.part() else {
            return match at {
                Some(at) => self.of_records.insert(reason, at),
                None => self.of_records.remove(&reason),
            };
        };
        let places = &mut self.of_parts[kind];
        if at.is_some() && places.len() <= place {
            places.resize(place + 1, None);
        }
        places.get_mut(place).and_then(|noted| std::mem::replace(noted, at))
    }

    /// Sets the deadline only if there is none: for one that is moved on with every reading,
    /// where an early wake-up costs less than keeping the exact time.
    pub(super) fn set_if_none(&mut self, reason: DeadlineReason, at: Moment) {
        if self.get(reason).is_none() {
            self.set(reason, Some(at));
        }
    }

    /// The deadline for this reason.
    pub(super) fn get(&self, reason: DeadlineReason) -> Option<Moment> {
        match reason.part() {
            Some((kind, place)) => self.of_parts[kind].get(place).copied().flatten(),
            None => self.of_records.get(&reason).copied(),
        }
    }

    /// Removes and returns the earliest deadline that is due.
    pub(super) fn pop_due(&mut self, now: Moment) -> Option<DeadlineReason> {
        let &(at, reason) = self.by_time.first()?;
        if at > now {
            return None;
        }
        self.set(reason, None);
        Some(reason)
    }

    /// The earliest.
    pub(super) fn first(&self) -> Option<Moment> {
        self.by_time.first().map(|(at, _)| *at)
    }

    /// All of them, the earliest first.
    pub(super) fn iter(&self) -> impl Iterator<Item = (Moment, DeadlineReason)> + '_ {
        self.by_time.iter().copied()
    }
}
