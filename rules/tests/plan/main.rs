//! The rule file from outside: right files become plans, wrong ones say all that is wrong.

#![cfg(test)]

#[path = "../fixtures/mod.rs"]
mod fixtures;

mod advice;
mod conditions;
mod editor;
mod forecasts;
mod gear;
mod good;
mod large;
mod mistakes;
mod outputs;
mod robust;
mod site;
mod sources;
mod watched;
