//! `slackwater review`: prints what the journal says of a stretch of time, and takes from a person
//! what was found of an episode.

use super::{Config, Speaker, failed, say, wrong};
use crate::clock::Clock;
use crate::journal::JournalLog;
use crate::output::{out, outln};
use crate::report;
use crate::review::{self, ReviewSpan, parse_when};
use crate::settings::{Environment, Places};
use crate::site::SiteFiles;
use clap::{Args, Subcommand, ValueEnum};
use slackwater_rules::engine::OperatorCommand;
use slackwater_rules::plan::Plan;
use slackwater_rules::record::{Body, Seq, Verdict};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// What is wanted of the log.
#[derive(Args, Debug)]
pub(super) struct ReviewArgs {
    #[command(subcommand)]
    verb: Option<ReviewVerb>,
    #[command(flatten)]
    print: Print,
}

#[derive(Args, Debug)]
struct Print {
    /// Begins: a date, a time, `yesterday`, or so long ago.
    #[arg(long, default_value = "7 d")]
    since: String,
    /// Ends; now if none is given.
    #[arg(long)]
    until: Option<String>,
    /// For scripts.
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// Forecasts and sensors without limits too.
    #[arg(long)]
    full: bool,
    /// For tables.
    #[arg(long)]
    csv: bool,
    /// As a report with pictures, into this file: it needs no network, and prints.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["json", "csv", "full"])]
    html: Option<PathBuf>,
    #[command(flatten)]
    config: Config,
}

#[derive(Debug, Subcommand)]
enum ReviewVerb {
    /// Say of an episode whether it was right to ring: the review shows it, backtests count with
    /// it.
    #[command(after_help = "Example: slackwater review mark K7QF false --note 'probe lay in the sun'")]
    Mark {
        /// The episode's code, or its number.
        episode: String,
        /// Whether it was right to ring.
        verdict: FoundArg,
        /// Why, for who reads the log.
        #[arg(long, value_name = "TEXT", default_value = "")]
        note: String,
        #[command(flatten)]
        who: Speaker,
        #[command(flatten)]
        config: Config,
    },
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum FoundArg {
    /// It was.
    Real,
    /// It was not.
    False,
}

pub(super) async fn carry_out(review: ReviewArgs) -> ExitCode {
    let Some(ReviewVerb::Mark { episode, verdict, note, who, config }) = review.verb else {
        return print(&review.print);
    };
    let places = match Places::load(&config.config, &Environment::of_process()) {
        Ok(places) => places,
        Err(mistakes) => return wrong(&mistakes.to_string()),
    };
    let verdict = match verdict {
        FoundArg::Real => Verdict::Real,
        FoundArg::False => Verdict::False,
    };
    let log = JournalLog::open(&places.journal.path).map_err(|error| error.to_string());
    match log.and_then(|log| find(&log, &episode)) {
        Ok(episode) => say(&config, who, OperatorCommand::Mark { episode, verdict, note }).await,
        Err(text) => failed(&text),
    }
}

/// The latest episode of this code, else the one of this number.
fn find(log: &JournalLog, asked: &str) -> Result<Seq, String> {
    let asked = asked.trim();
    let number: Option<Seq> = asked.parse().ok();
    let (mut by_code, mut by_number) = (None, None);
    log.walk(0, |record| {
        if let Body::Raised { code, episode, .. } = record.body {
            if code.eq_ignore_ascii_case(asked) {
                by_code = Some(episode);
            }
            by_number = by_number.or(number.filter(|number| *number == episode));
        }
        true
    })
    .map_err(|error| error.to_string())?;
    let unknown =
        || format!("the journal has no episode `{asked}`: `slackwater review` shows the code of each");
    by_code.or(by_number).ok_or_else(unknown)
}

fn print(Print { since, until, json, csv, html, full, config }: &Print) -> ExitCode {
    let environment = Environment::of_process();
    let places = match Places::load(&config.config, &environment) {
        Ok(places) => places,
        Err(mistakes) => return wrong(&mistakes.to_string()),
    };
    let now = Clock::system(crate::settings::Trust::System).now().wall;
    let when = |text: &str| parse_when(text, now, &places.zone).map_err(|error| error.to_string());
    let window = when(since)
        .and_then(|since| ReviewSpan::new(since, until.as_deref().map_or(Ok(now), when)?, &places.zone));
    let window = match window {
        Ok(window) => window,
        Err(text) => {
            eprintln!("{text}");
            return ExitCode::from(2);
        }
    };
    // Without a plan the review still says what happened, in base units.
    let site = SiteFiles::load(&config.config, &environment).ok();
    let plan = site.as_ref().map(|site| &site.plan);
    if let Some(file) = html {
        // Pictures need the names, units and limits of the rules.
        return match plan {
            Some(plan) => write_report(file, &places, plan, window),
            None => failed(NO_PLAN),
        };
    }
    let read = JournalLog::open(&places.journal.path)
        .and_then(|log| review::review(&log, plan, window, &places.zone));
    match read {
        Ok(review) if *json => match serde_json::to_string_pretty(&review) {
            Ok(text) => outln!("{text}"),
            Err(error) => return failed(&error.to_string()),
        },
        Ok(review) if *csv => out!("{}", review::render_csv(&review)),
        Ok(review) => out!("{}", review::render_text(&review, &places.zone, *full)),
        Err(error) => return failed(&error.to_string()),
    }
    ExitCode::SUCCESS
}

const NO_PLAN: &str = "a report needs the rule file, for names, units and limits: `slackwater check` says what is wrong with it";

/// The report as a file; one that was there is replaced only by a whole one.
fn write_report(file: &Path, places: &Places, plan: &Plan, window: ReviewSpan) -> ExitCode {
    let made = JournalLog::open(&places.journal.path)
        .and_then(|log| report::report(&log, plan, window, &places.zone))
        .map_err(|error| error.to_string());
    let written = made.and_then(|text| {
        write_whole(file, text.as_bytes()).map_err(|error| format!("{}: {error}", file.display()))
    });
    match written {
        Ok(()) => {
            outln!("The report lies in {}.", file.display());
            ExitCode::SUCCESS
        }
        Err(text) => failed(&text),
    }
}

/// A pipe or a device is written to as it is; a file is made beside its place and then put there.
fn write_whole(file: &Path, octets: &[u8]) -> std::io::Result<()> {
    let is_other = std::fs::metadata(file).is_ok_and(|found| !found.is_file());
    if is_other {
        return std::fs::write(file, octets);
    }
    let mut name = file.file_name().map(std::ffi::OsStr::to_owned).unwrap_or_default();
    name.push(".part");
    let part = file.with_file_name(name);
    std::fs::write(&part, octets)?;
    std::fs::rename(&part, file)
}
