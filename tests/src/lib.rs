//! Helpers for tests that look from outside.

pub mod certs;
pub mod http;
pub mod mosquitto;
pub mod smtp;
pub mod wire;
