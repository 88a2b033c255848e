//! How the agent itself is, and the words of `status` and `explain`. What the engine sees and
//! what the loop knows of its own parts flow in; text or JSON for a person or a script flows
//! out.

use super::telling::ill;
use crate::channels::{self, Channels};
use crate::checkin::WayHealth;
use crate::journal::writer::Keeper;
use crate::modem::{self, Modem};
use crate::plain_text::tame;
use serde::Serialize;
use serde_json::json;
use slackwater_rules::engine::{AlarmView, DrillsView, Explanation, Status};
use slackwater_rules::plan::Target;
use std::collections::BTreeMap;
use std::fmt::Write;
use std::time::Duration;

/// So many refused subscriptions are named, and so much of each.
const MOST_REFUSED: usize = 8;
const LONGEST_FILTER: usize = 120;

/// Of why a part can't be used, so much is shown.
const LONGEST_UNUSABLE: usize = 400;

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

    /// What keeps files, or what they set up, from being used: in words that stay the same while it does.
    /// Ways to people have alarms of their own.
    pub(super) fn set_up(&self) -> Option<String> {
        let parts = self.unusable.iter().filter(|(part, _)| !part.starts_with("contact."));
        let parts = parts.map(|(part, why)| format!("{part}: {}", tame(why, LONGEST_UNUSABLE)));
        let all: Vec<_> = self.reload_refused.iter().cloned().chain(parts).collect();
        (!all.is_empty()).then(|| all.join("; "))
    }

    fn broker(&self) -> String {
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

pub(super) fn json(status: &Status, health: &PartsHealth) -> String {
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
        "status": status,
        "health": {
            "broker": {"deaf": health.deaf, "round_trip_ms": health.round_trip.map(|trip| trip.as_millis() as u64), "refused": health.refused},
            "sources": health.sources,
            "journal": health.journal,
            "mailbox": health.mailbox.as_ref().map(|view| json!({"well": view.is_ok(), "why": view.as_ref().err()})),
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

/// `status` for a person: what rings first, then what is seen, then the agent's own parts.
pub(super) fn words(status: &Status, health: &PartsHealth) -> String {
    let mut out = String::new();
    let ringing: Vec<_> = status.alarms.iter().filter(|alarm| alarm.code.is_some()).collect();
    let calm = match ringing.len() {
        0 => "nothing rings".to_owned(),
        1 => "1 alarm is open".to_owned(),
        n => format!("{n} alarms are open"),
    };
    let _ = writeln!(out, "{}: {calm}", status.site);
    for alarm in ringing {
        let _ = writeln!(out, "  {}", ringing_line(alarm));
    }
    if !health.unusable.is_empty() {
        out.push_str("\nNOT USED, because it is broken (tried again every ten seconds)\n");
    }
    for (part, why) in &health.unusable {
        let _ = writeln!(out, "  {part}: {}", tame(why, LONGEST_UNUSABLE));
    }
    for call in &status.calls {
        let due = call.due.map_or(String::new(), |due| format!(" in {due}"));
        let _ = writeln!(
            out,
            "\ncall-out {} ({}, code {}): {}",
            call.policy,
            call.purpose,
            call.code,
            call.about.join(", ")
        );
        let _ = writeln!(out, "  next: {}{due}", call.next);
        for line in call.told.iter().chain(&call.answered) {
            let _ = writeln!(out, "  {line}");
        }
    }
    for relay in &status.relays {
        let _ =
            writeln!(out, "\nrelay {}: {}", relay.name, relay.state.as_deref().unwrap_or("left to itself"));
        if let Some(kept) = &relay.kept {
            let _ = writeln!(
                out,
                "  THE BROKER KEEPS the command {kept:?}: a device that connects would obey it"
            );
        }
    }
    for (tank, work, left) in &status.works {
        let _ = writeln!(out, "\nwork on {tank}: {work}, ends in {left}");
    }
    out.push_str("\nsensors\n");
    let wide = status.sensors.iter().map(|sensor| sensor.name.len()).max().unwrap_or(0);
    for sensor in &status.sensors {
        let age = sensor.age.map_or("never heard".to_owned(), |age| format!("{age} ago"));
        let value = sensor.value.as_deref().unwrap_or("-");
        let _ = write!(out, "  {:<wide$}  {value:<12} {:<8} {age}", sensor.name, sensor.quality);
        if let Some(why) = &sensor.why {
            let _ = write!(out, "; {why}");
        }
        if sensor.rejected > 0 {
            let _ = write!(out, "; {} rejected", sensor.rejected);
        }
        out.push('\n');
    }
    out.push_str("\nalarms\n");
    let wide = status.alarms.iter().map(|alarm| alarm.name.len()).max().unwrap_or(0);
    for alarm in &status.alarms {
        let aside = alarm.aside.as_ref().map_or(String::new(), |aside| format!(" {aside}"));
        let chatter = if alarm.chattering { ", chattering" } else { "" };
        let _ = writeln!(
            out,
            "  {:<wide$}  {:<8} {}{aside} (condition {}{chatter})",
            alarm.name,
            alarm.priority.to_string(),
            alarm.state,
            alarm.truth
        );
    }
    if let Some(drills) = &status.drills {
        out.push_str("\ntest pages and drills\n");
        drilled(&mut out, drills);
    }
    if !status.estimates.is_empty() {
        out.push_str("\nhow long there is\n");
    }
    for estimate in &status.estimates {
        let _ = writeln!(out, "  {}", estimate.in_full());
    }
    out.push_str("\nnext deadlines\n");
    for deadline in status.deadlines.iter().take(8) {
        let _ = writeln!(out, "  in {}: {}", deadline.due, deadline.reason);
    }
    out.push_str("\nthe agent itself\n");
    let _ = writeln!(out, "  broker   {}", health.broker());
    for (filter, why) in health.refused.iter().take(MOST_REFUSED) {
        let filter = tame(filter, LONGEST_FILTER);
        let _ = writeln!(out, "           subscription to {filter} REFUSED: {why}");
    }
    match health.refused.len().saturating_sub(MOST_REFUSED) {
        0 => {}
        more => drop(writeln!(out, "           and {more} more subscriptions REFUSED")),
    }
    for (source, trouble) in &health.sources {
        let state = trouble.as_ref().map_or("answers".to_owned(), |why| format!("NOT ANSWERING: {why}"));
        let _ = writeln!(out, "  {source}: {state}");
    }
    let _ = writeln!(out, "  journal  {}", health.journal.as_deref().unwrap_or("kept"));
    let clock =
        if status.at.wall_trusted { "trusted" } else { "NOT TRUSTED: nothing says that it is synchronised" };
    let _ = writeln!(out, "  clock    {clock}");
    for (way, own) in &health.check_ins {
        let _ = match (&own.trouble, own.last_ok) {
            (Some(why), _) => writeln!(out, "  {way}: FAILING: {why}"),
            (None, Some(_)) => writeln!(out, "  {way}: well"),
            (None, None) => writeln!(out, "  {way}: not used yet"),
        };
    }
    if let Some(silence) = &health.silence {
        let _ = writeln!(out, "  {silence}");
    }
    let (taken, refused) = &health.watched;
    if *taken > 0 || !refused.is_empty() {
        let refused: Vec<_> = refused.iter().map(|(cause, count)| format!(", {count} {cause}")).collect();
        let _ = writeln!(out, "  check-ins of other sites: {taken} taken{}", refused.concat());
    }
    match &health.mailbox {
        Some(Ok(())) => out.push_str("  mailbox  open: answers by mail are heard\n"),
        Some(Err(why)) => drop(writeln!(out, "  mailbox  NOT READY: {why}")),
        None => {}
    }
    match &health.modem {
        Some(Ok(view)) => drop(writeln!(out, "  modem    {view}")),
        Some(Err(why)) => drop(writeln!(out, "  modem    NOT READY: {why}")),
        None => {}
    }
    for (target, channel) in &health.channels {
        let state = match &channel.known {
            Some(Err(why)) => format!("FAILING: {why}"),
            Some(Ok(())) => "well".to_owned(),
            None => "not used yet".to_owned(),
        };
        let _ = writeln!(out, "  {target}: {state}");
    }
    if let Some(why) = &health.reload_refused {
        let _ = writeln!(out, "  the last reload was REFUSED, the old plan is in force:\n{why}");
    }
    out.truncate(out.trim_end().len());
    out
}

fn drilled(out: &mut String, drills: &DrillsView) {
    let wide = drills.channels.iter().map(|channel| channel.target.len()).max().unwrap_or(0);
    for channel in &drills.channels {
        let proved = match channel.proved {
            Some(ago) => format!("proved {ago} ago"),
            None => "never proved".to_owned(),
        };
        let missed = match channel.missed {
            0 => String::new(),
            1 => "; the last test page was NOT answered".to_owned(),
            n => format!("; the last {n} test pages were NOT answered"),
        };
        let asked = channel.asked.map_or(String::new(), |ago| format!("; a test page waits, {ago} so far"));
        let _ = writeln!(out, "  {:<wide$}  {proved}{missed}{asked}", channel.target);
    }
    match (drills.waits, drills.next) {
        (Some(why), _) => drop(writeln!(out, "  test pages are due and wait: {why}")),
        (None, Some(next)) => drop(writeln!(out, "  next test pages in {next}")),
        (None, None) => {}
    }
    match (drills.outage, drills.outage_every) {
        (Some(ago), every) => {
            let due = every.is_some_and(|every| ago > every);
            let _ = writeln!(out, "  last outage drill {ago} ago{}", if due { ": one is DUE" } else { "" });
        }
        (None, Some(_)) => drop(writeln!(out, "  no outage drill yet: one is DUE")),
        (None, None) => {}
    }
}

fn ringing_line(alarm: &AlarmView) -> String {
    let stood = alarm.stood.map_or(String::new(), |stood| format!(", for {stood}"));
    let code = alarm.code.as_deref().unwrap_or_default();
    format!("{}: {}, {}, {}{stood}, code {code}", alarm.place, alarm.name, alarm.priority, alarm.state)
}

/// `explain` for a person.
pub(super) fn explained(explanation: &Explanation) -> String {
    let alarm = &explanation.alarm;
    let mut out = format!("{} ({}): {}\n", alarm.name, alarm.priority, alarm.state);
    if !explanation.written.is_empty() {
        let _ = writeln!(out, "rings while: {}", explanation.written);
    }
    for (depth, text, _) in &explanation.reasons {
        let _ = writeln!(out, "{:1$}{text}", "", 2 + depth * 2);
    }
    if !explanation.worse.is_empty() {
        out.push_str("worse, and so breaking through an answer, while:\n");
    }
    for (depth, text, _) in &explanation.worse {
        let _ = writeln!(out, "{:1$}{text}", "", 2 + depth * 2);
    }
    for line in &explanation.change {
        let _ = writeln!(out, "{line}");
    }
    out.truncate(out.trim_end().len());
    out
}
