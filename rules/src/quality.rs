//! Whether a reading can be believed. A reading is good until something speaks against it:
//! a sentinel that probes send when they have nothing to say, a value outside the plausible
//! range, a jump no water can make, a value that has not moved for too long. Only good readings
//! reach a condition; the others are counted, kept and said.

/// What speaks against a reading, or nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Quality {
    /// Nothing speaks against it.
    Good,
    /// Implausible, an impossible rate, frozen, a sentinel, or unreadable.
    Suspect,
    /// The sensor has been silent for too long.
    Stale,
    /// Retained or backlog: true once, of no use for now.
    Old,
    /// Nothing has been heard from the sensor since the start.
    Absent,
}
