//! What was not seen and why, what each sensor said, what people put aside, and whether help comes.

use super::ReportParts;
use super::names::minutes;
use crate::review::{Gap, SensorReview};
use maud::{Markup, html};
use slackwater_rules::time::Span;
use slackwater_rules::words::{capital, counted, for_people, without_place};

/// Shorter silences are counted, longer ones are rows.
const SHORT: Span = Span::minutes(2);
/// So many rows a table.
const ROWS: usize = 60;
/// Test pages that go out weekly prove a channel for a week and a day.
const WEEK: Span = Span::hours(8 * 24);

fn length(gap: &Gap) -> Option<Span> {
    gap.to.as_ref().and_then(|to| to.after(&gap.from))
}

pub(super) fn not_seen(made: &ReportParts<'_>) -> Markup {
    let names = made.names();
    let (short, long): (Vec<&Gap>, Vec<&Gap>) =
        made.review.coverage.gaps.iter().partition(|gap| length(gap).is_some_and(|length| length < SHORT));
    let lost = short.iter().filter_map(|gap| length(gap)).fold(Span::ZERO, |sum, one| sum + one);
    let what = |gap: &Gap| match gap.of.as_str() {
        "agent" => "everything: the watch was off".to_owned(),
        "broker" => "everything that comes by the broker".to_owned(),
        "journal" => "the log".to_owned(),
        name => sensor_name(made, name),
    };
    html! {
        section.b {
            h2 { "What was not seen" }
            @if long.is_empty() && short.is_empty() { p { "All was seen, all the time." } }
            @if !short.is_empty() { p.small { (counted(short.len(), "silence")) " under 2 min, " (lost) " in all." } }
            @if !long.is_empty() {
                div.wide role="group" tabindex="0" aria-label="What was not seen" { table {
                    thead { tr { th scope="col" { "When" } th scope="col" { "What" } th scope="col" { "Why" } th.n scope="col" { "How long" } } }
                    tbody { @for gap in long.iter().take(ROWS) {
                        tr { th scope="row" { (names.time(&gap.from)) } td { (what(gap)) } td { (gap.why) }
                             td.n { (length(gap).map_or_else(|| "until the end".to_owned(), |length| minutes(length).to_string())) } }
                    } }
                } }
                @if long.len() > ROWS { p.small { "and " (long.len() - ROWS) " more" } }
            }
        }
    }
}

fn sensor_name(made: &ReportParts<'_>, name: &str) -> String {
    match made.plan.sensors.iter().find(|sensor| sensor.name == name) {
        Some(sensor) => crate::seen::name_of(made.plan, sensor),
        None => capital(&name.replace('-', " ")),
    }
}

pub(super) fn readings(made: &ReportParts<'_>) -> Markup {
    let names = made.names();
    let outside = |sensor: &SensorReview| match &sensor.outside {
        None => String::new(),
        Some(outside) => {
            let mut said = Vec::new();
            if outside.below > Span::ZERO {
                said.push(format!("below {}: {}", for_people(&outside.lower), minutes(outside.below)));
            }
            if outside.above > Span::ZERO {
                said.push(format!("above {}: {}", for_people(&outside.upper), minutes(outside.above)));
            }
            if said.is_empty() {
                said.push("none known".to_owned());
            }
            if outside.unknown > Span::ZERO {
                said.push(format!("up to {} unknown", minutes(outside.unknown)));
            }
            said.join("; ")
        }
    };
    html! {
        @if !made.review.sensors.is_empty() {
            section.b {
                h2 { "What the sensors said" }
                div.wide role="group" tabindex="0" aria-label="What the sensors said" { table {
                    thead { tr { th scope="col" { "Sensor" } th scope="col" { "Lowest" } th scope="col" { "Highest" } th scope="col" { "Outside limits" } th.n scope="col" { "Rejected" } } }
                    tbody { @for sensor in &made.review.sensors {
                        tr {
                            th scope="row" { (sensor_name(made, &sensor.sensor)) }
                            @match (&sensor.lowest, &sensor.highest, &sensor.words) {
                                (Some(low), Some(high), _) => {
                                    td { (for_people(&low.shown)) small { " " (names.time(&low.at)) } }
                                    td { (for_people(&high.shown)) small { " " (names.time(&high.at)) } }
                                }
                                (_, _, Some(words)) => { td colspan="2" { "last " (words.last) ", changed " (counted(words.changes as usize, "time")) } }
                                _ => { td colspan="2" { span.no { "not seen" } } }
                            }
                            td { (outside(sensor)) }
                            td.n { (sensor.rejected) }
                        }
                    } }
                } }
            }
        }
    }
}

pub(super) fn asides(made: &ReportParts<'_>) -> Markup {
    let names = made.names();
    let asides = &made.review.asides;
    let of = |of: &str| {
        let tank = made.plan.tanks.iter().find(|tank| tank.name == of).map(|tank| capital(&tank.title));
        tank.or_else(|| {
            names.alarm(of).map(|alarm| {
                let place = made.plan.title(alarm.tank);
                format!("{}: {}", capital(place), without_place(&alarm.title, place))
            })
        })
        .unwrap_or_else(|| of.replace('-', " "))
    };
    html! {
        @if !asides.is_empty() {
            section.b {
                h2 { "Work, and what was put aside" }
                div.wide role="group" tabindex="0" aria-label="Work, and what was put aside" { table {
                    thead { tr { th scope="col" { "When" } th scope="col" { "What" } th scope="col" { "Who" } th scope="col" { "Until" } } }
                    tbody { @for aside in asides.iter().take(ROWS) {
                        tr {
                            th scope="row" { (names.time(&aside.from)) }
                            td { (of(&aside.of)) ", " (if aside.kind == "work" { "" } else { aside.kind }) " " (aside.why.replace('-', " ")) }
                            td { (names.person(&aside.who)) }
                            td { (aside.to.as_ref().map_or_else(|| "it goes on".to_owned(), |to| names.time_on(to, &aside.from))) }
                        }
                    } }
                } }
            }
        }
    }
}

/// When each way of reaching a person was last proved.
pub(super) fn help(made: &ReportParts<'_>) -> Markup {
    let names = made.names();
    let every = made.plan.drill.pages.map(|_| WEEK);
    let until = &made.review.until;
    html! {
        section.b {
            h2 { "Does help come?" }
            @if made.review.proofs.is_empty() {
                p { "No test page has gone out yet: " span.code { "slackwater drill pages" } " sends one to everybody." }
            } @else {
                div.wide role="group" tabindex="0" aria-label="Does help come?" { table {
                    caption { "When each way of reaching a person was last proved by an answer to a test page" }
                    thead { tr { th scope="col" { "Who" } th scope="col" { "How" } th scope="col" { "Last proved" } th scope="col" { "Due" } } }
                    tbody { @for proof in &made.review.proofs {
                        @let (who, how) = names.target(&proof.to);
                        @let due = every.is_some_and(|every| proof.proved.as_ref().and_then(|at| until.after(at)).is_none_or(|age| age > every));
                        tr {
                            th scope="row" { (who) }
                            td { (how) }
                            td { (proof.proved.as_ref().map_or_else(|| "never".to_owned(), |at| names.time(at)))
                                 @if proof.missed > 0 { ", " (counted(proof.missed as usize, "test page")) " not answered" } }
                            td { @if due { b { "now" } } }
                        }
                    } }
                } }
            }
        }
    }
}
