//! The daemon.

#[cfg(feature = "demo")]
pub mod demo;
pub mod mqtt;
pub mod journal;
pub mod channels;
pub mod secret;
pub mod clock;
pub mod log;
pub mod secret;
pub mod service;
pub mod settings;
