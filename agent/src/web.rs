//! The page in the house: what is so now, a call-out, a tank, the log, work and drills, for
//! browsers. It asks the event loop for one look at a time and shares it among all who watch, reads
//! the journal through a connection of its own, and hands what people press to the same door as any
//! other answer. It has tasks of its own, bounded in number, size and time: whatever is done to it,
//! the watch goes on.
//!
//! A fetched address changes nothing, whoever fetches it. What changes something is a form of this
//! site, sent by somebody who is signed in (`guard`, `sessions`).

pub mod ask;

#[cfg(feature = "web")]
mod call_out;
#[cfg(feature = "web")]
mod codes;
#[cfg(feature = "web")]
mod day_bars;
#[cfg(feature = "web")]
mod drill;
#[cfg(feature = "web")]
mod form;
#[cfg(feature = "web")]
mod frame;
#[cfg(feature = "web")]
mod guard;
#[cfg(feature = "web")]
mod history;
#[cfg(feature = "web")]
mod house;
#[cfg(feature = "web")]
mod live;
#[cfg(feature = "web")]
mod log;
#[cfg(feature = "web")]
mod now;
#[cfg(feature = "web")]
#[cfg(feature = "web")]
mod readings;
#[cfg(feature = "web")]
mod reply;
#[cfg(feature = "web")]
mod route;
#[cfg(feature = "web")]
mod server;
#[cfg(feature = "web")]
mod sessions;
#[cfg(feature = "web")]
mod sign_in;
#[cfg(feature = "web")]
mod signing;
#[cfg(feature = "web")]
mod strips;
#[cfg(feature = "web")]
mod tank;
#[cfg(feature = "web")]
mod tls;
#[cfg(feature = "web")]
mod truth;
#[cfg(feature = "web")]
mod work;

#[cfg(feature = "web")]
pub use server::WebServer;

#[cfg(all(feature = "web", any(test, feature = "fuzzing")))]
/// What must hold for any head and form of a request.
pub(crate) fn promise(octets: &[u8]) {
    form::promise(&String::from_utf8_lossy(octets));
    guard::promise(octets);
}
