//! Sites that join, in the loop: what comes over the broker is decided by the invitations and put
//! in force as a file in the folder of sites and a reload, which is also how it is taken back. What
//! is asked at the control socket makes and withdraws invitations. A reload is no part of a batch
//! of messages, so what a batch brings waits here until it is through.

use super::EventLoop;
use crate::checkin;
use crate::joining::invitations::{Admitted, Invitations, JoinRefusal};
use crate::joining::{answer_topic, asking_site, site_file};
use crate::secret::strike_out;
use crate::settings::write_whole;
use slackwater_rules::engine::{Arrival, Input};
use slackwater_rules::plan::Watched;
use slackwater_rules::record::{By, SiteChange};
use slackwater_rules::time::{Moment, Now, Span};
use std::fs;
use std::io;
use std::path::PathBuf;

/// How what comes by a link is named in records.
const BY_LINK: &str = "link";

/// Of one batch, no more requests are looked at: a site asks again.
const MOST: usize = 32;

/// A key that could not be put in force is tried again after this.
const AGAIN: Span = Span::minutes(10);

/// Characters that are kept of the name that a refused request came under.
const LONGEST_NAME: usize = 64;

/// What a batch has brought.
enum Joining {
    /// A site asks to join.
    Asks { site: String, request: Vec<u8>, retained: bool },
    /// A site has checked in with the key that it had proved.
    UsesKey { site: String },
}

/// What the loop knows of sites that join.
pub(super) struct Joins {
    pub(super) invitations: Invitations,
    waiting: Vec<Joining>,
    /// When a key that could not be put in force is tried again.
    next_try: Option<Moment>,
}

impl Joins {
    pub(super) fn new(invitations: Invitations) -> Self {
        Self { invitations, waiting: Vec::new(), next_try: None }
    }
}

impl EventLoop {
    /// Whether a message is a site's request to join; then it waits for the end of the batch.
    pub(super) fn hear_join(&mut self, topic: &str, payload: &[u8], delivery: Arrival) -> bool {
        let Some(site) = asking_site(topic).filter(|_| self.settings.witness.is_some()) else { return false };
        if self.joins.waiting.len() < MOST {
            let (site, request) = (site.to_owned(), payload.to_vec());
            let retained = delivery == Arrival::Retained;
            self.joins.waiting.push(Joining::Asks { site, request, retained });
        }
        true
    }

    /// Whether what was signed with another key than the site's is signed with the one that it has
    /// proved: that one is in force as soon as the batch is through.
    pub(super) fn is_by_waiting_key(&mut self, site: &str, payload: &[u8], now: &Now) -> bool {
        let Some(key) = self.joins.invitations.waiting_key(site) else { return false };
        if checkin::open(key, payload).is_err() || self.joins.next_try.is_some_and(|next| now.mono < next) {
            return false;
        }
        if self.joins.waiting.len() < MOST {
            self.joins.waiting.push(Joining::UsesKey { site: site.to_owned() });
        }
        true
    }

    /// Looks at what the batch has brought.
    pub(super) fn take_joins(&mut self) {
        for joining in std::mem::take(&mut self.joins.waiting) {
            match joining {
                Joining::Asks { site, request, retained } => self.asked_to_join(&site, &request, retained),
                Joining::UsesKey { site } => self.use_proved_key(&site),
            }
        }
    }

    fn asked_to_join(&mut self, site: &str, request: &[u8], retained: bool) {
        let now = self.clock.now();
        let watched = self.engine.plan().watched_named(site).map(|watched| watched.key.clone());
        let admitted = self.joins.invitations.admit(site, request, retained, watched.as_deref(), &now);
        let verdict = admitted.and_then(|admitted| self.let_in(admitted, watched.as_deref()));
        if let Err(refusal) = &verdict
            && let Some(count) = self.joins.invitations.refused(refusal, &now)
        {
            let what = match count {
                1 => "a request to join".to_owned(),
                _ => format!("{count} requests to join, the last"),
            };
            let who = crate::plain_text::tame(&strike_out(site), LONGEST_NAME);
            self.turn(now, Input::TurnedAway { what, why: refusal.to_string(), by: link(who) });
        }
        // The records of it are safe before it is said.
        self.finish();
        if verdict.as_ref().err().is_none_or(JoinRefusal::is_answered) {
            let why = verdict.err().map(|refusal| refusal.to_string());
            self.answer_join(site, request, why.as_deref(), &now);
        }
    }

    fn answer_join(&mut self, site: &str, request: &[u8], why: Option<&str>, now: &Now) {
        let verdict = why.map_or(Ok(()), Err);
        let Some(answer) = self.joins.invitations.answer(request, verdict, now) else { return };
        if let Err(why) = self.outlet.join_answer(answer_topic(site), answer) {
            tracing::warn!(why, site, "the answer to a site that joins could not be published");
        }
    }

    /// Puts in force what a right request asks for, unless that was done before.
    fn let_in(&mut self, admitted: Admitted, watched: Option<&str>) -> Result<(), JoinRefusal> {
        let Admitted { invitation, key, known } = admitted;
        if known {
            return Ok(());
        }
        let print = checkin::print(&key);
        let site = &invitation.site;
        let change = match watched {
            Some(watched) if watched != key => {
                self.joins.invitations.used(site, &key, true);
                SiteChange::KeyProved { key: print }
            }
            Some(_) => {
                self.joins.invitations.used(site, &key, false);
                SiteChange::Joined { key: print }
            }
            None => {
                let heading = "Joined by a link. `slackwater reload` takes what you change here.";
                let (title, callout) = (invitation.title.as_deref(), invitation.callout.as_deref());
                let text = site_file::written(site, title, &key, callout, heading);
                let file = self.site_file(site).ok_or(JoinRefusal::NotTaken)?;
                self.put_in_force(&file, None, &text).map_err(|why| {
                    tracing::error!(why, site, "a site has joined, and can't be taken");
                    JoinRefusal::NotTaken
                })?;
                self.joins.invitations.used(site, &key, false);
                SiteChange::Joined { key: print }
            }
        };
        self.take(Input::SiteChanged { site: invitation.site, change, by: link(invitation.by) });
        Ok(())
    }

    /// The first check-in by the key that a site has proved: the old one holds no more.
    fn use_proved_key(&mut self, site: &str) {
        let Some(key) = self.joins.invitations.waiting_key(site).map(str::to_owned) else { return };
        let changed = self.site_file(site).ok_or_else(|| "there is no folder of sites".to_owned());
        let changed = changed.and_then(|file| {
            let said = |error: io::Error| format!("{}: {error}", file.display());
            let before = fs::read_to_string(&file).map_err(said)?;
            let text = site_file::with_key(&before, site, &key);
            let text = text.ok_or_else(|| format!("{}: it has no key of this site", file.display()))?;
            self.put_in_force(&file, Some(&before), &text)
        });
        match changed {
            Ok(()) => {
                self.joins.next_try = None;
                self.joins.invitations.used(site, &key, false);
                let change = SiteChange::KeyChanged { key: checkin::print(&key) };
                self.take(Input::SiteChanged { site: site.to_owned(), change, by: link(site.to_owned()) });
            }
            Err(why) => {
                self.joins.next_try = Some(self.clock.now().mono + AGAIN);
                tracing::error!(why, site, "its new key can't be put in force, and is tried again");
            }
        }
    }

    /// Where the file of a site is, if this watch takes sites by a link.
    pub(super) fn site_file(&self, site: &str) -> Option<PathBuf> {
        Some(site_file::place(&self.settings.witness.as_ref()?.sites, site))
    }

    /// Writes a site's file and takes it as a reload would, or leaves all as it was.
    fn put_in_force(&mut self, file: &PathBuf, before: Option<&str>, text: &str) -> Result<(), String> {
        let said = |error: io::Error| format!("{}: {error}", file.display());
        file.parent().map_or(Ok(()), site_file::make_folder).map_err(said)?;
        write_whole(file, text, site_file::MODE).map_err(said)?;
        self.reload(|_| false).map(drop).inspect_err(|_| {
            let undone = match before {
                Some(before) => write_whole(file, before, site_file::MODE),
                None => fs::remove_file(file),
            };
            if let Err(error) = undone {
                tracing::error!("{}: {error}: it stays as it should not be", file.display());
            }
        })
    }

    /// Takes a site's file out of the folder, and the site out of force; where the file is then.
    pub(super) fn take_out_of_force(&mut self, watched: &Watched, file: &PathBuf) -> Result<PathBuf, String> {
        let said = |error: io::Error| format!("{}: {error}", file.display());
        let plan = self.engine.plan();
        let id = plan.watched_names.get(&watched.name).copied();
        let own = plan.alarms.iter().filter(|alarm| id.is_some() && alarm.watched == id);
        let own: Vec<String> = own.map(|alarm| alarm.name.clone()).collect();
        let aside = site_file::put_aside(file).map_err(said)?;
        match self.reload(|alarm| own.iter().any(|own| own == alarm)) {
            Ok(_) => Ok(aside),
            Err(why) => {
                fs::rename(&aside, file).map_err(said)?;
                Err(why)
            }
        }
    }
}

fn link(who: String) -> By {
    By { who, via: BY_LINK.to_owned() }
}
