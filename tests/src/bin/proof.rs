//! The proof, for hours: `cargo run --release -p slackwater-tests --bin proof -- --hours 2 --seed
//! 7`. Called by the name of the program itself, it is that program: what is tried is what was
//! built beside the trial, and one file is enough to carry to a board.

use clap::{Args, Parser, Subcommand};
use slackwater_tests::proof::flat::{self, Times};
use slackwater_tests::proof::{Extent, month, run, steady};
use std::ffi::OsStr;
use std::io;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Duration;

/// The name by which this program is the watch.
const WATCH: &str = "slackwater";

/// Tries what is promised: kills at any instant under faults singly and in pairs.
#[derive(Parser)]
#[command(args_conflicts_with_subcommands = true)]
struct Cli {
    #[command(subcommand)]
    what: Option<What>,
    #[command(flatten)]
    rounds: Rounds,
    /// Another program than the one built beside this.
    #[arg(long, global = true)]
    program: Option<PathBuf>,
}

#[derive(Args)]
struct Rounds {
    /// No round begins after so many hours.
    #[arg(long, default_value_t = 1.0)]
    hours: f64,
    /// The first round is drawn from it, and the others from that.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// No round begins after so many kills.
    #[arg(long, default_value_t = usize::MAX)]
    kills: usize,
    /// So many rounds at most: 1 plays the round of the seed again.
    #[arg(long, default_value_t = u64::MAX)]
    rounds: u64,
    /// Houses at once; most of their time is waiting.
    #[arg(long, default_value_t = 4)]
    side_by_side: usize,
}

#[derive(Subcommand)]
enum What {
    /// Days in virtual time, through engine and journal, under the faults that can be had there.
    Month {
        /// So many.
        #[arg(long, default_value_t = 30)]
        days: u32,
        /// Messages.
        #[arg(long, default_value_t = 50)]
        per_second: u32,
        /// Of faults and dangers.
        #[arg(long, default_value_t = 1)]
        seed: u64,
    },
    /// The real program beside a real broker, undisturbed, for hours.
    Steady {
        /// So long.
        #[arg(long, default_value_t = 2.0)]
        hours: f64,
        /// Messages.
        #[arg(long, default_value_t = 50)]
        per_second: u32,
        /// Into how many parts it is cut.
        #[arg(long, default_value_t = 12)]
        parts: u32,
    },
}

fn main() -> ExitCode {
    let name = std::env::args_os().next();
    if name.as_deref().map(Path::new).and_then(Path::file_name) == Some(OsStr::new(WATCH)) {
        return slackwater::command::main();
    }
    let cli = Cli::parse();
    match prove(&cli) {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        Err(error) => {
            eprintln!("{error}");
            ExitCode::FAILURE
        }
    }
}

/// Whether all was as it should be.
fn prove(cli: &Cli) -> io::Result<bool> {
    let folder = tempfile::tempdir()?;
    if let Some(What::Month { days, per_second, seed }) = cli.what {
        return month(folder.path(), days, per_second, seed);
    }
    if !slackwater_tests::mosquitto::available() {
        return Ok(false);
    }
    let program = folder.path().join(WATCH);
    std::os::unix::fs::symlink(cli.program.clone().map_or_else(std::env::current_exe, Ok)?, &program)?;
    let program = program.display().to_string();
    if let Some(What::Steady { hours, per_second, parts }) = cli.what {
        let parts = steady::run(&program, hours_long(hours), per_second, parts)?;
        if let (Some(first), Some(last)) = (parts.first(), parts.last()) {
            println!("             {:>24} {:>24}", "first part", "last part");
            side_by_side("own memory, MiB", first.memory, last.memory);
            side_by_side("most memory, MiB", first.peak, last.peak);
            side_by_side("journal, MiB", first.disk, last.disk);
            times("a page", &first.pages, &last.pages);
        }
        return Ok(true);
    }
    let rounds = &cli.rounds;
    let extent = Extent {
        time: hours_long(rounds.hours),
        kills: rounds.kills,
        rounds: rounds.rounds,
        side_by_side: rounds.side_by_side,
    };
    let sum = run(&program, rounds.seed, extent);
    for (seed, what) in &sum.differences {
        println!("\n=== the round of seed {seed} differs ===\n{what}");
        println!("again: proof --rounds 1 --seed {seed}\n");
    }
    println!("{sum}; load {}", flat::load());
    Ok(sum.differences.is_empty())
}

fn hours_long(hours: f64) -> Duration {
    Duration::from_secs_f64(hours * 3_600.0)
}

fn month(folder: &Path, days: u32, per_second: u32, seed: u64) -> io::Result<bool> {
    let month = month::run(folder, days, per_second, seed)?;
    // Three days at each end, or a third of less.
    let many = (month.days.len() / 3).clamp(1, 3);
    let (first, last) = (month.days.iter().take(many), month.days.iter().rev().take(many));
    let together = |days: &mut dyn Iterator<Item = &month::Day>| {
        let (mut turns, mut paging, mut memory, mut took) =
            (Times::default(), Times::default(), 0.0_f64, 0.0);
        for day in days {
            turns.add(&day.turns);
            paging.add(&day.paging);
            memory = memory.max(day.memory);
            took += day.took.as_secs_f64();
        }
        (turns, paging, memory, took / many as f64)
    };
    let (first, last) = (together(&mut first.into_iter()), together(&mut last.into_iter()));
    let disk = |nth: usize| month.days.get(nth).map_or(0.0, |day| day.disk);
    let grown = |nth: usize| disk(nth) - nth.checked_sub(1).map_or(0.0, disk);
    println!("             {:>24} {:>24}", format!("first {many} days"), format!("last {many} days"));
    side_by_side("own memory, MiB", first.2, last.2);
    side_by_side("a day takes, s", first.3, last.3);
    // The first day also makes the file.
    side_by_side("journal a day, MiB", grown(1.min(month.days.len() - 1)), grown(month.days.len() - 1));
    times("a turn", &first.0, &last.0);
    times("a turn that pages", &first.1, &last.1);
    println!("{} dangers, {} differ; load {}", month.dangers, month.differences.len(), flat::load());
    for difference in &month.differences {
        println!("  {difference}");
    }
    Ok(month.differences.is_empty())
}

fn side_by_side(what: &str, first: f64, last: f64) {
    println!("{what:<20} {first:>16.3} {last:>24.3}");
}

fn times(what: &str, first: &Times, last: &Times) {
    println!("{what}\n  first: {first}\n  last:  {last}");
}
