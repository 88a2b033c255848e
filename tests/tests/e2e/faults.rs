//! Payloads that are none, disks that do not take anything, passwords that are wrong: degraded,
//! said, and paging.

use super::{house, is_raised, raised};
use slackwater_rules::record::Body;
use slackwater_tests::agent::{SOON, until};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_no_reading_is_counted_and_never_believed() {
    let Some(house) = house().await else { return };
    let agent = house.watch();
    let long = "9".repeat(70_000);
    // Oversize ones are withheld by the broker itself: max-packet is 64 KiB.
    for bad in ["", "nan", "inf", "-127 degF", "21,5,3", "wet", "{}", "1e999", &long] {
        house.board.set("lagoon/temperature", bad);
        house.board.set("house/mains", bad);
    }
    let rejected = |name: &'static str| {
        house.status("a rejected reading", move |status| {
            let sensors = status["status"]["sensors"].as_array()?;
            let sensor = sensors.iter().find(|sensor| sensor["name"] == name)?;
            sensor["rejected"].as_u64().filter(|count| *count > 0)
        })
    };
    house.board.set("lagoon/temperature", "nan");
    house.board.set("house/mains", "");
    rejected("lagoon-temp");
    rejected("mains");
    let blind = house.home.record("blindness", 0, |body| is_raised(body, "sight-mains"));
    assert!(blind.body.to_string().contains("mains"), "{}", blind.body);
    let raised = raised(&house.home.records()).join(" ");
    assert!(!raised.contains("power-lost") && !raised.contains("lagoon-cold"), "{raised}");
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_journal_that_takes_nothing_stops_no_page_and_is_said() {
    let Some(house) = house().await else { return };
    let mut agent = house.watch();
    let writer = rusqlite::Connection::open(house.home.path("journal.sqlite")).expect("the journal");
    writer.execute_batch("BEGIN IMMEDIATE").expect("the only writer");
    house.board.set("house/mains", "off");
    until("a push", SOON, || house.push.taken().first().cloned(), || house.home.log());
    agent.logs("the watch goes on without it");
    let status = house.home.say(&["status"]).well();
    assert!(status.contains("records owed"), "{status}");
    let code = status.split("code ").nth(1).and_then(|rest| rest.get(..4)).expect("a code").to_owned();
    house.home.say(&["ack", &code, "--as", "ines"]).well();
    writer.execute_batch("ROLLBACK").expect("free again");
    agent.terminate();
    let records = house.home.records();
    assert!(records.iter().any(|record| is_raised(&record.body, "power-lost")), "what was owed is kept");
    assert!(records.iter().any(|record| matches!(record.body, Body::Answered { .. })));
    assert!(records.is_sorted_by(|a, b| a.seq < b.seq));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_journal_that_can_not_be_made_stops_no_page_either() {
    let Some(mut house) = house().await else { return };
    // A file stands where its folder should be.
    house.home.set("SLACKWATER_JOURNAL__PATH", "rules.toml/journal.sqlite");
    let agent = house.watch();
    house.board.set("house/mains", "off");
    until("a push", SOON, || house.push.taken().first().cloned(), || house.home.log());
    let status = house.home.say(&["status"]).well();
    assert!(status.contains("rules.toml/journal.sqlite"), "{status}");
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_wrong_password_for_the_broker_is_said_and_never_shown() {
    let Some(house) = house().await else { return };
    house.home.write("broker-password", "not the one").expect("written");
    let mut agent = house.home.start().expect("it starts");
    agent.logs("the broker can't be heard");
    let why = house.status("the reason", |status| {
        status["health"]["broker"]["deaf"].as_str().filter(|why| !why.contains("not yet")).map(str::to_owned)
    });
    assert!(why.to_lowercase().contains("not authorized") || why.contains("password"), "{why}");
    assert!(!house.home.log().contains("not the one"));
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_second_watch_by_another_socket_is_kept_from_the_journal() {
    let Some(mut house) = house().await else { return };
    let agent = house.watch();
    house.home.set("SLACKWATER_CONTROL__SOCKET", "other.sock");
    let second = house.home.say(&["run"]).failed(1);
    assert!(second.contains("another agent writes to the journal"), "{second}");
    house.board.set("house/mains", "off");
    house.home.record("the first one's alarm", 0, |body| is_raised(body, "power-lost"));
    agent.terminate();
}
