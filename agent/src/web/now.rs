//! Now: the truth in one line, every tank as a strip on one time, what stands and who has it, and
//! the watch's own parts, folded while they are well.

use super::ask::HouseLook;
use super::frame::{heading, number, sign};
use super::history::{BACK, Waters};
use super::house::SharedLook;
use super::truth::{self, minutes, standing, time, who_has_it};
use super::{readings, strips};
use crate::chart::{KEY, Mark, Picture, Stretch, axis, strip};
use crate::seen::{spoken, water_of};
use maud::{Markup, PreEscaped, html};
use slackwater_rules::alarm::Priority;
use slackwater_rules::engine::{OpenCall, OpenMatter};
use slackwater_rules::plan::TankId;
use slackwater_rules::quality::Quality;
use slackwater_rules::time::Span;
use slackwater_rules::words::{capital, sentence};

/// More tanks than this: those that are as usual have a line each.
const STRIPS: usize = 8;
/// What moves by less in an hour is steady.
const STEADY: f64 = 0.15;

pub(super) fn main(seen: &SharedLook, waters: &Waters) -> Markup {
    let look = &seen.look;
    let now = look.view.at.wall;
    let span = Stretch { from: now - BACK, to: now + strips::AHEAD };
    let worst = standing(look).next();
    let tanks: Vec<TankId> = (0..).map(TankId).take(look.plan.tanks.len()).collect();
    let is_calm = |tank: &TankId| matters_of(look, *tank).next().is_none() && sees(look, *tank);
    let (folded, drawn): (Vec<TankId>, Vec<TankId>) =
        tanks.iter().partition(|tank| tanks.len() > STRIPS && is_calm(tank));
    html! {
        @if let Some(call) = worst { (priority_line(call)) }
        (heading(&truth::heading(look)))
        @if let Some(call) = worst { (news(look, call)) }
        @else { p.under { "Nothing is wrong." } }
        @if let Some(dark) = look.view.goes_dark {
            p.news { "This watch has power until about " (time(look, dark)) ". After that it calls nobody." }
        }
        @if let Some(call) = worst {
            p { a.btn.ink.wide-btn href={ "/call/" (call.code) } { "Open the call-out: what to do, how long" } }
        }
        div.cols {
            div {
                div.axrow { (PreEscaped(axis(span, now, &look.plan.zone))) }
                @for tank in &drawn { (section(seen, waters, *tank, span)) }
                @if !folded.is_empty() {
                    ul.rows { @for tank in &folded { (line(seen, *tank)) } }
                }
                (PreEscaped(KEY))
            }
            aside aria-label="What stands, and the watch itself" {
                (what_stands(look))
                (relays(look))
                (readings::of_house(seen, waters, span))
                (parts(look))
            }
        }
    }
}

/// How bad, in word and shape, and the code.
pub(super) fn priority_line(call: &OpenCall) -> Markup {
    let priority = call.priority;
    html! {
        p.prio {
            @match &call.has {
                Some(_) => { (sign(Mark::Held(priority))) " " (priority) ", answered " }
                None => { (sign(Mark::Open(priority))) " " span.red[is_grave(priority)] { (priority) } " " }
            }
            span.nb { "code " span.code { (call.code) } }
        }
    }
}

pub(super) fn is_grave(priority: Priority) -> bool {
    matches!(priority, Priority::Critical | Priority::High)
}

/// The value with its limit, and what else is in it.
fn news(look: &HouseLook, call: &OpenCall) -> Markup {
    let reading = truth::lead(call).map(|lead| sentence(&lead.reading)).unwrap_or_default();
    let more = call.matters.iter().filter(|matter| matter.stands).count().saturating_sub(1);
    html! {
        @if !reading.is_empty() { p.news { (reading) } }
        p.under {
            @if more > 0 { (more) " more because of it or with it. " }
            @if let Some((who, at)) = &call.next { "Told next, at " (time(look, *at)) ": " (who) "." }
        }
    }
}

pub(super) fn matters_of(look: &HouseLook, tank: TankId) -> impl Iterator<Item = (&OpenCall, &OpenMatter)> {
    let mut found: Vec<(&OpenCall, &OpenMatter)> = standing(look)
        .flat_map(|call| call.matters.iter().map(move |matter| (call, matter)))
        .filter(|(_, matter)| matter.stands && matter.tank == Some(tank))
        .collect();
    found.sort_by_key(|(_, matter)| (std::cmp::Reverse(matter.priority), matter.onset));
    found.into_iter()
}

fn sees(look: &HouseLook, tank: TankId) -> bool {
    truth::water(look, tank).is_none_or(|reading| reading.quality == Quality::Good)
}

fn section(seen: &SharedLook, waters: &Waters, tank: TankId, span: Stretch) -> Markup {
    let look = &seen.look;
    let found = look.plan.tank(tank);
    let id = format!("tank-{}", found.name);
    let picture = strips::picture(look, waters, tank, span);
    html! {
        section.tank aria-labelledby=(id) {
            div.head {
                h2 id=(id) { a href={ "/tank/" (found.name) } { (capital(&found.title)) } }
                (state(look, tank, picture.as_ref()))
                (value(seen, tank, picture.as_ref()))
            }
            @if let Some(picture) = &picture { (PreEscaped(strip(picture))) }
            (readings::of_tank(seen, waters, tank, span))
        }
    }
}

/// How the tank is, in a few words.
fn state(look: &HouseLook, tank: TankId, picture: Option<&Picture>) -> Markup {
    let worst: Vec<_> = matters_of(look, tank).collect();
    let trend = picture.and_then(|picture| trend(picture, look, tank));
    let breathless = look.view.breathless.iter().any(|(of, _)| *of == tank);
    if let Some((call, matter)) = worst.first().filter(|_| !breathless) {
        let (of, class) = match call.has {
            Some(_) => (Mark::Held(matter.priority), "st dim"),
            None if is_grave(matter.priority) => (Mark::Open(matter.priority), "st red"),
            None => (Mark::Open(matter.priority), "st dim"),
        };
        let more = if worst.len() > 1 { format!(", and {} more", worst.len() - 1) } else { String::new() };
        return html! { p class=(class) { (sign(of)) span { (capital(&matter.priority.to_string())) ": " (matter.what) (more) @if let Some(trend) = &trend { ", " (trend) } } } };
    }
    let work = look.view.works.iter().find(|(of, ..)| *of == tank);
    let trend = trend.unwrap_or_else(|| "steady".to_owned());
    // Oxygen before cold: nothing is as usual in a tank whose water may stand still.
    if let Some((_, is_seen)) = look.view.breathless.iter().find(|(of, _)| *of == tank) {
        let air = if *is_seen { "no flow and no air" } else { "nothing shows flow or air" };
        return html! { p.st.red { (sign(Mark::Open(Priority::Critical))) span { (air) ": oxygen first. " (capital(&trend)) } } };
    }
    match (truth::water(look, tank), work) {
        (Some(reading), _) if reading.quality != Quality::Good => {
            let since = reading.age.map_or("not seen since the start".to_owned(), |age| {
                format!("not seen for {}", minutes(age))
            });
            html! { p.st.dim { (sign(Mark::Stale)) span { (since) } } }
        }
        (_, Some((_, work, until))) => {
            html! { p.st.dim { (sign(Mark::Work)) span { (work.replace('-', " ")) " until " (time(look, *until)) } } }
        }
        (Some(_), None) => html! { p.st { "as usual, " (trend) } },
        (None, None) => html! { p.st { "no thermometer" } },
    }
}

/// `falling 0.7 °C an hour`; nothing if it is not known.
fn trend(picture: &Picture, look: &HouseLook, tank: TankId) -> Option<String> {
    let piece = picture.seen.last().filter(|_| picture.seen_now)?;
    let last = piece.last()?;
    let before = piece.iter().rev().find(|point| last.at - point.at >= Span::minutes(50))?;
    let hours = (last.at - before.at).0 as f64 / 3_600_000.0;
    let rate = (last.mean - before.mean) / hours;
    let sensor = look.plan.sensor(water_of(&look.plan, tank)?);
    Some(match rate {
        rate if rate.abs() < STEADY => "steady".to_owned(),
        rate if rate < 0.0 => format!("falling {} an hour", spoken(sensor)(-rate)),
        rate => format!("rising {} an hour", spoken(sensor)(rate)),
    })
}

fn value(seen: &SharedLook, tank: TankId, picture: Option<&Picture>) -> Markup {
    let look = &seen.look;
    let Some(reading) = truth::water(look, tank) else { return html! { p.val.none { "not measured" } } };
    let (number, unit) = truth::parted(&reading.shown);
    let meets = picture.and_then(|picture| picture.meets.as_ref()).map(|(_, _, words)| words);
    let outside = picture.and_then(|picture| Some((picture.limits?, picture.seen.last()?.last()?.mean)));
    let is_out = outside.is_some_and(|((lower, upper), value)| value < lower || value > upper);
    match reading.quality {
        Quality::Good => html! {
            p class=(if is_out { "val out" } else { "val" }) {
                b data-v={ "r" (reading.sensor.0) } { (number) } " " u { (unit) }
                (readings::age(reading))
                @if let Some(words) = meets { i { (words) } }
            }
        },
        _ if number.is_empty() => html! { p.val.none { "not known" } },
        _ => html! {
            p.val.stale { b { (number) } " " u { (unit) } i { @if let Some(age) = reading.age { "at " (at(look, age)) } } }
        },
    }
}

pub(super) fn at(look: &HouseLook, age: Span) -> String {
    time(look, look.view.at.mono - age)
}

/// A tank that is as usual, where there are many.
fn line(seen: &SharedLook, tank: TankId) -> Markup {
    let found = seen.look.plan.tank(tank);
    html! {
        li { a href={ "/tank/" (found.name) } { (capital(&found.title)) } ", as usual "
            @if let Some(id) = water_of(&seen.look.plan, tank) { (number(seen, id)) }
        }
    }
}

fn what_stands(look: &HouseLook) -> Markup {
    html! {
        section.b {
            h2 { "What stands" }
            @if standing(look).next().is_none() { p.small { "Nothing." } }
            ol.log {
                @for call in standing(look) {
                    @for matter in call.matters.iter().filter(|matter| matter.stands) {
                        li {
                            time { (time(look, matter.onset)) }
                            (sign(if call.has.is_some() { Mark::Held(matter.priority) } else { Mark::Open(matter.priority) }))
                            span {
                                a href={ "/call/" (call.code) } { (truth::what(look, matter)) }
                                small { (capital(&matter.priority.to_string())) ". " (who_has_it(look, call)) @if matter.blind { " Its sensor can’t be seen." } }
                            }
                        }
                    }
                    @if let Some((who, at)) = &call.next {
                        li.due { time { (time(look, *at)) } (sign(Mark::Next)) span { "Next: " (who) } }
                    }
                }
                @for aside in &look.view.asides {
                    @let alarm = look.plan.alarm(aside.alarm);
                    li {
                        time { @if let Some(until) = aside.until { (time(look, until)) } }
                        (sign(Mark::Held(alarm.priority)))
                        span { (capital(&alarm.title)) small { "Put aside by " (aside.by.who) @if aside.until.is_some() { " until then" } @if !aside.why.is_empty() { ": " (aside.why) } "." } }
                    }
                }
            }
        }
    }
}

/// Relays under the watch's hand, and whether they are proved.
pub(super) fn relays(look: &HouseLook) -> Markup {
    html! {
        @if !look.view.relays.is_empty() {
            section.b {
                h2 { "What the watch has switched" }
                ol.log { @for relay in &look.view.relays {
                    li { time {} (sign(if relay.needs_a_hand { Mark::Unknown } else { Mark::Done }))
                        span { (capital(&relay.title)) ": " (relay.words) @if relay.needs_a_hand { small { "Do it by hand." } } } }
                } }
            }
        }
    }
}

/// The watch's own parts.
fn parts(look: &HouseLook) -> Markup {
    let ill: Vec<_> = look.parts.iter().filter(|part| !part.well).collect();
    html! {
        section.b {
            h2 { "The watch itself" }
            @for part in &ill { p.rows { (sign(Mark::Unknown)) " " b { (part.name) } ": " (part.words) } }
            details {
                summary { @if ill.is_empty() { "Everything works" } @else { "Everything else" } }
                ul.rows.small { @for part in look.parts.iter().filter(|part| part.well) { li { (part.name) ": " (part.words) } } }
            }
        }
    }
}
