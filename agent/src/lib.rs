//! The daemon.

pub mod clock;
pub mod log;
pub mod secret;
pub mod service;
pub mod settings;
