//! What is the same on every page: the head with the house and the day, the places, and the foot.

use super::house::SharedLook;
use super::truth;
use crate::chart::{DEFS, Mark, SHEET, mark};
use crate::report::keep_units;
use maud::{DOCTYPE, Markup, PreEscaped, html};

/// What adds to a page: values as they change. Everything works without.
pub(super) const SCRIPT: &str = include_str!("live.js");

/// The mark of this site in a browser's list: water at rest under a line.
pub(super) const ICON: &str = concat!(
    r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 32 32"><rect width="32" height="32" fill="#fbfaf6"/>"##,
    r##"<path d="M2 9h28M2 23h28" stroke="#757c7c" stroke-width="2"/><path d="M2 17c5-5 9-5 14 0" fill="none" stroke="#1b2226" stroke-width="3"/>"##,
    r##"<path d="M18 3v26" stroke="#1b2226" stroke-width="2"/></svg>"##
);

/// The sheet and the script by addresses that change with them.
pub(super) fn version() -> &'static str {
    static VERSION: std::sync::OnceLock<String> = std::sync::OnceLock::new();
    VERSION.get_or_init(|| {
        use std::hash::{DefaultHasher, Hash as _, Hasher as _};
        let mut hasher = DefaultHasher::new();
        (SHEET, SCRIPT).hash(&mut hasher);
        format!("{:08x}", hasher.finish() & 0xffff_ffff)
    })
}

/// The places.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum NavPlace {
    Now,
    Log,
    Work,
    /// Elsewhere: none of them is marked.
    Other,
    /// Before signing in: there are none.
    Door,
}

/// One page.
pub(super) struct Leaf<'l> {
    pub(super) seen: Option<&'l SharedLook>,
    /// What stands in the browser's title, before the house.
    pub(super) title: String,
    pub(super) at: NavPlace,
    /// Its own address, to be loaded again.
    pub(super) path: String,
    /// The answers have the place of the places.
    pub(super) answers: bool,
    /// As whom somebody is signed in.
    pub(super) who: Option<String>,
    pub(super) main: Markup,
}

impl Leaf<'_> {
    pub(super) fn html(self) -> String {
        let look = self.seen.map(|seen| &seen.look);
        let site = look.map_or("Slackwater", |look| look.view.site.as_str());
        let value = |name: &str| {
            let values = self.seen.map(|seen| seen.values.as_slice()).unwrap_or_default();
            values.iter().find(|(known, _)| known == name).map(|(_, value)| value.clone()).unwrap_or_default()
        };
        let (day, at) = (value("day"), value("at"));
        let minute = at.get(..5).unwrap_or_default().to_owned();
        let version = version();
        let live = self.seen.is_some() && self.at != NavPlace::Door;
        let page = html! {
            (DOCTYPE)
            html lang="en" {
                head {
                    meta charset="utf-8";
                    meta name="viewport" content="width=device-width, initial-scale=1, viewport-fit=cover";
                    meta name="color-scheme" content="light dark";
                    title { (self.title) " · " (site) }
                    link rel="icon" href="/icon.svg" type="image/svg+xml";
                    link rel="stylesheet" href={ "/look.css?" (version) };
                    @if live { script src={ "/live.js?" (version) } defer {} }
                    // For a wall: without script it is loaded again by itself. With script,
                    // nobody's place on the page is taken from him.
                    @if self.at == NavPlace::Now { noscript { meta http-equiv="refresh" content="60"; } }
                }
                body.answered[self.answers] data-shape=[self.seen.map(|seen| seen.shape)] {
                    a.skip href="#main" { "To the content" }
                    (PreEscaped(DEFS))
                    header.top {
                        p.mast { b { (site) } " " span data-v="day" { (day) } }
                        @if self.at != NavPlace::Door {
                            nav.nav aria-label="Places" { ul {
                                @for (place, path, name) in [(NavPlace::Now, "/", "Now"), (NavPlace::Log, "/log", "Log"), (NavPlace::Work, "/work", "Work")] {
                                    li { a href=(path) aria-current=[(self.at == place).then_some("page")] { (name) } }
                                }
                            } }
                        }
                    }
                    main id="main" tabindex="-1" {
                        @if live {
                            div.old { p { "What you see is from " (minute) ". It may have changed." } p { a.btn.ink href=(self.path) { "Load it again" } } }
                        }
                        (self.main)
                    }
                    footer {
                        @if live { p { "As of " span data-v="at" { (at) } ", the tank’s time. A watch is a help, never the only safeguard. Estimates are estimates." } }
                        @if let Some(who) = &self.who { p { "Signed in as " (who) ". " a href="/devices" { "Your devices" } } }
                        @else if self.at != NavPlace::Door { p { a href="/sign-in" { "Sign in" } " to answer, to begin work and to shelve." } }
                    }
                    div.vh id="said" role="status" {}
                }
            }
        };
        keep_units(&page.into_string())
    }
}

/// The sentences of a heading, each on a line of its own where there is room.
pub(super) fn heading(sentences: &[String]) -> Markup {
    html! { h1 { @for (nth, sentence) in sentences.iter().enumerate() { @if nth > 0 { " " } span { (sentence) } } } }
}

/// A mark in markup.
pub(super) fn sign(of: Mark) -> Markup {
    PreEscaped(mark(of))
}

/// Something was pressed, and this came of it.
pub(super) fn said(words: &str, taken: bool) -> Markup {
    html! {
        div.said-back role="alert" {
            @if !taken { p { b { "Not taken." } } }
            @for line in words.lines().filter(|line| !line.trim().is_empty()) { p { (line) } }
        }
    }
}

/// A reading's number, which changes while somebody watches.
pub(super) fn number(seen: &SharedLook, sensor: slackwater_rules::plan::SensorId) -> Markup {
    let found = seen.look.view.readings.iter().find(|reading| reading.sensor == sensor);
    let (value, unit) = found.map_or(("", ""), |reading| truth::parted(&reading.shown));
    html! { b data-v={ "r" (sensor.0) } { (value) } @if !unit.is_empty() { " " (unit) } }
}
