//! The daemon.

#[cfg(feature = "demo")]
pub mod demo;
pub mod mqtt;
pub mod journal;
pub mod channels;
pub mod secret;
