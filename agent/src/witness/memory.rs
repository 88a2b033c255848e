//! What a witness knows of each site, kept in the journal over a restart. It is written now and
//! then and not with each check-in, some hundreds of sites at a time, so a crash forgets the last
//! half hour: what could be replayed of that is late for a witness whose clock is set, and late
//! check-ins are no sign of life.

use crate::journal::SiteRow;
use crate::journal::writer::Keeper;
use slackwater_rules::checkin::Known;
use slackwater_rules::time::{Moment, Now, Span};
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

/// Between two writings of a site, unless something of it must not be forgotten.
const EVERY: Span = Span::minutes(30);

/// Sites that are written at once: a turn with them takes some milliseconds.
const AT_ONCE: usize = 500;

/// Between two such writings while more sites wait, and after one that failed.
const PAUSE: Span = Span::millis(200);
const RETRY: Span = Span::seconds(30);

/// An earlier version kept it in a file, which had no more than this, in bytes.
const LARGEST_FILE: u64 = 16 << 20;

/// Which sites are known better than the journal knows them.
#[derive(Debug)]
pub(super) struct SiteMemory {
    stale: BTreeSet<String>,
    /// Those that are being written.
    leaving: BTreeSet<String>,
    /// When they were last chosen.
    chosen: Moment,
    /// When the next of them are written, if not at once.
    next: Option<Moment>,
    /// The journal that has all others, by its random number.
    journal: Option<u64>,
    trouble: bool,
    /// An earlier version's file, until what was in it is in the journal.
    old: Option<PathBuf>,
}

impl SiteMemory {
    /// Reads what an earlier life left in the journal, or an earlier version in the file `old`.
    /// What can't be read is said, and begun anew.
    pub(super) fn open(keeper: &Keeper, old: PathBuf, now: Moment) -> (Self, BTreeMap<String, Box<Known>>) {
        let rows = keeper.sites().unwrap_or_else(|error| {
            tracing::error!("{error}; what was known of watched sites is lost");
            Vec::new()
        });
        let mut known: BTreeMap<String, Box<Known>> = rows.into_iter().filter_map(read_row).collect();
        let mut memory = Self {
            stale: BTreeSet::new(),
            leaving: BTreeSet::new(),
            chosen: now,
            next: None,
            journal: keeper.seed(),
            trouble: false,
            old: None,
        };
        match read_file(&old) {
            Ok(None) => {}
            Ok(Some(before)) => {
                for (name, site) in before {
                    memory.leaving.insert(name.clone());
                    known.entry(name).or_insert(site);
                }
                memory.old = Some(old);
            }
            Err(why) => {
                tracing::error!("{}: {why}; what it says of watched sites is lost", old.display());
            }
        }
        (memory, known)
    }

    /// Something is known of this site that the journal doesn't have.
    pub(super) fn touch(&mut self, name: &str) {
        if !self.stale.contains(name) {
            self.stale.insert(name.to_owned());
        }
    }

    /// The same, and it can't wait.
    pub(super) fn hurry(&mut self, name: &str) {
        self.leaving.insert(name.to_owned());
        if !self.trouble {
            self.next = None;
        }
    }

    /// Writes some, if it is time.
    pub(super) fn tend(&mut self, known: &BTreeMap<String, Box<Known>>, keeper: &mut Keeper, now: &Now) {
        if keeper.seed() != self.journal {
            // A journal that was begun anew has nothing.
            self.journal = keeper.seed();
            self.leaving.extend(known.keys().cloned());
        }
        if now.mono - self.chosen >= EVERY {
            self.chosen = now.mono;
            self.leaving.append(&mut self.stale);
        }
        if self.is_due(now.mono) {
            self.write(known, keeper, now);
        }
    }

    fn is_due(&self, now: Moment) -> bool {
        (!self.leaving.is_empty() || self.old.is_some()) && self.next.is_none_or(|next| next <= now)
    }

    /// When there is something to write, if there is.
    pub(super) fn due(&self) -> Option<Moment> {
        self.next.filter(|_| !self.leaving.is_empty())
    }

    /// Writes all of it: before the program ends.
    pub(super) fn close(&mut self, known: &BTreeMap<String, Box<Known>>, keeper: &mut Keeper, now: &Now) {
        self.leaving.append(&mut self.stale);
        while !self.leaving.is_empty() && self.write(known, keeper, now) {}
    }

    /// Writes the next few; false if that failed.
    fn write(&mut self, known: &BTreeMap<String, Box<Known>>, keeper: &mut Keeper, now: &Now) -> bool {
        let names: Vec<String> = self.leaving.iter().take(AT_ONCE).cloned().collect();
        let row = |name: &String| Some((name.clone(), serde_json::to_string(known.get(name)?).ok()?));
        let rows: Vec<SiteRow> = names.iter().filter_map(row).collect();
        match keeper.keep_sites(&rows, now) {
            Ok(()) => {
                for name in &names {
                    self.leaving.remove(name);
                    self.stale.remove(name);
                }
                self.trouble = false;
                self.next = (!self.leaving.is_empty()).then(|| now.mono + PAUSE);
                if self.leaving.is_empty()
                    && let Some(old) = self.old.take()
                    && let Err(error) = fs::remove_file(&old)
                {
                    tracing::warn!("{}: {error}: it is of no use any more", old.display());
                }
                true
            }
            Err(why) => {
                self.next = Some(now.mono + RETRY);
                if !std::mem::replace(&mut self.trouble, true) {
                    tracing::error!("what is known of watched sites can't be kept: {why}; it is tried again");
                }
                false
            }
        }
    }
}

fn read_row((name, known): SiteRow) -> Option<(String, Box<Known>)> {
    match serde_json::from_str(&known) {
        Ok(known) => Some((name, known)),
        Err(error) => {
            tracing::error!(site = name, "what was known of it can't be read, and is begun anew: {error}");
            None
        }
    }
}

/// The file of an earlier version, if there is one.
fn read_file(path: &Path) -> Result<Option<BTreeMap<String, Box<Known>>>, String> {
    match fs::metadata(path) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(error.to_string()),
        Ok(about) if about.len() > LARGEST_FILE => {
            return Err(format!("{} bytes are more than {LARGEST_FILE}", about.len()));
        }
        Ok(_) => {}
    }
    let text = fs::read(path).map_err(|error| error.to_string())?;
    serde_json::from_slice(&text).map(Some).map_err(|error| error.to_string())
}
