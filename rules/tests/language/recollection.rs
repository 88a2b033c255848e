//! A watch that is told of the past after a restart says what one says that never was away.

use jiff::tz::TimeZone;
use slackwater_rules::engine::{Delivery, Engine, Input, Link};
use slackwater_rules::plan::{Directory, Plan, SensorId, Surroundings};
use slackwater_rules::reading::Value;
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

struct Watch {
    engine: Engine,
    now: Now,
}

impl Watch {
    fn at(minute: i64) -> Self {
        let around = Surroundings { directory: Directory::default(), zone: TimeZone::UTC, today: None };
        let checked = Plan::check("rules.toml", RULES, &around);
        let now = Now {
            mono: Moment(Span::minutes(minute).0),
            wall: Wall(1_772_445_600_000 + Span::minutes(minute).0),
            wall_trusted: true,
        };
        let plan = checked.plan.unwrap_or_else(|| panic!("{}", checked.report));
        Self { engine: Engine::new(plan, 7, 1, now), now }
    }

    fn begin(&mut self) {
        self.step(Input::Started { version: "test".to_owned(), gap: None });
        self.step(Input::Link(Link::Hears));
    }

    fn step(&mut self, input: Input) {
        self.engine.step(self.now, input);
    }

    fn live(&mut self, minute: i64) {
        let ahead = Span::minutes(minute) - Span(self.now.mono.0);
        self.now = Now { mono: self.now.mono + ahead, wall: self.now.wall + ahead, ..self.now };
        for (sensor, value) in past(minute) {
            self.step(Input::Measured { sensor, value, delivery: Delivery::Live });
        }
    }

    fn truths(&self) -> Vec<String> {
        let of = |alarm| self.engine.explain(alarm, self.now).expect("an alarm").alarm.truth.to_owned();
        ALARMS.map(of).to_vec()
    }
}

/// A flow that fades from 3000 to 2000 L/h in its last day of ten; mains that blink in its last hours.
fn past(minute: i64) -> [(SensorId, Value); 2] {
    let (day, flow) = (minute / 1440, 3000.0 / 3.6e6);
    let flow = if day >= 9 { flow * 2.0 / 3.0 } else { flow } + (minute % 7) as f64 * 1e-6;
    let off = minute > 10 * 1440 - 200 && minute % 40 < 5;
    [(SensorId(0), Value::Number(flow)), (SensorId(1), Value::Word(u16::from(off)))]
}

const NOW: i64 = 10 * 1440;

#[test]
fn a_watch_that_is_told_of_the_past_says_what_one_says_that_lived_it() {
    let mut lived = Watch::at(0);
    lived.begin();
    (1..=NOW).for_each(|minute| lived.live(minute));
    assert_eq!(lived.truths(), ["true", "false", "true", "true"]);

    let mut told = Watch::at(NOW);
    let reach = told.engine.wants_past().expect("there are windows");
    assert_eq!(reach, Span::hours(8 * 24));
    let mut recollection = told.engine.recollect(told.now.mono - reach);
    for minute in NOW - reach.0 / 60_000..NOW {
        for (sensor, value) in past(minute) {
            recollection.hear(Moment(Span::minutes(minute).0), sensor, value);
        }
    }
    recollection.finish();
    assert_eq!(told.engine.wants_past(), None, "they are told once");
    told.begin();
    told.live(NOW);
    // What has been so for a while is not told: only windows are.
    assert_eq!(told.truths(), ["true", "false", "true", "unknown"]);

    let mut untold = Watch::at(NOW);
    untold.begin();
    untold.live(NOW);
    assert_eq!(untold.truths(), ["unknown", "unknown", "unknown", "unknown"]);
}

#[test]
fn what_the_history_does_not_tell_is_a_gap_like_any_other() {
    let mut told = Watch::at(NOW);
    let reach = told.engine.wants_past().expect("there are windows");
    let mut recollection = told.engine.recollect(told.now.mono - reach);
    // The last day is missing: the slow windows can't be sure, and a count can't be said to be low.
    for minute in NOW - reach.0 / 60_000..NOW - 1440 {
        for (sensor, value) in past(minute) {
            recollection.hear(Moment(Span::minutes(minute).0), sensor, value);
        }
    }
    recollection.finish();
    told.begin();
    told.live(NOW);
    assert_eq!(told.truths(), ["unknown", "unknown", "unknown", "unknown"]);
}

#[test]
fn what_is_said_to_have_come_later_than_now_is_left_out() {
    let mut told = Watch::at(NOW);
    let mut recollection = told.engine.recollect(Moment(0));
    recollection.hear(Moment(i64::MAX), SensorId(0), Value::Number(0.0));
    recollection.hear(Moment(0), SensorId(9), Value::Number(0.0));
    recollection.finish();
    told.begin();
    told.live(NOW);
    assert_eq!(told.truths()[1], "unknown");
}
