//! The log: the review of a stretch of time with its digest, what happened in order with a filter,
//! and the same as CSV, JSON and as a report to keep.

use super::form::WebForm;
use super::frame::{heading, sign};
use super::house::{House, SharedLook};
use super::reply::{self, WebReply};
use crate::chart::Mark;
use crate::review::{self, Review, ReviewSpan, Stamp, render_csv};
use hyper::StatusCode;
use maud::{Markup, html};
use slackwater_rules::ids::way_in_words;
use slackwater_rules::time::Span;
use slackwater_rules::words::{capital, for_people_in, sentence, without_place};
use std::sync::Arc;

/// So many lines of what happened are shown.
const LINES: usize = 250;
/// Stretches that can be chosen.
const LENGTHS: [(&str, &str, i64); 5] = [
    ("1d", "A day", 1),
    ("3d", "Three days", 3),
    ("7d", "A week", 7),
    ("14d", "A fortnight", 14),
    ("31d", "A month", 31),
];

/// What is shown of it.
const KINDS: [(&str, &str); 4] = [
    ("", "Everything"),
    ("alarms", "Alarms"),
    ("people", "What people did"),
    ("unseen", "What was not seen"),
];

struct LogLine {
    at: Stamp,
    mark: Mark,
    kind: &'static str,
    words: String,
    small: String,
}

fn length(query: &WebForm) -> (&'static str, Span) {
    let asked = query.get("since").unwrap_or("3d");
    let found = LENGTHS.into_iter().find(|(key, ..)| *key == asked).unwrap_or(("3d", "", 3));
    (found.0, Span::hours(24 * found.2))
}

async fn read(house: &House, seen: &SharedLook, length: Span) -> Result<Review, String> {
    let (plan, until) = (Arc::clone(&seen.look.plan), seen.look.view.at.wall);
    let window = ReviewSpan { since: until - length, until };
    house.journal(move |log| review::review(log, Some(&plan), window, &plan.zone)).await
}

/// The page.
pub(super) async fn main(house: &House, seen: &SharedLook, query: &WebForm) -> Markup {
    let (since, span) = length(query);
    let kind = query.get("show").unwrap_or_default();
    let words = query.get("words").unwrap_or_default().to_lowercase();
    let read = read(house, seen, span).await;
    html! {
        (heading(&["The log".to_owned()]))
        nav.tabs aria-label="How long a time" {
            @for (key, name, _) in LENGTHS { a.btn href={ "/log?since=" (key) "&show=" (kind) } aria-current=[(key == since).then_some("true")] { (name) } }
        }
        @match read {
            Err(why) => { p { b { "The log can’t be read: " } (why) } }
            Ok(review) => {
                ul.rows.digest { @for line in review.digest.iter().skip(1) { li { (line) } } }
                form.slim method="get" action="/log" {
                    input type="hidden" name="since" value=(since);
                    label for="show" { "Show" }
                    select id="show" name="show" { @for (key, name) in KINDS { option value=(key) selected[key == kind] { (name) } } }
                    label for="words" { "With these words" }
                    input id="words" type="text" name="words" maxlength="60" value=(words);
                    button.btn type="submit" { "Show" }
                }
                (happened(seen, &review, kind, &words))
                section.b {
                    h2 { "To keep" }
                    ul.rows {
                        li { a.go href={ "/log/report.html?since=" (since) } { "The report, with pictures" } small { ": one file, to read offline and to print" } }
                        li { a.go href={ "/log/review.csv?since=" (since) } { "CSV" } small { ", for tables" } }
                        li { a.go href={ "/log/review.json?since=" (since) } { "JSON" } small { ", for programs" } }
                    }
                }
            }
        }
    }
}

fn happened(seen: &SharedLook, review: &Review, kind: &str, words: &str) -> Markup {
    let mut lines = lines(seen, review);
    lines.sort_by_key(|line| std::cmp::Reverse(line.at.unix_ms));
    lines.retain(|line| {
        (kind.is_empty() || line.kind == kind)
            && (words.is_empty()
                || line.words.to_lowercase().contains(words)
                || line.small.to_lowercase().contains(words))
    });
    let more = lines.len().saturating_sub(LINES);
    let zone = &seen.look.plan.zone;
    let mut day = String::new();
    html! {
        section.b {
            h2 { "What happened" }
            @if lines.is_empty() { p { "Nothing that fits." } }
            ol.log { @for line in lines.iter().take(LINES) {
                @let date = line.at.unix_ms.civil(zone).strftime("%A %-d %B").to_string();
                @if date != day { li.plain.day-head { (date) } ({ day = date; "" }) }
                li {
                    time { (line.at.unix_ms.civil(zone).strftime("%H:%M").to_string()) }
                    (sign(line.mark))
                    span { (line.words) @if !line.small.is_empty() { small { (line.small) } } }
                }
            } }
            @if more > 0 { p.small { "and " (more) " before these" } }
        }
    }
}

/// Everything in the review, a line each.
fn lines(seen: &SharedLook, review: &Review) -> Vec<LogLine> {
    let plan = &seen.look.plan;
    let person = |who: &str| {
        plan.directory.contacts.get(who).map_or_else(|| who.to_owned(), |contact| contact.name.clone())
    };
    let mut found = Vec::new();
    let called = |name: &str, place: &str| {
        let alarm = plan.alarm_named(name).map(|id| plan.alarm(id));
        let title = alarm.map_or_else(|| name.replace('-', " "), |alarm| alarm.title.clone());
        let place = alarm.map_or_else(|| place.to_owned(), |alarm| plan.title(alarm.tank).to_owned());
        let what = without_place(&title, &place);
        if place == review.site { capital(what) } else { format!("{}: {what}", capital(&place)) }
    };
    for it in &review.episodes {
        let what = called(&it.alarm, &it.place);
        let open = it.returned.is_none() && it.put_aside.is_none();
        let mark = match (open, it.acknowledged.is_empty()) {
            (false, _) => Mark::Over,
            (true, true) => Mark::Open(it.priority),
            (true, false) => Mark::Held(it.priority),
        };
        let stood = if open { "It stands.".to_owned() } else { format!("It stood for {}.", it.stood) };
        let small = format!(
            "{}, code {}. {} {stood}",
            capital(&it.priority.to_string()),
            it.code,
            sentence(&for_people_in(&it.because))
        );
        found.push(LogLine { at: it.detected.clone(), mark, kind: "alarms", words: what.clone(), small });
        if let Some(at) = &it.returned {
            found.push(LogLine {
                at: at.clone(),
                mark: Mark::Over,
                kind: "alarms",
                words: format!("{what}: over"),
                small: String::new(),
            });
        }
        for switched in &it.stopgaps {
            let relay = plan.relays.iter().find(|relay| relay.name == switched.relay);
            let title = relay.map_or_else(|| switched.relay.replace('-', " "), |relay| relay.title.clone());
            let state = if switched.on { "on" } else { "off" };
            let (mark, proof) = match &switched.proof {
                review::ProofSeen::Proved { after } => (Mark::Done, format!("Proved after {after}.")),
                review::ProofSeen::NotProved { why } => (Mark::Unknown, format!("Not proved: {why}.")),
                review::ProofSeen::Unknown => (Mark::Unknown, "No proof on record.".to_owned()),
            };
            found.push(LogLine {
                at: switched.at.clone(),
                mark,
                kind: "alarms",
                words: format!("{} {state}", capital(&title)),
                small: proof,
            });
        }
    }
    for call in &review.call_outs {
        for page in &call.pages {
            let (who, way) = page.to.split_once('.').unwrap_or(("the house", &page.to));
            let result = match &page.result {
                review::PageResult::Accepted { .. } => (Mark::Told, "sent".to_owned()),
                review::PageResult::Deferred { why } => (Mark::NotTold, format!("not then: {why}")),
                review::PageResult::Failed { why } => (Mark::NotTold, format!("failed: {why}")),
                review::PageResult::Unknown => (Mark::Unknown, "not known whether it left".to_owned()),
            };
            let words = format!("{} by {}: {}", capital(&person(who)), way.replace('-', " "), result.1);
            found.push(LogLine {
                at: page.at.clone(),
                mark: result.0,
                kind: "people",
                words,
                small: page.headline.clone(),
            });
        }
        for answer in &call.answers {
            let words = format!("{} answered {}", capital(&person(&answer.who)), way_in_words(&answer.via));
            found.push(LogLine {
                at: answer.at.clone(),
                mark: Mark::Done,
                kind: "people",
                words,
                small: String::new(),
            });
        }
    }
    for aside in &review.asides {
        let small = format!("By {}.", person(&aside.who));
        let words = match aside.kind {
            "work" => format!("{}: {}", capital(&aside.of), aside.why.replace('-', " ")),
            kind => format!("{}, {kind}: {}", called(&aside.of, &review.site), aside.why),
        };
        found.push(LogLine { at: aside.from.clone(), mark: Mark::Work, kind: "people", words, small });
    }
    for gap in &review.coverage.gaps {
        let length = gap
            .to
            .as_ref()
            .and_then(|to| to.after(&gap.from))
            .map_or("until now".to_owned(), |length| length.to_string());
        let what = match gap.of.as_str() {
            "agent" => "The watch was off".to_owned(),
            "broker" => "The broker was not heard".to_owned(),
            "journal" | "records" => "The log has a gap".to_owned(),
            other => plan.sensors.iter().find(|sensor| sensor.name == other).map_or_else(
                || format!("Not seen: {}", other.replace('-', " ")),
                |sensor| format!("Not seen: {}", crate::seen::name_of(plan, sensor)),
            ),
        };
        found.push(LogLine {
            at: gap.from.clone(),
            mark: Mark::Stale,
            kind: "unseen",
            words: format!("{what}, {length}"),
            small: capital(&gap.why),
        });
    }
    for note in &review.notes {
        found.push(LogLine {
            at: note.at.clone(),
            mark: Mark::Over,
            kind: "people",
            words: capital(&note.text),
            small: String::new(),
        });
    }
    found
}

/// The same to keep; nothing if it is no form that there is.
pub(super) async fn file(house: &House, seen: &SharedLook, name: &str, query: &WebForm) -> Option<WebReply> {
    let (_, span) = length(query);
    let failed = |why: String| {
        reply::words(StatusCode::INTERNAL_SERVER_ERROR, &format!("the log can't be read: {why}"))
    };
    let site: String = seen
        .look
        .view
        .site
        .chars()
        .map(|sign| if sign.is_ascii_alphanumeric() { sign.to_ascii_lowercase() } else { '-' })
        .collect();
    Some(match name {
        "report.html" => {
            let (plan, until) = (Arc::clone(&seen.look.plan), seen.look.view.at.wall);
            let window = ReviewSpan { since: until - span, until };
            match house.journal(move |log| crate::report::report(log, &plan, window, &plan.zone)).await {
                Ok(html) => reply::report(html),
                Err(why) => failed(why),
            }
        }
        "review.csv" => match read(house, seen, span).await {
            Ok(review) => reply::file("text/csv; charset=utf-8", &format!("{site}.csv"), render_csv(&review)),
            Err(why) => failed(why),
        },
        "review.json" => match read(house, seen, span)
            .await
            .and_then(|review| serde_json::to_string_pretty(&review).map_err(|error| error.to_string()))
        {
            Ok(json) => reply::file("application/json", &format!("{site}.json"), json),
            Err(why) => failed(why),
        },
        _ => return None,
    })
}
