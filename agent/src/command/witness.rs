//! `slackwater witness`: the watch, run elsewhere over other sites, who may join it; and on a
//! site's own board, joining, its key, and the silences that are announced to the witness.

use super::join::join;
use super::run::watch;
use super::{Config, Speaker, ask, failed, length, say, wrong};
use crate::checkin::SiteKey;
use crate::control::{Request, WitnessCommand};
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
    #[command(flatten)]
    config: WitnessConfig,
}

/// Where the witness's configuration is.
#[derive(Args, Clone, Debug)]
struct WitnessConfig {
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
    /// Print a link, and a square for a phone's camera, by which a site joins: once, within a day.
    #[command(
        after_help = "Example: slackwater witness enrol halyard --for 'Halyard House' --callout household\n         slackwater witness enrol halyard --again\nAsked of the running witness; who may use its control socket may do it."
    )]
    Enrol {
        /// The site's name: small letters, digits and hyphens.
        name: String,
        /// As pages say it: whose tanks these are.
        #[arg(long = "for", value_name = "WORDS")]
        title: Option<String>,
        /// Who is told when it is silent: a call-out of the rule file, or `none`. Not needed if
        /// there is but one.
        #[arg(long, value_name = "NAME")]
        callout: Option<String>,
        /// For another key of a site that is watched already.
        #[arg(long, conflicts_with_all = ["title", "callout"])]
        again: bool,
        #[command(flatten)]
        who: Speaker,
        #[command(flatten)]
        config: WitnessConfig,
    },
    /// Join a witness by its link: make this site's key, have it taken, and write `[check-in]`.
    #[command(
        after_help = "Example: slackwater witness join slackwater-join:eyJ2Ijox...\nWhat stands in agent.toml stays as it is; `[check-in]` comes behind it."
    )]
    Join {
        /// What `slackwater witness enrol` has printed.
        link: String,
        /// Change the key of a site that has joined already, by a link of `enrol --again`.
        #[arg(long)]
        again: bool,
        #[command(flatten)]
        config: Config,
    },
    /// Take a site's key back, or its link: what it sends is turned away from then on.
    #[command(after_help = "Example: slackwater witness withdraw halyard")]
    Withdraw {
        /// The site's name.
        name: String,
        #[command(flatten)]
        who: Speaker,
        #[command(flatten)]
        config: WitnessConfig,
    },
    /// List the sites with the beginnings of their keys, since when they are heard, and who is
    /// invited.
    #[command(after_help = "Example: slackwater witness sites")]
    Sites {
        #[command(flatten)]
        config: WitnessConfig,
    },
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
        None => run(witness.config.config).await,
        Some(WitnessVerb::Enrol { name, title, callout, again, who, config }) => {
            tell(config, who.name(), WitnessCommand::Enrol { site: name, title, callout, again }).await
        }
        Some(WitnessVerb::Withdraw { name, who, config }) => {
            tell(config, who.name(), WitnessCommand::Withdraw { site: name }).await
        }
        Some(WitnessVerb::Sites { config }) => tell(config, String::new(), WitnessCommand::Sites).await,
        Some(WitnessVerb::Join { link, again, config }) => join(&config.config, &link, again).await,
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

async fn tell(config: WitnessConfig, who: String, witness: WitnessCommand) -> ExitCode {
    ask(&Config { config: config.config }, Request::Witness { who, witness }).await
}

async fn run(config: PathBuf) -> ExitCode {
    let environment = Environment::of_process();
    match SiteFiles::load_sound(&config, &environment) {
        Ok(site) if site.plan.watched.is_empty() && site.settings.witness.is_none() => wrong(&format!(
            "{}: it watches no other site: each needs a table `[watched.NAME]`, or `[witness]` in the configuration, so that \
             sites can join",
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
