//! What the witness knows of each site, and whether it believes what has just come.

use super::freshness::{CheckInMark, is_late};
use super::memory::SiteMemory;
use super::refusals::{Refusal, Refusals};
use super::words::{self, Life, Note};
use crate::checkin::{self, CheckIn, VERSION};
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};
use slackwater_rules::plan::{Plan, Watched};
use slackwater_rules::time::{Moment, Now, Span};
use std::collections::BTreeMap;
use std::path::Path;

/// Longer than any site's check-in: eight alarms and two dozen readings are 4 KiB.
const LARGEST: usize = 16 * 1024;

/// Pages say for so long how a site came back.
const RETURNED: Span = Span::minutes(15);

/// What is known of a site.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Known {
    /// Its public key: under another one nothing of this holds.
    key: String,
    mark: CheckInMark,
    life: Life,
    note: Note,
    /// Whether it has announced something that must not be forgotten.
    announced: bool,
    /// When it last gave a sign of life, in this life of ours.
    #[serde(skip)]
    heard: Option<Moment>,
    /// How it came back, and until when that is said.
    #[serde(skip)]
    back: Option<(String, Moment)>,
}

/// A check-in that is believed.
#[derive(Clone, Debug, PartialEq)]
pub struct Taken {
    /// What it says.
    pub check_in: CheckIn,
    /// Whether it tells of now.
    pub live: bool,
    /// What pages say of the site from now on.
    pub note: Note,
}

/// All watched sites.
#[derive(Debug)]
pub struct Roster {
    known: BTreeMap<String, Known>,
    refusals: Refusals,
    memory: SiteMemory,
    urgent: bool,
    taken: u64,
}

impl Roster {
    /// Reads what an earlier life left beside the journal.
    pub fn open(journal: &Path, now: &Now) -> Self {
        let (memory, known) = SiteMemory::open(journal.with_file_name("check-ins.json"), now.mono);
        Self { known, refusals: Refusals::default(), memory, urgent: false, taken: 0 }
    }

    /// What is still known of the plan's sites: for pages, until they speak again.
    pub fn notes<'a>(&'a self, plan: &'a Plan) -> impl Iterator<Item = (&'a Watched, &'a Note)> + 'a {
        plan.watched.iter().filter_map(|site| {
            let known = self.known.get(&site.name).filter(|known| known.key == site.key)?;
            Some((site, &known.note))
        })
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
    ) -> Result<Taken, Refusal> {
        let site = plan.watched.iter().find(|site| site.name == name).ok_or(Refusal::Unknown)?;
        if payload.len() > LARGEST {
            return Err(Refusal::TooLarge { length: payload.len(), limit: LARGEST });
        }
        if retained {
            return Err(Refusal::Retained);
        }
        let check_in = read(site, &checkin::open(&site.key, payload)?)?;
        let known = self.known.entry(name.to_owned()).or_default();
        if known.key != site.key {
            *known = Known { key: site.key.clone(), ..Known::default() };
        }
        let mark = known.mark.after(&check_in, now).map_err(Refusal::Replayed)?;
        let live = !is_late(&check_in, now);
        let note = known.told(site, &check_in, live, &plan.zone, now);
        known.mark = mark;
        self.urgent |= std::mem::replace(&mut known.announced, announces(&check_in)) != announces(&check_in);
        self.memory.touch();
        self.taken += 1;
        Ok(Taken { check_in, live, note })
    }

    /// Counts a refusal; how many to speak of, if it is time to speak of them.
    pub fn refused(&mut self, refusal: &Refusal, now: &Now) -> Option<u64> {
        self.refusals.count(refusal, now.mono)
    }

    /// Keeps what must outlive a restart.
    pub fn tend(&mut self, now: &Now) {
        let at_once = std::mem::take(&mut self.urgent);
        self.memory.tend(&self.known, now.mono, at_once);
    }

    /// Keeps all of it: before the program ends.
    pub fn close(&mut self, now: &Now) {
        self.memory.tend(&self.known, now.mono, true);
    }

    /// How many check-ins have been taken since the start, and turned away for each cause.
    pub fn totals(&self) -> (u64, BTreeMap<&'static str, u64>) {
        (self.taken, self.refusals.totals())
    }
}

impl Known {
    /// What pages say from now on. Old news change it too, but are no sign of life.
    fn told(&mut self, site: &Watched, check_in: &CheckIn, live: bool, zone: &TimeZone, now: &Now) -> Note {
        let life = Life::of(check_in);
        if live {
            let silent = self.heard.map(|heard| now.mono - heard).filter(|gap| *gap > check_in.next.times(3));
            if let Some(silent) = silent {
                let back = words::back(&self.life, &life, silent);
                tracing::info!(site = site.name, "{back}");
                self.back = Some((back, now.mono + RETURNED));
            }
            self.heard = Some(now.mono);
        }
        self.life = life;
        let sent = if live { now.wall } else { check_in.at };
        self.note = words::note(check_in, sent, zone);
        if let Some((back, _)) = self.back.as_ref().filter(|(_, until)| now.mono < *until) {
            self.note.words = format!("{back}; {}", self.note.words);
        }
        self.note.clone()
    }
}

fn announces(check_in: &CheckIn) -> bool {
    check_in.silence.is_some() || check_in.dark.is_some()
}

fn read(site: &Watched, body: &[u8]) -> Result<CheckIn, Refusal> {
    let check_in: CheckIn =
        serde_json::from_slice(body).map_err(|error| Refusal::Garbled(words::clean(&error.to_string())))?;
    if check_in.version != VERSION {
        let why = format!("its form is version {}, and {VERSION} is understood here", check_in.version);
        return Err(Refusal::Garbled(why));
    }
    if check_in.site != site.name {
        return Err(Refusal::Misplaced { site: words::clean(&check_in.site) });
    }
    Ok(check_in)
}
