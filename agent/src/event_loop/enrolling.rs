//! What the command line asks of a witness: an invitation for a site, its withdrawal, and which
//! sites there are. Whoever may open the control socket may ask.

use super::EventLoop;
use crate::checkin;
use crate::control::{ControlReply, WitnessCommand};
use crate::joining::invitations::{GOOD_FOR, Wanted};
use crate::joining::link::{JoinLink, LinkTls};
use crate::secret::Secret;
use crate::settings::BrokerSettings;
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject as _;
use slackwater_rules::engine::Input;
use slackwater_rules::plan::{Plan, SILENT, is_site_name};
use slackwater_rules::record::{By, SiteChange};
use slackwater_rules::time::{Now, Wall};
use std::fmt::Write as _;

/// The call-out of a site of which nobody is told.
const NOBODY: &str = "none";

impl EventLoop {
    /// What somebody asks of this watch as a witness.
    pub(super) fn command_witness(&mut self, by: By, command: WitnessCommand) -> ControlReply {
        let now = self.clock.now();
        match command {
            WitnessCommand::Enrol { site, title, callout, again } => {
                let (who, via) = (by.who, by.via);
                let wanted = Wanted { site, title, callout, again, by: who };
                self.enrol(wanted, via, &now).unwrap_or_else(ControlReply::refused)
            }
            WitnessCommand::Withdraw { site } => ControlReply::of(self.withdraw_site(site, by, &now)),
            WitnessCommand::Sites => ControlReply::taken(self.list_sites(&now)),
        }
    }

    fn enrol(&mut self, wanted: Wanted, via: String, now: &Now) -> Result<ControlReply, String> {
        let Some(witness) = &self.settings.witness else {
            return Err("this watch takes no sites by a link: `[witness]` in its configuration is for that"
                .to_owned());
        };
        let broker = witness.broker.clone();
        fits(self.engine.plan(), &wanted)?;
        if wanted.again && self.site_file(&wanted.site).is_none_or(|file| !file.exists()) {
            return Err(format!(
                "`{}` stands in the rule file itself, which this program does not change: move its table into a file of \
                 its own, {}",
                wanted.site,
                self.site_file(&wanted.site).unwrap_or_default().display()
            ));
        }
        let tls = link_tls(broker.as_ref().unwrap_or(&self.settings.broker))?;
        let site = wanted.site.clone();
        let by = By { who: wanted.by.clone(), via };
        let (invitation, witness) = self.joins.invitations.invite(wanted, now)?;
        let link = link(&site, broker.as_ref().unwrap_or(&self.settings.broker), broker.as_ref(), tls);
        let text = JoinLink { invitation, witness, ..link }.text().map_err(|why| why.to_string())?;
        let change = SiteChange::Invited { length: GOOD_FOR };
        self.take(Input::SiteChanged { site: site.clone(), change, by });
        let knows = match broker.is_some_and(|broker| broker.password.is_some()) {
            true => ", and knows the password that sites have at the broker",
            false => "",
        };
        let until = when(now.wall + GOOD_FOR, self.engine.plan());
        let words = format!(
            "On the board of `{site}`: slackwater witness join LINK\nGood once, until {until}. Whoever has it can join as \
             `{site}`{knows}: pass it on as you would a key."
        );
        Ok(ControlReply { link: Some(text), ..ControlReply::taken(words) })
    }

    fn withdraw_site(&mut self, site: String, by: By, now: &Now) -> Result<String, String> {
        let invited = self.joins.invitations.withdraw(&site, now)?;
        let text = match self.engine.plan().watched_named(&site).cloned() {
            Some(watched) => {
                let file = self.site_file(&site).filter(|file| file.exists()).ok_or_else(|| {
                    format!(
                        "`{site}` stands in the rule file: take its table out there, and `slackwater reload`"
                    )
                })?;
                let aside = self.take_out_of_force(&watched, &file)?;
                format!(
                    "{} is watched no more, and its check-ins are turned away. Its file is {} now",
                    watched.title,
                    aside.display()
                )
            }
            None if invited => format!("the link for `{site}` is of no use any more"),
            None => {
                return Err(format!(
                    "no site is called `{site}` here, and nobody is invited under that name"
                ));
            }
        };
        self.take(Input::SiteChanged { site, change: SiteChange::Withdrawn, by });
        Ok(text)
    }

    fn list_sites(&self, now: &Now) -> String {
        let plan = self.engine.plan();
        let mut lines = String::new();
        for site in &plan.watched {
            let (since, heard) = self.roster.heard(site, now.mono);
            let since = since
                .map_or_else(|| "not heard yet".to_owned(), |since| format!("since {}", when(since, plan)));
            let heard = heard.map(|ago| format!(", last heard {ago} ago")).unwrap_or_default();
            let title = if site.title == site.name { "" } else { &site.title };
            let gap = if title.is_empty() { "" } else { "  " };
            let key = checkin::print(&site.key);
            // Writing to a text can't fail.
            let _ = writeln!(lines, "{}{gap}{title}  key {key}  {since}{heard}", site.name);
        }
        for one in self.joins.invitations.pending(now) {
            let _ = match one.waits() {
                true => writeln!(lines, "{}  has proved another key, not used yet", one.site),
                false => {
                    writeln!(lines, "{}  invited by {} until {}", one.site, one.by, when(one.until, plan))
                }
            };
        }
        if lines.is_empty() {
            lines.push_str("no site is watched here, and none is invited");
        }
        lines.trim_end().to_owned()
    }
}

/// Whether a site can be taken under this name and with these people, as far as the plan tells: who
/// has a link should not fail by what was known before.
fn fits(plan: &Plan, wanted: &Wanted) -> Result<(), String> {
    let site = &wanted.site;
    if !is_site_name(site) {
        return Err(format!(
            "`{site}` can't be a site's name: a small letter, then small letters a to z, digits and hyphens, at most 64"
        ));
    }
    match (plan.watched_named(site).is_some(), wanted.again) {
        (true, true) => return Ok(()),
        (true, false) => {
            return Err(format!("`{site}` is watched already; `--again` makes a link for another key of it"));
        }
        (false, true) => return Err(format!("no site called `{site}` is watched yet: without `--again`")),
        (false, false) => {}
    }
    let silent = format!("{site}{SILENT}");
    if plan.sensors.iter().any(|sensor| sensor.name == *site) || plan.alarm_named(&silent).is_some() {
        return Err(format!("`{site}` is the name of something else in the rule file"));
    }
    let names: Vec<&str> = plan.callouts.iter().map(|callout| callout.name.as_str()).collect();
    match &wanted.callout {
        Some(name) if name == NOBODY || names.contains(&name.as_str()) => Ok(()),
        Some(name) => Err(format!("there is no call-out `{name}`; there are: {}", names.join(", "))),
        None if names.len() > 1 => {
            Err(format!("say who is told when the site is silent: --callout, one of {}", names.join(", ")))
        }
        None => Ok(()),
    }
}

/// A link but for its keys. `login` is where sites' user and password stand.
fn link(
    site: &str,
    broker: &BrokerSettings,
    login: Option<&BrokerSettings>,
    tls: Option<LinkTls>,
) -> JoinLink {
    JoinLink {
        site: site.to_owned(),
        brokers: broker.places.clone(),
        tls,
        user: login.and_then(|login| login.user.clone()),
        password: login.and_then(|login| login.password.clone()),
        invitation: Secret::new(""),
        witness: String::new(),
    }
}

fn link_tls(broker: &BrokerSettings) -> Result<Option<LinkTls>, String> {
    let Some(tls) = &broker.tls else { return Ok(None) };
    let mut authority = Vec::new();
    if let Some(file) = &tls.ca_file {
        let said = |why: String| format!("{}: {why}", file.display());
        let all = CertificateDer::pem_file_iter(file).map_err(|error| said(error.to_string()))?;
        for one in all {
            authority.push(one.map_err(|error| said(error.to_string()))?.to_vec());
        }
    }
    Ok(Some(LinkTls { authority, server_name: tls.server_name.clone() }))
}

fn when(wall: Wall, plan: &Plan) -> String {
    wall.civil(&plan.zone).strftime("%Y-%m-%d %H:%M").to_string()
}
