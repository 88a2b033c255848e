//! Helpers for tests that look from outside.

pub mod certs;
pub mod mosquitto;
pub mod http;
pub mod smtp;
pub mod wire;
