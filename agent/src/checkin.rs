//! The way of check-ins: how one is signed and proved (`jws`), and how it gets to the witness
//! (`sender`). What a check-in says, and what a witness believes of one, is decided in the core
//! ([`slackwater_rules::checkin`]). What the engine shows and what the loop knows of its own parts
//! flow in after finished turns, and only then: a loop that is stuck sends none. Signed JSON flows
//! out to a broker elsewhere, to a web address, or to both.
//!
//! Signatures are Ed25519 and not a shared secret: the witness needs only the public half, so that
//! a captured witness, which may know hundreds of sites, can forge not one of them.

mod jws;
mod sender;

pub(crate) use jws::open_as;
pub use jws::{MEDIA_TYPE, NotSealed, SiteKey, open, print, seal, seal_as};
pub use sender::{CheckInSender, CheckInWay, Identity, WayHealth, ways};
