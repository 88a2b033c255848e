//! Relays on a real broker: what is commanded, whether it is seen to happen, and what is said
//! when it isn't.

use super::{house, is_raised, is_returned};
use slackwater_rules::record::{Body, Purpose, Record};
use slackwater_tests::agent::{SOON, until};
use slackwater_tests::board::{hear, publish};
use slackwater_tests::house::{AGENT, House, LAGOON, RULES, WELL};
use slackwater_tests::relay::Relay;
use std::time::Duration;

const PUMP: &str = "lagoon/airpump/set";
const CURRENT: &str = "lagoon/airpump/current";
const HEATERS: &str = "lagoon/heaters/set";
const POWER: &str = "lagoon/heater/power";
const STILL: &str = r#"{"flow":{"rate":0}}"#;
const FLOWS: &str = r#"{"flow":{"rate":1830}}"#;

const RELAYS: &str = r#"
[sensor.air-pump-current]
topic    = "lagoon/airpump/current"
tank     = "lagoon"
measures = "current"
unit     = "A"
every    = "1 s"

[sensor.heater-power]
topic    = "lagoon/heater/power"
tank     = "lagoon"
measures = "power"
unit     = "W"
every    = "1 s"

[relay.air-pump]
command = { topic = "lagoon/airpump/set", on = "on", off = "off" }
moves   = "air"
proof   = "air-pump-current > 0.05 A within 2 s"
hold    = "until lagoon-return > 200 L/h, at most 1 min"
pause   = "3 s"
longest = "10 min"

[relay.lagoon-heaters]
command = { topic = "lagoon/heaters/set", on = "on", off = "off" }
moves   = "heat"
proof   = "heater-power > 20 W within 2 s"
longest = "10 min"

[alarm.lagoon-hot]
tank     = "lagoon"
when     = "lagoon-temp > 28 degC"
priority = "critical"
response = ["Look at the heaters."]
stopgap = { relay = "lagoon-heaters", state = "off" }
callout  = "household"
"#;

/// The house with an air pump and heaters behind relays.
struct Wired {
    house: House,
    pump: Relay,
    heaters: Relay,
}

async fn wired() -> Option<Wired> {
    let house = house().await?;
    let response = "response        = [\"Open the lid.\"";
    assert!(RULES.contains(response));
    let rules =
        RULES.replace(response, &format!("stopgap = {{ relay = \"air-pump\", state = \"on\" }}\n{response}"));
    house.home.write("rules.toml", &(rules + RELAYS)).expect("written");
    house.board.set(CURRENT, "0");
    house.board.set(POWER, "200");
    let port = house.broker.plain_port();
    let pump = Relay::start(port, LAGOON, PUMP, &house.board, (CURRENT, "0.21"));
    let heaters = Relay::start(port, LAGOON, HEATERS, &house.board, (POWER, "200"));
    Some(Wired { house, pump, heaters })
}

fn switched(body: &Body, name: &str, state: bool) -> bool {
    matches!(body, Body::Switched { relay, on, .. } if relay == name && *on == state)
}

fn proved(body: &Body) -> bool {
    matches!(body, Body::Proved { .. })
}

fn switchings(records: &[Record]) -> Vec<&Record> {
    records.iter().filter(|record| matches!(record.body, Body::Switched { .. })).collect()
}

/// Pages of this kind that were taken over by their way, to whom.
fn told(records: &[Record], after: u64, until_ms: i64) -> Vec<&str> {
    let to = |record: &&Record| record.seq > after && record.at.mono.0 <= until_ms;
    let target = |record| match record {
        &Record { body: Body::Paged { ref target, purpose: Purpose::Call, .. }, .. } => Some(target.as_str()),
        _ => None,
    };
    records.iter().filter(to).filter_map(target).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn air_is_started_and_proved_and_goes_on_until_the_water_moves() {
    let Some(Wired { house, pump, .. }) = wired().await else { return };
    let agent = house.watch();
    house.board.set("lagoon/return", STILL);
    house.board.set("house/mains", "off");
    let on = house.home.record("the command", 0, |body| switched(body, "air-pump", true));
    house.home.record("its proof", on.seq, proved);
    let status = house.home.say(&["status"]).well();
    assert!(status.contains("Air pump: on, seen to run after"), "{status}");
    let explained = house.home.say(&["explain", "power-lost"]).well();
    assert!(explained.contains("Stopgap air pump: on, seen to run after"), "{explained}");
    house.board.set("house/mains", "on");
    let back = house.home.record("the power", on.seq, |body| is_returned(body, "power-lost"));
    house.home.record("the hold", back.seq, |body| matches!(body, Body::Held { .. }));
    assert_eq!(pump.heard(), ["on"], "the water stands still");
    house.board.set("lagoon/return", FLOWS);
    let off = house.home.record("the undoing", back.seq, |body| switched(body, "air-pump", false));
    house.home.record("its proof", off.seq, proved);
    assert_eq!(pump.heard(), ["on", "off"]);
    agent.terminate();
    // Nothing of it stays at the broker for a device that connects later.
    let kept = hear(house.broker.plain_port(), LAGOON, PUMP, Duration::from_secs(1), || async {}).await;
    assert_eq!(kept, None);
    let review = house.home.say(&["review", "--since", "1 h"]).well();
    assert!(review.contains("air pump on: proved after"), "{review}");
    assert!(review.contains("air pump stayed as it was: held until"), "{review}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn air_that_is_not_seen_to_start_is_on_the_page() {
    let Some(Wired { house, pump, .. }) = wired().await else { return };
    pump.obeys(false);
    let agent = house.watch();
    house.board.set("house/mains", "off");
    let raised = house.home.record("the power cut", 0, |body| is_raised(body, "power-lost"));
    let third = |body: &Body| matches!(body, Body::Switched { attempt: 3, .. });
    let third = house.home.record("the third attempt", raised.seq, third);
    let failed = |body: &Body| matches!(body, Body::NotProved { unknown: false, .. });
    house.home.record("its failure", third.seq, failed);
    assert_eq!(pump.heard(), ["on", "on", "on"]);
    let words = "Air pump: switched on, NOT seen to run: start it by hand (not shown within 2 s";
    let said = || {
        house
            .push
            .taken()
            .iter()
            .any(|push| String::from_utf8_lossy(&push.body).contains(words))
            .then_some(())
    };
    until("a page that says so", SOON, said, || house.home.log());
    // Somebody starts it by hand.
    house.board.set(CURRENT, "0.2");
    house.home.record("the proof, late", third.seq, proved);
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_welded_heater_is_said_to_everyone_at_once() {
    let Some(Wired { house, heaters, .. }) = wired().await else { return };
    heaters.obeys(false);
    let agent = house.watch();
    house.board.set("lagoon/temperature", "28.6");
    let raised = house.home.record("the heat", 0, |body| is_raised(body, "lagoon-hot"));
    let failed = |body: &Body| matches!(body, Body::NotProved { unknown: false, .. });
    let failed = house.home.record("the failure", raised.seq, failed);
    let records = house.home.records();
    let at_once = told(&records, failed.seq, failed.at.mono.0 + 100);
    assert_eq!(at_once, ["ines.push", "ines.mail", "tom.mail", "neighbour.mail"], "{}", house.home.log());
    // Worded as things stand when it leaves: the second attempt may have been commanded by then.
    let unplug = [
        "switched off, NOT seen to be off: unplug by hand",
        "switched off again, NOT seen to be off: unplug by hand",
    ];
    let said = || {
        house
            .push
            .taken()
            .iter()
            .any(|push| unplug.iter().any(|words| String::from_utf8_lossy(&push.body).contains(words)))
            .then_some(())
    };
    until("a page that says so", SOON, said, || house.home.log());
    let third = |body: &Body| matches!(body, Body::Switched { attempt: 3, .. });
    house.home.record("the last attempt", failed.seq, third);
    agent.terminate();
    until("the commands", SOON, || (heaters.heard().len() == 3).then_some(()), || house.home.log());
    assert!(heaters.heard().iter().all(|command| command == "off"), "{:?}", heaters.heard());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn flapping_mains_do_not_flap_the_pump() {
    let Some(Wired { house, pump, .. }) = wired().await else { return };
    let agent = house.watch();
    let mut seq = 0;
    for _ in 0..6 {
        house.board.set("house/mains", "off");
        seq = house.home.record("a cut", seq, |body| is_raised(body, "power-lost")).seq;
        house.board.set("house/mains", "on");
        // Once it is known to chatter, it stays raised.
        let calm = |body: &Body| is_returned(body, "power-lost") || matches!(body, Body::Chattering { .. });
        let end = house.home.record("its end", seq, calm);
        if matches!(end.body, Body::Chattering { .. }) {
            break;
        }
        seq = end.seq;
    }
    let records = house.home.records();
    let times: Vec<i64> = switchings(&records).iter().map(|record| record.at.mono.0).collect();
    assert!(times.windows(2).all(|pair| pair[1] - pair[0] >= 3_000), "{}", house.home.log());
    let raised = records.iter().filter(|record| is_raised(&record.body, "power-lost")).count();
    assert!(raised >= 3 && times.len() < raised, "{} commands for {raised} cuts", times.len());
    assert!(pump.heard().len() <= times.len());
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_kill_between_command_and_proof_repeats_nothing_by_itself() {
    let Some(Wired { house, pump, .. }) = wired().await else { return };
    pump.obeys(false);
    let agent = house.watch();
    house.board.set("house/mains", "off");
    house.home.record("the command", 0, |body| switched(body, "air-pump", true));
    until("the command at the relay", SOON, || (!pump.heard().is_empty()).then_some(()), || house.home.log());
    agent.kill();
    let commanded = pump.heard().len();
    WELL.iter().for_each(|(topic, _)| house.board.silence(topic));
    [CURRENT, POWER].iter().for_each(|topic| house.board.silence(topic));

    let mut agent = house.home.start().expect("it starts");
    agent.hears();
    // Longer than the proof's time: lost sight of the silent sensors is noticed after 3 s and 2 s.
    let started = house.home.records().len() as u64;
    house.home.record("lost sight", started, |body| is_raised(body, "sight-mains"));
    assert_eq!(pump.heard().len(), commanded, "by a restart alone\n{}", house.home.log());
    // It has obeyed after all: seen, and not commanded again.
    house.board.set(CURRENT, "0.21");
    house.board.set("house/mains", "off");
    house.home.record("the proof", started, proved);
    assert_eq!(pump.heard().len(), commanded, "{}", house.home.log());
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_command_that_the_broker_keeps_switches_nothing_and_is_said() {
    let Some(Wired { house, .. }) = wired().await else { return };
    let port = house.broker.plain_port();
    publish(port, AGENT, HEATERS, "on", true).await;
    let agent = house.watch();
    let kept = house.home.record("the finding", 0, |body| matches!(body, Body::CommandKept { .. }));
    assert!(kept.body.to_string().contains("the broker keeps the command \"on\" for lagoon-heaters"));
    let status = house.home.say(&["status"]).well();
    assert!(
        status.contains("Lagoon heaters: left to itself\n  THE BROKER KEEPS the command \"on\""),
        "{status}"
    );
    assert!(switchings(&house.home.records()).is_empty(), "{}", house.home.log());
    publish(port, AGENT, HEATERS, "", true).await;
    house.status("that it is cleared", |status| {
        status["status"]["relays"].as_array()?.is_empty().then_some(())
    });
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_pump_that_somebody_switches_off_is_left_alone_and_that_is_said() {
    let Some(Wired { house, pump, .. }) = wired().await else { return };
    let agent = house.watch();
    house.board.set("house/mains", "off");
    let on = house.home.record("the command", 0, |body| switched(body, "air-pump", true));
    house.home.record("its proof", on.seq, proved);
    house.board.set(CURRENT, "0");
    let hand = house.home.record("the hand", on.seq, |body| matches!(body, Body::ByHand { .. }));
    let words = "Air pump: showed off after it was seen to run";
    let said = || {
        house
            .push
            .taken()
            .iter()
            .any(|push| String::from_utf8_lossy(&push.body).contains(words))
            .then_some(())
    };
    until("a page that says so", SOON, said, || house.home.log());
    house.board.set("house/mains", "on");
    house.home.record("letting go", hand.seq, |body| matches!(body, Body::Released { .. }));
    assert_eq!(pump.heard(), ["on"], "{}", house.home.log());
    agent.terminate();
}
