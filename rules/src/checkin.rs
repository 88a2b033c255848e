//! Check-ins: the sign of life that a site sends to an agent elsewhere, its witness. Two ends meet
//! here. A site's status flows in and what it says of itself flows out ([`CheckinFacts`],
//! [`CheckIn`]). And what came on a watched site's topic flows in, and what may be believed of it
//! flows out: a sign of life or old news, words for pages, a silence that was announced ([`Sites`],
//! then inputs of the engine). It exists because a broker elsewhere is nobody's friend: what is
//! forged, replayed, too large or garbled is turned away before the engine hears of it, and said
//! without ever flooding.
//!
//! Signing and proving, sockets and files are the agent's. What is known of the sites is no record,
//! since nothing in the engine follows from it.

mod content;
mod form;
mod freshness;
mod inputs;
mod refusals;
mod sites;
#[cfg(test)]
mod tests;
mod words;

pub use content::{CheckinFacts, GoesDark};
pub use form::{CheckIn, Dark, LastReading, OpenAlarm, Planned, VERSION};
pub use inputs::{announced, noted, sign_of_life, turned_away};
pub use refusals::{CheckinRefusal, Refusals};
pub use sites::{Believed, Known, Sites};
pub use words::SiteNote;
