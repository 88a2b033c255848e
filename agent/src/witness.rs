//! The witness's side of check-ins: what came on a site's topic flows in, and what may be believed
//! of it flows out: a sign of life or old news, words for pages, a silence that was announced. It
//! exists because a broker elsewhere is nobody's friend: what is forged, replayed, too large or
//! garbled is turned away here, before the engine hears of it, and said without ever flooding.
//!
//! [`Roster`] remembers the newest check-in of each site over restarts, in a small file beside the
//! journal: not as a record, since nothing in the engine follows from it.

mod freshness;
mod memory;
mod refusals;
mod sites;
mod words;

pub use refusals::CheckInRefusal;
pub use sites::{Roster, Taken};
pub use words::CheckInNote;

#[cfg(test)]
mod tests;
