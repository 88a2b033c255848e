//! What virtual time costs: a fortnight's rehearsal at 20 sensors, and a year of 10 sensors with a
//! reading a minute through a backtest.
//!
//! `cargo bench -p slackwater-rules --bench backtest`

#![expect(clippy::expect_used, clippy::panic, reason = "a bench fails by panicking")]

#[path = "../tests/fixtures/mod.rs"]
mod fixtures;

use divan::Bencher;
use fixtures::{UTC, around_in, plan_of};
use slackwater_rules::backtest::Backtest;
use slackwater_rules::plan::{Plan, SensorId};
use slackwater_rules::reading::Value;
use slackwater_rules::rehearsal::Story;
use slackwater_rules::time::{Span, Wall};
use std::fmt::Write;

fn main() {
    divan::main();
}

/// One alarm a sensor, with what keepers write: a deadband, delays, and every fifth one a window.
fn plan(sensors: usize, every: &str) -> Plan {
    let mut text = String::from("[tank.lagoon]\nvolume = \"420 L\"\n");
    for sensor in 0..sensors {
        let (when, deadband) = match sensor % 5 {
            0 => (format!("mean of temp-{sensor} over 1 h > 27 degC"), ""),
            _ => (format!("temp-{sensor} > 27 degC"), "deadband = \"0.2 K\"\n"),
        };
        let _ = write!(
            text,
            "[sensor.temp-{sensor}]\ntopic = \"halyard/temp-{sensor}\"\ntank = \"lagoon\"\n\
             measures = \"temperature\"\nunit = \"degC\"\nevery = \"{every}\"\n\
             plausible = [\"5 degC\", \"45 degC\"]\n\
             [alarm.warm-{sensor}]\ntank = \"lagoon\"\nwhen = \"{when}\"\n{deadband}\
             on-delay = \"2 min\"\noff-delay = \"5 min\"\npriority = \"high\"\n\
             consequence = \"oxygen falls\"\nresponse = \"Open a window.\"\ncallout = \"household\"\n"
        );
    }
    text.push_str("[callout.household]\nsteps = [{ after = \"0 min\", to = [\"ines.push\"] }]\n");
    plan_of(&text, &around_in(UTC, &["ines.push"]))
}

#[divan::bench(sample_count = 5, sample_size = 1)]
fn rehearsal_of_a_fortnight_at_20_sensors(bencher: Bencher<'_, '_>) {
    let plan = plan(20, "30 s");
    let text = "start 2026-08-01 08:00\nat 3 d: temp-1 goes to 28 degC over 1 h\nat 4 d: ines answers\n\
                at 5 d: temp-1 goes to 25 degC over 1 h\nend at 14 d\n\
                from 3 d to 4 d: expect ines.push is paged about warm-1\n";
    let story = Story::parse(text, &plan).unwrap_or_else(|findings| panic!("{findings:?}"));
    bencher.bench_local(|| {
        let played = story.play(&plan);
        assert_eq!(played.misses.len(), 0);
        played
    });
}

/// Warm for two hours of every tenth day.
#[divan::bench(sample_count = 3, sample_size = 1)]
fn backtest_of_a_year_of_10_sensors(bencher: Bencher<'_, '_>) {
    const YEAR: i64 = 365 * 24 * 60;
    let plan = plan(10, "1 min");
    let start = Wall(1_772_452_800_000);
    bencher.bench_local(|| {
        let mut backtest = Backtest::new(&plan, start, start);
        for minute in 0..YEAR {
            let at = start + Span::minutes(minute);
            let warm = minute / 1440 % 10 == 0 && minute % 1440 < 120;
            let celsius = if warm { 28.0 } else { 25.0 } + (minute % 17) as f64 * 0.01;
            for sensor in 0..10 {
                backtest.hear(at, SensorId(sensor), Value::Number(celsius));
            }
        }
        let outcomes = backtest.finish(start + Span::minutes(YEAR));
        assert!(outcomes.spells.len() > 300, "{}", outcomes.spells.len());
        outcomes
    });
}
