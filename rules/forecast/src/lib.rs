//! How long there is, and what is quietly going wrong. Measured temperatures, heater states, the
//! room, and what the keeper wrote down about a tank flow in; estimates and faults flow out.
//!
//! Every answer is an [`Estimate`]: a low, a likely and a high end, and what it rests on. Where
//! something needed is missing the answer is a [`CannotSay`] with the reason, never a guess.
//! An open end is infinite and reads "never". Times are hours, temperatures degC, rates per
//! hour, powers watts, volumes m³, concentrations mg/L, salinities practical (psu).
//!
//! [`water`] and [`cooling`] are published physics, whose sources and ranges are told in [`references`]; [`thermal`] learns one tank, [`respiration`] what it uses of oxygen; [`margin`],
//! [`oxygen`], [`battery`], [`light`] and [`circulation`] answer a keeper's questions, [`planner`] all of them for a
//! tank that is only written down; [`faults`] compares what happens with what should.

// Nothing panics on what comes from outside. Where it is right to, an attribute says why.
#![warn(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::unreachable,
    clippy::indexing_slicing
)]

pub mod battery;
pub mod circulation;
pub mod cooling;
pub mod evaporation;
pub mod faults;
pub mod geometry;
pub mod interval;
pub mod light;
pub mod margin;
pub mod oxygen;
pub mod planner;
pub mod references;
pub mod regression;
pub mod respiration;
pub mod thermal;
pub mod water;
pub mod wording;

pub use interval::{Basis, CannotSay, Estimate, Interval, Origin};
