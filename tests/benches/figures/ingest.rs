//! How fast readings are taken in, and at what cost: the whole agent (20 sensors, 200 alarms,
//! journal) against the bare client library that only counts.

use crate::process::Process;
use crate::publisher::Publisher;
use crate::site::{self, To};
use crate::table::{self, Figures};
use crate::{Result, broker};
use slackwater::journal::JournalLog;
use slackwater_rules::time::Wall;
use std::path::Path;
use std::time::Instant;

const READINGS: usize = 200_000;
const ROUNDS: usize = 5;

#[derive(Default)]
struct Side {
    per_second: Figures,
    cpu_micros: Figures,
    lost: Figures,
}

pub(crate) fn measure() -> Result<()> {
    table::title("ingest: 200,000 QoS 0 readings on 20 topics, from mosquitto as fast as it can");
    let (mut bare, mut agent) = (Side::default(), Side::default());
    for _ in 0..ROUNDS {
        count(&mut bare)?;
        watch(&mut agent)?;
    }
    table::line("bare rumqttc loop, readings per second", &bare.per_second, "/s");
    table::line("agent, readings per second", &agent.per_second, "/s");
    table::line("  ratio (aim: 0.9 or more)", &agent.per_second.ratios(&bare.per_second), "");
    table::line("bare rumqttc loop, CPU per reading", &bare.cpu_micros, "us");
    table::line("agent, CPU per reading", &agent.cpu_micros, "us");
    table::line("  ratio", &agent.cpu_micros.ratios(&bare.cpu_micros), "");
    table::line("bare rumqttc loop, readings lost", &bare.lost, "");
    table::line("agent, readings lost", &agent.lost, "");
    Ok(())
}

fn count(side: &mut Side) -> Result<()> {
    let folder = tempfile::tempdir()?;
    let broker = broker()?;
    let port = broker.port().to_string();
    let process = Process::baseline(&["count", &port], &folder.path().join("count.log"))?;
    let said = flood(side, &process, broker.port())?;
    let taken: usize = String::from_utf8(said)?.parse()?;
    side.lost.push((READINGS + 1).saturating_sub(taken) as f64);
    Ok(())
}

fn watch(side: &mut Side) -> Result<()> {
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR"))?;
    let broker = broker()?;
    let config = site::write(folder.path(), broker.port(), &To::Siren)?;
    let process = Process::agent(&config)?;
    flood(side, &process, broker.port())?;
    process.end()?;
    side.lost.push((READINGS + 1).saturating_sub(kept(folder.path())?) as f64);
    Ok(())
}

/// Floods, and times until the subject says that it is through.
fn flood(side: &mut Side, process: &Process, port: u16) -> Result<Vec<u8>> {
    let mut publisher = Publisher::connect(port)?;
    let (begun, cpu) = (Instant::now(), process.cpu()?);
    publisher.flood(READINGS)?;
    publisher.say(0, &site::ringing(0))?;
    let said = publisher.done()?;
    side.per_second.push(READINGS as f64 / begun.elapsed().as_secs_f64());
    side.cpu_micros.push((process.cpu()? - cpu) * 1e6 / READINGS as f64);
    Ok(said)
}

/// How many readings the journal says that it was given.
fn kept(folder: &Path) -> Result<usize> {
    let mut kept = 0_u64;
    JournalLog::open(&folder.join("journal.sqlite"))?.walk_readings(
        Wall(0),
        Wall(i64::MAX / 4),
        |_, minute| {
            kept += u64::from(minute.count) + u64::from(minute.rejected);
        },
    )?;
    Ok(usize::try_from(kept)?)
}
