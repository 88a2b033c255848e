//! How long there is, and what is quietly going wrong. Measured temperatures, heater states, the
//! room, and what the keeper wrote down about a tank flow in; estimates and faults flow out.
//!
//! Every answer is an [`Estimate`]: a low, a likely and a high end, and what it rests on. Where
//! something needed is missing the answer is a [`CannotSay`] with the reason, never a guess.
//! An open end is infinite and reads "never". Times are hours, temperatures degC, rates per
//! hour, powers watts, volumes m³, concentrations mg/L, salinities practical (psu).
//!
//! [`water`] and [`cooling`] are published physics, whose sources and ranges are told in
//! [`references`]; [`thermal`] learns one tank, [`hold`] what holds it, [`respiration`] what it
//! uses of oxygen; [`margin`], [`oxygen`], [`battery`], [`light`] and [`circulation`] answer a
//! keeper's questions, [`planner`] all of them for a tank that is only written down; [`salt`]
//! is salinity as meters tell it; [`faults`] compares what happens with what should.
//!
//! How long a tank of 200 L stays above 22 degC without any heat, an hour after the first reading:
//!
//! ```
//! use slackwater_forecast::geometry::Geometry;
//! use slackwater_forecast::thermal::{Heater, Prior, Scenario, Side, Thermal, ThermalInput};
//! use slackwater_time::Moment;
//!
//! # fn main() -> Result<(), slackwater_forecast::CannotSay> {
//! let mut tank = Thermal::new(Prior::of(&Geometry::of(0.2, 35.0, None)?));
//! for minute in 0..=60 {
//!     let at = Moment(minute * 60_000);
//!     tank.input(at, ThermalInput::Room, 18.0);
//!     tank.input(at, ThermalInput::Heater(Heater::First), 0.2);
//!     tank.temperature(at, 25.4);
//! }
//! let hours = tank.time_to(Side::Below, 22.0, &Scenario::no_heat())?;
//! // Nothing is learned yet: the range is wide, and says that it rests on the tank's size.
//! assert!(2.0 < hours.range.low && hours.range.low < hours.range.high);
//! # Ok(())
//! # }
//! ```

pub mod battery;
pub mod circulation;
pub mod cooling;
pub mod evaporation;
pub mod faults;
pub mod geometry;
pub mod hold;
pub mod interval;
pub mod light;
pub mod margin;
pub mod oxygen;
pub mod planner;
pub mod references;
pub mod regression;
pub mod respiration;
pub mod salt;
pub mod thermal;
pub mod water;
pub mod wording;

pub use interval::{Basis, CannotSay, Estimate, Interval, Origin};
