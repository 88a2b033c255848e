//! Window aggregates of a fortnight of real sea water, with a gap of twelve hours in it, against
//! what pandas and numpy make of the same data: `tests/data/windows.py`, whose head names the
//! source of the data.

use crate::fixtures::{UTC, around_in, plan_of};
use slackwater_rules::condition::{Condition, Formula, Memory, Present, Test, World};
use slackwater_rules::plan::{Plan, SensorId, Sight};
use slackwater_rules::reading::Value;
use slackwater_rules::time::Moment;

const SEA: &str = include_str!("../data/sea_water.csv");
const WINDOWS: &str = include_str!("../data/windows.csv");
const MINUTE: i64 = 60_000;

/// The sea says what it said last, for 90 min at most.
struct Sea(Option<f64>);

impl World for Sea {
    fn value(&self, _: SensorId) -> Option<Value> {
        self.0.map(Value::Number)
    }

    fn heard(&self, _: SensorId) -> Moment {
        Moment(0)
    }

    fn good(&self, sensor: SensorId) -> Moment {
        self.heard(sensor)
    }

    fn blind(&self, _: &Sight) -> slackwater_rules::condition::Truth {
        slackwater_rules::condition::Truth::False
    }
}

fn plan() -> Plan {
    let rules =
        "[sensor.sea]\ntopic = \"sea\"\nmeasures = \"temperature\"\nunit = \"degC\"\nevery = \"30 min\"\n";
    plan_of(rules, &around_in(UTC, &["siren"]))
}

fn rows(table: &str) -> impl Iterator<Item = Vec<f64>> + '_ {
    table.lines().skip(2).map(|line| line.split(',').map(|cell| cell.parse().expect(line)).collect())
}

/// What the window in `text` comes to at each of these minutes.
fn window(text: &str, at: &[i64]) -> Vec<f64> {
    let plan = plan();
    let condition = Condition::parse(text, &plan.scope()).expect(text);
    let Condition::Says(Test::Compare { left: Formula::Window(_), .. }, _) = &condition else {
        panic!("{text} is not a comparison of a window");
    };
    let mut memory = Memory::of(&condition, Moment(0));
    let readings: Vec<(i64, f64)> = rows(SEA).map(|row| (row[0] as i64, row[1])).collect();
    // Readings, the moments at which they go stale, and those at which the window is looked at.
    let mut moments: Vec<i64> = readings.iter().flat_map(|(minute, _)| [*minute, minute + 90]).collect();
    moments.extend(at);
    moments.sort_unstable();
    moments.dedup();
    let mut found = Vec::new();
    for minute in moments {
        let last = readings.partition_point(|(time, _)| *time <= minute).checked_sub(1);
        let value = last.map(|last| readings[last]).filter(|(time, _)| minute - time < 90);
        let (world, now) = (Sea(value.map(|value| value.1)), Moment(minute * MINUTE));
        memory.feed(&condition, &world, now);
        if at.contains(&minute) {
            let Condition::Says(Test::Compare { left, .. }, _) = &condition else { continue };
            let bounds = left.bounds(&Present { world: &world, memory: &memory, now });
            found.push(bounds.known().unwrap_or(f64::NAN));
        }
    }
    found
}

#[test]
fn windows_come_to_what_pandas_and_numpy_make_of_the_same_data() {
    let limit = WINDOWS.lines().next().and_then(|head| head.rsplit(' ').next()).expect("a head");
    let mut compared = 0;
    for (days, over) in [(1.0, "1 d"), (2.5, "2.5 d, lagged 1 d")] {
        let expected: Vec<Vec<f64>> = rows(WINDOWS).filter(|row| row[1] == days).collect();
        assert!(expected.len() > 30);
        let at: Vec<i64> = expected.iter().map(|row| row[0] as i64).collect();
        let windows = [
            format!("mean of sea over {over} > 1 degC"),
            format!("median of sea over {over} > 1 degC"),
            format!("lowest of sea over {over} > 1 degC"),
            format!("highest of sea over {over} > 1 degC"),
            format!("swing of sea over {over} > 1 K"),
            format!("slope of sea over {over} > 1 K/h"),
            format!("duty of sea > {limit} degC over {over} > 50 %"),
            format!("total of sea > {limit} degC over {over} > 1 h"),
            format!("count of changes of sea > {limit} degC over {over} > 3"),
            format!("count of spells of sea > {limit} degC over {over} > 3"),
            format!("longest spell of sea > {limit} degC over {over} > 3 h"),
        ];
        for (column, text) in windows.iter().enumerate() {
            for (found, row) in window(text, &at).into_iter().zip(&expected) {
                let wanted = row[column + 3];
                let near = 1e-9 * wanted.abs().max(1e-3);
                assert!((found - wanted).abs() <= near, "{text} at minute {}: {found}, not {wanted}", row[0]);
                compared += 1;
            }
        }
    }
    assert_eq!(compared, 131 * 11);
}
