//! `slackwater witness`: the watch, run elsewhere over other sites; and on a site's own board, its
//! key, and the silences that are announced to the witness.

use super::run::watch;
use super::{Config, Speaker, failed, length, say, wrong};
use crate::checkin::SiteKey;
use crate::output::outln;
use crate::settings::Environment;
use crate::site::SiteFiles;
use clap::{Args, Subcommand};
use slackwater_rules::engine::OperatorCommand;
use slackwater_rules::time::Span;
use std::fs::OpenOptions;
use std::io::Write as _;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

#[derive(Debug, Args)]
pub(super) struct Witness {
    #[command(subcommand)]
    what: Option<WitnessVerb>,
    /// The witness's configuration file.
    #[arg(
        long,
        value_name = "FILE",
        env = "SLACKWATER_CONFIG",
        default_value = "/etc/slackwater/witness.toml"
    )]
    config: PathBuf,
}

#[derive(Debug, Subcommand)]
enum WitnessVerb {
    /// Make the key that this site signs its check-ins with, and print its public half.
    Key {
        /// Where the private half goes: a new file that only its owner may read.
        #[arg(long, value_name = "FILE", required_unless_present = "of")]
        out: Option<PathBuf>,
        /// Print the public half of the key in this file instead.
        #[arg(long, value_name = "FILE", conflicts_with = "out")]
        of: Option<PathBuf>,
    },
    /// Say beforehand that this site will be silent: its witness waits, and calls out if it is
    /// overdue.
    Silence {
        /// For how long, at most a day: `90 min`, `2h`.
        #[arg(long = "for", value_name = "TIME", value_parser = length, required_unless_present = "end")]
        length: Option<Span>,
        /// The reason, for who reads it elsewhere.
        #[arg(long, default_value = "")]
        why: String,
        /// Take it back: the site is to be watched again from now on.
        #[arg(long, conflicts_with = "length")]
        end: bool,
        #[command(flatten)]
        who: Speaker,
        #[command(flatten)]
        config: Config,
    },
}

pub(super) async fn carry_out(witness: Witness) -> ExitCode {
    match witness.what {
        None => run(witness.config).await,
        Some(WitnessVerb::Key { of: Some(file), .. }) => show_key(&file),
        Some(WitnessVerb::Key { out: Some(file), of: None }) => make_key(&file),
        Some(WitnessVerb::Key { out: None, of: None }) => failed("say where the key goes: --out FILE"),
        Some(WitnessVerb::Silence { length: Some(length), why, end: false, who, config }) => {
            say(&config, who, OperatorCommand::PlanSilence { length, why }).await
        }
        Some(WitnessVerb::Silence { who, config, .. }) => {
            say(&config, who, OperatorCommand::EndSilence).await
        }
    }
}

async fn run(config: PathBuf) -> ExitCode {
    let environment = Environment::of_process();
    match SiteFiles::load_sound(&config, &environment) {
        Ok(site) if site.plan.watched.is_empty() => wrong(&format!(
            "{}: it watches no other site: each needs a table `[watched.NAME]`",
            site.settings.places.rules.display()
        )),
        Ok(site) => watch(Config { config }, environment, site).await,
        Err(mistakes) => wrong(&mistakes.text),
    }
}

fn make_key(file: &Path) -> ExitCode {
    let (key, line) = match SiteKey::make() {
        Ok(made) => made,
        Err(why) => return failed(&why),
    };
    // Never over another key: the witness would turn the site away from then on.
    let made = OpenOptions::new().write(true).create_new(true).mode(0o600).open(file);
    let written = made.and_then(|mut made| {
        writeln!(made, "{}", line.expose())?;
        made.sync_all()
    });
    match written {
        Ok(()) => {
            outln!("{}", key.public());
            ExitCode::SUCCESS
        }
        Err(error) => failed(&format!("{}: {error}", file.display())),
    }
}

fn show_key(file: &Path) -> ExitCode {
    let line = match std::fs::read_to_string(file) {
        Ok(line) => line,
        Err(error) => return failed(&format!("{}: {error}", file.display())),
    };
    match SiteKey::read(&line) {
        Some(key) => {
            outln!("{}", key.public());
            ExitCode::SUCCESS
        }
        None => failed(&format!("{}: it holds no check-in key", file.display())),
    }
}
