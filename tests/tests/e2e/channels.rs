//! Ways to people that do not work.

use super::{house, is_raised};
use rustix::process::Signal;
use slackwater_rules::record::{Body, Outcome, Record, Seq};
use slackwater_tests::agent::{SOON, until};
use slackwater_tests::http::Answer;
use slackwater_tests::smtp::Fault;
use std::time::{Duration, Instant};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_mail_server_that_hangs_delays_no_push_and_no_step() {
    let Some(house) = house().await else { return };
    house.mail.set_fault(Fault::SilentFromTheStart);
    let agent = house.watch();
    house.board.set("house/mains", "off");
    let raised = house.home.record("the power cut", 0, |body| is_raised(body, "power-lost"));
    let paged =
        |name: &'static str| move |body: &Body| matches!(body, Body::Paged { target, .. } if target == name);
    let push = house.home.record("the push", raised.seq, paged("ines.push"));
    let arrived = house.home.record("its arrival", push.seq, |body| {
        matches!(body, Body::Delivered { page, result: Outcome::Accepted { .. } } if *page == push.seq)
    });
    let took = arrived.at.mono - raised.at.mono;
    assert!(took.0 < 2_000, "the push took {took}");
    // The mails of the second step hang for 5 s, but the third is taken at its time.
    let tom = house.home.record("the second step", raised.seq, paged("tom.mail"));
    let next = house.home.record("the third step", tom.seq, paged("neighbour.mail"));
    assert!((next.at.mono - tom.at.mono).0 < 4_000, "{}", house.home.log());
    let deferred = house.home.record(
        "the time-out",
        tom.seq,
        |body| matches!(body, Body::Delivered { page, result: Outcome::Deferred { .. } } if *page == tom.seq),
    );
    assert!(deferred.body.to_string().contains("within 5 s"), "{}", deferred.body);
    let status = house.home.say(&["status"]).well();
    assert!(status.contains("Tom by mail: FAILING: "), "{status}");
    assert!(status.contains("Ines by push: well"), "{status}");
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_push_gateway_that_refuses_makes_the_next_step_come_at_once() {
    let Some(house) = house().await else { return };
    house.push.set_answer(Answer::status("403 Forbidden"));
    let agent = house.watch();
    house.board.set("house/mains", "off");
    let raised = house.home.record("the power cut", 0, |body| is_raised(body, "power-lost"));
    let mail = house.home.record(
        "the second step",
        raised.seq,
        |body| matches!(body, Body::Paged { target, .. } if target == "tom.mail"),
    );
    let waited = mail.at.mono - raised.at.mono;
    assert!(waited.0 < 1_500, "the step at 2 s was to come at once, but came after {waited}");
    until("the mails", SOON, || (!house.mail.commands().is_empty()).then_some(()), || house.home.log());
    assert_eq!(house.mail.taken(2).await.len(), 2);
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_mail_server_that_refuses_makes_the_next_step_come_at_once() {
    let Some(house) = house().await else { return };
    house.mail.set_fault(Fault::Reply("RCPT", "550 5.1.1 no such person here"));
    let agent = house.watch();
    house.board.set("house/mains", "off");
    let paged =
        |name: &'static str| move |body: &Body| matches!(body, Body::Paged { target, .. } if target == name);
    let tom = house.home.record("the second step", 0, paged("tom.mail"));
    let neighbour = house.home.record("the third step", tom.seq, paged("neighbour.mail"));
    let waited = neighbour.at.mono - tom.at.mono;
    assert!(waited.0 < 1_500, "the step 2 s later was to come at once, but came after {waited}");
    let failed = house.home.record(
        "the refusal",
        tom.seq,
        |body| matches!(body, Body::Delivered { page, result: Outcome::Failed { .. } } if *page == tom.seq),
    );
    assert!(failed.body.to_string().contains("no such person here"), "{}", failed.body);
    agent.terminate();
}

/// Words of a server decide nothing: only the code of its reply does.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_mail_server_that_answers_451_and_speaks_of_a_delivery_is_tried_again_like_any_other() {
    let Some(house) = house().await else { return };
    house.mail.set_fault(Fault::Reply(".", "451 4.3.0 it may have been delivered"));
    let agent = house.watch();
    house.board.set("house/mains", "off");
    let tom = house.home.record(
        "the second step",
        0,
        |body| matches!(body, Body::Paged { target, .. } if target == "tom.mail"),
    );
    let first = house.home.record("its first try", tom.seq, |body| is_end(body, tom.seq));
    let Body::Delivered { result: Outcome::Deferred { why, may_have_arrived, .. }, .. } = &first.body else {
        panic!("{}", first.body)
    };
    assert!(why.contains("it may have been delivered") && !may_have_arrived, "{}", first.body);
    house.mail.set_fault(Fault::None);
    // It is tried again half a minute later.
    let again = |records: &[Record]| {
        let mut ends =
            records.iter().filter(|record| record.seq > first.seq && is_end(&record.body, tom.seq));
        ends.next().cloned()
    };
    let second = until("its second try", SOON * 3, || again(&house.home.records()), || house.home.log());
    assert!(
        matches!(&second.body, Body::Delivered { result: Outcome::Accepted { .. }, .. }),
        "{}",
        second.body
    );
    let taken = house.mail.taken(1).await;
    assert!(
        taken.iter().all(|mail| !String::from_utf8_lossy(&mail.data).contains("possible repeat")),
        "a reply leaves no doubt"
    );
    agent.terminate();
}

fn is_end(body: &Body, of: Seq) -> bool {
    matches!(body, Body::Delivered { page, .. } if *page == of)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn pages_on_their_way_when_the_watch_is_stopped_are_sent_by_the_next_one() {
    let Some(house) = house().await else { return };
    house.mail.set_fault(Fault::SilentFromTheStart);
    let mut agent = house.watch();
    house.board.set("house/mains", "off");
    let tom = house.home.record(
        "the second step",
        0,
        |body| matches!(body, Body::Paged { target, .. } if target == "tom.mail"),
    );
    let asked = Instant::now();
    agent.signal(Signal::TERM);
    assert!(agent.ended(SOON).success());
    assert!(asked.elapsed() < Duration::from_secs(13), "bounded by 10 s and 2 s: {:?}", asked.elapsed());
    drop(agent);
    house.mail.set_fault(Fault::None);
    let agent = house.watch();
    let arrived = house.home.record(
        "its arrival",
        tom.seq,
        |body| matches!(body, Body::Delivered { page, result: Outcome::Accepted { .. } } if *page == tom.seq),
    );
    let second = |body: &Body| matches!(body, Body::Started { gap: Some(_), .. });
    let started = house.home.record("the second start", tom.seq, second);
    assert!(started.seq < arrived.seq, "{}", house.home.log());
    agent.terminate();
}
