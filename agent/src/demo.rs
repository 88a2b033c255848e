//! `slackwater demo`: an invented night on the sample site, with nothing to set up. A broker and
//! a rig of simulated tanks run beside the real agent, which reads the sample rule file and is
//! fed by real MQTT messages; its clock, and the rig's, run many times faster. Pages are shown
//! as they go out and left in a folder as mails; at the end the review is printed.

pub mod broker;
mod rig;
mod story;

use crate::clock::Clock;
use crate::event_loop::{self, Parts};
use crate::journal::JournalLog;
use crate::log::init_log;
use crate::output::outln;
use crate::report;
use crate::review::{self, ReviewSpan};
use crate::settings::{Environment, LogFormat, LogSettings, USUAL_LISTEN};
use crate::site::SiteFiles;
use broker::Broker;
use slackwater_rules::time::{Span, Wall};
use slackwater_rules::units::Quantity;
use std::fmt::Display;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

const RULES: &str = include_str!("../../deploy/sample/rules.toml");

/// Play an invented night on an invented site, with nothing to set up.
#[derive(clap::Args, Debug)]
pub struct Demo {
    /// How many times faster than real time the night goes by.
    #[arg(long, default_value_t = 300, value_parser = clap::value_parser!(u32).range(1..=2_000))]
    speed: u32,
    /// How much of the night is played, from 18:00 on: `90 min`, `12 h`.
    #[arg(long = "for", value_name = "TIME", default_value = "11 h", value_parser = length)]
    length: Span,
    /// Where the demo leaves its files; emptied of an earlier demo's.
    #[arg(long, value_name = "FOLDER", default_value = "demo")]
    folder: PathBuf,
    /// Where the page in the house is served, on this machine; any free port if that is taken, or
    /// 0.
    #[arg(long, value_name = "PORT", default_value_t = USUAL_LISTEN.port())]
    page_port: u16,
    /// Nobody answers: the call-out climbs and repeats until you answer it.
    #[arg(long)]
    unanswered: bool,
}

fn length(text: &str) -> Result<Span, String> {
    Quantity::parse(text).and_then(Quantity::span).map_err(|error| error.to_string())
}

/// Plays it.
pub async fn play(demo: Demo) -> ExitCode {
    match try_play(demo).await {
        Ok(()) => ExitCode::SUCCESS,
        Err(text) => {
            eprintln!("{text}");
            ExitCode::FAILURE
        }
    }
}

fn said(what: &str) -> impl Fn(&dyn Display) -> String + '_ {
    move |error| format!("{what}: {error}")
}

async fn try_play(demo: Demo) -> Result<(), String> {
    let quiet = LogSettings { format: LogFormat::Terminal, level: "error".to_owned() };
    let _log = init_log(&quiet).map_err(|error| said("the log")(&error))?;
    prepare(&demo.folder)?;
    let broker = Broker::bind("127.0.0.1:0").await.map_err(|error| said("the demo's broker")(&error))?;
    let port = broker.address().port();
    tokio::spawn(broker.run());

    let config = demo.folder.join("agent.toml");
    let write = |path: &Path, text: &str| {
        std::fs::write(path, text).map_err(|error| said(&path.display().to_string())(&error))
    };
    write(&demo.folder.join("rules.toml"), &unhurried(RULES))?;
    let page = free_port(demo.page_port);
    write(&config, &agent_toml(port, page))?;
    let environment = Environment::default();
    let site = SiteFiles::load(&config, &environment).map_err(|wrong| wrong.text)?;
    let zone = site.settings.places.zone.clone();
    let journal = site.settings.places.journal.path.clone();
    let socket = site.settings.places.control.socket.clone();

    // 2026-10-24T18:00:00Z: a Saturday evening on which nothing special was planned.
    let start = Wall(1_792_864_800_000);
    let clock = Clock::sped_up(demo.speed, start);
    story::introduce(&demo, &config);
    if cfg!(feature = "web") {
        tokio::spawn(story::invite(socket.clone()));
    }
    let story = story::DemoStory::new(Arc::new(site.plan.clone()));
    tokio::spawn(rig::play(port, clock.clone(), start, story.clone()));
    if !demo.unanswered {
        tokio::spawn(story::keeper(clock.clone(), start, socket, story.clone()));
    }
    let end = {
        let clock = clock.clone();
        let until = clock.now().mono + demo.length;
        async move {
            clock.sleep_until(until).await;
            "the night is over"
        }
    };
    let parts = Parts {
        config,
        site,
        environment,
        clock: clock.clone(),
        onlooker: Some(story.onlooker()),
        until: Box::pin(end),
    };
    let ended = event_loop::run(parts).await;
    ended.map_err(|trouble| trouble.to_string())?;

    let log = JournalLog::open(&journal).map_err(|error| error.to_string())?;
    let plan = SiteFiles::load(&demo.folder.join("agent.toml"), &Environment::default());
    let plan = plan.map_err(|wrong| wrong.text)?.plan;
    let window = ReviewSpan { since: start, until: clock.now().wall };
    let review = review::review(&log, Some(&plan), window, &zone).map_err(|error| error.to_string())?;
    outln!("\n======== The night in short; `slackwater review --config …` prints the rest ========\n");
    review.digest.iter().for_each(|line| outln!("{line}"));
    outln!();
    outln!("The pages lie in {} as mails.", demo.folder.join("pages").display());
    let file = demo.folder.join("report.html");
    let report = report::report(&log, &plan, window, &zone).map_err(|error| error.to_string())?;
    write(&file, &report)?;
    outln!("The report of the night lies in {}: open it in a browser, or print it.", file.display());
    Ok(())
}

/// Where the page in the house is served: the port that is wanted, or any other that is free.
fn free_port(wanted: u16) -> u16 {
    let usual = std::net::SocketAddr::new(USUAL_LISTEN.ip(), wanted);
    let any = std::net::SocketAddr::new(usual.ip(), 0);
    let bound = std::net::TcpListener::bind(usual).or_else(|_| std::net::TcpListener::bind(any));
    bound.and_then(|listener| listener.local_addr()).map_or(usual.port(), |address| address.port())
}

/// The sample's rules, without what is due by the calendar, and with patience for a clock that runs
/// hundreds of times faster: a reading every ten seconds is one every thirty milliseconds there,
/// and a busy machine would be taken for a dead sensor. Each person is told by one way, since a
/// spectator reads every page.
fn unhurried(rules: &str) -> String {
    let line = |line: &str| match line.split_once('=') {
        Some((key, _)) if key.trim() == "outage" => String::new(),
        Some((key, _)) if key.trim() == "every" => format!("{key}= \"30 min\""),
        _ => line.to_owned(),
    };
    let rules = rules.lines().map(line).collect::<Vec<_>>().join("\n") + "\n";
    rules.replace("\"ines.mail\", ", "")
}

/// Makes the folder, or empties it of what an earlier demo left; anything else is left alone.
fn prepare(folder: &Path) -> Result<(), String> {
    let name = folder.display();
    let ours = [
        "agent.toml",
        "rules.toml",
        "last-good-rules.toml",
        "last-good-agent.toml",
        "journal.sqlite",
        "journal.sqlite-wal",
        "journal.sqlite-shm",
        "journal.sqlite-lock",
        "journal.sqlite-pulse",
        "journal.sqlite-minutes",
        "journal.sqlite-reserve",
        "control.sock",
        "pages",
        "report.html",
        "web-sessions.json",
    ];
    if folder.exists() {
        let entries = std::fs::read_dir(folder).map_err(|error| format!("{name}: {error}"))?;
        for entry in entries.flatten() {
            if !ours.iter().any(|known| entry.file_name().to_str() == Some(known)) {
                let found = entry.path();
                return Err(format!(
                    "{} is not the demo's: empty {name} or name another folder with --folder",
                    found.display()
                ));
            }
        }
        std::fs::remove_dir_all(folder).map_err(|error| format!("{name} can't be emptied: {error}"))?;
    }
    std::fs::create_dir_all(folder).map_err(|error| format!("{name} can't be made: {error}"))
}

/// The agent's configuration of the demo: no account, no root, nothing outside the folder.
fn agent_toml(port: u16, page: u16) -> String {
    format!(
        r#"# Made by `slackwater demo`.
[site]
rules = "rules.toml"
zone  = "UTC"

[broker]
host = "127.0.0.1"
port = {port}

[journal]
path        = "journal.sqlite"
flush-every = "1 min"

[control]
socket = "control.sock"

[web]
listen = "127.0.0.1:{page}"
url    = "http://127.0.0.1:{page}"

[contact.ines]
name = "Ines"

[contact.ines.channel.push]
kind   = "folder"
folder = "pages"
to     = "Ines <ines.push@halyard.example>"

[contact.tom]
name  = "Tom"
hours = ["07:00-23:30"]

[contact.tom.channel.mail]
kind   = "folder"
folder = "pages"
to     = "Tom <tom.mail@halyard.example>"

[contact.neighbour]
name   = "the neighbour"
helper = true

[contact.neighbour.channel.mail]
kind   = "folder"
folder = "pages"
to     = "The neighbour <neighbour.mail@halyard.example>"

[channel.siren]
kind  = "siren"
topic = "house/siren/set"
"#
    )
}
