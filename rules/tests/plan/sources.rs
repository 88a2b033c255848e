//! Sensors that a source feeds: what the source says of itself need not be written, and what is
//! written must agree.

use crate::site::check;
use insta::assert_snapshot;
use slackwater_rules::plan::{Feed, Plan, Sensor, Sight, Source, SupplyReading, UpsReading};
use slackwater_rules::units::Dimension;

const SOURCES: &str = r#"
[tank.lagoon]

[sensor.mains]
source = { ups = "rack", reads = "mains" }
every  = "10 s"

[sensor.charge]
source = { ups = "rack", reads = "charge" }
every  = "10 s"

[sensor.runtime]
source = { ups = "rack", reads = "runtime" }
unit   = "h"
every  = "10 s"

[sensor.worn]
source = { ups = "rack", reads = "replace-battery" }
every  = "1 min"

[sensor.lagoon-temp]
source   = { one-wire = "28-0316a4b2c1ff" }
measures = "temperature"
tank     = "lagoon"
every    = "30 s"

[sensor.sump-temp]
source = { one-wire = "28-0316a4b2c200" }
tank   = "lagoon"
every  = "30 s"

[sensor.board-battery]
source = { supply = "axp20x-battery", reads = "charge" }
every  = "1 min"

[sensor.return-flow]
topic    = "lagoon/flow"
measures = "flow"
unit     = "L/h"
every    = "15 s"

[alarm.power-lost]
when     = "mains is off"
priority = "critical"
response = ["Look."]

[alarm.cold]
when     = "lagoon-temp < 24 degC or sump-temp < 24 degC"
priority = "high"
response = ["Look."]

[alarm.flow]
when     = "return-flow < 200 L/h"
priority = "high"
response = ["Look."]

[alarm.board]
when     = "board-battery < 20 % or charge < 30 % or runtime < 10 min or worn is on"
priority = "medium"
response = ["Look."]
"#;

fn plan() -> Plan {
    let checked = check(SOURCES);
    checked.plan.unwrap_or_else(|| panic!("{}", checked.report))
}

fn sensor(plan: &Plan, name: &str) -> Sensor {
    plan.sensors.iter().find(|sensor| sensor.name == name).expect(name).clone()
}

/// What is said of the file with one passage replaced, which must be refused.
fn refused(from: &str, to: &str) -> String {
    assert!(SOURCES.contains(from), "there is no `{from}`");
    let checked = check(&SOURCES.replacen(from, to, 1));
    assert!(checked.plan.is_none(), "nothing was wrong with `{to}`");
    let errors = checked.report.split("\n\n").filter(|part| part.starts_with("error"));
    errors.collect::<Vec<_>>().join("\n\n")
}

#[test]
fn a_source_knows_what_it_measures_and_in_which_words_and_units() {
    let plan = plan();
    let mains = sensor(&plan, "mains");
    let rack = |reads| Feed::Source(Source::Ups { ups: "rack".to_owned(), reads });
    assert_eq!(mains.feed, rack(UpsReading::Mains));
    assert_eq!((mains.measure.name, mains.measure.words), ("presence", true));
    let words: Vec<_> = mains.words().iter().map(|word| word.name.as_str()).collect();
    assert_eq!(words, ["on", "off"]);
    let charge = sensor(&plan, "charge");
    assert_eq!((charge.measure.name, charge.measure.dimension), ("battery", Dimension::NUMBER));
    assert_eq!(charge.scale.show(0.875), "87.5 %");
    assert_eq!(sensor(&plan, "runtime").scale.show(5400.0), "1.5 h");
    assert_eq!(sensor(&plan, "worn").measure.name, "state");
    assert_eq!(sensor(&plan, "sump-temp").measure.dimension, Dimension::TEMPERATURE);
    assert!(sensor(&plan, "sump-temp").max_rate.is_some(), "water can't jump here either");
    let battery = Source::Supply { supply: "axp20x-battery".to_owned(), reads: SupplyReading::Charge };
    assert_eq!(sensor(&plan, "board-battery").feed, Feed::Source(battery));
}

#[test]
fn only_topics_are_subscribed_to() {
    assert_eq!(plan().topics().into_iter().collect::<Vec<_>>(), ["lagoon/flow"]);
}

#[test]
fn a_ups_server_a_bus_and_a_supply_are_causes_of_their_own_and_the_broker_is_none_for_them() {
    let plan = plan();
    let alarm = |name| plan.alarm(plan.alarm_named(name).expect(name));
    let gateways: Vec<_> =
        plan.alarms.iter().filter(|it| matches!(it.sight, Some(Sight::Gateway(_)))).collect();
    let names: Vec<_> = gateways.iter().map(|alarm| alarm.name.as_str()).collect();
    assert_eq!(
        names,
        ["sight-gateway-one-wire", "sight-gateway-supply-axp20x-battery", "sight-gateway-ups-rack"]
    );
    let ups = alarm("sight-gateway-ups-rack");
    assert_eq!(ups.cause.as_deref(), Some("the server of UPS rack is down, or has lost its UPS"));
    let mend = "See whether UPS rack and its server have power, and the data cable sits.";
    assert_eq!(ups.response.words().last(), Some(&mend));
    let broker = alarm("sight-broker").consequence.clone().unwrap_or_default();
    assert_eq!(broker, "nobody would notice now, if one of these came: flow");
    let probe = alarm("sight-lagoon-temp");
    let asked = "It is asked every 30 s: 1-Wire thermometer 28-0316a4b2c1ff.";
    assert!(probe.response.words().contains(&asked));
}

#[test]
fn without_a_topic_there_is_no_broker_to_lose() {
    let start = SOURCES.find("[sensor.return-flow]").expect("there");
    let end = SOURCES.find("[alarm.power-lost]").expect("there");
    let text = format!("{}{}", &SOURCES[..start], &SOURCES[end..]);
    let text = text.replace("return-flow < 200 L/h", "mains is off");
    let plan = check(&text).plan.expect("it is right");
    assert_eq!(plan.alarm_named("sight-broker"), None);
}

#[test]
fn each_mistake_about_a_source_says_what_would_be_right() {
    let ups = "{ ups = \"rack\", reads = \"mains\" }";
    let probe = "source   = { one-wire = \"28-0316a4b2c1ff\" }";
    let said = [
        refused(ups, "{ }"),
        refused(ups, "{ ups = \"rack\" }"),
        refused(ups, "{ ups = \"rack\", reads = \"main\" }"),
        refused(ups, "{ ups = \"rack\", raeds = \"mains\" }"),
        refused(ups, "{ ups = \"rack@10.0.0.5\", reads = \"mains\" }"),
        refused(ups, "{ ups = \"rack\", supply = \"BAT0\", reads = \"mains\" }"),
        refused(ups, "{ supply = \"../../etc\", reads = \"mains\" }"),
        refused(ups, "{ supply = \"BAT0\", reads = \"load\" }"),
        refused(ups, "\"rack\""),
        refused(probe, "source = { one-wire = \"28-0316A4B2C1FF\" }"),
        refused(probe, "source = { one-wire = \"26-0316a4b2c1ff\" }"),
        refused(probe, "source = { one-wire = \"0316a4b2c1ff\" }"),
        refused(probe, "source = { one-wire = \"28-0316a4b2c1ff\", reads = \"temperature\" }"),
        refused(probe, "topic = \"lagoon/temperature\"\nsource = { one-wire = \"28-0316a4b2c1ff\" }"),
        refused("measures = \"temperature\"", "measures = \"presence\""),
        refused("unit   = \"h\"", "unit = \"degC\""),
        refused("[sensor.worn]", "[sensor.worn]\non = [\"1\"]\ngateway = \"rack\""),
        refused("[sensor.return-flow]", "[sensor.return-flow]\ngateway = \"one-wire\""),
        refused("every  = \"10 s\"", "every = \"200 ms\""),
    ];
    assert_snapshot!(said.join("\n\n"));
}

#[test]
fn two_sensors_of_one_source_are_noticed_as_two_of_one_topic_are() {
    let text = SOURCES.replace("28-0316a4b2c200", "28-0316a4b2c1ff");
    let report = check(&text).report;
    assert!(report.contains("`lagoon-temp` and `sump-temp` read the same value"), "{report}");
}
