//! What a witness knows of its sites, on the way to and from the journal. Nobody is paged by it, so
//! it is never owed: whoever has it tries again.

use super::Keeper;
use crate::journal::{Journal, JournalError, SiteRow};
use slackwater_rules::time::Now;

impl Keeper {
    /// What an earlier life knew of each site.
    ///
    /// # Errors
    /// If that can't be read.
    pub fn sites(&self) -> Result<Vec<SiteRow>, JournalError> {
        match &self.journal {
            Some(journal) => journal.sites(),
            None => Journal::sites_reading(&self.path),
        }
    }

    /// Keeps what is known of these sites: all of it or nothing.
    ///
    /// # Errors
    /// Why not now.
    pub fn keep_sites(&mut self, sites: &[SiteRow], now: &Now) -> Result<(), String> {
        if let Some(why) = &self.full {
            return Err(why.clone());
        }
        match &mut self.journal {
            Some(journal) => journal.keep_sites(sites, now).map_err(|error| error.to_string()),
            None => Err("there is no journal to write to".to_owned()),
        }
    }

    /// The random number of the journal that is written to: another one has none of our sites.
    pub fn seed(&self) -> Option<u64> {
        self.seed
    }
}
