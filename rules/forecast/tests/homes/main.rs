//! Forecasts and fault tests in homes that no model of ours made: how often every shipped hazard
//! that asks a model rings falsely, what is found before a limit, and whether ranges hold, by what
//! sensors there are.

#![cfg(test)]
#![expect(
    clippy::disallowed_macros,
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "these tests print what they measured, and ask the environment which homes to take"
)]

mod home;
mod study;
mod watch;
