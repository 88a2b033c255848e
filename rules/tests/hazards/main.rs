//! The library of hazards: each can be said, copied and changed; each rings in its story and
//! stays quiet in the nearest harmless one.

#![cfg(test)]

#[path = "../fixtures/mod.rs"]
mod fixtures;
mod library;
mod manual;
mod parameters;
mod priorities;
mod sentences;
mod site;
mod stories;
