//! `[check-in]`: where and how often this site shows its witness that it lives, under which name
//! and with which key. Off unless it is there.

use super::channels::request;
use super::tree::Item;
use super::{BrokerSettings, PushSettings, in_clear};
use crate::checkin::SiteKey;
use slackwater_rules::checkin::GoesDark;
use slackwater_rules::plan::{CHECK_INS, Plan};
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
    pub(super) fn read(item: &Item<'_>) -> Option<Self> {
        let mut table = item.table()?;
        let name = table.need("name", name);
        let key = table.need("key-file", |item| {
            let secret = item.secret()?;
            SiteKey::read(secret.expose()).or_else(|| {
                item.wrong("it holds no check-in key: `slackwater witness key --out FILE` makes one")
            })
        });
        let every = table.or("every", Span::minutes(1), |i| i.span(Span::seconds(1)..=Span::hours(1)));
        let mains = table.may("mains", Item::text);
        let goes_dark = table.may("goes-dark", |item| {
            let mut table = item.table()?;
            let alarm = table.need("alarm", Item::text);
            let after = table.need("after", |i| i.span(Span::ZERO..=Span::hours(7 * 24)));
            Some(GoesDark { alarm: alarm?, after: after? })
        });
        let ours = name.clone().unwrap_or_default();
        let broker = table.may("broker", |item| {
            let below = format!("{CHECK_INS}{ours}");
            let broker = BrokerSettings::read_as(item, format!("slackwater-site-{ours}"), Some(below))?;
            let BrokerSettings { host, tls, in_clear_because, .. } = &broker;
            let what = "what check-ins say of a home";
            match in_clear::fault(what, host, tls.is_some(), in_clear_because.as_ref()) {
                Some(fault) => item.wrong(fault),
                None => Some(broker),
            }
        });
        let post = table.may("post", |item| request(&mut item.table()?));
        let (broker, post) = (broker?, post?);
        if broker.is_none() && post.is_none() {
            return table.wrong("broker", "it is missing, and so is `post`: check-ins would go nowhere");
        }
        Some(Self {
            name: name?,
            key: key?,
            every: every?,
            mains: mains?,
            goes_dark: goes_dark?,
            broker,
            post,
        })
    }
}

impl CheckInSettings {
    /// Names that the plan does not know.
    pub fn unknown_in(&self, plan: &Plan) -> Vec<String> {
        let sensor = |name: &&String| !plan.sensors.iter().any(|sensor| sensor.name == **name);
        let mains = self.mains.iter().filter(sensor);
        let alarm = |dark: &&GoesDark| plan.alarm_named(&dark.alarm).is_none();
        let dark = self.goes_dark.iter().filter(alarm);
        mains
            .map(|name| format!("check-in.mains: the rule file has no sensor `{name}`"))
            .chain(
                dark.map(|dark| {
                    format!("check-in.goes-dark.alarm: the rule file has no alarm `{}`", dark.alarm)
                }),
            )
            .collect()
    }
}

fn name(item: &Item<'_>) -> Option<String> {
    let text = item.text()?;
    let good = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-';
    if text.len() <= 64 && text.starts_with(|c: char| c.is_ascii_lowercase()) && text.bytes().all(good) {
        return Some(text);
    }
    item.wrong(format!(
        "`{text}` can't be a site's name: a small letter, then small letters a to z, digits and hyphens, at most 64"
    ))
}
