//! A ring that wakes: after the text that says why, for its time, and hung up whatever comes.

use crate::INES;
use crate::watch::{house, modem_is};
use slackwater_rules::record::{Body, Outcome};
use slackwater_tests::agent::{SOON, until};
use slackwater_tests::house::House;
use slackwater_tests::modem::{Called, Manner, Modem};
use std::fs;
use std::time::Duration;

/// The house whose first step tells Ines by text and by a ring of five seconds.
async fn rung(called: Called) -> Option<(House, Modem)> {
    let (house, stick) = house(Manner { called, ..Manner::default() }).await?;
    let agent = fs::read_to_string(house.home.path("agent.toml")).expect("written");
    let ring =
        "\n[contact.ines.channel.ring]\nkind = \"ring\"\nto   = \"+351 900 000 012\"\nfor  = \"5 s\"\n";
    house.home.write("agent.toml", &(agent + ring)).expect("written");
    let rules = fs::read_to_string(house.home.path("rules.toml")).expect("written");
    let rules = rules.replace("to = [\"ines.text\"]", "to = [\"ines.ring\", \"ines.text\"]");
    assert!(rules.contains("ines.ring"), "{rules}");
    let rules = rules.replace("again  = \"3 s\"", "again  = \"60 s\"");
    house.home.write("rules.toml", &rules).expect("written");
    Some((house, stick))
}

fn ended(house: &House, what: &str) {
    house.home.record(what, 0, |body| match body {
        Body::Delivered { result: Outcome::Accepted { note }, .. } => note.contains(what),
        Body::Delivered { result: Outcome::Deferred { why, .. }, .. } => why.contains(what),
        _ => false,
    });
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn it_rings_after_the_text_for_its_time_and_hangs_up() {
    let Some((house, stick)) = rung(Called::Rings).await else { return };
    let _agent = house.watch();
    modem_is(&house, true);
    house.board.set("house/mains", "off");
    ended(&house, "which is no answer");
    let hung_up = || stick.calls().first().and_then(|call| call.took);
    let took = until("the ring to end", SOON, hung_up, || house.home.log());
    let call = stick.calls().remove(0);
    assert_eq!(call.to, INES);
    assert!(call.texts_before >= 1, "the text that says why goes first");
    assert!((Duration::from_secs(5)..Duration::from_secs(9)).contains(&took), "{took:?}");
    ended(&house, "rang for 5 s");
    let answered = |body: &Body| matches!(body, Body::Answered { .. });
    assert!(!house.home.records().iter().any(|record| answered(&record.body)), "a ring answers nothing");
    assert!(!house.home.log().contains("900000012"), "no log has the number");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn whoever_picks_up_is_hung_up_on_and_has_answered_nothing() {
    let Some((house, stick)) = rung(Called::PicksUp).await else { return };
    let _agent = house.watch();
    modem_is(&house, true);
    house.board.set("house/mains", "off");
    ended(&house, "picked up after");
    let took = stick.calls()[0].took.expect("hung up");
    assert!(took < Duration::from_secs(6), "{took:?}");
    let answered = |body: &Body| matches!(body, Body::Answered { .. });
    assert!(!house.home.records().iter().any(|record| answered(&record.body)));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_busy_line_is_tried_again_and_texts_still_leave() {
    let Some((house, stick)) = rung(Called::Busy).await else { return };
    let _agent = house.watch();
    modem_is(&house, true);
    house.board.set("house/mains", "off");
    ended(&house, "it did not ring to the end: BUSY");
    stick.until_sent(1);
}
