//! The daemon.

pub mod journal;
pub mod review;
