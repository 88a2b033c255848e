//! The science of the forecasts against what others computed: tables made with independent
//! libraries (`tests/data`, each head says how), the libraries themselves where they are
//! installed, and simulated tanks that no model of ours made.

#![cfg(test)]
#![expect(
    clippy::disallowed_macros,
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "these tests print what they measured, and ask another program and a clock"
)]

mod answers;
mod detection;
mod identification;
mod live;
mod planner;
mod respiration;
mod robust;
mod simulator;
mod study;
mod table;
mod tables;
mod whatif;
mod worked;
