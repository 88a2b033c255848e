//! A broker that dies, comes late, remembers too much, or has to deliver again.

use super::{house, is_raised, is_returned, paged, raised};
use slackwater_rules::record::{Body, Purpose};
use slackwater_tests::agent::{SOON, until};
use slackwater_tests::board::publish;
use slackwater_tests::house::LAGOON;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_alarm_stands_while_the_broker_is_away_and_goes_on_when_it_is_back() {
    let Some(mut house) = house().await else { return };
    let agent = house.watch();
    house.board.set("house/mains", "off");
    house.home.record("the power cut", 0, |body| is_raised(body, "power-lost"));
    house.broker.kill().expect("killed");
    let lost =
        house.home.record("deafness", 0, |body| matches!(body, Body::SightLost { of, .. } if of == "broker"));
    house.home.record("the alarm for it", lost.seq, |body| is_raised(body, "sight-broker"));
    let blind = |body: &Body| matches!(body, Body::LostSight { alarm, .. } if alarm == "power-lost");
    house.home.record("the alarm that lost sight", lost.seq, blind);
    let asked = |body: &Body| matches!(body, Body::Paged { purpose: Purpose::Call, .. });
    house.home.record("the call-out, going on", lost.seq, asked);
    let status = house.home.say(&["status"]).well();
    assert!(status.contains("NOT HEARD"), "{status}");
    assert!(status.contains("Critical: Lagoon: power lost"), "{status}");

    house.broker.restart().expect("it starts again");
    let back = house.home.record(
        "hearing again",
        lost.seq,
        |body| matches!(body, Body::SightRegained { of, .. } if of == "broker"),
    );
    house.home.record("the end of its alarm", back.seq, |body| is_returned(body, "sight-broker"));
    let records = house.home.records();
    let clear = records.iter().any(|record| is_returned(&record.body, "power-lost"));
    assert!(!clear, "silence is not health:\n{}", house.home.log());
    assert_eq!(paged(&records, Purpose::AllClear), Vec::<&str>::new());
    house.board.set("house/mains", "on");
    house.home.record("the real end", back.seq, |body| is_returned(body, "power-lost"));
    agent.terminate();
    let raised = raised(&house.home.records()).join(" ");
    assert_eq!(raised, "power-lost sight-broker", "one cause, one alarm");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_old_value_that_the_broker_kept_raises_nothing() {
    let Some(house) = house().await else { return };
    house.board.silence("house/mains");
    publish(house.broker.plain_port(), LAGOON, "house/mains", "off", true).await;
    let mut agent = house.home.start().expect("it starts");
    agent.hears();
    let mains = house.status("the retained value", |status| {
        let sensors = status["status"]["sensors"].as_array()?;
        sensors.iter().find(|sensor| sensor["name"] == "mains" && sensor["quality"] == "old").cloned()
    });
    assert_eq!(mains["why"], "kept by the broker: true once", "{mains}");
    house.board.set("house/mains", "on");
    house.status("the live value", |status| {
        let sensors = status["status"]["sensors"].as_array()?;
        sensors.iter().any(|sensor| sensor["name"] == "mains" && sensor["value"] == "on").then_some(())
    });
    assert!(!raised(&house.home.records()).contains(&"power-lost"), "{}", house.home.log());
    // The same word, alive, does.
    house.board.set("house/mains", "off");
    house.home.record("the real power cut", 0, |body| is_raised(body, "power-lost"));
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_watch_begins_without_a_broker_and_finds_it_later() {
    let Some(mut house) = house().await else { return };
    house.broker.kill().expect("killed");
    let mut agent = house.home.start().expect("it starts");
    agent.logs("the broker can't be heard");
    let status = house.home.say(&["status"]).well();
    assert!(status.contains("NOT HEARD: cannot reach localhost:"), "{status}");
    house.home.record("the alarm for it", 0, |body| is_raised(body, "sight-broker"));
    let pushed = || house.push.taken().first().cloned();
    until("a page about it", SOON, pushed, || house.home.log());
    drop(agent);
    house.broker.restart().expect("it starts again");
    let agent = house.watch();
    house.home.record("the end of its alarm", 0, |body| is_returned(body, "sight-broker"));
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_message_is_acknowledged_after_the_commit_and_delivered_again_if_that_never_came() {
    let Some(house) = house().await else { return };
    let mut agent = house.watch();
    // While another writer holds the journal, no turn can be committed.
    let writer = rusqlite::Connection::open(house.home.path("journal.sqlite")).expect("the journal");
    writer.execute_batch("BEGIN IMMEDIATE").expect("the only writer");
    house.board.silence("house/mains");
    let before = house.broker.log().len();
    publish(house.broker.plain_port(), LAGOON, "house/mains", "off", false).await;
    let log = || house.broker.log()[before..].to_owned();
    let packets = |beginning: &str| {
        let ours = |line: &&str| line.contains("slackwater-halyard") && line.contains(beginning);
        log().lines().filter(ours).map(str::to_owned).collect::<Vec<_>>()
    };
    let sent = until(
        "the delivery",
        SOON,
        || packets("Sending PUBLISH").into_iter().find(|line| line.contains("'house/mains'")),
        log,
    );
    let number = sent.split(", m").nth(1).and_then(|rest| rest.split(',').next()).expect("a packet id");
    let acknowledged = format!("(Mid: {number},");
    // The turn is made, and its records wait for the disk.
    agent.logs("RAISED lagoon: power lost");
    agent.kill();
    let gone = |line: &&str| line.contains("Client slackwater-halyard") && line.contains("losed");
    until("the broker's word that the agent is gone", SOON, || log().lines().find(gone).map(drop), log);
    let early = packets("Received PUBACK").into_iter().find(|line| line.contains(&acknowledged));
    assert_eq!(early, None, "{}", log());
    writer.execute_batch("ROLLBACK").expect("free again");
    assert!(!raised(&house.home.records()).contains(&"power-lost"), "nothing was committed");

    let mut agent = house.home.start().expect("it starts");
    agent.hears();
    let again = packets("Sending PUBLISH").into_iter().filter(|line| line.contains("'house/mains'"));
    assert!(again.clone().any(|line| line.contains("(d1, q1")), "delivered again, as a duplicate: {}", log());
    until(
        "its acknowledgement",
        SOON,
        || packets("Received PUBACK").into_iter().find(|line| line.contains(&acknowledged)),
        log,
    );
    // By now it is old: true once, of no use for an alarm.
    house.status("the old value", |status| {
        let sensors = status["status"]["sensors"].as_array()?;
        sensors.iter().any(|sensor| sensor["name"] == "mains" && sensor["quality"] == "old").then_some(())
    });
    agent.terminate();
}
