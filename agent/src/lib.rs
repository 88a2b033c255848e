//! The daemon.

pub mod secret;
pub mod settings;
