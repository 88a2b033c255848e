//! `slackwater listen`: hears the configured broker for a minute and says what there is, with a
//! proposed rule file. It never publishes: the connection is a silent one, under a name of its own.
//! What it makes of the messages is worked out in [`crate::listen`]; here is the connection, the
//! terminal and the file.

use super::{Config, failed, length, wrong};
use crate::listen::{Observations, propose, rows, table};
use crate::mqtt::{self, MqttEvent};
use crate::output::{out, outln};
use crate::settings::{Environment, Settings, UnusableFile};
use crate::site::{connection, load_plan};
use slackwater_rules::time::Span;
use std::fs::OpenOptions;
use std::io::{IsTerminal as _, Write as _};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Duration;
use tokio::time::{Instant, interval, sleep_until};

/// The rule file that is proposed, if no other name is given.
const PROPOSED: &str = "rules-heard.toml";

/// It may take so long to be let in.
const PATIENCE: Duration = Duration::from_secs(15);

/// Longer than this nobody waits for.
const LONGEST: Span = Span::hours(1);

/// Lines of the live table and of the last one.
const LIVE_LINES: usize = 30;
const LAST_LINES: usize = 500;

/// What to hear, and for how long.
#[derive(clap::Args, Debug)]
pub(super) struct Listen {
    /// For how long, at most an hour: `30 s`, `5min`.
    #[arg(long = "for", value_name = "TIME", value_parser = length, default_value = "1min")]
    length: Span,
    /// Only these topics: MQTT filters. All if none is given.
    #[arg(long = "topic", value_name = "FILTER")]
    topics: Vec<String>,
    /// Where the proposed rule file goes; never over a file that is there. `rules-heard.toml`
    /// beside the configuration if none is given.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// What was heard, for scripts; no file is written.
    #[arg(long, conflicts_with = "out")]
    json: bool,
    #[command(flatten)]
    config: Config,
}

pub(super) async fn carry_out(listen: Listen) -> ExitCode {
    let read = Settings::read(&listen.config.config, &Environment::of_process(), UnusableFile::Sound);
    let Some(settings) = read.settings else { return wrong(&read.report.conclude().to_string()) };
    let folder = listen.config.config.parent().unwrap_or(Path::new(""));
    let out = listen.out.clone().unwrap_or_else(|| folder.join(PROPOSED));
    if !listen.json && out.exists() {
        return failed(&format!("{} is there already: name another file with --out", out.display()));
    }
    let heard = match hear(&listen, &settings).await {
        Ok(heard) => heard,
        Err(why) => return failed(&why),
    };
    if listen.json {
        outln!("{:#}", rows(&heard));
        return ExitCode::SUCCESS;
    }
    out!("{}", table(&heard, LAST_LINES));
    let targets: Vec<String> =
        settings.channels.keys().filter(|target| target.contact.is_some()).map(ToString::to_string).collect();
    let known = load_plan(&listen.config.config, &Environment::of_process().dry(), None);
    let tanks: Vec<String> =
        known.iter().flat_map(|(_, plan)| &plan.tanks).map(|tank| tank.name.clone()).collect();
    let proposal = propose(&heard, &targets, &tanks);
    if proposal.sensors == 0 {
        return failed("nothing that was heard looks like a sensor: no file is written");
    }
    match write(&out, &proposal.text) {
        Ok(()) => {
            let (sensors, alarms) = (proposal.sensors, proposal.alarms);
            outln!("\n{}: {sensors} sensors and {alarms} alarms are proposed.", out.display());
            outln!(
                "Read every line: what is marked GUESS or UNKNOWN no device has told. Then make it the rule file:"
            );
            outln!("  mv {} {}", out.display(), settings.places.rules.display());
            ExitCode::SUCCESS
        }
        Err(error) => failed(&format!("{}: {error}", out.display())),
    }
}

fn write(out: &Path, text: &str) -> std::io::Result<()> {
    OpenOptions::new().write(true).create_new(true).open(out)?.write_all(text.as_bytes())
}

/// Everything that comes within the time, from the first connection on.
async fn hear(listen: &Listen, settings: &Settings) -> Result<Observations, String> {
    if listen.length > LONGEST {
        return Err(format!("{} is longer than {LONGEST}: nobody waits for that", listen.length));
    }
    let all = ["#".to_owned()];
    let filters = if listen.topics.is_empty() { &all[..] } else { &listen.topics };
    let broker = &settings.broker;
    let mut quiet = connection(broker, filters.to_vec());
    quiet.silent = true;
    quiet.client_id = format!("{}-listen-{}", broker.client_id, std::process::id());
    // Nothing is kept for us, before or after.
    quiet.session_expiry = Duration::ZERO;
    let place = broker.place();
    let (handle, mut events) = mqtt::spawn(quiet)
        .map_err(|wrong| wrong.iter().map(ToString::to_string).collect::<Vec<_>>().join("; "))?;
    eprintln!("listening to {place} for {}; nothing is published", listen.length);
    let mut heard = Observations::default();
    let mut begun: Option<Instant> = None;
    let mut end = Instant::now() + PATIENCE;
    let mut why = format!("{place} has not let us in within {} s", PATIENCE.as_secs());
    let mut progress = interval(Duration::from_secs(1));
    loop {
        tokio::select! {
            event = events.recv() => match event {
                Some(MqttEvent::Up { .. }) if begun.is_none() => {
                    begun = Some(Instant::now());
                    end = Instant::now() + Duration::from_millis(listen.length.0.cast_unsigned());
                }
                Some(MqttEvent::Message(message)) => {
                    let at = begun.map_or(Duration::ZERO, |begun| begun.elapsed());
                    let at = Span::millis(i64::try_from(at.as_millis()).unwrap_or(i64::MAX));
                    heard.hear(at, &message.topic, &message.payload, message.retained);
                    message.ack.into_iter().for_each(|ack| handle.ack(ack));
                }
                Some(MqttEvent::Down { why: cause }) if begun.is_none() => why = format!("{place}: {cause}"),
                Some(MqttEvent::Down { why }) => eprintln!("the connection was lost: {why}"),
                Some(MqttEvent::Refused { filter, reason }) => {
                    return Err(format!("{place} does not let us hear `{filter}`: {reason}"));
                }
                Some(_) => {}
                None => return Err(format!("{place}: the connection has ended")),
            },
            _ = progress.tick() => show(&heard, begun.is_some(), end),
            () = sleep_until(end) => break,
        }
    }
    handle.close(Duration::from_secs(2)).await;
    match begun {
        Some(_) => Ok(heard),
        None => Err(why),
    }
}

/// On a terminal the table grows while it is heard.
fn show(heard: &Observations, is_up: bool, end: Instant) {
    let left = end.saturating_duration_since(Instant::now()).as_secs();
    let (messages, topics) = heard.counts();
    let mut screen = std::io::stderr();
    if !is_up || !screen.is_terminal() {
        return;
    }
    let table = table(heard, LIVE_LINES);
    // ECMA-48: to the first place, and clear from there.
    let text = format!("\x1b[H\x1b[J{table}\n{messages} messages on {topics} topics, {left} s to go");
    // A terminal that has gone needs no progress.
    let _ = screen.write_all(text.as_bytes());
}
