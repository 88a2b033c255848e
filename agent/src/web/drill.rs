//! Drill: whether help comes. Test pages to everybody, and a call-out from end to end.

use super::ask::PressedAct;
use super::form::WebForm;
use super::frame::{heading, said};
use super::house::SharedLook;
use super::work::nothing_stands;
use maud::{Markup, html};
use slackwater_rules::engine::OperatorCommand;
use slackwater_rules::record::Purpose;
use slackwater_rules::words::capital;

pub(super) fn main(seen: &SharedLook, who: Option<&str>, came: Option<(&str, bool)>) -> Markup {
    let look = &seen.look;
    let running = look.view.calls.iter().find(|call| call.purpose == Purpose::Drill && !call.over);
    html! {
        @if let Some((words, taken)) = came { (said(words, taken)) }
        (heading(&["Does help come?".to_owned()]))
        p.under { "A test of the way to people. Everybody hears that nothing is wrong." }
        @if let Some(call) = running { p { a.btn.ink.wide-btn href={ "/call/" (call.code) } { "Answer the drill that goes on" } } }
        @if !nothing_stands(seen) { p { "Something stands: a drill waits until it is over." } }
        @if who.is_some() {
            section.b {
                h2 { "Test pages" }
                p.small { "Everybody gets one by every way they have, and answers it: so each way is proved." }
                form method="post" action="/drill" { button.btn type="submit" name="act" value="pages" { "Send test pages to everybody" } }
            }
            section.b {
                h2 { "A call-out, from end to end" }
                p.small { "Rung after rung is told until somebody answers. Sirens sound." }
                form method="post" action="/drill" {
                    input type="hidden" name="act" value="callout";
                    div.times { @for callout in &look.plan.callouts {
                        button.btn type="submit" name="callout" value=(callout.name) { (capital(&callout.name.replace('-', " "))) }
                    } }
                }
            }
        } @else { p { a.btn.ink href="/sign-in?to=/drill" { "Sign in to begin one" } } }
        section.b {
            h2 { "A whole outage" }
            p { "Pull the plug and see what happens: " span.code { "slackwater drill outage" } " on the watch’s own computer leads through it and writes down how long everything took." }
        }
    }
}

/// What was pressed; or why it is nothing.
pub(super) fn act(form: &WebForm) -> Result<PressedAct, String> {
    match (form.get("act"), form.get("callout")) {
        (Some("pages"), _) => Ok(PressedAct::Say(OperatorCommand::TestPages)),
        (Some("callout"), Some(callout)) => {
            Ok(PressedAct::Say(OperatorCommand::Drill { callout: callout.to_owned() }))
        }
        (_, _) => Err("nothing was chosen".to_owned()),
    }
}
