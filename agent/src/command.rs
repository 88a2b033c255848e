//! The command line: what a person can ask, with an example for each. Every verb either does
//! its work on files (`check`, `review`), or speaks to the running agent over its socket, or
//! is the agent (`run`, `demo`). Exit codes: 0 done, 1 refused or failed, 2 asked wrongly,
//! 78 the configuration is wrong (EX_CONFIG of sysexits.h).

mod backtest;
mod check;
mod drill;
mod estimate;
mod hazards;
mod init;
mod join;
mod listen;
mod rehearse;
mod review;
mod run;
mod speaker;
mod status;
mod web;
mod witness;

use crate::control::{self, ControlReply, Request};
use crate::output::{out, outln};
use crate::qr;
use crate::settings::{Environment, Places};
use clap::{Args, Parser, Subcommand};
use slackwater_rules::engine::OperatorCommand;
use slackwater_rules::time::Span;
use slackwater_rules::units::Quantity;
use speaker::Speaker;
use std::path::PathBuf;
use std::process::ExitCode;

/// The configuration is wrong.
const EX_CONFIG: u8 = 78;

/// The watch for saltwater tanks.
#[derive(Debug, Parser)]
#[command(
    name = "slackwater",
    version,
    about,
    long_about = "The watch for saltwater tanks: reads sensors over MQTT, evaluates a rule file, and tells people\n\
                  until one of them answers.\n\n\
                  It is a help, never the only safeguard: set thermostats so that the tanks are safe with\n\
                  this program switched off, and protect every outlet near water (GFCI, RCD)."
)]
pub struct Cli {
    #[command(subcommand)]
    verb: Verb,
}

/// Where the agent's configuration is.
#[derive(Args, Clone, Debug)]
struct Config {
    /// The agent's configuration file; if none is named, `agent.toml` in this folder if it is
    /// there, or else /etc/slackwater/agent.toml.
    #[arg(
        long,
        value_name = "FILE",
        env = "SLACKWATER_CONFIG",
        default_value_os_t = usual_config(),
        hide_default_value = true
    )]
    config: PathBuf,
}

fn usual_config() -> PathBuf {
    let here = PathBuf::from("agent.toml");
    if here.exists() { here } else { PathBuf::from("/etc/slackwater/agent.toml") }
}

#[derive(Debug, Subcommand)]
enum Verb {
    /// Play an invented night on an invented site, with nothing to set up.
    #[cfg(feature = "demo")]
    #[command(
        after_help = "Example: slackwater demo --speed 300\nWhile it runs, answer it in a second terminal:\n  slackwater ack CODE --config demo/agent.toml"
    )]
    Demo(crate::demo::Demo),
    /// Write a small site to begin with into a folder.
    #[command(after_help = "Example: slackwater init tanks\nWhat is there already is never written over.")]
    Init(init::Init),
    /// Hear the broker for a minute: what each topic says, what it probably is, and a rule file to
    /// begin with.
    #[command(
        after_help = "Example: slackwater listen --config agent.toml\n         slackwater listen --for 5min --topic 'room2/#' --out room2.toml\nIt never publishes and never writes over a file. Each guess is marked as one."
    )]
    Listen(listen::Listen),
    /// Watch: read the sensors, ring, and keep the journal. What the service runs.
    #[command(
        after_help = "Example: slackwater run --config /etc/slackwater/agent.toml\nSIGTERM ends it in good order; SIGHUP reads the files again."
    )]
    Run(Config),
    /// Read the configuration and the rule file as `run` would, and say all that is wrong.
    #[command(
        after_help = "Example: slackwater check --config agent.toml\n         slackwater check --live --for 2min\n         slackwater check --schema > rules.schema.json\nIt also names who is told by mail and push only, which a power cut takes with the router, and\nwhat the service's user can't read or write. Stricter than `run`, which starts with what is sound.\nExit code: 0 if all is right, 78 if not; 1 if --live found something that fails."
    )]
    Check {
        #[command(flatten)]
        config: Config,
        /// All findings for programs: editors underline by it.
        #[arg(long)]
        json: bool,
        /// Print the JSON Schema of the rule file, for editors that complete by it, and check
        /// nothing.
        #[arg(long, conflicts_with = "json")]
        schema: bool,
        /// Try everything too: the broker, each sensor, mail log-in, push hosts, modem, UPS, clock,
        /// disk, certificates. Nobody is paged and nothing is switched.
        #[arg(long, conflicts_with = "schema")]
        live: bool,
        /// How long sensors are waited for with --live, at most an hour.
        #[arg(long = "for", value_name = "TIME", value_parser = length, default_value = "1min", requires = "live")]
        wait: Span,
    },
    /// List the ready-made alarms, or print one for you to copy and change.
    #[command(
        after_help = "Example: slackwater hazards\n         slackwater hazards show return-flow-stopped\n         slackwater hazards defaults"
    )]
    Hazards {
        #[command(subcommand)]
        what: Option<hazards::HazardsVerb>,
    },
    /// Have the running agent read its files again.
    #[command(
        after_help = "Example: slackwater reload\nA wrong file is refused, and so is one that drops an alarm that is open, unless you say --yes."
    )]
    Reload {
        #[command(flatten)]
        config: Config,
        /// Even if that drops an alarm that is open.
        #[arg(long)]
        yes: bool,
    },
    /// Show sensors, alarms, call-outs, deadlines and the agent's own health.
    #[command(after_help = "Example: slackwater status --json\n         slackwater status --short")]
    Status(status::StatusArgs),
    /// Say why an alarm rings or doesn't, and what would change it.
    #[command(after_help = "Example: slackwater explain return-stopped")]
    Explain {
        /// The alarm's name.
        alarm: String,
        #[command(flatten)]
        config: Config,
        /// For scripts.
        #[arg(long)]
        json: bool,
    },
    /// Answer a page: the call-out is quiet while the answer holds.
    #[command(
        after_help = "Example: slackwater ack K7QF --as ines\n         slackwater ack K7QF --for 2h\n         slackwater ack K7QF --next"
    )]
    Ack {
        /// The code on the page.
        code: String,
        /// How long it is to hold, as far as its bounds allow: "2 h".
        #[arg(long = "for", value_parser = length)]
        length: Option<Span>,
        /// You can't come: have the next person called now.
        #[arg(long, conflicts_with = "length")]
        next: bool,
        #[command(flatten)]
        who: Speaker,
        #[command(flatten)]
        config: Config,
    },
    /// Put an alarm aside for a time, or take it off the shelf again.
    #[command(
        after_help = "Example: slackwater shelve return-stopped --for 2h --why 'pump is being cleaned'\n         slackwater shelve return-stopped --end"
    )]
    Shelve {
        /// The alarm's name.
        alarm: String,
        /// For how long, at most a day: `90 min`, `2h`.
        #[arg(long = "for", value_name = "TIME", value_parser = length, required_unless_present = "end")]
        length: Option<Span>,
        /// The reason, for who reads the log.
        #[arg(long, default_value = "")]
        why: String,
        /// Take it off the shelf.
        #[arg(long, conflicts_with = "length")]
        end: bool,
        #[command(flatten)]
        who: Speaker,
        #[command(flatten)]
        config: Config,
    },
    /// Take an alarm out of service, or put it back.
    #[command(
        after_help = "Example: slackwater service return-stopped --out --why 'pump away for repair'\n         slackwater service return-stopped --back"
    )]
    Service {
        /// The alarm's name.
        alarm: String,
        /// Out of service until put back; needs a reason.
        #[arg(long, requires = "why")]
        out: bool,
        /// Back into service.
        #[arg(long, conflicts_with = "out", required_unless_present = "out")]
        back: bool,
        /// The reason, for who reads the log.
        #[arg(long, default_value = "")]
        why: String,
        #[command(flatten)]
        who: Speaker,
        #[command(flatten)]
        config: Config,
    },
    /// Reset a latched alarm that has been answered.
    #[command(after_help = "Example: slackwater reset leak-under-lagoon")]
    Reset {
        /// The alarm's name.
        alarm: String,
        #[command(flatten)]
        who: Speaker,
        #[command(flatten)]
        config: Config,
    },
    /// Begin or end work on a tank: what it disturbs is suppressed meanwhile.
    #[command(
        after_help = "Example: slackwater work lagoon feeding --for 20min\n         slackwater work lagoon --end"
    )]
    Work {
        /// The tank.
        tank: String,
        /// The kind of work: `feeding`, `water-change`, or one of the rule file's.
        #[arg(required_unless_present = "end")]
        work: Option<String>,
        /// For how long; the kind's longest if none is given.
        #[arg(long = "for", value_name = "TIME", value_parser = length)]
        length: Option<Span>,
        /// End it now.
        #[arg(long, conflicts_with_all = ["work", "length"])]
        end: bool,
        #[command(flatten)]
        who: Speaker,
        #[command(flatten)]
        config: Config,
    },
    /// Try out whether help comes: a call-out, the way to each person, a whole outage.
    #[command(
        after_help = "Example: slackwater drill pages\n         slackwater drill callout household\n         slackwater drill outage"
    )]
    Drill {
        #[command(subcommand)]
        what: drill::DrillVerb,
    },
    /// Play stories through the rule file in no time: who would be told what, and is it as
    /// expected.
    #[command(
        after_help = "Example: slackwater rehearse stories/*.txt --config agent.toml\n         slackwater rehearse --hazards\nThe forms of a story are in the sample's rehearsals. Exit code: 0 if all goes as expected, 1 if not."
    )]
    Rehearse(rehearse::Rehearse),
    /// Play the rule file over the past: what would have rung, beside what did.
    #[command(
        after_help = "Example: slackwater backtest --since '14 d' --rules tried.toml\n         slackwater backtest --csv readings.csv\n         slackwater backtest --alarm too-warm --sweep 'limit=26..28 step 0.25'\nNothing is sent and nothing is switched."
    )]
    Backtest(backtest::BacktestArgs),
    /// Watch other sites from here, or tell this site's witness of a silence to come.
    #[command(
        args_conflicts_with_subcommands = true,
        override_usage = "slackwater witness [--config FILE] | witness enrol|withdraw NAME | witness sites | witness join LINK | witness key --out FILE | witness silence --for TIME",
        after_help = "Example: slackwater witness --config /etc/slackwater/witness.toml\n         slackwater witness enrol halyard --for 'Halyard House'\n         slackwater witness sites\n         slackwater witness withdraw halyard\nThese run where the witness is, the others on the board of the site that is watched:\n         slackwater witness join slackwater-join:eyJ2Ijox...\n         slackwater witness key --out check-in-key\n         slackwater witness silence --for 2h --why 'the rack is moved'\n         slackwater witness silence --end"
    )]
    Witness(witness::Witness),
    /// Answer what a keeper plans for, on paper: heater and spare, oxygen, battery, how long an
    /// outage can be stood.
    #[command(
        after_help = "Example: slackwater estimate --tank lagoon --room '16 degC' --heater '200 W'\n         slackwater estimate --box '120 x 60 x 55 cm' --room '60 degF' --plot outage.svg\nNothing is measured: the ranges are those of published figures. Exit code: 1 if nothing at all can be said."
    )]
    Estimate(Box<estimate::EstimateArgs>),
    /// Print the log of a stretch of time: what happened, who was told, who answered, what was not
    /// seen.
    #[command(
        args_conflicts_with_subcommands = true,
        override_usage = "slackwater review [OPTIONS] | review mark EPISODE real|false",
        after_help = "Example: slackwater review --since '14 d'\n         slackwater review --since 2026-08-01 --until 2026-08-15 --csv > august.csv\n         slackwater review --since '14 d' --html report.html\n         slackwater review mark K7QF false --note 'probe lay in the sun'"
    )]
    Review(review::ReviewArgs),
    /// The page in the house: invite a person's device, list devices, sign one out.
    #[command(
        after_help = "Example: slackwater web invite ines\n         slackwater web sessions\n         slackwater web withdraw tom"
    )]
    Web(web::WebArgs),
}

fn length(text: &str) -> Result<Span, String> {
    let span = Quantity::parse(text).and_then(Quantity::span).ok().filter(|span| *span >= Span::seconds(1));
    span.ok_or_else(|| "write one number and its unit, a second at least: `90 min`, `2h`, `1.5 h`".to_owned())
}

/// Does what the command line asks.
pub fn main() -> ExitCode {
    crate::memory::give_back_large_blocks();
    let cli = Cli::parse();
    // All that waits has one thread beside the loop's; what computes for long has its own.
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build();
    let runtime = match runtime {
        Ok(runtime) => runtime,
        Err(error) => return failed(&format!("the runtime can't be started: {error}")),
    };
    runtime.block_on(carry_out(cli.verb))
}

async fn carry_out(verb: Verb) -> ExitCode {
    match verb {
        #[cfg(feature = "demo")]
        Verb::Demo(demo) => crate::demo::play(demo).await,
        Verb::Init(init) => init::write(&init),
        Verb::Listen(listen) => listen::carry_out(listen).await,
        Verb::Run(config) => run::run(config).await,
        Verb::Check { schema: true, .. } => {
            out!("{}", slackwater_rules::plan::schema_text());
            ExitCode::SUCCESS
        }
        Verb::Check { config, json, live: true, wait, .. } => check::live(&config, json, wait).await,
        Verb::Check { config, json, .. } => check::check(&config, json),
        Verb::Hazards { what } => hazards::print(what.as_ref()),
        Verb::Reload { config, yes } => ask(&config, Request::Reload { insists: yes }).await,
        Verb::Status(status) => status::carry_out(status).await,
        Verb::Explain { alarm, config, json } => ask(&config, Request::Explain { alarm, json }).await,
        Verb::Ack { code, next: true, who, config, .. } => {
            say(&config, who, OperatorCommand::HandOn { code }).await
        }
        Verb::Ack { code, length, who, config, .. } => {
            say(&config, who, OperatorCommand::Acknowledge { code, length }).await
        }
        Verb::Shelve { alarm, length: Some(length), why, end: false, who, config } => {
            say(&config, who, OperatorCommand::Shelve { alarm, length, why }).await
        }
        Verb::Shelve { alarm, who, config, .. } => {
            say(&config, who, OperatorCommand::Unshelve { alarm }).await
        }
        Verb::Service { alarm, out: true, why, who, config, .. } => {
            say(&config, who, OperatorCommand::TakeOut { alarm, why }).await
        }
        Verb::Service { alarm, who, config, .. } => {
            say(&config, who, OperatorCommand::PutBack { alarm }).await
        }
        Verb::Reset { alarm, who, config } => say(&config, who, OperatorCommand::Reset { alarm }).await,
        Verb::Work { tank, work: Some(work), length, who, config, .. } => {
            say(&config, who, OperatorCommand::BeginWork { tank, work, length }).await
        }
        Verb::Work { tank, who, config, .. } => say(&config, who, OperatorCommand::EndWork { tank }).await,
        Verb::Drill { what } => drill::carry_out(what).await,
        Verb::Rehearse(rehearse) => rehearse::play(&rehearse),
        Verb::Estimate(estimate) => estimate::answer(&estimate),
        Verb::Backtest(backtest) => backtest::play(&backtest),
        Verb::Witness(witness) => witness::carry_out(witness).await,
        Verb::Review(review) => review::carry_out(review).await,
        Verb::Web(web) => web::carry_out(web.what).await,
    }
}

fn failed(text: &str) -> ExitCode {
    eprintln!("{text}");
    ExitCode::FAILURE
}

fn wrong(text: &str) -> ExitCode {
    eprintln!("{}", text.trim_end());
    ExitCode::from(EX_CONFIG)
}

async fn say(config: &Config, who: Speaker, say: OperatorCommand) -> ExitCode {
    ask(config, Request::Say { who: who.name(), say }).await
}

async fn ask(config: &Config, request: Request) -> ExitCode {
    let places = match Places::load(&config.config, &Environment::of_process()) {
        Ok(places) => places,
        Err(mistakes) => return wrong(&mistakes.to_string()),
    };
    match control::ask(&places.control.socket, &request).await {
        Ok(ControlReply { ok: true, text, link }) => {
            if let Some(link) = link {
                outln!("{link}\n");
                qr::terminal(&link).into_iter().for_each(|square| outln!("{square}"));
            }
            outln!("{text}");
            ExitCode::SUCCESS
        }
        Ok(ControlReply { ok: false, text, .. }) | Err(text) => failed(&text),
    }
}

#[cfg(any(test, feature = "fuzzing"))]
/// What must hold for any table of readings.
pub(crate) fn promise(octets: &[u8], plan: &slackwater_rules::plan::Plan) {
    backtest::promise(octets, plan);
}
