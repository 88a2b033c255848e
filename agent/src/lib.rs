//! The daemon.

pub mod channels;
pub mod secret;
