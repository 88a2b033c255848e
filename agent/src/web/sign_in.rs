//! Signing in: by an invitation, which a link opens and a press uses, since who fetches links is
//! not always a person; by a code that comes by a channel of the person's own; and the list of a
//! person's devices, from which each can be signed out.

use super::frame::{heading, said};
use super::house::House;
use maud::{Markup, html};
use slackwater_rules::time::Wall;

/// Nobody is signed in here.
pub(super) fn door(came: Option<&str>, to: &str) -> Markup {
    html! {
        @if let Some(words) = came { (said(words, false)) }
        (heading(&["Who is it?".to_owned()]))
        p.news { "This page is for the people of the house. Each device signs in once." }
        section.b {
            h2 { "By a code to your own phone or mail" }
            form.slim method="post" action="/sign-in" {
                (back_to(to))
                label for="who" { "Your name, as pages call you" }
                input id="who" type="text" name="who" maxlength="60" autocomplete="username" autocapitalize="off" required;
                button.btn.ink type="submit" { "Send me a code" }
            }
        }
        section.b {
            h2 { "Or on the watch’s own computer" }
            p { "Ask for a link, then open it here, or point this phone’s camera at the square:" }
            p { span.code { "slackwater web invite NAME" } }
            p.small { "The link works once and for ten minutes." }
        }
    }
}

/// A code was asked for. Whether it was sent is not said: who lives here is nobody else's business.
pub(super) fn asked(asked: &str, came: Option<&str>, to: &str) -> Markup {
    html! {
        @if let Some(words) = came { (said(words, false)) }
        (heading(&["A code is on its way, if you are of this house.".to_owned()]))
        p.news { "It comes by a channel of your own: push, text or mail. It works once, for ten minutes, and only in this browser." }
        form.slim method="post" action="/in" {
            input type="hidden" name="asked" value=(asked);
            (back_to(to))
            label for="code" { "The code" }
            input.code id="code" type="text" name="code" maxlength="20" autocomplete="one-time-code" autocapitalize="characters" spellcheck="false" required;
            button.btn.ink type="submit" { "Sign in on this device" }
        }
        p.small { "None came? At most four an hour are sent. On the watch’s own computer, " span.code { "slackwater web invite NAME" } " makes a link." }
        p { a.btn href="/sign-in" { "Another name" } }
    }
}

/// Where somebody wanted to go before signing in.
fn back_to(to: &str) -> Markup {
    html! { @if to != "/" { input type="hidden" name="to" value=(to); } }
}

/// Somebody has opened an invitation: it is used by pressing, not by being fetched.
pub(super) fn invited(token: &str, name: &str) -> Markup {
    html! {
        (heading(&[format!("Welcome, {name}.")]))
        p.news { "This signs this device in as " b { (name) } ", until you sign it out." }
        form method="post" action="/in" {
            input type="hidden" name="invitation" value=(token);
            button.btn.ink.wide-btn type="submit" { "Sign in on this device" }
        }
        p.small { "Not you? Close this page, and ask for a link of your own." }
    }
}

/// An invitation that is used up, too old, or none.
pub(super) fn not_invited() -> Markup {
    html! {
        (heading(&["This link does not sign anybody in any more.".to_owned()]))
        p.news { "It works once, and for ten minutes. On the watch’s own computer, " span.code { "slackwater web invite NAME" } " makes another." }
    }
}

/// The devices of this person.
pub(super) fn devices(house: &House, who: &str, mark: &str) -> Markup {
    let sessions: Vec<_> =
        house.sessions().all().iter().filter(|session| session.who == who).cloned().collect();
    let day = |seconds: u64| {
        let at = Wall(i64::try_from(seconds).unwrap_or(0).saturating_mul(1_000));
        at.civil(&house.zone).strftime("%-d %B %Y").to_string()
    };
    html! {
        (heading(&["Your devices".to_owned()]))
        p.under { "Each can be signed out. What was lost is signed out here, or by " span.code { "slackwater web withdraw" } " on the watch’s own computer." }
        ul.rows { @for session in &sessions {
            li {
                b { (if session.mark() == mark { "This device" } else { "Another device" }) }
                small { " " (session.device) ". Since " (day(session.made)) ", used on " (day(session.used)) "." }
                form method="post" action="/devices" {
                    input type="hidden" name="session" value=(session.mark());
                    button.btn type="submit" { "Sign it out" }
                }
            }
        } }
    }
}
