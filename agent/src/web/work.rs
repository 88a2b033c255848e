//! Work: begin and end feeding and other work on a tank, and put an alarm aside for a time, with a
//! reason.

use super::ask::PressedAct;
use super::form::WebForm;
use super::frame::{heading, said, sign};
use super::house::SharedLook;
use super::truth::{self, minutes, time};
use crate::chart::Mark;
use maud::{Markup, html};
use slackwater_rules::engine::OperatorCommand;
use slackwater_rules::plan::{AlarmId, TankId};
use slackwater_rules::time::Span;
use slackwater_rules::words::{capital, without_place};

/// How long an alarm can be put aside.
const SHELVES: [(&str, i64); 5] =
    [("30 min", 30), ("2 h", 120), ("8 h", 480), ("24 h", 1_440), ("7 days", 10_080)];

pub(super) fn main(seen: &SharedLook, who: Option<&str>, came: Option<(&str, bool)>) -> Markup {
    let look = &seen.look;
    html! {
        @if let Some((words, taken)) = came { (said(words, taken)) }
        (heading(&[if look.view.works.is_empty() { "No work goes on.".to_owned() } else { "Work goes on.".to_owned() }]))
        p.under { "Work pauses what it disturbs. Mains and leaks ring as ever. It ends by itself, and then everything is looked at anew. Before a water change: unplug heaters before the water falls." }
        @if who.is_none() { p { a.btn.ink href="/sign-in?to=/work" { "Sign in to begin work" } } }
        div.pair {
            div { @for (id, tank) in (0..).map(TankId).zip(&look.plan.tanks) {
                section.b {
                    h2 { (capital(&tank.title)) }
                    @if let Some((_, work, until)) = look.view.works.iter().find(|(of, ..)| *of == id) {
                        p { (sign(Mark::Work)) " " b { (capital(&work.replace('-', " "))) } ", until " (time(look, *until)) " at the latest." }
                        @if who.is_some() {
                            form method="post" action="/work" {
                                input type="hidden" name="tank" value=(tank.name);
                                button.btn.ink.wide-btn type="submit" name="act" value="end" { "It is done: watch " (tank.title) " again" }
                            }
                        }
                    } @else if who.is_some() {
                        form method="post" action="/work" {
                            input type="hidden" name="tank" value=(tank.name);
                            input type="hidden" name="act" value="begin";
                            div.times { @for (name, work) in &look.plan.works {
                                button.btn type="submit" name="work" value=(name) { (capital(&name.replace('-', " "))) ", " (work.longest) }
                            } }
                        }
                    } @else { p.small { "No work." } }
                }
            } }
            div {
                @if who.is_some() { (shelf(seen)) }
                (aside(seen, who.is_some()))
                section.b {
                    h2 { "Does help come?" }
                    p { a.go href="/drill" { "Test pages and drills" } }
                }
            }
        }
    }
}

/// Putting an alarm aside: only what may be.
fn shelf(seen: &SharedLook) -> Markup {
    let plan = &seen.look.plan;
    let alarms = (0..).map(AlarmId).zip(&plan.alarms).filter(|(id, _)| {
        plan.longest_shelf(*id).is_ok() && seen.look.view.asides.iter().all(|aside| aside.alarm != *id)
    });
    html! {
        section.b {
            h2 { "Put an alarm aside" }
            form.slim method="post" action="/work" {
                input type="hidden" name="act" value="shelve";
                label for="alarm" { "Which" }
                select id="alarm" name="alarm" required { @for (_, alarm) in alarms {
                    @let place = plan.title(alarm.tank);
                    option value=(alarm.name) { (capital(place)) ": " (without_place(&alarm.title, place)) }
                } }
                label for="minutes" { "For how long" }
                select id="minutes" name="minutes" { @for (name, minutes) in SHELVES { option value=(minutes) { (name) } } }
                label for="why" { "Why" }
                input id="why" type="text" name="why" maxlength="200" required autocomplete="off";
                button.btn type="submit" { "Put it aside" }
            }
        }
    }
}

fn aside(seen: &SharedLook, may: bool) -> Markup {
    let look = &seen.look;
    html! {
        @if !look.view.asides.is_empty() {
            section.b {
                h2 { "Put aside" }
                ul.rows { @for aside in &look.view.asides {
                    @let alarm = look.plan.alarm(aside.alarm);
                    li {
                        (sign(Mark::Held(alarm.priority))) " " b { (capital(&alarm.title)) }
                        small { " By " (aside.by.who)
                            @if let Some(until) = aside.until { ", until " (time(look, until)) ", for " (minutes(until - look.view.at.mono)) " more" }
                            @if !aside.why.is_empty() { ": " (aside.why) } "." }
                        @if may && aside.until.is_some() {
                            form method="post" action="/work" {
                                input type="hidden" name="alarm" value=(alarm.name);
                                button.btn type="submit" name="act" value="unshelve" { "Take it back" }
                            }
                        }
                    }
                } }
            }
        }
    }
}

/// What was pressed; or why it is nothing.
pub(super) fn act(form: &WebForm) -> Result<PressedAct, String> {
    let need = |name: &str| form.get(name).map(str::to_owned).ok_or_else(|| format!("`{name}` is missing"));
    let say = match need("act")?.as_str() {
        "begin" => OperatorCommand::BeginWork { tank: need("tank")?, work: need("work")?, length: None },
        "end" => OperatorCommand::EndWork { tank: need("tank")? },
        "shelve" => OperatorCommand::Shelve {
            alarm: need("alarm")?,
            length: span(form)?.ok_or("for how long?")?,
            why: need("why")?,
        },
        "unshelve" => OperatorCommand::Unshelve { alarm: need("alarm")? },
        other => return Err(format!("nothing here is called `{}`", crate::plain_text::tame(other, 40))),
    };
    Ok(PressedAct::Say(say))
}

/// Minutes that were chosen: a week at most.
pub(super) fn span(form: &WebForm) -> Result<Option<Span>, String> {
    let Some(text) = form.get("minutes") else { return Ok(None) };
    match text.parse::<i64>() {
        Ok(minutes) if (1..=10_080).contains(&minutes) => Ok(Some(Span::minutes(minutes))),
        Ok(_) | Err(_) => Err("a time has 1 to 10080 minutes".to_owned()),
    }
}

/// Only whoever keeps the tanks may put alarms aside and try the call-out out.
pub(super) fn is_for_keepers(act: &PressedAct) -> bool {
    match act {
        PressedAct::Has { .. } | PressedAct::HandsOn { .. } => false,
        PressedAct::Say(say) => !matches!(
            say,
            OperatorCommand::Tick { .. }
                | OperatorCommand::BeginWork { .. }
                | OperatorCommand::EndWork { .. }
        ),
    }
}

/// Whether somebody only helps.
pub(super) fn is_helper(seen: &SharedLook, who: &str) -> bool {
    seen.look.plan.directory.contacts.get(who).is_some_and(|contact| contact.helper)
}

/// As pages say the name.
pub(super) fn person(seen: &SharedLook, who: &str) -> String {
    seen.look.plan.directory.contacts.get(who).map_or_else(|| who.to_owned(), |contact| contact.name.clone())
}

/// What stands, in short: for the page of drills.
pub(super) fn nothing_stands(seen: &SharedLook) -> bool {
    truth::standing(&seen.look).next().is_none()
}
