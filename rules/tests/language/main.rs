//! The condition language against judges of its own: a naive evaluator that keeps the whole
//! history, and aggregates worked out elsewhere.

#![cfg(test)]

mod aggregates;
mod agreement;
#[path = "../fixtures/mod.rs"]
mod fixtures;
mod naive;
mod recollection;
mod scenes;
mod site;
