//! A watch that is told of the past after a restart says what one says that never was away.

use crate::fixtures::{UTC, around_in, plan_of};
use slackwater_rules::plan::SensorId;
use slackwater_rules::reading::Value;
use slackwater_rules::sim::{Sim, SimSite};
use slackwater_rules::time::{Moment, Now, Span, Wall};

const RULES: &str = r#"
[sensor.flow]
topic = "flow"
measures = "flow"
unit = "L/h"
every = "30 s"

[sensor.mains]
topic = "mains"
measures = "presence"
on = ["on"]
off = ["off"]
every = "30 s"

[alarm.fading]
when = "mean of flow over 6 h is 25 % below its median over 7 d, lagged 1 d"
priority = "low"

[alarm.low]
when = "lowest of flow over 2 d < 1500 L/h"
priority = "low"

[alarm.unstable]
when = "count of changes of mains over 1 d >= 4"
priority = "low"

[alarm.long]
when = "flow has been < 2500 L/h for 2 h"
priority = "low"
"#;

const ALARMS: [&str; 4] = ["fading", "low", "unstable", "long"];

/// A watch at this minute, that has not begun.
fn at(minute: i64) -> Sim<SimSite> {
    let now = Now {
        mono: Moment(Span::minutes(minute).0),
        wall: Wall(1_772_445_600_000 + Span::minutes(minute).0),
        wall_trusted: true,
    };
    let plan = plan_of(RULES, &around_in(UTC, &[]));
    let world = SimSite::new(&plan);
    Sim::new("test", plan, 7, now, world)
}

/// What the sensors say in this minute.
fn live(sim: &mut Sim<SimSite>, minute: i64) {
    sim.run_to(Moment(Span::minutes(minute).0));
    for (sensor, value) in past(minute) {
        sim.measure(sensor, value);
    }
}

fn truths(sim: &Sim<SimSite>) -> Vec<&'static str> {
    ALARMS.map(|alarm| sim.truth(alarm)).to_vec()
}

/// A flow that fades from 3000 to 2000 L/h in its last day of ten; mains that blink in its last
/// hours.
fn past(minute: i64) -> [(SensorId, Value); 2] {
    let (day, flow) = (minute / 1440, 3000.0 / 3.6e6);
    let flow = if day >= 9 { flow * 2.0 / 3.0 } else { flow } + (minute % 7) as f64 * 1e-6;
    let off = minute > 10 * 1440 - 200 && minute % 40 < 5;
    [(SensorId(0), Value::Number(flow)), (SensorId(1), Value::Word(u16::from(off)))]
}

const NOW: i64 = 10 * 1440;

#[test]
fn a_watch_that_is_told_of_the_past_says_what_one_says_that_lived_it() {
    let mut lived = at(0);
    lived.start(None);
    (1..=NOW).for_each(|minute| live(&mut lived, minute));
    assert_eq!(truths(&lived), ["true", "false", "true", "true"]);

    let mut told = at(NOW);
    let reach = told.engine.wants_past().expect("there are windows");
    assert_eq!(reach, Span::hours(8 * 24));
    let mut recollection = told.engine.recollect(told.now.mono - reach, &[]);
    for minute in NOW - reach.0 / 60_000..NOW {
        for (sensor, value) in past(minute) {
            recollection.hear(Moment(Span::minutes(minute).0), sensor, value);
        }
    }
    recollection.finish();
    assert_eq!(told.engine.wants_past(), None, "they are told once");
    told.start(None);
    live(&mut told, NOW);
    // What has been so for a while is not told: only windows are.
    assert_eq!(truths(&told), ["true", "false", "true", "unknown"]);

    let mut untold = at(NOW);
    untold.start(None);
    live(&mut untold, NOW);
    assert_eq!(truths(&untold), ["unknown", "unknown", "unknown", "unknown"]);
}

#[test]
fn what_the_history_does_not_tell_is_a_gap_like_any_other() {
    let mut told = at(NOW);
    let reach = told.engine.wants_past().expect("there are windows");
    let mut recollection = told.engine.recollect(told.now.mono - reach, &[]);
    // The last day is missing: the slow windows can't be sure, and a count can't be said to be low.
    for minute in NOW - reach.0 / 60_000..NOW - 1440 {
        for (sensor, value) in past(minute) {
            recollection.hear(Moment(Span::minutes(minute).0), sensor, value);
        }
    }
    recollection.finish();
    told.start(None);
    live(&mut told, NOW);
    assert_eq!(truths(&told), ["unknown", "unknown", "unknown", "unknown"]);
}

#[test]
fn what_is_said_to_have_come_later_than_now_is_left_out() {
    let mut told = at(NOW);
    let mut recollection = told.engine.recollect(Moment(0), &[]);
    recollection.hear(Moment(i64::MAX), SensorId(0), Value::Number(0.0));
    recollection.hear(Moment(0), SensorId(9), Value::Number(0.0));
    recollection.finish();
    told.start(None);
    live(&mut told, NOW);
    assert_eq!(truths(&told)[1], "unknown");
}
