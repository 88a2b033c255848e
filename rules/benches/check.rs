//! What reading a rule file costs, by its size: the time should grow as the file does.
//!
//! `cargo bench -p slackwater-rules --bench check`

use divan::Bencher;
use jiff::tz::TimeZone;
use slackwater_rules::plan::{ChannelKind, Contact, Directory, Plan, Surroundings, Target};
use std::fmt::Write as _;

fn main() {
    divan::main();
}

fn surroundings() -> Surroundings {
    let ines = Contact { name: "Ines".to_owned(), ..Contact::default() };
    let directory = Directory {
        contacts: [("ines".to_owned(), ines)].into(),
        channels: [(Target::parse("ines.push"), ChannelKind::Push)].into(),
        ..Directory::default()
    };
    Surroundings { directory, zone: TimeZone::UTC, today: None }
}

/// So many alarms, and a tenth as many sensors; `unit` makes each alarm right or wrong.
fn rules(alarms: usize, unit: &str) -> String {
    let mut text =
        String::from("[callout.household]\nsteps = [{ after = \"0 min\", to = [\"ines.push\"] }]\n");
    for sensor in 0..alarms / 10 {
        let _ = write!(
            text,
            "[sensor.temp-{sensor}]\ntopic = \"halyard/temp-{sensor}\"\nmeasures = \"temperature\"\n\
             unit = \"degC\"\nevery = \"30 s\"\n"
        );
    }
    for alarm in 0..alarms {
        let _ = write!(
            text,
            "[alarm.warm-{alarm}]\nwhen = \"temp-{} > 2{}.{alarm:05} {unit}\"\npriority = \"low\"\n\
             consequence = \"oxygen falls\"\nresponse = \"Open a window.\"\n",
            alarm % (alarms / 10),
            alarm % 8,
        );
    }
    text
}

#[divan::bench(args = [100, 1_000, 10_000], sample_count = 10, sample_size = 1)]
fn right(bencher: Bencher<'_, '_>, alarms: usize) {
    let (text, around) = (rules(alarms, "degC"), surroundings());
    bencher.bench_local(|| {
        let checked = Plan::check("rules.toml", &text, &around);
        assert!(checked.plan.is_some(), "{}", checked.report);
        checked
    });
}

#[divan::bench(args = [100, 1_000, 10_000], sample_count = 10, sample_size = 1)]
fn wrong(bencher: Bencher<'_, '_>, alarms: usize) {
    let (text, around) = (rules(alarms, "degZ"), surroundings());
    bencher.bench_local(|| {
        let checked = Plan::check("rules.toml", &text, &around);
        assert!(checked.plan.is_none());
        checked
    });
}
