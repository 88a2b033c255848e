//! `slackwater rehearse`: the keeper's own rule file and stories in, a timeline and what went
//! otherwise than expected out. Nothing is switched and nobody is told: it is all virtual.

use super::{Config, wrong};
use crate::output::outln;
use crate::settings::Environment;
use crate::site::load_plan;
use slackwater_rules::page::{Page, gsm};
use slackwater_rules::plan::{Finding, Plan, render};
use slackwater_rules::record::Purpose;
use slackwater_rules::rehearsal::{Played, Story, probe};
use slackwater_rules::time::Span;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// What is to be rehearsed.
#[derive(clap::Args, Debug)]
pub(super) struct Rehearse {
    /// Story files.
    #[arg(value_name = "STORY", required_unless_present = "hazards")]
    stories: Vec<PathBuf>,
    /// Make up the smallest story that raises each alarm, and one that must not.
    #[arg(long)]
    hazards: bool,
    /// Print all that happened, not only what went otherwise.
    #[arg(long)]
    timeline: bool,
    /// Print the words of each page as it would leave, with its text of 160 letters.
    #[arg(long)]
    pages: bool,
    /// Put the HTML part of each page into a file in this folder, to be looked at in a browser.
    #[arg(long, value_name = "FOLDER")]
    html: Option<PathBuf>,
    #[command(flatten)]
    config: Config,
}

pub(super) fn play(rehearse: &Rehearse) -> ExitCode {
    let environment = Environment::of_process().dry();
    let plan = match load_plan(&rehearse.config.config, &environment, None) {
        Ok((_, plan)) => plan,
        Err(mistakes) => return wrong(&mistakes.text),
    };
    let mut good = true;
    for path in &rehearse.stories {
        good &= match play_one(path, &plan, rehearse) {
            Ok(good) => good,
            Err(text) => {
                eprintln!("{}", text.trim_end());
                false
            }
        };
    }
    if rehearse.hazards {
        good &= probe_all(&plan);
    }
    if good { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

fn play_one(path: &Path, plan: &Plan, asked: &Rehearse) -> Result<bool, String> {
    let name = path.display().to_string();
    let text = std::fs::read_to_string(path).map_err(|error| format!("{name}: {error}"))?;
    let story = Story::parse(&text, plan).map_err(|findings| render(&name, &text, &findings))?;
    let Played { timeline: records, pages, misses, met, stuck } = story.play(plan);
    let title = if story.title.is_empty() { "" } else { &story.title };
    outln!("{name}: {title}");
    if asked.timeline {
        for (at, record) in &records {
            outln!("  {:>16}  {}", at.to_string(), record.body);
        }
    }
    if asked.pages {
        let sirens: Vec<String> = sirens(plan);
        for (at, to, page) in &pages {
            match sirens.contains(to) {
                // It reads nothing: it is switched.
                true => outln!("\n  after {at}, {to} {}", heard(page)),
                false => show(*at, to, page),
            }
        }
    }
    if let Some(folder) = &asked.html {
        save(folder, path, &sirens(plan), &pages)
            .map_err(|error| format!("{}: {error}", folder.display()))?;
    }
    for miss in &misses {
        let finding =
            Finding::error(miss.span.clone(), "this did not come as expected", miss.it.came.clone());
        outln!("{}", render(&name, &text, &[finding]).trim_end());
    }
    match misses.len() {
        0 if met == 0 => outln!("  it expects nothing: see the timeline (--timeline)"),
        0 => outln!("  all {met} expectations met"),
        n => outln!("  {n} of {} expectations not met", n + met),
    }
    if let Some(stuck) = &stuck {
        outln!("  NOT PLAYED TO ITS END: {stuck}. This is a mistake in the program: please report it.");
    }
    Ok(misses.is_empty() && stuck.is_none())
}

/// The targets that read no words.
fn sirens(plan: &Plan) -> Vec<String> {
    let sirens = plan.directory.channels.keys().filter(|target| target.contact.is_none());
    sirens.map(ToString::to_string).collect()
}

fn heard(page: &Page) -> &'static str {
    if page.purpose == Purpose::Call { "sounds" } else { "falls silent" }
}

/// A page as its reader sees it, and as a text.
fn show(at: Span, to: &str, page: &Page) {
    outln!("\n  after {at}, to {to}:");
    page.body.lines().for_each(|line| outln!("  | {line}"));
    outln!("  text of {}: {}", gsm::places(&page.text()), page.text());
}

/// `power-cut-03-ines.mail.html` and so on, by story, place in it and reader.
fn save(
    folder: &Path,
    story: &Path,
    sirens: &[String],
    pages: &[(Span, String, Page)],
) -> std::io::Result<()> {
    std::fs::create_dir_all(folder)?;
    let story = story.file_stem().unwrap_or_default().to_string_lossy();
    for (nth, (_, to, page)) in (1..).zip(pages).filter(|(_, (_, to, _))| !sirens.contains(to)) {
        std::fs::write(folder.join(format!("{story}-{nth:02}-{to}.html")), page.html())?;
    }
    Ok(())
}

fn probe_all(plan: &Plan) -> bool {
    let mut good = true;
    for found in probe(plan) {
        let blip = match found.blip_is_quiet {
            Some(true) => "; quiet at a blip",
            Some(false) => "; RINGS AT A BLIP shorter than its on-delay",
            None => "; its on-delay is too short to tell a blip",
        };
        match &found.raised {
            Some((how, after)) => outln!("{}: rings after {after} with {how}{blip}", found.alarm),
            None if found.foretells => {
                outln!("{}: not tried: it asks a forecast, which takes hours or days", found.alarm)
            }
            None => outln!("{}: NO SIMPLE STORY RAISES IT", found.alarm),
        }
        good &= (found.raised.is_some() || found.foretells) && found.blip_is_quiet != Some(false);
    }
    good
}
