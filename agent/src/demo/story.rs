//! The demo as it is told: scenes, records and pages as they come, and the keeper who wakes up
//! late and answers.

use super::Demo;
use crate::clock::Clock;
use crate::control::{self, Request};
use crate::event_loop::TurnObserver;
use crate::output::outln;
use crate::web::ask::WebCommand;
use jiff::tz::TimeZone;
use slackwater_rules::engine::{Effect, OperatorCommand};
use slackwater_rules::page::Page;
use slackwater_rules::plan::{Plan, Target};
use slackwater_rules::record::{Body, Purpose, Seq};
use slackwater_rules::time::{Span, Wall};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// Minutes after the start at which the keeper looks at the phone, and answers if there is
/// anything to answer.
const LOOKS: &[i64] = &[92, 158, 182, 210, 452, 520, 566];

/// What the teller remembers.
#[derive(Clone, Debug)]
pub(super) struct DemoStory {
    plan: Arc<Plan>,
    zone: TimeZone,
    /// Codes of call-outs that nobody has answered, by their numbers.
    open: Arc<Mutex<BTreeMap<Seq, String>>>,
}

/// Says what will happen, and how to take part.
pub(super) fn introduce(demo: &Demo, config: &Path) {
    outln!("Halyard House, an invented site: three tanks, one night, {} times faster.", demo.speed);
    outln!(
        "This plays for {}. The agent is the real one; its rule file is {}.",
        demo.length,
        demo.folder.join("rules.toml").display()
    );
    outln!("Take part in a second terminal (the code is on the pages):");
    outln!("  slackwater ack CODE --config {}", config.display());
    outln!("  slackwater status --config {}", config.display());
    outln!("A watch is a help, never the only safeguard.\n");
}

impl DemoStory {
    pub(super) fn new(plan: Arc<Plan>) -> Self {
        Self { zone: plan.zone.clone(), plan, open: Arc::default() }
    }

    /// Something happens in the house.
    pub(super) fn scene(&self, clock: &Clock, words: &str) {
        outln!("{}  *** {words} ***", self.time(clock.now().wall));
    }

    fn time(&self, wall: Wall) -> String {
        wall.civil(&self.zone).strftime("%H:%M:%S").to_string()
    }

    /// `Ines by push`
    fn way_to(&self, target: &Target) -> String {
        let person = target.contact.as_ref().map(|who| {
            let known = self.plan.directory.contacts.get(who);
            known.map_or_else(|| who.clone(), |contact| contact.name.clone())
        });
        person.map_or_else(|| target.channel.clone(), |person| format!("{person} by {}", target.channel))
    }

    fn open(&self) -> Vec<String> {
        self.open.lock().unwrap_or_else(PoisonError::into_inner).values().cloned().collect()
    }

    fn asks(&self, page: &Page) {
        self.open.lock().unwrap_or_else(PoisonError::into_inner).insert(page.call, page.code.clone());
    }

    fn is_answered(&self, call: Seq) {
        self.open.lock().unwrap_or_else(PoisonError::into_inner).remove(&call);
    }

    /// Tells every turn.
    pub(super) fn onlooker(&self) -> TurnObserver {
        let story = self.clone();
        let mut shown = Vec::new();
        Box::new(move |now, turn| {
            for record in &turn.records {
                match &record.body {
                    Body::Answered { call, .. } | Body::CallEnded { call } => story.is_answered(*call),
                    // Told by the page itself, or of no interest to a spectator.
                    Body::Paged { .. }
                    | Body::Stepped { .. }
                    | Body::CallChanged { .. }
                    | Body::Joined { .. }
                    | Body::Foretold { .. }
                    | Body::Learned { .. }
                    | Body::Skipped { .. }
                    | Body::CallBegan { .. }
                    | Body::Acknowledged { .. }
                    | Body::Delivered { .. } => continue,
                    _ => {}
                }
                outln!("{}  {}", story.time(now.wall), record.body.in_words(&story.plan));
            }
            let sent = turn.effects.iter().filter_map(|effect| match effect {
                Effect::Send { target, page } => Some((target, page)),
                _ => None,
            });
            // What goes to several people at once is one line; a siren is heard as a scene.
            let mut told: Vec<(&str, Vec<String>)> = Vec::new();
            for (target, page) in sent.filter(|(target, _)| target.contact.is_some()) {
                match told.iter_mut().find(|(headline, _)| *headline == page.headline) {
                    Some((_, to)) => to.push(story.way_to(target)),
                    None => told.push((&page.headline, vec![story.way_to(target)])),
                }
                if page.purpose == Purpose::Call {
                    story.asks(page);
                    if !shown.contains(&page.alarm) {
                        shown.push(page.alarm.clone());
                        first_screen(page);
                    }
                }
            }
            for (headline, to) in told {
                outln!("{}  PAGE to {}: {headline}", story.time(now.wall), to.join(", "));
            }
        })
    }
}

/// What of a page stands on the first screen of a phone; the whole of it lies in the folder of
/// pages.
fn first_screen(page: &Page) {
    let line = |text: &str| outln!("          | {text}");
    page.said.under.iter().for_each(|text| line(text));
    for part in page.said.parts.iter().filter(|part| ["What to do", "How to answer"].contains(&part.title)) {
        line(&part.title.to_uppercase());
        part.lines.iter().for_each(|text| line(&text.plain()));
    }
}

/// Says how to watch the night in a browser: as soon as the page is served.
pub(super) async fn invite(socket: PathBuf) {
    for _ in 0..50 {
        tokio::time::sleep(Duration::from_millis(100)).await;
        let invite = Request::Web(WebCommand::Invite { who: "ines".to_owned() });
        let Ok(reply) = control::ask(&socket, &invite).await else { continue };
        if let Some(link) = reply.text.lines().find(|line| line.contains("/in/")).filter(|_| reply.ok) {
            outln!(
                "Or watch it in a browser, and answer there (this link signs you in as Ines, once):\n  {link}\n"
            );
        }
        return;
    }
}

/// The keeper: wakes up late, and answers what is open.
pub(super) async fn keeper(clock: Clock, start: Wall, socket: PathBuf, story: DemoStory) {
    let first = clock.now();
    for minutes in LOOKS {
        let at = first.mono + (start + Span::minutes(*minutes) - first.wall);
        clock.sleep_until(at).await;
        for code in story.open() {
            story.scene(&clock, &format!("Ines looks at her phone and answers {code}"));
            let say = OperatorCommand::Acknowledge { code, length: None };
            if let Err(error) = control::ask(&socket, &Request::Say { who: "ines".to_owned(), say }).await {
                eprintln!("{error}");
            }
        }
    }
}
