//! `[check-in]`: where and how often this site shows its witness that it lives, under which name
//! and with which key. Off unless it is there.

use super::files::Files;
use super::gateway::request;
use super::reader::{line, span};
use super::{BrokerSettings, PushSettings};
use crate::checkin::SiteKey;
use slackwater_rules::checkin::GoesDark;
use slackwater_rules::diagnostic::{Finding, Item};
use slackwater_rules::plan::{Plan, is_site_name};
use slackwater_rules::time::Span;

/// What check-ins need to know. Changes take a restart.
#[derive(Clone, Debug)]
pub struct CheckInSettings {
    /// The site's name, as the witness's rule file has it: `[watched.NAME]`.
    pub name: String,
    /// Signs them.
    pub key: SiteKey,
    /// How often.
    pub every: Span,
    /// The sensor that says whether the house has power.
    pub mains: Option<String>,
    /// The alarm that says how long the site still has.
    pub goes_dark: Option<GoesDark>,
    /// The broker elsewhere that they go to.
    pub broker: Option<BrokerSettings>,
    /// The web address that they are posted to.
    pub post: Option<PushSettings>,
}

impl CheckInSettings {
    pub(super) fn read(item: Item<'_>, files: &Files<'_>) -> Option<Self> {
        let table = item.table()?;
        let name = table.need("name", "\"halyard\"").and_then(name);
        let key = table.need("key-file", "\"check-in-key\"").and_then(|item| {
            let secret = files.secret(item)?;
            SiteKey::read(secret.expose()).or_else(|| {
                let help = "`slackwater witness key --out FILE` makes one".to_owned();
                item.wrong("this file holds no check-in key", "not a key", Some(help))
            })
        });
        let every = table.get("every").and_then(|item| span(item, Span::seconds(1)..=Span::hours(1)));
        let mains = table.get("mains").and_then(line);
        let goes_dark = table.get("goes-dark").and_then(goes_dark);
        let ours = name.clone().unwrap_or_default();
        let broker = table.get("broker").and_then(|item| {
            BrokerSettings::read_elsewhere(item, files, format!("slackwater-site-{ours}"), &ours)
        });
        let post = table.get("post").and_then(|item| {
            let table = item.table()?;
            let request = request(&table, files);
            table.finish();
            request
        });
        if !table.has("broker") && !table.has("post") {
            let title = format!("`{}` lacks `broker` or `post`", table.name);
            table.note(Finding::error(table.span.clone(), title, "check-ins would go nowhere"));
        }
        table.finish();
        Some(Self {
            name: name?,
            key: key?,
            every: every.unwrap_or(Span::minutes(1)),
            mains,
            goes_dark,
            broker,
            post,
        })
    }

    /// Names that the plan does not know: each with the path of its key.
    pub fn unknown_in(&self, plan: &Plan) -> Vec<(&'static str, String)> {
        let sensor = |name: &&String| !plan.sensors.iter().any(|sensor| sensor.name == **name);
        let mains = self.mains.iter().filter(sensor);
        let alarm = |dark: &&GoesDark| plan.alarm_named(&dark.alarm).is_none();
        let dark = self.goes_dark.iter().filter(alarm);
        let mains = mains.map(|name| ("check-in.mains", format!("the rule file has no sensor `{name}`")));
        let dark = dark
            .map(|dark| ("check-in.goes-dark.alarm", format!("the rule file has no alarm `{}`", dark.alarm)));
        mains.chain(dark).collect()
    }
}

fn goes_dark(item: Item<'_>) -> Option<GoesDark> {
    let table = item.table()?;
    let alarm = table.need("alarm", "\"mains-out\"").and_then(line);
    let after = table.need("after", "\"2 h\"").and_then(|item| span(item, Span::ZERO..=Span::hours(7 * 24)));
    table.finish();
    Some(GoesDark { alarm: alarm?, after: after? })
}

fn name(item: Item<'_>) -> Option<String> {
    let text = line(item)?;
    if is_site_name(&text) {
        return Some(text);
    }
    let label = "a small letter, then small letters a to z, digits and hyphens, at most 64";
    item.wrong(format!("`{text}` can't be a site's name"), label, None)
}
