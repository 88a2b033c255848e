//! Forecasts through the whole engine: a simulated tank of which the models know nothing, days to
//! learn it, and what is asked, paged and found then.

#![cfg(test)]

#[path = "../fixtures/mod.rs"]
mod fixtures;
mod hazards;
mod rig;
mod scenes;
#[expect(dead_code, reason = "the science tests use all of it")]
#[path = "../../forecast/tests/science/simulator.rs"]
mod simulator;
