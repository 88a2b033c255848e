//! The pure core of Slackwater. Readings, answers and the passing of time flow in as
//! [`engine::Input`]; what happened and what is to be done flow out as [`engine::Turn`].
//!
//! There is no I/O here, no clock, no thread, no randomness and no unordered map: the same
//! inputs give the same bytes. So an outage is a unit test, a year runs in seconds, and a
//! rehearsal is the very code that runs at night. Modules stand in reading order.

pub use slackwater_forecast as forecast;
pub use slackwater_time as time;

pub mod signs;

pub mod ids;

pub mod diagnostic;

pub mod units;

pub mod words;

pub mod reading;

pub mod site;

pub mod quality;

pub mod condition;

pub mod alarm;

pub mod callout;

pub mod stopgap;

pub mod card;

pub mod hazard;

pub mod plan;

pub mod record;

pub mod answer;

pub mod page;

#[expect(
    clippy::indexing_slicing,
    reason = "ids of the engine's own plan; its components hold their own tables"
)]
pub mod engine;

pub mod checkin;

pub mod sim;

pub mod rehearsal;

pub mod backtest;
