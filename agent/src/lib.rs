//! The daemon.

pub mod journal;
