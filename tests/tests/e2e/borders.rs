//! What servers do that mean no good, seen from outside the process: nothing is believed that came
//! before encryption, and no answer costs memory.

use super::{house, is_raised};
use slackwater_rules::record::{Body, Outcome, Record, Seq};
use slackwater_tests::agent::{SOON, until};
use slackwater_tests::house::House;
use slackwater_tests::smtp::Fault;
use std::time::Duration;

/// What an answer without an end may cost.
const MOST: u64 = 2 * 1024;

fn paged(house: &House, what: &str, to: &str) -> Record {
    let is = |body: &Body| matches!(body, Body::Paged { target, .. } if target == to);
    house.home.record(what, 0, is)
}

fn outcome(house: &House, what: &str, of: Seq) -> Outcome {
    let its = |body: &Body| matches!(body, Body::Delivered { page, .. } if *page == of);
    match house.home.record(what, of, its).body {
        Body::Delivered { result, .. } => result,
        other => panic!("{other}"),
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_said_before_encryption_is_refused_and_the_page_is_tried_again() {
    let Some(house) = house().await else { return };
    house.mail.set_fault(Fault::AnswersBeforeEncryption);
    let agent = house.watch();
    house.board.set("house/mains", "off");
    let tom = paged(&house, "the second step", "tom.mail");
    let first = outcome(&house, "what became of it", tom.seq);
    let refused = matches!(&first, Outcome::Deferred { why, .. } if why.contains("before encryption began"));
    assert!(refused, "{first:?}\n{}", house.home.log());
    assert!(house.mail.taken(0).await.is_empty(), "no server has taken anything");

    house.mail.set_fault(Fault::None);
    let accepted = |body: &Body| matches!(body, Body::Delivered { page, result: Outcome::Accepted { .. } } if *page == tom.seq);
    // At once if another way was seen to fail and works again; by itself half a minute later.
    let again = || house.home.records().iter().any(|record| accepted(&record.body)).then_some(());
    until("the same page again", SOON * 3, again, || house.home.log());
    assert!(house.mail.taken(1).await[0].encrypted);
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_mail_server_that_never_ends_its_line_costs_no_memory_and_no_page() {
    let Some(house) = house().await else { return };
    house.mail.set_fault(Fault::EndlessLine(""));
    let agent = house.watch();
    let before = agent.kibibytes("VmHWM");
    house.board.set("house/mains", "off");
    house.home.record("the power cut", 0, |body| is_raised(body, "power-lost"));
    let tom = paged(&house, "the second step", "tom.mail");
    let next = paged(&house, "the third step, by another way", "neighbour.mail");
    assert!(next.seq > tom.seq);
    let first = outcome(&house, "what became of it", tom.seq);
    let said = first.to_string();
    // All tries of the call-out so far, and some more.
    tokio::time::sleep(Duration::from_secs(3)).await;
    let cost = agent.kibibytes("VmHWM") - before;
    println!("{cost} KiB; {said}");
    assert!(cost < MOST, "it cost {cost} KiB: {said}");
    assert!(said.contains("more than"), "{said}");
    assert!(!house.push.taken().is_empty(), "the other way is not held up");
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_password_that_a_server_repeats_is_in_no_log_no_journal_and_no_status() {
    let Some(house) = house().await else { return };
    house.mail.set_fault(Fault::EchoLogin);
    let agent = house.watch();
    house.board.set("house/mains", "off");
    let tom = paged(&house, "the second step", "tom.mail");
    let failed = outcome(&house, "what became of it", tom.seq).to_string();
    assert!(failed.contains("refused our login: 535") && failed.contains("(secret)"), "{failed}");
    let status = house.home.say(&["status"]).well() + &house.home.say(&["status", "--json"]).well();
    agent.terminate();
    let read = |name: &str| std::fs::read(house.home.path(name)).unwrap_or_default();
    let journal = [read("journal.sqlite"), read("journal.sqlite-wal")].concat();
    let plain = b"\0watch@example.org\0neap tide";
    for secret in ["neap tide", "spring-tide", &slackwater_tests::wire::base64(plain)] {
        for (place, text) in
            [("log", read("log")), ("journal", journal.clone()), ("status", status.clone().into_bytes())]
        {
            let found = text.windows(secret.len()).any(|part| part == secret.as_bytes());
            assert!(!found, "{secret:?} is in the {place}");
        }
    }
}
