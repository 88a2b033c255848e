//! How the watch is, told to machines: metrics, one line with an exit code, its state on a topic.

use super::{house, is_raised};
use serde_json::Value as Json;
use slackwater_tests::agent::{SOON, until};
use slackwater_tests::house::{AGENT, House};
use std::process::Command;

const TOPIC: &str = "slackwater/slackwater-halyard/state";

/// A house that tells machines how it is.
async fn telling_house() -> Option<House> {
    let house = house().await?;
    house.configure("\n[metrics]\nfile = \"slackwater.prom\"\n").expect("written");
    let text = std::fs::read_to_string(house.home.path("agent.toml")).expect("read");
    let text = text.replace("[broker]", &format!("[broker]\nstate-topic = \"{TOPIC}\""));
    house.home.write("agent.toml", &text).expect("written");
    Some(house)
}

/// The state as another program of the house finds it on the broker.
fn kept(house: &House) -> Option<Json> {
    let port = house.broker.plain_port().to_string();
    let heard = Command::new("mosquitto_sub")
        .args([
            "-h",
            "127.0.0.1",
            "-p",
            &port,
            "-u",
            AGENT.0,
            "-P",
            AGENT.1,
            "-t",
            TOPIC,
            "-C",
            "1",
            "-W",
            "2",
        ])
        .output()
        .expect("mosquitto-clients");
    serde_json::from_slice(&heard.stdout).ok()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_dashboard_a_collector_and_a_script_are_told_how_it_stands() {
    let Some(house) = telling_house().await else { return };
    house.home.say(&["status", "--short"]).failed(1);
    let agent = house.watch();
    let well = house.home.say(&["status", "--short"]).well();
    assert!(well.starts_with("Halyard House: all is well: 1 tank, 3 sensors, all heard within "), "{well}");
    until("the state", SOON, || kept(&house).filter(|state| state["state"] == "well"), || house.home.log());

    house.board.set("house/mains", "off");
    house.home.record("the power cut", 0, |body| is_raised(body, "power-lost"));
    let ringing = house.home.say(&["status", "--short"]);
    assert_eq!(ringing.code, Some(4), "{ringing:?}");
    assert!(ringing.out.starts_with("Halyard House: Lagoon: power lost, since "), "{ringing:?}");
    let state =
        until("the state", SOON, || kept(&house).filter(|it| it["state"] == "ringing"), || house.home.log());
    assert_eq!(state["open"][0]["alarm"], "power-lost");
    assert!(state["open"][0].get("code").is_none(), "who hears the broker must not be able to answer");

    let metrics = || {
        let text = std::fs::read_to_string(house.home.path("slackwater.prom")).ok()?;
        text.contains("slackwater_alarm_open{alarm=\"power-lost\",priority=\"critical\"} 1\n").then_some(text)
    };
    let text = until("the metrics", SOON, metrics, || house.home.log());
    assert!(text.ends_with("# EOF\n") && text.contains("slackwater_broker_heard 1\n"), "{text}");
    assert!(text.contains("slackwater_sensor_good{sensor=\"mains\"} 1\n"), "{text}");
    assert!(text.contains("slackwater_certificate_end_timestamp_seconds{server=\"localhost\"}"), "{text}");
    is_open_metrics(&text);
    agent.terminate();
}

/// OpenMetrics 1.0, as far as this text uses it: families in one piece, each with its type and help
/// first, samples of no other family among them, and the end.
fn is_open_metrics(text: &str) {
    let mut family = String::new();
    let mut seen = std::collections::BTreeSet::new();
    for line in text.lines().filter(|line| *line != "# EOF") {
        if let Some(declared) = line.strip_prefix("# TYPE ") {
            family = declared.split(' ').next().unwrap_or_default().to_owned();
            assert!(seen.insert(family.clone()), "{family} twice");
        } else if let Some(help) = line.strip_prefix("# HELP ") {
            assert!(help.starts_with(&format!("{family} ")), "{line}");
        } else {
            let (name, value) = line.rsplit_once(' ').expect("a sample");
            assert!(name.starts_with(&family), "{line} is not of {family}");
            value.parse::<f64>().expect("a number");
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_state_topic_that_a_relay_has_is_refused() {
    let Some(house) = telling_house().await else { return };
    let rules = std::fs::read_to_string(house.home.path("rules.toml")).expect("read");
    let relay = format!(
        "\n[relay.lamp]\ncommand = {{ topic = \"{TOPIC}\", on = \"on\", off = \"off\" }}\nmoves = \"air\"\nlongest = \"2 h\"\n"
    );
    house.home.write("rules.toml", &format!("{rules}{relay}")).expect("written");
    let said = house.home.say(&["check"]).failed(78);
    assert!(said.contains("the watch's state"), "{said}");
}
