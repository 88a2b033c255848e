//! The condition language against judges of its own: a naive evaluator that keeps the whole
//! history, and aggregates worked out elsewhere.

#[path = "../fixtures/mod.rs"]
mod fixtures;
mod aggregates;
mod agreement;
mod naive;
mod recollection;
mod scenes;
mod site;
