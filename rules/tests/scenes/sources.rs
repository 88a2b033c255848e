//! Readings that need no broker: what they show while it is away, and what their own silence means.

use crate::harness::{Site, directory, plan};
use slackwater_rules::engine::{Arrival, Input, Link};
use slackwater_rules::plan::{SensorId, Source};
use slackwater_rules::reading::Value;
use slackwater_rules::record::Body;
use slackwater_rules::rehearsal::Story;
use slackwater_rules::time::Span;

const RULES: &str = r#"
[sensor.mains]
source = { ups = "rack", reads = "mains" }
every  = "10 s"

[sensor.charge]
source = { ups = "rack", reads = "charge" }
every  = "10 s"

[sensor.return-flow]
topic    = "lagoon/flow"
measures = "flow"
unit     = "L/h"
every    = "10 s"

[alarm.power-lost]
when     = "mains is off"
priority = "critical"
response = ["Look."]
callout  = "household"

[alarm.ups-low]
when     = "charge < 30 %"
priority = "high"
response = ["Look."]
callout  = "household"

[alarm.flow]
when     = "return-flow < 200 L/h"
priority = "high"
response = ["Look."]
callout  = "household"

[callout.household]
steps = [{ after = "0 s", to = ["ines.push"] }]
"#;

const NOON: &str = "2026-03-02T12:00:00+01:00[Europe/Berlin]";

/// The UPS says this each ten seconds, and the flow meter goes on.
fn pass(site: &mut Site, mains: Option<bool>, charge: Option<f64>, span: Span) {
    for _ in 0..span.0 / 10_000 {
        let values = [mains.map(Source::switched), charge.map(Value::Number)];
        for (sensor, value) in (0..).map(SensorId).zip(values) {
            if let Some(value) = value {
                site.step(Input::Measured { sensor, value, delivery: Arrival::Live });
            }
        }
        site.run(Span::seconds(10));
    }
}

fn calm() -> Site {
    let mut site = Site::silent(RULES, directory(), NOON);
    site.feed("lagoon/flow", "1800", Span::seconds(10));
    pass(&mut site, Some(true), Some(1.0), Span::minutes(5));
    assert!(site.raised().is_empty(), "{}", site.story());
    site.forget();
    site
}

fn broker_is_lost(site: &mut Site) {
    site.silence_all();
    site.step(Input::Link(Link::Lost { why: "the router has no power".to_owned() }));
}

#[test]
fn a_power_cut_that_takes_the_broker_along_is_still_seen_through_the_ups() {
    let mut site = calm();
    broker_is_lost(&mut site);
    pass(&mut site, Some(false), Some(0.9), Span::minutes(10));
    assert_eq!(site.raised(), ["power-lost", "sight-broker"], "{}", site.story());
    pass(&mut site, Some(true), Some(0.9), Span::minutes(10));
    assert!(site.state("power-lost").contains("returned"), "{}", site.story());
}

#[test]
fn a_ups_server_that_falls_silent_is_one_cause_also_while_the_broker_is_away() {
    let mut site = calm();
    broker_is_lost(&mut site);
    pass(&mut site, None, None, Span::minutes(10));
    let lost: Vec<_> = site
        .records
        .iter()
        .filter_map(|record| match &record.body {
            Body::SightLost { of, .. } => Some(of.as_str()),
            _ => None,
        })
        .collect();
    assert!(lost.contains(&"gateway ups-rack"), "{lost:?}");
    let mut raised = site.raised();
    raised.sort_unstable();
    assert_eq!(raised, ["sight-broker", "sight-gateway-ups-rack"], "{}", site.story());
    pass(&mut site, Some(true), Some(1.0), Span::minutes(5));
    assert!(site.state("sight-gateway-ups-rack").contains("returned"), "{}", site.story());
}

#[test]
fn what_a_source_says_instead_of_a_value_raises_nothing_and_is_shown() {
    let mut site = calm();
    for _ in 0..60 {
        site.step(Input::Measured {
            sensor: SensorId(1),
            value: Value::Number(1.0),
            delivery: Arrival::Live,
        });
        let why = "its status `OB CAL` does not say whether the mains are there".to_owned();
        site.step(Input::Missed { sensor: SensorId(0), why });
        site.run(Span::seconds(10));
    }
    assert_eq!(site.raised(), ["sight-mains"], "{}", site.story());
    let status = site.engine.status(site.now);
    let mains = status.sensors.iter().find(|view| view.name == "mains").expect("there");
    assert_eq!(mains.quality, "suspect");
    assert!(mains.why.as_ref().is_some_and(|why| why.contains("OB CAL")), "{mains:?}");
    // A place that no plan has, from a round that was on its way at a reload.
    site.step(Input::Missed { sensor: SensorId(99), why: String::new() });
}

#[test]
fn a_rehearsal_feeds_sources_by_their_sensors_names_and_they_outlive_the_broker() {
    let plan = plan(RULES, &directory());
    let text = "start 2026-03-03 01:00\nat 5 min: broker is lost\nat 6 min: mains is off\n\
                at 6 min: charge goes to 20 % over 30 min\nend at 1 h\n\
                from 6 min to 7 min: expect ines.push is paged about power-lost\n\
                at 50 min: expect ups-low is unacknowledged\n";
    let story = Story::parse(text, &plan).expect("a story");
    let played = story.play(&plan);
    assert!(played.misses.is_empty(), "{:?}", played.misses);
}
