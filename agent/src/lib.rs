//! The daemon.

pub mod clock;
pub mod secret;
pub mod settings;
