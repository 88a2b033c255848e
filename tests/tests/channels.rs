//! Channels against scripted servers: what arrives, and what is said when it does not.

#![cfg(test)]

#[path = "channels/hostile.rs"]
mod hostile;
#[path = "channels/letters.rs"]
mod letters;
#[path = "channels/mail.rs"]
mod mail;
#[path = "channels/push.rs"]
mod push;
#[path = "channels/rig.rs"]
mod rig;
#[path = "channels/siren.rs"]
mod siren;
