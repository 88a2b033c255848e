//! The daemon and its command line: everything that touches the world. Messages, clocks and
//! people's answers are turned into inputs of the engine; its records go to the journal and
//! its effects to channels and relays. No decision is made here. Modules stand in reading
//! order.

#![warn(clippy::print_stdout)]

pub mod secret;

mod output;

mod plain_text;

pub mod settings;

pub mod clock;

pub mod log;

pub mod service;

mod line_stream;

mod dial;

mod tls;

pub mod mqtt;

pub mod sources;

pub mod journal;

pub mod modem;

pub mod channels;

pub mod answers;

pub mod checkin;

pub mod joining;

pub mod events;

pub mod witness;

pub mod site;

pub mod listen;

pub mod live;

pub mod event_loop;

pub mod control;

mod qr;

pub mod web;

pub mod review;

#[cfg_attr(
    not(feature = "web"),
    expect(dead_code, unused_imports, reason = "the page in the house draws most of it")
)]
mod chart;

mod seen;

mod truth;

pub mod report;

mod memory;

#[cfg(any(test, feature = "fuzzing"))]
pub mod promises;

pub mod command;

#[cfg(feature = "demo")]
pub mod demo;
