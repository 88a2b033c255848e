//! What the witness knows of each site, and whether it believes what has just come.

use super::form::{CheckIn, VERSION};
use super::freshness::{CheckInMark, is_late};
use super::refusals::{CheckinRefusal, Refusals};
use super::words::{self, SiteLife, SiteNote};
use crate::plan::{Plan, Watched};
use crate::time::{Moment, Now, Span, Wall};
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Longer than any site's check-in: eight alarms and two dozen readings are 4 KiB.
const LARGEST: usize = 16 * 1024;

/// Pages say for so long how a site came back.
const RETURNED: Span = Span::minutes(15);

/// What is known of a site, in the form in which a witness keeps it over a restart: it only gains
/// fields.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Known {
    /// Its public key: under another one nothing of this holds.
    key: String,
    mark: CheckInMark,
    life: SiteLife,
    note: SiteNote,
    /// Whether it has announced something that must not be forgotten.
    announced: bool,
    /// When it was first heard under this key.
    #[serde(default)]
    since: Option<Wall>,
    /// When it last gave a sign of life, in this life of ours.
    #[serde(skip)]
    heard: Option<Moment>,
    /// How it came back, and until when that is said.
    #[serde(skip)]
    back: Option<(String, Moment)>,
}

/// A check-in that is believed.
#[derive(Clone, Debug, PartialEq)]
pub struct Believed {
    /// What it says.
    pub check_in: CheckIn,
    /// Whether it tells of now.
    pub live: bool,
    /// What pages say of the site from now on.
    pub note: SiteNote,
    /// How it came back, if it was silent before.
    pub back: Option<String>,
    /// What it announces has changed: it must not be forgotten.
    pub urgent: bool,
}

/// All watched sites.
#[derive(Debug, Default)]
pub struct Sites {
    known: BTreeMap<String, Box<Known>>,
    refusals: Refusals,
    taken: u64,
}

impl Sites {
    /// What an earlier life knew of each site, by its name.
    pub fn remembering(known: BTreeMap<String, Box<Known>>) -> Self {
        Self { known, ..Self::default() }
    }

    /// What is known of each site, by its name: to be kept for a later life.
    pub fn known(&self) -> &BTreeMap<String, Box<Known>> {
        &self.known
    }

    /// What is still known of the plan's sites: for pages, until they speak again.
    pub fn notes<'a>(&'a self, plan: &'a Plan) -> impl Iterator<Item = (&'a Watched, &'a SiteNote)> + 'a {
        plan.watched.iter().filter_map(|site| {
            let known = self.known.get(&site.name).filter(|known| known.key == site.key)?;
            Some((site, &known.note))
        })
    }

    /// Takes what came on the topic of a site called `name`. `open` proves with the site's public
    /// key that the payload is signed by it, and gives the signed bytes: nothing else of it is
    /// parsed.
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
        open: impl FnOnce(&str, &[u8]) -> Result<Vec<u8>, CheckinRefusal>,
    ) -> Result<Believed, CheckinRefusal> {
        let site = plan.watched_named(name).ok_or(CheckinRefusal::Unknown)?;
        if payload.len() > LARGEST {
            return Err(CheckinRefusal::TooLarge { length: payload.len(), limit: LARGEST });
        }
        if retained {
            return Err(CheckinRefusal::Retained);
        }
        let check_in = read(site, &open(&site.key, payload)?)?;
        let known = self.known.entry(name.to_owned()).or_default();
        if known.key != site.key {
            **known = Known { key: site.key.clone(), since: Some(now.wall), ..Known::default() };
        }
        let latest = known.mark.after(&check_in, now).map_err(CheckinRefusal::Replayed)?;
        let live = !is_late(&check_in, now);
        let (note, back) = known.told(&check_in, live, &plan.zone, now);
        known.mark = latest;
        let urgent = std::mem::replace(&mut known.announced, announces(&check_in)) != announces(&check_in);
        self.taken += 1;
        Ok(Believed { check_in, live, note, back, urgent })
    }

    /// Since when a site has been heard under its key, and how long ago it last was in this life of
    /// ours; each if that is known.
    pub fn heard(&self, site: &Watched, now: Moment) -> (Option<Wall>, Option<Span>) {
        let known = self.known.get(&site.name).filter(|known| known.key == site.key);
        (known.and_then(|known| known.since), known.and_then(|known| Some(now - known.heard?)))
    }

    /// Counts a refusal; how many to speak of, if it is time to speak of them.
    pub fn refused(&mut self, refusal: &CheckinRefusal, now: &Now) -> Option<u64> {
        self.refusals.count(refusal.cause(), now.mono)
    }

    /// How many check-ins have been taken since the start, and turned away for each cause.
    pub fn totals(&self) -> (u64, BTreeMap<&'static str, u64>) {
        (self.taken, self.refusals.totals())
    }
}

impl Known {
    /// What pages say from now on, and how the site came back if it was away. Old news change it
    /// too, but are no sign of life.
    fn told(
        &mut self,
        check_in: &CheckIn,
        live: bool,
        zone: &TimeZone,
        now: &Now,
    ) -> (SiteNote, Option<String>) {
        let life = SiteLife::of(check_in);
        let mut came_back = None;
        if live {
            let silent = self.heard.map(|heard| now.mono - heard).filter(|gap| *gap > check_in.next.times(3));
            if let Some(silent) = silent {
                let back = words::back(&self.life, &life, silent);
                came_back = Some(back.clone());
                self.back = Some((back, now.mono + RETURNED));
            }
            self.heard = Some(now.mono);
        }
        self.life = life;
        let sent = if live { now.wall } else { check_in.at };
        self.note = words::note(check_in, sent, zone);
        if let Some((back, _)) = self.back.as_ref().filter(|(_, until)| now.mono < *until) {
            self.note.words = format!("{back}; {}", self.note.words).into();
        }
        (self.note.clone(), came_back)
    }
}

fn announces(check_in: &CheckIn) -> bool {
    check_in.silence.is_some() || check_in.dark.is_some()
}

fn read(site: &Watched, body: &[u8]) -> Result<CheckIn, CheckinRefusal> {
    let check_in: CheckIn = serde_json::from_slice(body)
        .map_err(|error| CheckinRefusal::Garbled(words::clean(&error.to_string())))?;
    if check_in.version != VERSION {
        let why = format!("its form is version {}, and {VERSION} is understood here", check_in.version);
        return Err(CheckinRefusal::Garbled(why));
    }
    if check_in.site != site.name {
        return Err(CheckinRefusal::Misplaced { site: words::clean(&check_in.site) });
    }
    Ok(check_in)
}
