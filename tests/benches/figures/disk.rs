//! What a day of 20 sensors at a reading a second writes to the disk, through the engine and
//! the journal in virtual time: while the file grows, and once it has reached its limit.

use crate::process::written;
use crate::table;
use crate::{Result, site};
use slackwater::journal::writer::Keeper;
use slackwater::journal::{BootId, JournalLimits};
use slackwater_rules::engine::{Arrival, Engine, Input, Link};
use slackwater_rules::plan::{ChannelKind, Contact, Directory, Plan, Surroundings, Target};
use slackwater_rules::time::{Moment, Now, Wall};
use std::fs;
use std::path::Path;

const DAY: i64 = 86_400;
const MEBIBYTE: f64 = 1_048_576.0;

/// Reached on the third day; the file of a real site has 256 MiB and takes months.
const SMALL: u64 = 5 << 20;

pub(crate) fn measure() -> Result<()> {
    table::title("disk: 20 sensors, 200 alarms, one reading a second each, virtual time");
    // Not under /tmp, which may be a memory file system: those count nothing.
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR"))?;
    let growing = days(&folder.path().join("growing.sqlite"), JournalLimits::default().bytes, 2)?;
    table::single("a day while the file grows (aim: under 10)", growing[1] / MEBIBYTE, "MiB");
    let full = days(&folder.path().join("full.sqlite"), SMALL, 7)?;
    let at_limit = full[4..].iter().sum::<f64>() / (full.len() - 4) as f64;
    table::single("a day at the size limit (aim: under 10)", at_limit / MEBIBYTE, "MiB");
    for name in ["growing.sqlite", "growing.sqlite-wal", "full.sqlite", "full.sqlite-wal"] {
        let size = fs::metadata(folder.path().join(name)).map_or(0, |file| file.len());
        table::single(&format!("size of {name}"), size as f64 / MEBIBYTE, "MiB");
    }
    Ok(())
}

/// The bytes written on each of so many days.
fn days(path: &Path, bytes: u64, days: i64) -> Result<Vec<f64>> {
    let at = |second: i64| Now {
        mono: Moment(second * 1_000),
        wall: Wall(1_795_564_800_000 + second * 1_000),
        wall_trusted: true,
    };
    let plan = plan()?;
    let limits = JournalLimits { bytes, ..JournalLimits::default() };
    let boot = BootId("bench".to_owned());
    let (mut keeper, left) = Keeper::open(path.to_owned(), boot, limits, &plan.site, &at(0))?;
    let mut engine = Engine::new(plan, left.seed, left.next_seq, at(0));
    let topics: Vec<String> = (0..site::SENSORS).map(site::topic).collect();
    let mut take = |engine: &mut Engine, second: i64, input: Input| {
        let turn = engine.step(at(second), input);
        keeper.sample(&turn.samples);
        keeper.keep(turn.records, || engine.horizon(), &at(second));
        keeper.tend(&at(second));
    };
    take(&mut engine, 0, Input::Started { version: "bench".to_owned(), gap: left.gap });
    take(&mut engine, 0, Input::Link(Link::Hears));
    let mut per_day = Vec::new();
    for day in 0..days {
        let before = written()?;
        for second in day * DAY..(day + 1) * DAY {
            for (n, topic) in topics.iter().enumerate() {
                // Water that warms and cools over hours, seen through a probe of 0.01 K.
                let degrees = 25.0 + (second as f64 / 5_000.0 + n as f64).sin();
                let payload = format!("{degrees:.2}").into_bytes();
                let message = Input::Message { topic: topic.clone(), payload, delivery: Arrival::Live };
                take(&mut engine, second, message);
            }
        }
        per_day.push(written()? - before);
    }
    Ok(per_day)
}

pub(crate) fn plan() -> Result<Plan> {
    let ines = Contact { name: "Ines".to_owned(), ..Contact::default() };
    let around = Surroundings {
        directory: Directory {
            contacts: [("ines".to_owned(), ines)].into(),
            channels: [(Target::parse("ines.page"), ChannelKind::Mail)].into(),
            ..Directory::default()
        },
        zone: jiff::tz::TimeZone::UTC,
        today: None,
    };
    let text = site::rules(r#"["ines.page"]"#)?;
    let checked = Plan::check("rules.toml", &text, &around);
    Ok(checked.plan.ok_or("the bench's own rule file is wrong")?)
}
