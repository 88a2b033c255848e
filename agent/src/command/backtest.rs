//! `slackwater backtest`: a rule file and the past in (the journal's or a file's), what would
//! have rung out, beside what did ring. Nothing is sent and nothing is switched.

mod believed;
mod csv;
mod history;
mod progress;
mod report;
mod sweep;

use super::{Config, failed, wrong};
use crate::clock::Clock;
use crate::journal::JournalLog;
use crate::output::outln;
use crate::review::{ReviewSpan, parse_when};
use crate::settings::Environment;
use crate::site::load_plan;
use history::{Past, Playing};
use progress::BacktestProgress;
use slackwater_rules::backtest::lead_in;
use slackwater_rules::plan::Plan;
use slackwater_rules::time::Wall;
use std::path::PathBuf;
use std::process::ExitCode;
use sweep::{SweepRange, range};

/// What is to be tried.
#[derive(clap::Args, Debug)]
pub(super) struct BacktestArgs {
    /// Begins: a date, a time, or so long ago; 30 d, or the beginning of the file, if none is
    /// given.
    #[arg(long)]
    since: Option<String>,
    /// Ends; now, or the end of the file, if none is given.
    #[arg(long)]
    until: Option<String>,
    /// Readings from a file instead of the journal: a line `time,sensor,value,unit`, then one a
    /// reading; or `time` and a column for each sensor. With semicolons between columns a comma is
    /// the decimal sign.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// The sensor of a column that has another name: `Water=lagoon-temp`, `Zeit=time`. Once for
    /// each.
    #[arg(long = "column", value_name = "NAME=SENSOR", requires = "csv", value_parser = csv::column)]
    columns: Vec<csv::Column>,
    /// Where the file has no reading at all, its sensors were silent; without this, nobody watched
    /// then.
    #[arg(long, requires = "csv")]
    all_silence: bool,
    /// Another rule file than the configured one.
    #[arg(long, value_name = "FILE")]
    rules: Option<PathBuf>,
    /// The alarm whose limit is moved.
    #[arg(long, value_name = "NAME", requires = "sweep")]
    alarm: Option<String>,
    /// Moves a limit: its name, or `limit` for the only one, and the numbers, in its own unit.
    #[arg(long, value_name = "RANGE", requires = "alarm", value_parser = range)]
    sweep: Option<SweepRange>,
    /// For scripts.
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    config: Config,
}

pub(super) fn play(backtest: &BacktestArgs) -> ExitCode {
    let environment = Environment::of_process();
    let loaded = load_plan(&backtest.config.config, &environment, backtest.rules.as_deref());
    let (settings, mut plan) = match loaded {
        Ok(loaded) => loaded,
        Err(mistakes) => return wrong(&mistakes.text),
    };
    let zone = &settings.places.zone;
    let now = Clock::system(crate::settings::Trust::System).now().wall;
    let when = |text: &Option<String>| {
        text.as_ref().map(|text| parse_when(text, now, zone).map_err(|error| error.to_string())).transpose()
    };
    let (since, until) = match when(&backtest.since).and_then(|since| Ok((since, when(&backtest.until)?))) {
        Ok(times) => times,
        Err(text) => {
            eprintln!("{text}");
            return ExitCode::from(2);
        }
    };
    let past = match &backtest.csv {
        Some(path) => csv::read(path, &backtest.columns, &mut plan, now, zone).and_then(|file| {
            let (first, last) = file.ends();
            if first == last && since.is_none() && until.is_none() {
                return Err(file.of_one_time(&path.display().to_string(), zone));
            }
            let window = ReviewSpan::new(since.unwrap_or(first), until.unwrap_or(last), zone)?;
            Ok((Past::file(file, backtest.all_silence), window))
        }),
        None => {
            let default = now - slackwater_rules::time::Span::hours(30 * 24);
            let window = ReviewSpan::new(since.unwrap_or(default), until.unwrap_or(now), zone);
            let log = JournalLog::open(&settings.places.journal.path).map_err(|error| error.to_string());
            window.and_then(|window| {
                log.and_then(|log| Past::journal(log, &mut plan, window)).map(|past| (past, window))
            })
        }
    };
    let said = past.and_then(|(past, window)| {
        let mut progress = BacktestProgress::on_terminal(zone);
        match (&backtest.alarm, &backtest.sweep) {
            (Some(alarm), Some(range)) => {
                sweep_limit((&past, &mut progress), &plan, window, alarm, range, backtest.json)
            }
            _ => {
                let start = window.since - lead_in(&plan);
                let mut playing = Playing::new(&past, vec![plan.clone()], start, window);
                past.play(&mut playing, (start, window.until), &mut progress)?;
                drop(progress);
                let report = report::of(playing, &past, &plan, window, zone);
                if backtest.json { pretty(&report) } else { Ok(report::words(&report, zone)) }
            }
        }
    });
    match said {
        Ok(text) => {
            outln!("{}", text.trim_end());
            ExitCode::SUCCESS
        }
        Err(text) => failed(&text),
    }
}

fn pretty(value: &impl serde::Serialize) -> Result<String, String> {
    serde_json::to_string_pretty(value).map_err(|error| error.to_string())
}

fn sweep_limit(
    (past, progress): (&Past, &mut BacktestProgress),
    plan: &Plan,
    window: ReviewSpan,
    alarm: &str,
    range: &SweepRange,
    json: bool,
) -> Result<String, String> {
    let plans = range.plans(plan, alarm)?;
    let start: Wall = window.since - plans.iter().map(lead_in).max().unwrap_or_default();
    let mut playing = Playing::new(past, plans, start, window);
    past.play(&mut playing, (start, window.until), progress)?;
    let table = sweep::table(playing, past, alarm, range);
    if json { pretty(&table) } else { Ok(format!("{}\n{}", past.caution(), sweep::words(&table))) }
}

#[cfg(any(test, feature = "fuzzing"))]
pub(crate) use csv::promise;

#[cfg(test)]
mod tests;
