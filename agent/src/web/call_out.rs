//! A call-out: what it is, what to do as steps to tick, the answer, how long there is, who was
//! told. Its words are those of the page that this reader would get now. Opening it answers
//! nothing.

use super::ask::HouseLook;
use super::frame::{heading, said, sign};
use super::house::SharedLook;
use super::now::priority_line;
use super::truth::{self, time};
use crate::chart::{FanLine, Mark, fan_line, hours_axis};
use maud::{Markup, PreEscaped, html};
use slackwater_rules::engine::OpenCall;
use slackwater_rules::forecast::thermal::Side;
use slackwater_rules::page::{Page, PageLine, PagePart, PageStep};
use slackwater_rules::record::Purpose;
use slackwater_rules::time::Span;
use slackwater_rules::words::{capital, not_before};

/// Answers that can be chosen, from now on.
const LENGTHS: [Span; 6] =
    [Span::minutes(15), Span::minutes(30), Span::hours(1), Span::hours(2), Span::hours(4), Span::hours(8)];

/// How long an answer lasts that names nothing.
pub(super) fn offered(call: &OpenCall, look: &HouseLook) -> Vec<Span> {
    let most = call.could_hold - look.view.at.mono;
    LENGTHS.into_iter().filter(|length| *length <= most).collect()
}

/// Whoever reads it.
pub(super) struct CallReader<'r> {
    /// The contact, if somebody is signed in.
    pub(super) who: Option<&'r str>,
    /// What came of what was pressed.
    pub(super) said: Option<(&'r str, bool)>,
}

pub(super) fn main(seen: &SharedLook, call: &OpenCall, page: &Page, reader: &CallReader<'_>) -> Markup {
    let look = &seen.look;
    let part = |title: &str| page.said.parts.iter().find(|part| part.title == title);
    let asks = !call.over;
    let lead = truth::lead(call);
    let sentences = match (call.purpose, lead) {
        (Purpose::Drill, _) | (_, None) => {
            vec!["This is a drill: nothing is wrong.".to_owned(), truth::who_has_it(look, call)]
        }
        (_, Some(lead)) if call.over => vec![format!("{}: it is over.", truth::what(look, lead))],
        (_, Some(lead)) => vec![
            format!("{}, since {}.", truth::what(look, lead), time(look, lead.onset)),
            truth::who_has_it(look, call),
        ],
    };
    let known = ["What to do", "What to do next", "How to answer", "How long there is"];
    html! {
        @if let Some((words, taken)) = reader.said { (said(words, taken)) }
        @if asks { (priority_line(call)) }
        (heading(&sentences))
        @for line in page.said.under.iter().skip(usize::from(asks)) { p.news { (line) } }
        @if let Some((who, at)) = call.next.as_ref().filter(|_| asks) { p.under { "Told next, at " (time(look, *at)) ": " (who) "." } }
        div.call {
            div.ca { (steps(look, call, part("What to do"), part("What to do next"), reader)) }
            @if asks { div.cb { (answer(look, call, reader)) } }
            div.cc { (how_long(look, call, part("How long there is"))) }
            div.cd {
                @for part in page.said.parts.iter().filter(|part| !known.contains(&part.title)) { (other(part)) }
                p { a.go href="/" { "All tanks" } }
            }
        }
    }
}

/// What to do. A tick is seen by the others and kept; it is no answer.
fn steps(
    look: &HouseLook,
    call: &OpenCall,
    first: Option<&PagePart>,
    then: Option<&PagePart>,
    reader: &CallReader<'_>,
) -> Markup {
    let lines: Vec<&PageLine> = first.into_iter().chain(then).flat_map(|part| &part.lines).collect();
    if lines.is_empty() && call.ticks.is_empty() {
        return html! {};
    }
    // What was done stays to be seen when the news has another card.
    let shown = |step: &str| {
        lines.iter().any(
            |line| matches!(line, PageLine::First(known) | PageLine::Step(_, known) if known.own == step),
        )
    };
    let done: Vec<_> = call.ticks.iter().filter(|(step, ..)| !shown(step)).collect();
    html! {
        section.b {
            h2 { "What to do" }
            form method="post" action={ "/call/" (call.code) } {
                input type="hidden" name="act" value="tick";
                ol.steps { @for line in lines {
                    @match line {
                        PageLine::First(words) => { (step(look, call, words, true, reader)) }
                        PageLine::Step(_, words) => { (step(look, call, words, false, reader)) }
                        PageLine::Done(words) => { li { p.did { (tick(true)) span { (capital(words)) } } } }
                        other => { li { p.did { (tick(false)) span { (other.plain()) } } } }
                    }
                }
                @for (step, who, at) in &done { li { p.did { (tick(true)) span { (step) small { " " (capital(who)) ", " (time(look, *at)) } } } } }
                }
            }
        }
    }
}

fn step(look: &HouseLook, call: &OpenCall, words: &PageStep, leads: bool, reader: &CallReader<'_>) -> Markup {
    let ticked = call.ticks.iter().find(|(step, ..)| *step == words.own);
    let name = if ticked.is_some() { "undone" } else { "done" };
    let inner = html! {
        (tick(ticked.is_some()))
        span {
            @if leads { span.first { (words.said) } } @else { (words.said) }
            @if let Some((_, who, at)) = ticked { small { " " (capital(who)) ", " (time(look, *at)) } }
        }
    };
    html! {
        li {
            @if reader.who.is_some() { button type="submit" name=(name) value=(words.own) aria-pressed=(ticked.is_some()) { (inner) } }
            @else { p.did.open { (inner) } }
        }
    }
}

fn tick(done: bool) -> Markup {
    let inner = if done { "<path d=\"M6 14l6 6 10-12\"/>" } else { "" };
    PreEscaped(format!("<svg class=\"box\" viewBox=\"0 0 28 28\" aria-hidden=\"true\">{inner}</svg>"))
}

/// The answer: large, in ink, with what it means above it.
fn answer(look: &HouseLook, call: &OpenCall, reader: &CallReader<'_>) -> Markup {
    let until = time(look, call.would_hold);
    let means = match &call.has {
        Some((who, until)) => {
            format!(
                "{} takes care of it until {}. What gets worse still rings.",
                capital(who),
                time(look, *until)
            )
        }
        None => format!("I take care of it. Nobody else is called before {until}."),
    };
    if reader.who.is_none() {
        return html! {
            section.answer { p { (means) } a.btn.ink.wide-btn href={ "/sign-in?to=/call/" (call.code) } { "Sign in to answer" } }
        };
    }
    let action = format!("/call/{}", call.code);
    let lengths = offered(call, look);
    html! {
        section.answer aria-labelledby="answer" {
            h2.vh id="answer" { "Answer" }
            p { (means) }
            form method="post" action=(action) {
                button.btn.big type="submit" name="act" value="have" { @if call.has.is_some() { "I take care of it now" } @else { "I take care of it" } }
                div.two {
                    a.btn href="#until" { "Until …" }
                    button.btn type="submit" name="act" value="next" { "Next person now" }
                }
            }
        }
        section.b id="until" {
            h2 { "I take care of it until …" }
            @if lengths.is_empty() { p.small { "No longer answer can be given: " (time(look, call.could_hold)) " is the latest." } }
            form method="post" action=(action) {
                input type="hidden" name="act" value="have";
                div.times { @for length in &lengths {
                    button.btn type="submit" name="minutes" value=(length.0 / 60_000) { (time(look, look.view.at.mono + *length)) }
                } }
            }
            p.small { "An answer stops the asking. It switches nothing. None holds beyond " (time(look, call.could_hold)) "." }
        }
    }
}

/// How long there is: in words, and as bars that begin at the early end.
fn how_long(look: &HouseLook, call: &OpenCall, part: Option<&PagePart>) -> Markup {
    let mut bars: Vec<_> = look
        .view
        .ahead
        .iter()
        .filter(|ahead| ahead.range.low <= 12.0 && !(ahead.range.low < 0.25 && ahead.range.high > 24.0))
        .filter(|ahead| {
            call.matters
                .iter()
                .any(|matter| matter.stands && matter.tank.is_none_or(|tank| tank == ahead.tank))
        })
        .collect();
    bars.sort_by(|one, other| one.range.low.total_cmp(&other.range.low));
    let lines = part.map(|part| part.lines.as_slice()).unwrap_or_default();
    if lines.is_empty() && bars.is_empty() {
        return html! {};
    }
    html! {
        section.b {
            h2 { "How long there is" }
            @for line in lines { p.said-line { (line.plain()) } }
            @if !bars.is_empty() {
                (PreEscaped(hours_axis(look.view.at.wall, &look.plan.zone)))
                ol.fans { @for ahead in bars {
                    li {
                        b { (capital(&look.plan.tank(ahead.tank).title)) } " "
                        (if ahead.side == Side::Below { "below " } else { "above " })
                        (truth::limit(look, ahead.tank, ahead.limit).map(|(_, words)| words).unwrap_or_default())
                        " not before " (not_before(&look.view.at, ahead.range.low, &look.plan.zone))
                        (PreEscaped(fan_line(&FanLine { low: ahead.range.low, likely: ahead.range.likely, high: ahead.range.high, came: None })))
                    }
                } }
                p.small { "If nothing changes. A bar begins at the early end, which counts; the dot is the likeliest." }
            }
        }
    }
}

/// Any other part, in the words of a page.
fn other(part: &PagePart) -> Markup {
    let mark = |title: &str| match title {
        "Who was told" => Mark::Told,
        _ => Mark::Done,
    };
    html! {
        section.b {
            h2 { (part.title) }
            ol.log { @for line in &part.lines {
                @match line {
                    PageLine::At(time, words) => { li { time { (time) } (sign(mark(part.title))) span { (telephone(words)) } } }
                    PageLine::Link { words, address } => { li.plain { a href=(address) { (words) } } }
                    other => { li.plain { (telephone(&other.plain())) } }
                }
            } }
        }
    }
}

/// Numbers that begin with a plus are there to be tapped.
fn telephone(words: &str) -> Markup {
    let Some(at) = words.find('+') else { return html! { (words) } };
    let (before, rest) = words.split_at(at);
    let end = rest.char_indices().skip(1).find(|(_, sign)| !(sign.is_ascii_digit() || *sign == ' '));
    let number = rest.get(..end.map_or(rest.len(), |(end, _)| end)).unwrap_or_default().trim_end();
    let digits: String = number.chars().filter(char::is_ascii_digit).collect();
    let after = rest.get(number.len()..).unwrap_or_default();
    if digits.len() < 6 {
        return html! { (words) };
    }
    html! { (before) a.go.nb href={ "tel:+" (digits) } { (number) } (after) }
}
