//! All watched sites: what the core believes of them, proved by their keys and kept in the journal.

use super::memory::SiteMemory;
use crate::checkin::{self, NotSealed};
use crate::journal::writer::Keeper;
use crate::secret::strike_out;
use slackwater_rules::checkin::{Believed, CheckinRefusal, SiteNote, Sites};
use slackwater_rules::plan::{Plan, Watched};
use slackwater_rules::time::{Moment, Now, Span, Wall};
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

/// What is known of all watched sites.
#[derive(Debug)]
pub struct Roster {
    sites: Sites,
    memory: SiteMemory,
}

impl Roster {
    /// Reads what an earlier life left in the journal, or an earlier version beside it.
    pub fn open(keeper: &Keeper, journal: &Path, now: &Now) -> Self {
        let old = journal.with_file_name("check-ins.json");
        let (memory, known) = SiteMemory::open(keeper, old, now.mono);
        Self { sites: Sites::remembering(known), memory }
    }

    /// What is still known of the plan's sites: for pages, until they speak again.
    pub fn notes<'a>(&'a self, plan: &'a Plan) -> impl Iterator<Item = (&'a Watched, SiteNote)> + 'a {
        self.sites.notes(plan).map(|(site, note)| (site, without_secrets(note)))
    }

    /// Takes what came on the topic of a site called `name`.
    ///
    /// # Errors
    /// If it can't be believed.
    pub fn take(
        &mut self,
        name: &str,
        payload: &[u8],
        retained: bool,
        plan: &Plan,
        now: &Now,
    ) -> Result<Believed, CheckinRefusal> {
        let mut believed = self.sites.take(name, payload, retained, plan, now, prove)?;
        believed.note = without_secrets(&believed.note);
        if let Some(back) = &believed.back {
            tracing::info!(site = name, "{back}");
        }
        match believed.urgent {
            true => self.memory.hurry(name),
            false => self.memory.touch(name),
        }
        Ok(believed)
    }

    /// Since when a site has been heard under its key, and how long ago it last was in this life of
    /// ours; each if that is known.
    pub fn heard(&self, site: &Watched, now: Moment) -> (Option<Wall>, Option<Span>) {
        self.sites.heard(site, now)
    }

    /// Counts a refusal; how many to speak of, if it is time to speak of them.
    pub fn refused(&mut self, refusal: &CheckinRefusal, now: &Now) -> Option<u64> {
        self.sites.refused(refusal, now)
    }

    /// Keeps what must outlive a restart.
    pub fn tend(&mut self, keeper: &mut Keeper, now: &Now) {
        self.memory.tend(self.sites.known(), keeper, now);
    }

    /// When something of it is to be kept, if more waits.
    pub fn due(&self) -> Option<Moment> {
        self.memory.due()
    }

    /// Keeps all of it: before the program ends.
    pub fn close(&mut self, keeper: &mut Keeper, now: &Now) {
        self.memory.close(self.sites.known(), keeper, now);
    }

    /// How many check-ins have been taken since the start, and turned away for each cause.
    pub fn totals(&self) -> (u64, BTreeMap<&'static str, u64>) {
        self.sites.totals()
    }
}

/// The signed bytes, if they are signed by the site.
fn prove(key: &str, payload: &[u8]) -> Result<Vec<u8>, CheckinRefusal> {
    checkin::open(key, payload).map_err(|wrong| match wrong {
        NotSealed::Garbled => CheckinRefusal::Garbled("it is not in the signed form".to_owned()),
        NotSealed::Forged => CheckinRefusal::Forged,
    })
}

/// Words of a site for our own pages, without any secret of ours.
fn without_secrets(note: &SiteNote) -> SiteNote {
    let words = match strike_out(&note.words) {
        Cow::Borrowed(_) => Arc::clone(&note.words),
        Cow::Owned(struck) => struck.into(),
    };
    let likely = match strike_out(&note.likely) {
        Cow::Borrowed(_) => note.likely.clone(),
        Cow::Owned(struck) => struck.into(),
    };
    SiteNote { words, likely }
}
