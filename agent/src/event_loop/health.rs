//! How the agent itself is. What the loop knows of its own parts flows in; `status` as JSON flows
//! out, and what its words are made of.

use super::status_words::truth;
use super::telling::ill;
use crate::channels::{self, Channels};
use crate::checkin::WayHealth;
use crate::journal::writer::Keeper;
use crate::modem::{self, Modem};
use crate::plain_text::tame;
use serde::Serialize;
use serde_json::json;
use slackwater_rules::engine::Status;
use slackwater_rules::plan::{Plan, Target};
use std::collections::BTreeMap;
use std::time::Duration;

/// Of why a part can't be used, so much is shown.
pub(super) const LONGEST_UNUSABLE: usize = 400;

/// What the loop knows of its parts.
#[derive(Debug)]
pub(super) struct PartsHealth {
    /// Why the broker can't be heard, if so.
    pub(super) deaf: Option<String>,
    /// How long our own message took, the last time.
    pub(super) round_trip: Option<Duration>,
    /// Subscriptions that the broker refused, and why.
    pub(super) refused: BTreeMap<String, String>,
    /// Sources by name, and why they can't be asked, if so.
    pub(super) sources: BTreeMap<String, Option<String>>,
    /// Parts that can't be used as they are set up, by their keys, and why.
    pub(super) unusable: BTreeMap<String, String>,
    /// Why the files that were to be reloaded were not taken.
    pub(super) reload_refused: Option<String>,
    /// What is wrong with the journal.
    pub(super) journal: Option<String>,
    /// How the mailbox for answers is, if there is to be one and it is known.
    pub(super) mailbox: Option<Result<(), String>>,
    /// How the modem is, if there is to be one.
    pub(super) modem: Option<modem::View>,
    /// How the channels are.
    pub(super) channels: BTreeMap<Target, channels::ChannelHealth>,
    /// How this site's check-ins get out, each way.
    pub(super) check_ins: Vec<(&'static str, WayHealth)>,
    /// How the fleet's journal is, if one is kept here.
    pub(super) fleet: Option<Result<(), String>>,
    /// The silence of this site that somebody has announced, in words.
    pub(super) silence: Option<String>,
    /// How many check-ins of other sites were taken, and turned away for each cause.
    pub(super) watched: (u64, BTreeMap<&'static str, u64>),
}

impl Default for PartsHealth {
    fn default() -> Self {
        Self {
            deaf: Some("not yet connected".to_owned()),
            round_trip: None,
            refused: BTreeMap::new(),
            sources: BTreeMap::new(),
            unusable: BTreeMap::new(),
            reload_refused: None,
            journal: None,
            mailbox: None,
            modem: None,
            channels: BTreeMap::new(),
            check_ins: Vec::new(),
            fleet: None,
            silence: None,
            watched: (0, BTreeMap::new()),
        }
    }
}

impl PartsHealth {
    pub(super) fn look(&mut self, channels: &Channels, keeper: &Keeper, modem: Option<&Modem>) {
        self.channels = channels.health();
        self.modem = modem.map(Modem::view);
        self.journal = keeper.trouble();
    }

    /// What keeps files, or what they set up, from being used: in words that stay the same while it
    /// does. Ways to people have alarms of their own.
    pub(super) fn set_up(&self) -> Option<String> {
        let parts = self.unusable.iter().filter(|(part, _)| !part.starts_with("contact."));
        let parts = parts.map(|(part, why)| format!("{part}: {}", tame(why, LONGEST_UNUSABLE)));
        let fleet = self.fleet.iter().filter_map(|fleet| fleet.as_ref().err());
        let fleet = fleet.map(|why| format!("the fleet's journal: {why}"));
        let all: Vec<_> = self.reload_refused.iter().cloned().chain(parts).chain(fleet).collect();
        (!all.is_empty()).then(|| all.join("; "))
    }

    pub(super) fn broker(&self) -> String {
        match (&self.deaf, self.round_trip) {
            (Some(why), _) => format!("NOT HEARD: {why}"),
            (None, Some(trip)) => format!("heard, our own message came back in {} ms", trip.as_millis()),
            (None, None) => "heard".to_owned(),
        }
    }
}

/// Anything as JSON for people to read.
pub(super) fn pretty(value: &impl Serialize) -> String {
    serde_json::to_string_pretty(value).unwrap_or_else(|error| format!("{{\"error\": \"{error}\"}}"))
}

pub(super) fn json(status: &Status, health: &PartsHealth, plan: &Plan) -> String {
    let channels: BTreeMap<String, _> = health
        .channels
        .iter()
        .map(|(target, channel)| {
            let error = channel.last_error.as_ref();
            let view = json!({
                "last_ok": channel.last_ok,
                "last_error": error.map(|(at, why)| json!({"at": at, "why": why})),
                "in_flight": channel.in_flight,
            });
            (target.to_string(), view)
        })
        .collect();
    pretty(&json!({
        "version": 1,
        "truth": truth(status, health, plan),
        "status": status,
        "health": {
            "broker": {"deaf": health.deaf, "round_trip_ms": health.round_trip.map(|trip| trip.as_millis() as u64), "refused": health.refused},
            "sources": health.sources,
            "journal": health.journal,
            "mailbox": health.mailbox.as_ref().map(|view| json!({"well": view.is_ok(), "why": view.as_ref().err()})),
            "fleet": health.fleet.as_ref().map(|view| json!({"well": view.is_ok(), "why": view.as_ref().err()})),
            "modem": health.modem.as_ref().map(|view| json!({"well": view.is_ok(), "view": view.as_ref().unwrap_or_else(|why| why)})),
            "unusable": health.unusable,
            "ill": ill(status, health),
            "reload_refused": health.reload_refused,
            "clock_trusted": status.at.wall_trusted,
            "channels": channels,
            "check_ins": health.check_ins.iter().map(|(way, own)| json!({
                "way": way, "last_ok": own.last_ok, "trouble": own.trouble,
            })).collect::<Vec<_>>(),
            "silence": health.silence,
            "watched": {"taken": health.watched.0, "refused": health.watched.1},
        },
    }))
}
