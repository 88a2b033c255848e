//! The sign of life that a site sends to its witness: what it says ([`CheckIn`]), how it is
//! signed (`seal`), and how it gets there (`sender`). What the engine shows and what the loop knows
//! of its own parts flow in after finished turns, and only then: a loop that is stuck sends none.
//! Signed JSON flows out to a broker elsewhere, to a web address, or to both.
//!
//! Signatures are Ed25519 and not a shared secret: the witness needs only the public half, so that
//! a captured witness, which may know hundreds of sites, can forge not one of them.

mod content;
mod form;
mod jws;
mod sender;

pub use form::{CheckIn, Dark, OpenAlarm, Planned, Said, VERSION};
pub use jws::{MEDIA_TYPE, NotSealed, SiteKey, open, seal};
pub use sender::{CheckInSender, CheckInWay, Identity, WayHealth, ways};

pub(crate) use content::Facts;
