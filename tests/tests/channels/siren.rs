//! The siren, and what all channels share: one outcome for each page, whatever happens.

use crate::rig::*;
use slackwater::channels::{Channel, ChannelSettings, MailSettings, Security, SirenSettings};
use slackwater_rules::plan::{Siren, Target};
use slackwater_rules::record::{Outcome, Purpose};
use slackwater_rules::time::Span;
use slackwater_tests::smtp::{Fault, Script, Server};

fn siren(topic: &str) -> ChannelSettings {
    ChannelSettings::Siren(SirenSettings {
        topic: topic.into(),
        on: "loud".into(),
        off: "quiet".into(),
        limits: Siren::default(),
        hush: None,
    })
}

#[tokio::test]
async fn a_siren_sounds_for_a_call_and_a_drill_and_is_quiet_after_an_all_clear() {
    let mut rig = Rig::new(vec![("siren", siren("hall/siren/set"))], None);
    for (id, purpose) in [(1, Purpose::Call), (2, Purpose::AllClear), (3, Purpose::Drill)] {
        let mut page = page(id);
        page.purpose = purpose;
        rig.send("siren", page);
        assert_accepted(&rig.outcome().await.1);
    }
    let published = rig.board.0.lock().unwrap().clone();
    let payloads: Vec<&[u8]> = published.iter().map(|(_, payload)| payload.as_slice()).collect();
    assert_eq!(payloads, [&b"loud"[..], b"quiet", b"loud"]);
    assert!(published.iter().all(|(topic, _)| topic == "hall/siren/set"));
}

#[tokio::test]
async fn a_siren_that_cannot_be_told_is_deferred_and_a_digest_is_not_for_it() {
    let mut rig = Rig::new(vec![("siren", siren("deaf"))], None);
    rig.send("siren", page(1));
    assert_deferred(&rig.outcome().await.1, "the broker is away");
    let mut digest = page(2);
    digest.purpose = Purpose::Digest;
    rig.send("siren", digest);
    assert_failed(&rig.outcome().await.1, "digest");
}

#[tokio::test]
async fn a_siren_is_told_when_the_broker_has_taken_it_and_one_that_never_answers_may_have_it() {
    let mut rig = Rig::new(vec![("siren", siren("mute"))], None);
    rig.send("siren", page(1));
    match rig.outcome().await.1 {
        Outcome::Deferred { why, may_have_arrived: true, .. } => {
            assert!(why.contains("while the broker had not taken it"), "{why}");
        }
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_siren_that_could_never_be_told_apart_is_refused() {
    let settings = SirenSettings {
        topic: "hall/#".into(),
        on: "x".into(),
        off: "x".into(),
        limits: Siren::default(),
        hush: None,
    };
    let wrong = Channel::new(&ChannelSettings::Siren(settings), None).unwrap_err();
    assert_eq!(wrong.len(), 2, "{wrong:?}");
}

#[tokio::test]
async fn a_panic_in_a_channel_is_reported_and_the_channel_goes_on() {
    let mut rig = Rig::new(vec![("siren", siren("defect"))], None);
    for id in [1, 2] {
        rig.send("siren", page(id));
        let (of, outcome) = rig.outcome().await;
        assert_eq!(of, id);
        assert_deferred(&outcome, "the siren's wiring is wrong");
    }
}

#[tokio::test]
async fn a_page_to_nobody_is_reported_as_failed() {
    let mut rig = Rig::new(vec![], None);
    rig.send("tom.mail", page(1));
    let (of, outcome) = rig.outcome().await;
    assert_eq!(of, 1);
    assert_failed(&outcome, "there is no channel tom.mail");
}

#[tokio::test]
async fn a_waiting_page_is_withdrawn_at_once_and_one_being_tried_is_broken_off() {
    let server = Server::start(Script::default(), Fault::SilentFromTheStart).await.unwrap();
    let mut rig = Rig::new(to_ines(), Some(mail_settings(server.port, Security::Plain)));
    for id in [1, 2, 3] {
        rig.send("ines.mail", page(id));
    }
    rig.channels.withdraw(2);
    assert_eq!(rig.outcome().await, (2, Outcome::Withdrawn));
    server.set_fault(Fault::None);
    rig.channels.withdraw(1);
    let mut rest = [rig.outcome().await, rig.outcome().await];
    rest.sort_by_key(|(id, _)| *id);
    assert_eq!(rest[0].1, Outcome::Withdrawn);
    assert_accepted(&rest[1].1);
    assert_eq!((rest[0].0, rest[1].0, server.taken(1).await.len()), (1, 3, 1));
    assert!(rig.no_more());
}

#[tokio::test]
async fn a_page_on_its_way_cannot_be_withdrawn_and_its_true_outcome_is_told() {
    let server = Server::start(Script::default(), Fault::SilentAfterMessage).await.unwrap();
    let settings = MailSettings { timeout: Span::seconds(1), ..mail_settings(server.port, Security::Plain) };
    let mut rig = Rig::new(to_ines(), Some(settings));
    rig.send("ines.mail", page(1));
    assert_eq!(server.taken(1).await.len(), 1);
    rig.channels.withdraw(1);
    assert_deferred(&rig.outcome().await.1, "may have been delivered");
}

#[tokio::test]
async fn a_lane_that_is_full_defers_and_every_page_has_one_outcome() {
    let server = Server::start(Script::default(), Fault::SilentFromTheStart).await.unwrap();
    let mut rig = Rig::new(to_ines(), Some(mail_settings(server.port, Security::Plain)));
    for id in 0..50 {
        rig.send("ines.mail", page(id));
    }
    let (of, outcome) = rig.outcome().await;
    assert_eq!(of, 32, "the first that found no room");
    assert_deferred(&outcome, "32 pages wait");
    (0..50).for_each(|id| rig.channels.withdraw(id));
    let mut told = vec![of];
    while told.len() < 50 {
        told.push(rig.outcome().await.0);
    }
    told.sort_unstable();
    assert_eq!(told, (0..50).collect::<Vec<_>>());
    assert!(rig.no_more());
}

#[tokio::test]
async fn health_tells_the_last_good_and_bad_end_and_what_is_in_flight() {
    let server = Server::start(Script::default(), Fault::None).await.unwrap();
    let mut rig = Rig::new(to_ines(), Some(mail_settings(server.port, Security::Plain)));
    let target = Target::parse("ines.mail");
    assert_eq!(rig.channels.health()[&target].last_ok, None);
    assert_accepted(&rig.try_mail(page(1)).await);
    server.set_fault(Fault::Reply("RCPT", "451 4.7.1 greylisted"));
    let outcome = rig.try_mail(page(2)).await;
    let health = rig.channels.health()[&target].clone();
    assert_eq!(health.last_ok, Some(NOW));
    assert_eq!(health.last_error, Some((NOW, why(&outcome).to_owned())));
    assert_eq!(health.in_flight, 0);

    server.set_fault(Fault::SilentFromTheStart);
    rig.send("ines.mail", page(3));
    rig.send("ines.mail", page(4));
    assert_eq!(rig.channels.health()[&target].in_flight, 2);
}

#[tokio::test]
async fn closing_lets_waiting_pages_go_out_first() {
    let server = Server::start(Script::default(), Fault::None).await.unwrap();
    let rig = Rig::new(to_ines(), Some(mail_settings(server.port, Security::Plain)));
    for id in 1..=3 {
        rig.send("ines.mail", page(id));
    }
    rig.channels.close(Span::seconds(10)).await;
    assert_eq!(server.taken(3).await.len(), 3);
}
