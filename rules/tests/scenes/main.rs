//! Scenes from the job, in virtual time.

mod harness;

mod callouts;
mod drills;
mod lifecycle;
mod outages;
mod restarts;
mod senses;
