//! Scenes from the job, in virtual time.

#![cfg(test)]

#[path = "../fixtures/mod.rs"]
mod fixtures;
mod harness;

mod blips;
mod callouts;
mod cards;
mod clocks;
mod degraded;
mod delivery;
mod drills;
mod house;
mod late;
mod lifecycle;
mod nights;
mod outages;
mod relays;
mod restarts;
mod senses;
mod sight;
mod sources;
mod table;
mod turns;
mod witness;
mod work;
