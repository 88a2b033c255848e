//! Readings that need no broker, from outside: the real program beside a real UPS server and a tree
//! of files like the kernel's, while no broker can be reached at all. Where the UPS server is
//! missing its tests say so and look at nothing.

#![cfg(test)]

#[path = "sources/encrypted.rs"]
mod encrypted;
#[path = "sources/house.rs"]
mod house;

use house::{House, SLACKWATER, WELL};
use slackwater_rules::record::{Body, Record};
use slackwater_tests::agent::{SOON, until};
use slackwater_tests::house::sample;
use slackwater_tests::ups::{LOGIN, NAME, Ups, available};

fn raised(records: &[Record]) -> Vec<&str> {
    let name = |record| match record {
        &Record { body: Body::Raised { ref alarm, .. }, .. } => Some(alarm.as_str()),
        _ => None,
    };
    records.iter().filter_map(name).collect()
}

fn is_raised(body: &Body, name: &str) -> bool {
    matches!(body, Body::Raised { alarm, .. } if alarm == name)
}

fn is_returned(body: &Body, name: &str) -> bool {
    matches!(body, Body::Returned { alarm, .. } if alarm == name)
}

#[test]
fn a_power_cut_is_seen_through_the_ups_while_the_broker_is_away_and_so_is_its_end() {
    if !available() {
        return;
    }
    let ups = Ups::start(WELL).expect("a UPS server");
    let house = House::new(ups.port(), "");
    let agent = house.watch();
    ups.says(&[("ups.status", "OB DISCHRG"), ("battery.charge", "96"), ("battery.runtime", "1500")])
        .expect("written");
    let lost = house.home.record("the power cut", 0, |body| is_raised(body, "power-lost"));
    until("a page", SOON, || house.pages().first().cloned(), || house.home.log());
    assert!(!house.home.log().contains("the broker can be heard"));

    ups.says(&[("ups.status", "OB DISCHRG LB"), ("battery.charge", "9.5"), ("battery.runtime", "110")])
        .expect("written");
    house.home.record("a battery that ends", lost.seq, |body| is_raised(body, "ups-ending"));
    let charge = house.value("rack-charge");
    assert!(charge.contains("9.5 %"), "{charge}");

    ups.says(&[("ups.status", "OL CHRG RB"), ("battery.charge", "12"), ("battery.runtime", "240")])
        .expect("written");
    house.home.record("power again", lost.seq, |body| is_returned(body, "power-lost"));
    house.home.record("a worn battery", lost.seq, |body| is_raised(body, "battery-worn"));
    agent.terminate();
}

#[test]
fn data_that_the_server_holds_to_be_stale_are_no_values_and_one_cause() {
    if !available() {
        return;
    }
    let ups = Ups::start(WELL).expect("a UPS server");
    let house = House::new(ups.port(), "");
    let agent = house.watch();
    ups.unplug().expect("a signal");
    let why = house.doubt("rack-mains");
    assert!(why.contains("DATA-STALE"), "{why}");
    let blind = house.home.record("blindness", 0, |body| is_raised(body, "sight-gateway-ups-rack"));
    ups.plug_in().expect("a signal");
    house.home.record("sight again", blind.seq, |body| is_returned(body, "sight-gateway-ups-rack"));
    house.all_good();
    let records = house.home.records();
    let raised = raised(&records);
    for name in ["power-lost", "ups-ending", "battery-worn", "sight-rack-mains", "sight-rack-low"] {
        assert!(!raised.contains(&name), "{name} in {raised:?}");
    }
    agent.terminate();
}

#[test]
fn a_server_that_goes_is_said_and_found_again_when_it_is_back() {
    if !available() {
        return;
    }
    let mut ups = Ups::start(WELL).expect("a UPS server");
    let house = House::new(ups.port(), "");
    let agent = house.watch();
    ups.kill_server().expect("ended");
    let why = house.trouble("UPS rack");
    assert!(why.contains("can't be reached"), "{why}");
    let blind = house.home.record("blindness", 0, |body| is_raised(body, "sight-gateway-ups-rack"));
    let words = house.home.say(&["status"]).well();
    assert!(words.contains("UPS rack: NOT ANSWERING"), "{words}");
    ups.restart_server().expect("a UPS server");
    house.home.record("sight again", blind.seq, |body| is_returned(body, "sight-gateway-ups-rack"));
    house.all_good();
    assert!(!raised(&house.home.records()).contains(&"power-lost"));
    agent.terminate();
}

#[test]
fn a_login_is_made_if_there_is_one_and_a_wrong_password_is_said_and_never_shown() {
    if !available() {
        return;
    }
    let ups = Ups::start(WELL).expect("a UPS server");
    let login = format!("user = \"{}\"\npassword-file = \"ups-password\"\n", LOGIN.0);
    let house = House::new(ups.port(), &login);
    house.home.write("ups-password", "not the one").expect("written");
    let agent = house.home.start().expect("it starts");
    let why = house.trouble("UPS rack");
    assert!(why.contains("is not accepted"), "{why}");
    house.home.write("ups-password", LOGIN.1).expect("written");
    house.home.say(&["reload"]).well();
    house.all_good();
    assert!(!house.home.log().contains("not the one") && !house.home.log().contains(LOGIN.1));
    agent.terminate();
}

#[test]
fn a_ups_that_the_server_does_not_know_is_said_by_its_name() {
    if !available() {
        return;
    }
    let ups = Ups::start(WELL).expect("a UPS server");
    let house = House::new(ups.port(), "name = \"cellar\"\n");
    let agent = house.home.start().expect("it starts");
    let why = house.trouble("UPS rack");
    assert!(why.contains("no UPS is called `cellar`"), "{why}");
    assert_eq!(NAME, "rack");
    agent.terminate();
}

#[test]
fn the_boards_own_thermometer_and_adapter_are_read_from_the_kernels_files() {
    let house = House::new(1, "");
    house.home.write("rules.toml", house::BOARD).expect("written");
    house.home.write("agent.toml", &house.configuration("")).expect("written");
    house.thermometer("91 01 4b 46 7f ff 0c 10 70", "YES", "25062");
    house.adapter("1");
    let agent = house.home.start().expect("it starts");
    house.all_good();
    let value = house.value("lagoon-temp");
    assert!(value.starts_with("25.1"), "{value}");

    house.adapter("0");
    let lost = house.home.record("the power cut", 0, |body| is_raised(body, "power-lost"));
    // The power-on value has a right checksum: docs of w1_therm, and the kernel's mailing list.
    house.thermometer("50 05 4b 46 7f ff 0c 10 1c", "YES", "85000");
    let why = house.doubt("lagoon-temp");
    assert!(why.contains("after a start"), "{why}");
    house.home.record("blindness", lost.seq, |body| is_raised(body, "sight-lagoon-temp"));
    house.thermometer("91 01 4b 46 7f ff 0c 10 70", "NO", "25062");
    let wrong = house.doubt_with("lagoon-temp", "checksum");
    assert!(wrong.contains("bad contact"), "{wrong}");
    house.thermometer("91 01 4b 46 7f ff 0c 10 70", "YES", "25062");
    house.adapter("1");
    house.home.record("power again", lost.seq, |body| is_returned(body, "power-lost"));
    house.all_good();
    let records = house.home.records();
    assert!(!raised(&records).contains(&"lagoon-hot"), "85 degC is no temperature");
    agent.terminate();
}

#[test]
fn a_ups_that_no_sensor_reads_is_a_mistake_of_the_configuration() {
    let house = House::new(1, "");
    let wrong = house.configuration("").replace("[ups.rack]", "[ups.rakc]");
    house.home.write("agent.toml", &wrong).expect("written");
    let said = house.home.say(&["check"]).failed(78);
    assert!(said.contains("no sensor reads UPS `rakc`") && said.contains("did you mean `rack`?"), "{said}");
}

#[test]
fn the_sources_that_the_sample_leaves_out_are_right_too() {
    let home = sample(SLACKWATER).expect("a folder");
    let begins = |c: char| c.is_ascii_lowercase() || c == '[';
    let rules = include_str!("../../deploy/sample/rules.toml");
    let line = |line| match str::strip_prefix(line, "#") {
        Some(rest) if rest.starts_with(begins) => rest,
        _ => line,
    };
    home.write("rules.toml", &rules.lines().map(line).collect::<Vec<_>>().join("\n")).expect("written");
    let said = home.say(&["check"]).well();
    assert!(said.contains("16 sensors"), "{said}");
}
