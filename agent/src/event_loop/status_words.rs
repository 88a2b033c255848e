//! `status` and `explain` for a person. What the engine sees and what the loop knows of its own
//! parts flow in; text flows out: the truth in one line, the tanks with their readings, what
//! stands, and then the watch's own parts, of which only what is not as it should be takes a line
//! of its own.

use super::health::{LONGEST_UNUSABLE, PartsHealth};
use super::telling::ill;
use crate::plain_text::tame;
use crate::truth::{WhatIsSeen, Wrong};
use slackwater_rules::engine::{AlarmView, CallView, DrillsView, Explanation, SensorView, Status};
use slackwater_rules::plan::{Plan, Target};
use slackwater_rules::record::Estimated;
use slackwater_rules::words::{capital, counted, list};
use std::fmt::Write;

/// So many refused subscriptions are named, and so much of each.
const MOST_REFUSED: usize = 8;
const LONGEST_FILTER: usize = 120;
/// A forecast is shown if it may come within so many hours.
const AHEAD_H: f64 = 24.0;

/// The truth in one line: what is wrong, else what can't be seen, else that all is well.
pub(super) fn truth(status: &Status, health: &PartsHealth, plan: &Plan) -> String {
    let mut open: Vec<&AlarmView> = status.alarms.iter().filter(|alarm| stands(alarm)).collect();
    open.sort_by_key(|alarm| (std::cmp::Reverse(alarm.priority), std::cmp::Reverse(alarm.stood)));
    let wrong = open.first().map(|worst| {
        let call = status.calls.iter().find(|call| call.about.contains(&worst.name));
        Wrong {
            what: worst.title.clone(),
            more: open.len() - 1,
            since: worst.since.clone(),
            code: worst.code.clone(),
            held: call.and_then(|call| call.held.clone()),
        }
    });
    let seen = WhatIsSeen {
        wrong,
        deaf: status.deaf.clone(),
        unseen: status.sensors.iter().filter(|it| !is_seen(it)).map(full_name).collect(),
        ill: ill(status, health).iter().map(|part| part_name(part, health, plan)).collect(),
        tanks: status.tanks.len(),
        sensors: status.sensors.len(),
        oldest: status.sensors.iter().filter_map(|sensor| sensor.age).max().unwrap_or_default(),
    };
    seen.line(&status.site)
}

fn part_name(part: &str, health: &PartsHealth, plan: &Plan) -> String {
    let way = health.channels.keys().find(|target| target.to_string() == part);
    match part {
        "clock" => "the clock, which is not trusted".to_owned(),
        "broker" | "journal" | "modem" => format!("the {part}"),
        "set-up" => "what it could not use of its files".to_owned(),
        other => way.map_or_else(|| other.to_owned(), |way| plan.way_in_words(way)),
    }
}

fn stands(alarm: &AlarmView) -> bool {
    alarm.code.is_some()
}

fn is_seen(sensor: &SensorView) -> bool {
    sensor.quality == "good"
}

fn full_name(sensor: &SensorView) -> String {
    sensor.tank.as_ref().map_or_else(|| sensor.title.clone(), |tank| format!("{tank} {}", sensor.title))
}

/// All of it.
pub(super) fn words(status: &Status, health: &PartsHealth, plan: &Plan) -> String {
    let mut out = format!("{}\n{}\n", truth(status, health, plan), status.time);
    if !health.unusable.is_empty() {
        out.push_str("\nNOT USED, because it is broken (tried again every ten seconds)\n");
    }
    for (part, why) in &health.unusable {
        let _ = writeln!(out, "  {part}: {}", tame(why, LONGEST_UNUSABLE));
    }
    tanks(&mut out, status);
    standing(&mut out, status);
    for relay in &status.relays {
        let state = relay.state.as_deref().unwrap_or("left to itself");
        let _ = writeln!(out, "\n{}: {state}", capital(&relay.title));
        if let Some(kept) = &relay.kept {
            let _ = writeln!(
                out,
                "  THE BROKER KEEPS the command {kept:?}: a device that connects would obey it"
            );
        }
    }
    for (tank, work, left) in &status.works {
        let _ = writeln!(out, "\nWork on {tank}: {work}, ends in {left}");
    }
    let soon: Vec<&Estimated> =
        status.estimates.iter().filter(|it| it.low_h.is_some_and(|hours| hours <= AHEAD_H)).collect();
    if !soon.is_empty() {
        out.push_str("\nHow long there is\n");
    }
    for estimate in soon {
        let _ = writeln!(out, "  {}", estimate.in_full());
    }
    own_parts(&mut out, status, health, plan);
    out.truncate(out.trim_end().len());
    out
}

/// Each tank with its readings, then what belongs to the whole site.
fn tanks(out: &mut String, status: &Status) {
    let wide = status.sensors.iter().map(|sensor| sensor.title.chars().count()).max().unwrap_or(0);
    let value = |sensor: &SensorView| sensor.shown.clone().unwrap_or_else(|| "not known".to_owned());
    let broad = status.sensors.iter().map(|sensor| value(sensor).chars().count()).max().unwrap_or(0);
    let places = status.tanks.iter().map(Some).chain([None]);
    for place in places {
        let mut own = status.sensors.iter().filter(|sensor| sensor.tank.as_ref() == place).peekable();
        if own.peek().is_some() {
            let _ = writeln!(out, "\n{}", place.map_or_else(|| "The house".to_owned(), |tank| capital(tank)));
        }
        for sensor in own {
            let mut said: Vec<String> = Vec::new();
            if !is_seen(sensor) {
                let since = sensor.age.map_or("NOT SEEN YET".to_owned(), |age| format!("NOT SEEN for {age}"));
                said.push(match &sensor.why {
                    Some(why) => format!("{since}: {why}"),
                    None => since,
                });
            }
            said.extend(sensor.trend.clone());
            if sensor.rejected > 0 {
                said.push(format!("{} not believed", counted(sensor.rejected as usize, "reading")));
            }
            let line = format!("  {:<wide$}  {:<broad$}  {}", sensor.title, value(sensor), said.join("; "));
            let _ = writeln!(out, "{}", line.trim_end());
        }
    }
}

/// What is open, call-out by call-out, and what is put aside; of the rest only how many there are.
fn standing(out: &mut String, status: &Status) {
    let open: Vec<&AlarmView> = status.alarms.iter().filter(|alarm| stands(alarm)).collect();
    if !open.is_empty() {
        out.push_str("\nWhat stands\n");
    }
    for alarm in &open {
        let _ = writeln!(out, "  {}", open_line(alarm));
        if let Some(cause) = &alarm.cause {
            let _ = writeln!(out, "    what may be behind it: {cause}");
        }
    }
    status.calls.iter().for_each(|call| call_out(out, call));
    let aside: Vec<&AlarmView> = status.alarms.iter().filter(|alarm| alarm.aside.is_some()).collect();
    if !aside.is_empty() {
        out.push_str("\nPut aside\n");
    }
    for alarm in &aside {
        let _ = writeln!(
            out,
            "  {}: {} {}",
            alarm.title,
            alarm.state,
            alarm.aside.as_deref().unwrap_or_default()
        );
    }
    let quiet = status.alarms.len().saturating_sub(open.len());
    let chatter: Vec<&str> =
        status.alarms.iter().filter(|alarm| alarm.chattering).map(|alarm| alarm.title.as_str()).collect();
    let and = if open.is_empty() { "" } else { " more" };
    let _ = writeln!(out, "\n{}{and} watched, and quiet.", counted(quiet, "alarm"));
    if !chatter.is_empty() {
        let _ = writeln!(out, "Coming and going all the time: {}.", list(&chatter));
    }
}

/// `High: Lagoon: the water is too cold (23.1 °C, should be at least 24 °C), for 12 min,
/// nobody has answered, code 4QTE`
fn open_line(alarm: &AlarmView) -> String {
    let stood = alarm.stood.map_or(String::new(), |stood| format!(", for {stood}"));
    let code = alarm.code.as_deref().unwrap_or_default();
    let reading = if alarm.reading.is_empty() { String::new() } else { format!(" ({})", alarm.reading) };
    let priority = capital(&alarm.priority.to_string());
    format!("{priority}: {}{reading}{stood}, {}, code {code}", alarm.title, state_in_words(&alarm.state))
}

/// A state of the standard, as pages say it.
fn state_in_words(state: &str) -> &str {
    match state {
        "unacknowledged" => "nobody has answered",
        "acknowledged" => "answered",
        "returned to normal, unacknowledged" => "over, nobody has answered",
        "latched, unacknowledged" => "over, but it stands until somebody answers",
        "latched, acknowledged" => "over and answered, but it stands until it is reset",
        as_it_is => as_it_is,
    }
}

fn call_out(out: &mut String, call: &CallView) {
    let due = call.due.map_or(String::new(), |due| format!(" in {due}"));
    let _ = writeln!(out, "\nCall-out {}: {}", call.code, list(&call.titles));
    if let Some(held) = &call.held {
        let _ = writeln!(out, "  {held}");
    }
    let _ = writeln!(out, "  next: {}{due}", call.next);
    for line in call.told.iter().chain(&call.answered) {
        let _ = writeln!(out, "  {line}");
    }
}

/// The watch itself: what is well in one line, what is not a line each.
fn own_parts(out: &mut String, status: &Status, health: &PartsHealth, plan: &Plan) {
    let mut well: Vec<String> = Vec::new();
    let mut lines: Vec<String> = Vec::new();
    match &health.deaf {
        None => well.push(format!("broker {}", health.broker())),
        Some(_) => lines.push(format!("broker {}", health.broker())),
    }
    for (filter, why) in health.refused.iter().take(MOST_REFUSED) {
        lines.push(format!("subscription to {} REFUSED: {why}", tame(filter, LONGEST_FILTER)));
    }
    match health.refused.len().saturating_sub(MOST_REFUSED) {
        0 => {}
        more => lines.push(format!("and {more} more subscriptions REFUSED")),
    }
    for (source, trouble) in &health.sources {
        match trouble {
            None => well.push(format!("{source} answers")),
            Some(why) => lines.push(format!("{source}: NOT ANSWERING: {why}")),
        }
    }
    match &health.journal {
        None => well.push("journal kept".to_owned()),
        Some(why) => lines.push(format!("journal {why}")),
    }
    match status.at.wall_trusted {
        true => well.push("clock trusted".to_owned()),
        false => lines.push("clock NOT TRUSTED: nothing says that it is synchronised".to_owned()),
    }
    for (way, own) in &health.check_ins {
        match (&own.trouble, own.last_ok) {
            (Some(why), _) => lines.push(format!("{way}: FAILING: {why}")),
            (None, Some(_)) => well.push(format!("{way}: well")),
            (None, None) => lines.push(format!("{way}: not used yet")),
        }
    }
    match &health.fleet {
        Some(Ok(())) => well.push("fleet's journal kept".to_owned()),
        Some(Err(why)) => lines.push(format!("fleet's journal NOT KEPT: {why}")),
        None => {}
    }
    lines.extend(health.silence.clone());
    let (taken, refused) = &health.watched;
    if *taken > 0 || !refused.is_empty() {
        let refused: Vec<_> = refused.iter().map(|(cause, count)| format!(", {count} {cause}")).collect();
        lines.push(format!("check-ins of other sites: {taken} taken{}", refused.concat()));
    }
    match &health.mailbox {
        Some(Ok(())) => well.push("mailbox open".to_owned()),
        Some(Err(why)) => lines.push(format!("mailbox NOT READY: {why}")),
        None => {}
    }
    match &health.modem {
        Some(Ok(view)) => lines.push(format!("modem {view}")),
        Some(Err(why)) => lines.push(format!("modem NOT READY: {why}")),
        None => {}
    }
    let mut unused: Vec<String> = Vec::new();
    for (target, channel) in &health.channels {
        let target = plan.way_in_words(target);
        match &channel.known {
            Some(Err(why)) => lines.push(format!("{target}: FAILING: {why}")),
            Some(Ok(())) => well.push(format!("{target}: well")),
            None => unused.push(target),
        }
    }
    if !unused.is_empty() {
        lines.push(format!("not used yet: {}", unused.join(", ")));
    }
    if let Some(why) = &health.reload_refused {
        lines.push(format!("the last reload was REFUSED, the old plan is in force:\n{why}"));
    }
    if let Some(first) = status.deadlines.first() {
        lines.push(format!("looks again in {}: {}", first.due, first.reason));
    }
    if let Some(drills) = &status.drills {
        drilled(&mut lines, drills, plan);
    }
    out.push_str("\nThe watch itself\n");
    if !well.is_empty() {
        let _ = writeln!(out, "  {}", well.join(", "));
    }
    for line in lines {
        let _ = writeln!(out, "  {line}");
    }
}

fn drilled(lines: &mut Vec<String>, drills: &DrillsView, plan: &Plan) {
    let mut proved: Vec<String> = Vec::new();
    for channel in &drills.channels {
        let target = plan.way_in_words(&Target::parse(&channel.target));
        let missed = match channel.missed {
            0 => String::new(),
            1 => "; the last test page was NOT answered".to_owned(),
            n => format!("; the last {n} test pages were NOT answered"),
        };
        let asked = channel.asked.map_or(String::new(), |ago| format!("; a test page waits, {ago} so far"));
        match channel.proved {
            Some(ago) if missed.is_empty() && asked.is_empty() => {
                proved.push(format!("{target} proved {ago} ago"));
            }
            Some(ago) => lines.push(format!("{target} proved {ago} ago{missed}{asked}")),
            None => lines.push(format!("{target} never proved{missed}{asked}")),
        }
    }
    lines.extend((!proved.is_empty()).then(|| proved.join(", ")));
    match (drills.waits, drills.next) {
        (Some(why), _) => lines.push(format!("test pages are due and wait: {why}")),
        (None, Some(next)) => lines.push(format!("next test pages in {next}")),
        (None, None) => {}
    }
    match (drills.outage, drills.outage_every) {
        (Some(ago), every) => {
            let due = every.is_some_and(|every| ago > every);
            lines.push(format!("last outage drill {ago} ago{}", if due { ": one is DUE" } else { "" }));
        }
        (None, Some(_)) => lines.push("no outage drill yet: one is DUE".to_owned()),
        (None, None) => {}
    }
}

/// `explain` for a person.
pub(super) fn explained(explanation: &Explanation) -> String {
    let alarm = &explanation.alarm;
    let mut out = format!("{} ({}): {}\n", alarm.title, alarm.priority, state_in_words(&alarm.state));
    if !explanation.in_words.is_empty() {
        let _ = writeln!(out, "rings while: {}", explanation.in_words);
    }
    if let Some(cause) = &alarm.cause {
        let _ = writeln!(out, "what may be behind it: {cause}");
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
        let _ = writeln!(out, "{}", capital(line));
    }
    out.truncate(out.trim_end().len());
    out
}
