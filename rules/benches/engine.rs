//! What the watch costs: one reading through the whole of `Engine::step`, a check of a large
//! rule file, and a restart. The site is large for a keeper's: 20 sensors, 10 alarms over each.
//!
//! `cargo bench -p slackwater-rules`

#![expect(clippy::expect_used, clippy::panic, reason = "a bench fails by panicking")]

#[path = "../tests/fixtures/mod.rs"]
mod fixtures;

use divan::{Bencher, counter::ItemsCount};
use fixtures::{UTC, around_in, plan_of};
use slackwater_rules::engine::{Arrival, Effect, Engine, Input, Link, Turn};
use slackwater_rules::plan::Plan;
use slackwater_rules::record::{Outcome, Record};
use slackwater_rules::time::{Moment, Now, Span, Wall};
use std::fmt::Write;

fn main() {
    divan::main();
}

const SENSORS: usize = 20;
const ALARMS: usize = 10;

/// `first` alarms over the first sensor, `rest` over each of the others.
fn rules(sensors: usize, first: usize, rest: usize) -> String {
    let mut text = String::from("[tank.lagoon]\nvolume = \"420 L\"\n");
    for sensor in 0..sensors {
        let _ = write!(
            text,
            "[sensor.temp-{sensor}]\ntopic = \"halyard/temp-{sensor}\"\ntank = \"lagoon\"\n\
             measures = \"temperature\"\nunit = \"degC\"\nevery = \"30 s\"\n\
             plausible = [\"5 degC\", \"45 degC\"]\nreject = [\"85 degC\", \"-127 degC\"]\n"
        );
        for alarm in 0..if sensor == 0 { first } else { rest } {
            let limit = 27.0 + alarm as f64 / 10_000.0;
            let _ = write!(
                text,
                "[alarm.warm-{sensor}-{alarm}]\ntank = \"lagoon\"\nwhen = \"temp-{sensor} > {limit} degC\"\n\
                 deadband = \"0.2 K\"\non-delay = \"1 min\"\noff-delay = \"5 min\"\npriority = \"high\"\n\
                 consequence = \"oxygen falls\"\nresponse = \"Open a window.\"\n"
            );
        }
    }
    text.push_str("[callout.household]\nsteps = [{ after = \"0 min\", to = [\"ines.push\"] }]\n");
    text
}

fn plan(text: &str) -> Plan {
    plan_of(text, &around_in(UTC, &["ines.push"]))
}

/// A site with calm water that has been heard from.
struct Site {
    engine: Engine,
    now: Now,
    said: usize,
}

impl Site {
    fn new(plan: Plan) -> Self {
        let wall = Wall(1_772_452_800_000);
        let now = Now { mono: Moment(1_000_000), wall, wall_trusted: true };
        let mut site = Self { engine: Engine::new(plan, 7, 1, now), now, said: 0 };
        site.step(Input::Started { version: "bench".to_owned(), gap: Some(Span::ZERO) });
        site.step(Input::Link(Link::Hears));
        site
    }

    fn step(&mut self, input: Input) -> Turn {
        self.engine.step(self.now, input)
    }

    fn pass(&mut self, millis: i64) {
        self.now.mono = self.now.mono + Span(millis);
        self.now.wall = self.now.wall + Span(millis);
    }

    /// One reading as an agent would hand it in, the sensors in turn.
    fn hear(&mut self, sensors: usize) -> Turn {
        self.pass(30_000 / sensors as i64);
        let sensor = self.said % sensors;
        self.said += 1;
        let topic = format!("halyard/temp-{sensor}");
        let payload = if self.said.is_multiple_of(3) { "25.1" } else { "25.2" };
        self.step(Input::Message { topic, payload: payload.into(), delivery: Arrival::Live })
    }
}

/// A reading that ten alarms look at, on a site of 200.
#[divan::bench(min_time = 1)]
fn reading_with_ten_alarms(bencher: Bencher<'_, '_>) {
    let mut site = Site::new(plan(&rules(SENSORS, ALARMS, ALARMS)));
    for _ in 0..SENSORS {
        site.hear(SENSORS);
    }
    bencher.counter(ItemsCount::new(1_usize)).bench_local(|| site.hear(SENSORS));
}

/// A reading of a tank's thermometer with the room's, a heater's and a pump's sensor beside it:
/// through the engine, the tank's model with its tests, and an alarm that asks the model for a
/// forecast.
#[divan::bench(min_time = 1)]
fn reading_through_a_model(bencher: Bencher<'_, '_>) {
    const TANK: &str = r#"
[tank.lagoon]
volume = "420 L"
heater = { sensor = "heater", power = "200 W" }

[sensor.water]
topic = "water"
tank = "lagoon"
measures = "temperature"
unit = "degC"
every = "30 s"

[sensor.room]
topic = "room"
measures = "temperature"
unit = "degC"
every = "30 s"

[sensor.heater]
topic = "heater"
tank = "lagoon"
measures = "power"
unit = "W"
every = "30 s"

[alarm.cooling]
tank = "lagoon"
when = "time until water < 22 degC is under 6 h"
priority = "high"
response = "Look."
"#;
    let mut site = Site::new(plan(TANK));
    let mut hear = move || {
        site.pass(10_000);
        site.said += 1;
        let heats = site.said % 600 < 200;
        let (topic, payload) = match site.said % 3 {
            0 => ("water", if heats { "25.1" } else { "25.0" }),
            1 => ("room", "20.5"),
            _ => ("heater", if heats { "200" } else { "0" }),
        };
        let topic = topic.to_owned();
        site.step(Input::Message { topic, payload: payload.into(), delivery: Arrival::Live })
    };
    // Two days, so that it has learned.
    for _ in 0..17_280 {
        hear();
    }
    bencher.counter(ItemsCount::new(1_usize)).bench_local(hear);
}

/// A reading that one alarm looks at, with so many alarms elsewhere: the cost should not grow.
#[divan::bench(args = [10, 100, 1_000, 10_000], min_time = 1)]
fn reading_with_unrelated_alarms(bencher: Bencher<'_, '_>, alarms: usize) {
    // The sensor with the many alarms is heard once and never goes stale.
    let text = rules(2, 1, alarms).replace("every = \"30 s\"", "every = \"100 d\"");
    let mut site = Site::new(plan(&text));
    for _ in 0..2 {
        site.hear(2);
    }
    bencher.counter(ItemsCount::new(1_usize)).bench_local(|| {
        // The first sensor's turn, each time.
        site.said = site.said.next_multiple_of(2);
        site.hear(2)
    });
}

#[divan::bench]
fn plan_check_of_200_alarms(bencher: Bencher<'_, '_>) {
    let text = rules(SENSORS, ALARMS, ALARMS);
    let around = around_in(UTC, &["ines.push"]);
    bencher.bench_local(|| Plan::check("rules.toml", divan::black_box(&text), &around));
}

/// What a night of flapping leaves behind.
fn story(plan: &Plan, length: usize) -> (Vec<Record>, Now) {
    let mut site = Site::new(plan.clone());
    let mut records = Vec::new();
    while records.len() < length {
        site.pass(30_000);
        let payload = if (site.said / 20).is_multiple_of(2) { "30" } else { "25" };
        site.said += 1;
        for sensor in 0..SENSORS {
            let topic = format!("halyard/temp-{sensor}");
            let message = Input::Message { topic, payload: payload.into(), delivery: Arrival::Live };
            let turn = site.step(message);
            records.extend(turn.records);
            for effect in turn.effects {
                let Effect::Send { page, .. } = effect else { continue };
                let outcome = Outcome::Accepted { note: "taken".to_owned() };
                let turn = site.step(Input::Delivered { page: page.id, outcome });
                records.extend(turn.records);
            }
        }
    }
    records.truncate(length);
    (records, site.now)
}

#[divan::bench]
fn restore_of_10_000_records(bencher: Bencher<'_, '_>) {
    let plan = plan(&rules(SENSORS, ALARMS, ALARMS));
    let (records, now) = story(&plan, 10_000);
    bencher
        .counter(ItemsCount::new(records.len()))
        .with_inputs(|| Engine::new(plan.clone(), 7, 1, now))
        .bench_local_values(|mut engine| {
            engine.restore(&records);
            engine
        });
}
