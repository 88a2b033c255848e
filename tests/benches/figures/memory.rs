//! What `run` keeps in memory, and what it does while nothing happens: at the start, after a
//! million readings, after a second million, and over an idle minute.

use crate::process::Process;
use crate::publisher::Publisher;
use crate::site::{self, To};
use crate::table::{self, Figures};
use crate::{Result, broker};
use std::time::Duration;

const MILLION: usize = 1_000_000;
const STARTS: usize = 7;
const IDLE: Duration = Duration::from_secs(60);

pub(crate) fn measure() -> Result<()> {
    table::title("memory and idling of `run`, connected, with 20 sensors and 200 alarms");
    let mut starts = Figures::default();
    for _ in 0..STARTS {
        let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR"))?;
        let broker = broker()?;
        let process = Process::agent(&site::write(folder.path(), broker.port(), &To::Siren)?)?;
        starts.push(process.started_in.as_secs_f64() * 1e3);
        process.end()?;
    }
    table::line("from the start to READY, with a new journal", &starts, "ms");

    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR"))?;
    let broker = broker()?;
    let process = Process::agent(&site::write(folder.path(), broker.port(), &To::Siren)?)?;
    // What follows a start is no rest.
    std::thread::sleep(Duration::from_secs(20));
    tell(&process, "at rest")?;
    let (cpu, sleeps) = (process.cpu()?, process.sleeps()?);
    std::thread::sleep(IDLE);
    table::single("CPU time over an idle minute", (process.cpu()? - cpu) * 1e3, "ms");
    table::single("wake-ups over an idle minute", process.sleeps()? - sleeps, "");

    let mut publisher = Publisher::connect(broker.port())?;
    for (level, when) in
        ["after a million readings", "after the second million", "after the third"].into_iter().enumerate()
    {
        publisher.flood(MILLION)?;
        publisher.say(0, &site::ringing(level))?;
        publisher.done()?;
        std::thread::sleep(Duration::from_secs(1));
        tell(&process, when)?;
    }
    process.end()
}

fn tell(process: &Process, when: &str) -> Result<()> {
    table::single(&format!("{when}: resident (aim: under 16)"), process.mebibytes("VmRSS")?, "MiB");
    table::single(&format!("{when}: of which its own data"), process.mebibytes("RssAnon")?, "MiB");
    Ok(())
}
