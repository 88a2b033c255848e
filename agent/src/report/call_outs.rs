//! The call-outs, one after the other: what it was, its picture, what was said and what came, who
//! was told.

use super::ReportParts;
use super::names::{ReportNames, minutes};
use crate::chart::{ChartEvent, FanLine, Foot, Mark, Stretch, fan_line, mark, plot};
use crate::journal::JournalError;
use crate::review::{CallOutReview, Episode, PageResult, ProofSeen, Stamp, Switching};
use crate::seen;
use maud::{Markup, PreEscaped, html};
use slackwater_rules::alarm::Priority;
use slackwater_rules::ids::way_in_words;
use slackwater_rules::plan::{SensorId, TankId};
use slackwater_rules::record::Purpose;
use slackwater_rules::time::{Span, Wall};
use slackwater_rules::words::{capital, list, sentence};

/// So many call-outs have their picture and their table; the others are a line each.
const PICTURES: usize = 40;
/// So many rows a table.
const ROWS: usize = 60;
/// So many switchings of one call-out are told.
const SWITCHINGS: usize = 6;
/// So many other things of one call-out are named.
const ALSO: usize = 12;

pub(super) fn section(made: &ReportParts<'_>) -> Result<Markup, JournalError> {
    let called: Vec<&CallOutReview> =
        made.review.call_outs.iter().filter(|call| !call.episodes.is_empty()).collect();
    let mut told = Vec::new();
    for call in called.iter().take(PICTURES) {
        told.push(call_out(made, call)?);
    }
    let names = made.names();
    Ok(html! {
        section.b {
            h2 { "The call-outs" }
            @if called.is_empty() { p { "Nobody had to be called." } }
            @for call in told { (call) }
            @for call in called.iter().skip(PICTURES) {
                p { (names.time(&call.began)) " " (lead(made, call).map_or_else(|| call.policy.clone(), |it| names.what(it))) }
            }
        }
    })
}

fn episodes<'r>(made: &'r ReportParts<'_>, call: &'r CallOutReview) -> impl Iterator<Item = &'r Episode> {
    call.episodes.iter().filter_map(|number| made.review.episodes.iter().find(|it| it.episode == *number))
}

/// What it was about: the worst, then the first.
fn lead<'r>(made: &'r ReportParts<'_>, call: &'r CallOutReview) -> Option<&'r Episode> {
    episodes(made, call).min_by_key(|it| std::cmp::Reverse(it.priority))
}

fn call_out(made: &ReportParts<'_>, call: &CallOutReview) -> Result<Markup, JournalError> {
    let names = made.names();
    let Some(lead) = lead(made, call) else { return Ok(html! {}) };
    let sign = match (&call.ended, call.answers.is_empty()) {
        (Some(_), _) => Mark::Over,
        (None, true) => Mark::Open(lead.priority),
        (None, false) => Mark::Held(lead.priority),
    };
    let end = match &call.ended {
        Some(ended) => format!("to {}", names.time_on(ended, &call.began)),
        None => "and still open".to_owned(),
    };
    let others: Vec<&Episode> = episodes(made, call).filter(|it| it.episode != lead.episode).collect();
    let more = others.len().saturating_sub(ALSO);
    let picture = picture(made, call)?;
    Ok(html! {
        div.call-out {
            h3 { (PreEscaped(mark(sign))) span { (names.what(lead)) ". " (names.time(&call.began)) " " (end) ", " (lead.priority) ", code " span.code { (lead.code) } } }
            p { (story(&names, call, lead)) }
            @if !others.is_empty() {
                p { "With it: "
                    @for (nth, other) in others.iter().take(ALSO).enumerate() {
                        @if nth > 0 { "; " }
                        (names.what(other)) ", " (names.time_on(&other.detected, &call.began))
                        @if other.stood >= Span::minutes(1) { " for " (minutes(other.stood)) }
                    }
                    @if more > 0 { "; and " (more) " more" }
                    "."
                }
            }
            (picture)
            (said_and_came(made, call))
            (told(&names, call))
        }
    })
}

/// One paragraph in words.
fn story(names: &ReportNames<'_>, call: &CallOutReview, lead: &Episode) -> String {
    let day = &call.began;
    let mut said = Vec::new();
    if !lead.because.is_empty() {
        said.push(sentence(&slackwater_rules::words::for_people_in(&lead.because)));
    }
    let same = |one: &Switching, other: &Switching| one.relay == other.relay && one.on == other.on;
    let mut tries = lead.stopgaps.chunk_by(same);
    said.extend(tries.by_ref().take(SWITCHINGS).filter_map(|tries| switched(names, tries, day)));
    let more: usize = tries.map(<[Switching]>::len).sum();
    if more > 0 {
        said.push(format!("It was switched {more} times more."));
    }
    for worse in lead.worsened.iter().take(3) {
        said.push(format!("It got worse at {}.", names.time_on(&worse.at, day)));
    }
    match call.answers.first() {
        Some(answer) => {
            let after = answer.after.map_or(String::new(), |after| format!(" after {}", minutes(after)));
            let aim = names.alarm(&lead.alarm).and_then(|alarm| alarm.time_to_respond);
            let aim = match aim.zip(answer.after) {
                Some((aim, after)) if after > aim => format!(" (the time to act was {aim}: missed)"),
                Some((aim, _)) => format!(" (the time to act was {aim})"),
                None => String::new(),
            };
            let who = names.person(&answer.who);
            said.push(format!("{who} answered at {}{after}{aim}.", names.time_on(&answer.at, day)));
            for later in call.answers.iter().skip(1).take(4) {
                said.push(format!(
                    "{} answered again at {}.",
                    names.person(&later.who),
                    names.time_on(&later.at, day)
                ));
            }
        }
        None => said.push("Nobody answered.".to_owned()),
    }
    match (&lead.returned, &lead.put_aside) {
        (Some(at), _) => {
            said.push(format!("It was over at {}, after {}.", names.time_on(at, day), minutes(lead.stood)))
        }
        (None, Some(aside)) => {
            said.push(format!("It was put aside at {}: {}.", names.time_on(&aside.at, day), aside.why))
        }
        (None, None) => said.push("It is not over yet.".to_owned()),
    }
    if let Some(found) = &lead.mark {
        let note = if found.note.is_empty() { String::new() } else { format!(": {}", found.note) };
        said.push(format!("{} found it {}{note}.", names.person(&found.who), found.verdict));
    }
    said.join(" ")
}

/// A switching with its tries in one sentence: what counts is how the last one went.
fn switched(names: &ReportNames<'_>, tries: &[Switching], day: &Stamp) -> Option<String> {
    let (first, last) = (tries.first()?, tries.last()?);
    let state = if last.on { "on" } else { "off" };
    let at = names.time_on(&first.at, day);
    let nth = match tries.len() {
        1 => String::new(),
        count => format!(" at try {count}, {}", names.time_on(&last.at, day)),
    };
    let proof = match &last.proof {
        ProofSeen::Proved { after } => format!("proved after {after}{nth}"),
        ProofSeen::NotProved { why } => format!("not proved{nth}: {why}"),
        ProofSeen::Unknown => format!("no proof on record{nth}"),
    };
    Some(format!("{} {state} at {at}, {proof}.", capital(&names.relay(&last.relay))))
}

/// The thermometer of the tank that its first episode of a tank is about; of the first tank if it
/// is about none.
fn thermometer_of(made: &ReportParts<'_>, call: &CallOutReview) -> Option<SensorId> {
    let names = made.names();
    let own = episodes(made, call).find_map(|it| names.tank(&it.alarm));
    let tank = own.or_else(|| (!made.plan.tanks.is_empty()).then_some(TankId(0)))?;
    seen::water_of(made.plan, tank)
}

/// Its time with a margin before and behind.
fn around(made: &ReportParts<'_>, call: &CallOutReview) -> Stretch {
    let ended = call.ended.as_ref().map_or(made.review.until.unix_ms, |ended| ended.unix_ms);
    let length = (ended - call.began.unix_ms).max(Span::minutes(30)).min(Span::hours(48));
    let margin = Span((length.0 / 3).max(Span::hours(1).0));
    let to = (call.began.unix_ms + length + margin).min(made.review.until.unix_ms);
    Stretch { from: call.began.unix_ms - margin, to }
}

fn picture(made: &ReportParts<'_>, call: &CallOutReview) -> Result<Markup, JournalError> {
    let Some(sensor) = thermometer_of(made, call) else { return Ok(html! {}) };
    let span = around(made, call);
    let step = Span::minutes((span.length().0 / 60_000 / 140).max(1));
    let mut picture = seen::picture(made.log, made.plan, sensor, span, step, made.zone)?;
    if picture.seen.is_empty() {
        return Ok(html! {});
    }
    picture.id = format!("c{}", call.call_out);
    let names = made.names();
    let mut event = |at: &Stamp, words: String| picture.events.push(ChartEvent { at: at.unix_ms, words });
    let clock = |at: &Stamp| at.unix_ms.civil(made.zone).strftime("%H:%M").to_string();
    for it in episodes(made, call).take(6) {
        event(&it.detected, format!("{} {}", clock(&it.detected), names.what(it).to_lowercase()));
    }
    for answer in call.answers.iter().take(2) {
        event(&answer.at, format!("{} {} answered", clock(&answer.at), names.person(&answer.who)));
    }
    for switched in episodes(made, call).flat_map(|it| &it.stopgaps).take(4) {
        let state = if switched.on { "on" } else { "off" };
        event(&switched.at, format!("{} {} {state}", clock(&switched.at), names.relay(&switched.relay)));
    }
    picture.events.sort_by_key(|event| event.at);
    for it in episodes(made, call) {
        let to = it.returned.as_ref().map_or(span.to, |at| at.unix_ms);
        let trouble = matches!(it.priority, Priority::Critical | Priority::High);
        picture.feet.push(Foot { when: Stretch { from: it.detected.unix_ms, to }, trouble });
    }
    let name = seen::name_of(made.plan, made.plan.sensor(sensor));
    let unit = seen::unit_of(made.plan.sensor(sensor));
    Ok(html! {
        figure {
            figcaption { (name) ", " (unit) }
            (PreEscaped(plot(&picture, made.zone)))
        }
    })
}

/// A forecast only beside what came.
fn said_and_came(made: &ReportParts<'_>, call: &CallOutReview) -> Markup {
    let mut lines: Vec<(String, FanLine)> = Vec::new();
    for episode in episodes(made, call) {
        for foretold in &episode.foretold {
            for estimate in &foretold.estimates {
                let (Some(low), Some(water)) = (estimate.low_h, estimate.water) else { continue };
                let tank =
                    (0..).map(TankId).zip(&made.plan.tanks).find(|(_, tank)| tank.name == estimate.place);
                let Some((tank, found)) = tank else { continue };
                let Some(sensor) = seen::water_of(made.plan, tank) else { continue };
                let until = foretold.at.unix_ms + Span::hours(24);
                let Some(came) = crossed(made, sensor, foretold.at.unix_ms, until, water.below, water.limit)
                else {
                    continue;
                };
                let hours = (came - foretold.at.unix_ms).0 as f64 / 3_600_000.0;
                let spoken = seen::spoken(made.plan.sensor(sensor));
                let limit = spoken(seen::shown(made.plan.sensor(sensor), water.limit));
                let side = if water.below { "below" } else { "above" };
                let high = estimate
                    .high_h
                    .map_or_else(|| "any time later".to_owned(), |high| span_of(high).to_string());
                let words = format!(
                    "{}, {side} {limit}: said {} to {high}; came after {}.",
                    capital(&found.title),
                    span_of(low),
                    span_of(hours)
                );
                let high = estimate.high_h.unwrap_or(f64::INFINITY);
                let likely = estimate.likely_h.unwrap_or(f64::INFINITY);
                let key = words.split(':').next().unwrap_or_default().to_owned();
                // The first word on it counts.
                if !lines.iter().any(|(known, _)| known.starts_with(&key)) {
                    lines.push((words, FanLine { low, likely, high, came: Some(hours) }));
                }
            }
        }
    }
    html! {
        @for (words, line) in lines.iter().take(6) {
            div.said { p.small { (words) } (PreEscaped(fan_line(line))) }
        }
    }
}

fn span_of(hours: f64) -> Span {
    minutes(Span((hours.clamp(0.0, 10_000.0) * 60.0).round() as i64 * 60_000))
}

/// When the water was first on the bad side of a limit; nothing if it was so before, or never.
fn crossed(
    made: &ReportParts<'_>,
    sensor: SensorId,
    from: Wall,
    to: Wall,
    below: bool,
    limit: f64,
) -> Option<Wall> {
    let name = &made.plan.sensor(sensor).name;
    let said = made.log.bars(name, from, to.min(made.review.until.unix_ms), Span::minutes(5)).ok()?;
    let bad = |mean: f64| if below { mean < limit } else { mean > limit };
    let first = said.iter().position(|step| bad(step.mean))?;
    said.get(first).filter(|_| first > 0).map(|step| step.from)
}

/// What happened to whom in one minute.
struct ToldRow {
    at: String,
    who: Vec<String>,
    what: String,
    answers: bool,
}

fn told(names: &ReportNames<'_>, call: &CallOutReview) -> Markup {
    let mut found: Vec<(&Stamp, String, String, bool)> = Vec::new();
    let way = |to: &str| {
        let (who, how) = names.target(to);
        format!("{who} by {how}")
    };
    for page in &call.pages {
        let purpose = match page.purpose {
            purpose if purpose.hushes(&page.to) => "told to be quiet; ",
            Purpose::Call => "",
            Purpose::Taken => "told that somebody has answered; ",
            Purpose::AllClear => "all-clear; ",
            Purpose::Digest => "in the morning; ",
            Purpose::Drill => "drill; ",
            Purpose::Notice => "notice; ",
        };
        let result = match &page.result {
            PageResult::Accepted { .. } => "sent".to_owned(),
            PageResult::Deferred { why } => format!("not then: {why}"),
            PageResult::Failed { why } => format!("failed: {why}"),
            PageResult::Unknown => "not known whether it left".to_owned(),
        };
        found.push((&page.at, way(&page.to), format!("{purpose}{result}"), false));
    }
    for skipped in &call.skipped {
        found.push((&skipped.at, way(&skipped.to), format!("not told: {}", skipped.why), false));
    }
    for answer in &call.answers {
        found.push((
            &answer.at,
            names.person(&answer.who),
            format!("answered {}", way_in_words(&answer.via)),
            true,
        ));
    }
    for resumed in &call.resumed {
        let why = names.why_again(call.call_out, &resumed.why);
        found.push((&resumed.at, "everybody".to_owned(), format!("asked again: {why}"), false));
    }
    found.sort_by_key(|(at, ..)| at.unix_ms);
    let mut rows: Vec<ToldRow> = Vec::new();
    for (at, who, what, answers) in found {
        let at = names.time_on(at, &call.began);
        // What came of several in the same minute is one row.
        let same =
            rows.iter_mut().rev().take_while(|row| row.at == at).find(|row| row.what == what && !answers);
        match same {
            Some(row) => row.who.push(who),
            None => rows.push(ToldRow { at, who: vec![who], what, answers }),
        }
    }
    let more = rows.len().saturating_sub(ROWS);
    html! {
        @if !rows.is_empty() {
            h4 { "Who was told" }
            div.wide role="group" tabindex="0" aria-label="Who was told" { table {
                thead { tr { th scope="col" { "Time" } th scope="col" { "Who" } th scope="col" { "What came" } } }
                tbody {
                    @for row in rows.iter().take(ROWS) {
                        tr {
                            th scope="row" { (row.at) }
                            td { @if row.answers { b { (list(&row.who)) } } @else { (list(&row.who)) } }
                            td { @if row.answers { b { (row.what) } } @else { (row.what) } }
                        }
                    }
                    @if more > 0 { tr { td colspan="3" { "and " (more) " more" } } }
                }
            } }
        }
    }
}
