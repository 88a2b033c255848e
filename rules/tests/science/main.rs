//! The science of the forecasts against what others computed: tables made with independent
//! libraries (`tests/data`, each head says how), the libraries themselves where they are
//! installed, and simulated tanks that no model of ours made.

mod answers;
mod detection;
mod identification;
mod live;
mod robust;
mod simulator;
mod study;
mod table;
mod tables;
