//! How a site joins a witness without anybody copying keys. An invitation is asked of the running
//! witness over its control socket (`invitations`) and leaves as a link (`link`). On the site's
//! board the link flows in, a key is made, its proof goes to the witness over the broker elsewhere
//! (`proof`, `asking`), and what the witness says decides whether `[check-in]` is written
//! (`section`). On the witness's side the proof becomes a file in the folder of sites
//! (`site_file`), in force by the way of any reload.
//!
//! **What the link carries.** The site's name; where the broker is and how to be sure of it: its
//! own authority's certificates, if it has one; user and password there, if the witness's
//! `[witness.broker]` has them; the private half of a key that is made for this invitation alone;
//! and the public half of the witness's own key, by which the site knows the witness's answer. A
//! few octets of a digest at its end tell a link that was not copied whole.
//!
//! **What travels.** The site's public key, signed with that key itself and with the invitation's:
//! who has no link can't make it, who reads it learns nothing, and sent again it says what was
//! said before. The witness keeps the invitation's public half only, so nothing that it keeps or
//! that a broker carries would let anybody join. Both topics lie below the check-ins of the site's
//! name, so that a broker's rights for a site cover them.

pub mod asking;
pub mod invitations;
pub mod link;
pub mod proof;
pub mod section;
pub mod site_file;

use slackwater_rules::plan::CHECK_INS;

/// What follows on a site's topic of check-ins, where it asks to join and where it is answered.
const ASKS: &str = "/join";
const ANSWERED: &str = "/joined";

/// Where a site asks.
pub fn request_topic(site: &str) -> String {
    format!("{CHECK_INS}{site}{ASKS}")
}

/// Where it is answered.
pub fn answer_topic(site: &str) -> String {
    format!("{CHECK_INS}{site}{ANSWERED}")
}

/// Where all sites ask: for a witness.
pub fn all_requests() -> String {
    request_topic("+")
}

/// The site that asks on a topic, if it is such a topic.
pub fn asking_site(topic: &str) -> Option<&str> {
    topic.strip_prefix(CHECK_INS)?.strip_suffix(ASKS)
}

/// What must hold for any octets that are given for a link, a request or an answer.
#[cfg(any(test, feature = "fuzzing"))]
pub(crate) fn promise(octets: &[u8]) {
    link::promise(octets);
    proof::promise(octets);
}
