//! What a fleet of sites tells, and where it is kept. A site's journal numbers what happens there;
//! those records flow out as events of a public form ([`event`]), in signed packs ([`pack`]), as
//! far as they were not stored yet ([`sending`]). Whoever receives them knows by their numbers what
//! is missing ([`stretches`]), and keeps them once in PostgreSQL (`store`, only with the feature
//! `postgres`).
//!
//! This crate knows nothing of the agent, of keys or of brokers: numbers, texts and JSON flow in.
//! So it is the one place where the form is written down, beside its schema in `schema/`, which
//! tests hold to the types.

pub mod event;
pub mod pack;
pub mod sending;
#[cfg(feature = "postgres")]
pub mod store;
pub mod stretches;

pub use event::{FleetEvent, WrongEvent};
pub use pack::{EventReceipt, Pack};
pub use sending::{EventProgress, EventSending};
pub use stretches::NumberStretches;

/// The version of packs and receipts. A form only gains fields; one that means something else gets
/// another number here and another `v1` in the type of its events.
pub const VERSION: u32 = 1;

/// The schema of an event: JSON Schema 2020-12.
pub const EVENT_SCHEMA: &str = include_str!("../schema/event-1.json");

/// What goes over which topic: AsyncAPI 3.0.
pub const ASYNC_API: &str = include_str!("../schema/events.yaml");
