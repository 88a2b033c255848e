//! The condition language against judges of its own: a naive evaluator that keeps the whole
//! history, and aggregates worked out elsewhere.

mod aggregates;
mod agreement;
mod naive;
mod recollection;
mod scenes;
mod site;
