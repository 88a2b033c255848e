//! The witness's side of check-ins in the agent: signatures are proved here and what is known of
//! each site is kept over restarts in the journal. What came on a site's topic
//! flows in, and what the core believes of it ([`slackwater_rules::checkin::Sites`]) flows out.

mod memory;
mod roster;

pub use roster::Roster;

#[cfg(test)]
mod tests;
