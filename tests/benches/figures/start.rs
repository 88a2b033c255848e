//! What a start costs with a past: journals of a day, a month and a year under the watch as it
//! ships, with windows of every reach in its rules, one of them lagging; and what the readings of a
//! year take, on the disk and to be reviewed.

use crate::process::Process;
use crate::site::{self, To};
use crate::table::{self, Figures};
use crate::{Result, broker};
use slackwater::journal::{BootId, Journal, JournalLimits, JournalLog};
use slackwater::review::{ReviewSpan, review};
use slackwater_rules::engine::Sample;
use slackwater_rules::quality::Quality;
use slackwater_rules::reading::Value;
use slackwater_rules::record::{Body, Record};
use slackwater_rules::time::{Moment, Now, Span, Wall};
use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use std::time::{Instant, SystemTime, UNIX_EPOCH};

const DAY: i64 = 1_440;
const SIZES: [(&str, i64); 3] = [("a day", 1), ("a month", 30), ("a year", 365)];
/// Starts of each kind.
const ROUNDS: usize = 7;

const MEBIBYTE: f64 = 1_048_576.0;

/// Readings of a sensor in a minute: enough for a lowest, a mean and a highest of their own.
const A_MINUTE: i64 = 4;

/// Records of a calm day.
const RECORDS: i64 = 40;

/// READY whether or not the broker is there.
fn ready() -> Result<()> {
    let (mut with, mut without) = (Figures::default(), Figures::default());
    for _ in 0..ROUNDS {
        let broker = broker()?;
        // A port of this machine on which nobody listens; and an address from which nothing comes
        // back (RFC 5737), as from a broker that has lost its power.
        let nobody = std::net::TcpListener::bind("127.0.0.1:0")?.local_addr()?.port();
        let there =
            [(broker.port(), "127.0.0.1", true), (nobody, "127.0.0.1", false), (1_883, "192.0.2.1", false)];
        for (port, host, is_there) in there {
            let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR"))?;
            let config = site::write(folder.path(), port, &To::Siren)?;
            let text = fs::read_to_string(&config)?;
            fs::write(&config, text.replace("host = \"127.0.0.1\"", &format!("host = \"{host}\"")))?;
            let process = Process::agent(&config)?;
            let side = if is_there { &mut with } else { &mut without };
            side.push(process.started_in.as_secs_f64() * 1e3);
            process.end()?;
        }
    }
    table::line("READY with a broker (aim: under 1,000)", &with, "ms");
    table::line("READY without one, refused or silent (aim: under 1,000)", &without, "ms");
    Ok(())
}

pub(crate) fn measure() -> Result<()> {
    table::title(
        "start: 20 sensors, 200 alarms, windows from 10 min to 14 d, one that lags; journals of before",
    );
    ready()?;
    let mut costs = Vec::new();
    for (name, days) in SIZES {
        let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR"))?;
        let journal = folder.path().join("journal.sqlite");
        let (from, to) = fill(&journal, days)?;
        let size = fs::metadata(&journal)?.len() as f64;
        table::single(&format!("{name}: size of the journal"), size / MEBIBYTE, "MiB");
        let begun = Instant::now();
        let window = ReviewSpan { since: from, until: to };
        let made = review(&JournalLog::open(&journal)?, None, window, &jiff::tz::TimeZone::UTC)?;
        assert_eq!(made.sensors.len(), site::SENSORS, "the review has every sensor");
        table::single(&format!("{name}: its review"), begun.elapsed().as_secs_f64(), "s");

        let broker = broker()?;
        let config = site::write(folder.path(), broker.port(), &To::Siren)?;
        let mut rules = fs::read_to_string(folder.path().join("rules.toml"))?;
        windows(&mut rules)?;
        fs::write(folder.path().join("rules.toml"), rules)?;
        let process = Process::agent(&config)?;
        let cpu = process.cpu_to_now()?;
        table::single(&format!("{name}: CPU to READY (aim: under 100)"), cpu * 1e3, "ms");
        table::single(&format!("{name}: READY after"), process.started_in.as_secs_f64() * 1e3, "ms");
        costs.push((days as f64, cpu));
        process.end()?;
    }
    table::single("exponent of the CPU to READY over days", table::exponent(&costs), "");
    Ok(())
}

/// Windows of every reach; one looks at a day that lies six days back.
fn windows(rules: &mut String) -> Result<()> {
    for (nth, over) in ["10 min", "1 h", "6 h", "24 h", "3 d", "14 d"].iter().enumerate() {
        writeln!(
            rules,
            "\n[alarm.window-{nth}]\ntank = \"lagoon\"\nwhen = \"mean of temp-{nth:02} over {over} > 40 degC\"\n\
             priority = \"low\"\nconsequence = \"c\"\nresponse = \"r\"\ncallout = \"household\""
        )?;
    }
    writeln!(
        rules,
        "\n[alarm.lagging]\ntank = \"lagoon\"\n\
         when = \"mean of temp-07 over 24 h is 9 K above its mean over 24 h, lagged 6 d\"\n\
         priority = \"low\"\nconsequence = \"c\"\nresponse = \"r\"\ncallout = \"household\""
    )?;
    Ok(())
}

/// Finished minutes go to the disk this often: the watch writes every ten minutes, which leaves the
/// same packs in the journal and would take this bench a quarter of an hour.
const STEP: i64 = 360;

/// So many days up to now, as the watch itself writes them. From when to when.
fn fill(path: &Path, days: i64) -> Result<(Wall, Wall)> {
    let present = i64::try_from(SystemTime::now().duration_since(UNIX_EPOCH)?.as_millis())?;
    let until = Wall(present - 60_000);
    let from = until - Span::minutes(days * DAY);
    let boot = BootId("before".to_owned());
    let limits = JournalLimits { every: Span::minutes(STEP), ..JournalLimits::default() };
    let (mut journal, _) = Journal::open(path, boot, limits)?;
    journal.name_site("Halyard House")?;
    let now = |minute: i64| Now {
        mono: Moment(minute * 60_000),
        wall: from + Span::minutes(minute),
        wall_trusted: true,
    };
    let names: Vec<std::sync::Arc<str>> =
        (0..site::SENSORS).map(|nth| format!("temp-{nth:02}").into()).collect();
    let (mut seq, mut samples, mut records) = (0, Vec::new(), Vec::new());
    let mut noise = Noise(0x9e37_79b9_7f4a_7c15);
    for minute in 0..days * DAY {
        samples.clear();
        for part in 0..A_MINUTE {
            let at = minute * 60_000 + part * 60_000 / A_MINUTE;
            for (nth, name) in names.iter().enumerate() {
                // Water that warms and cools over hours, seen through a probe of 0.01 K that
                // trembles.
                let degrees = 25.0 + (at as f64 / 5e6 + nth as f64).sin() + noise.hundredths();
                let value = Some(Value::Number((degrees * 100.0).round() / 100.0));
                let sensor = name.clone();
                samples.push(Sample { sensor, at: Moment(at), value, quality: Quality::Good });
            }
        }
        journal.sample(&samples);
        if minute % (DAY / RECORDS) == 0 {
            seq += 1;
            let why = "slow to answer, and then it was there again".repeat(3);
            let body = Body::SightLost { of: format!("temp-{:02}", seq % 20), why };
            records.push(Record { seq, at: now(minute), body });
        }
        if minute % STEP == STEP - 1 {
            journal.commit(&records, seq)?;
            records.clear();
            journal.tend(&now(minute))?;
        }
    }
    journal.flush(&now(days * DAY))?;
    Ok((from, until))
}

/// What trembles by itself: xorshift, so that each run has the same.
struct Noise(u64);

impl Noise {
    /// Between -0.02 and 0.02, by steps of 0.01.
    fn hundredths(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 33) as f64 % 5.0 / 100.0 - 0.02
    }
}
