//! Helpers for tests that look from outside.

pub mod certs;
pub mod mosquitto;
