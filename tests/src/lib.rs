//! Helpers for tests that look from outside.

#![expect(
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    reason = "what tests lean on fails by panicking, as they do"
)]

pub mod agent;
pub mod board;
pub mod certs;
pub mod disk;
pub mod dovecot;
pub mod holiday;
pub mod house;
pub mod http;
pub mod manual;
pub mod modem;
pub mod mosquitto;
pub mod postgres;
pub mod proof;
pub mod relay;
pub mod smtp;
pub mod structure;
pub mod uplink;
pub mod ups;
pub mod wire;
