//! A house that dies, comes back, and is stopped in good order.

use super::{house_and_shed, paged};
use slackwater::journal::Journal;
use slackwater_rules::record::{Body, Purpose};
use slackwater_tests::agent::{SOON, until};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_house_that_dies_is_called_for_with_what_was_last_known_and_its_return_is_told_once() {
    let Some((mut house, site, shed)) = house_and_shed().await else { return };
    // The mains fail; before the router goes too, one check-in gets out.
    house.board.set("house/mains", "off");
    house.home.record(
        "the power cut",
        0,
        |body| matches!(body, Body::Raised { alarm, .. } if alarm == "power-lost"),
    );
    let known = || Journal::sites_reading(&shed.home.path("journal.sqlite")).ok();
    let told = || known()?.into_iter().find(|(_, known)| known.contains("power-lost"));
    until("the going dark, kept at once", SOON, told, || shed.home.log());
    site.kill();
    house.broker.kill().expect("killed");

    let (raised, because) = shed.rings(0);
    for words in [
        "no check-in for 5 s",
        "mains off",
        "power-lost (critical, for ",
        "lagoon-temp 25.5 degC",
        "it said that it would go dark about ",
    ] {
        assert!(because.contains(words), "{words:?} is not in: {because}");
    }
    let call = "Subject: Halyard House: it is silent, since ";
    until("the page", SOON, || shed.mail(call), || shed.home.log());

    house.broker.restart().expect("it starts again");
    house.board.set("house/mains", "on");
    let site = house.watch();
    shed.home.record(
        "the return",
        raised,
        |body| matches!(body, Body::Returned { alarm, .. } if alarm == "halyard-silent"),
    );
    let all = until("the catch-up", SOON, || shed.mail("all clear at "), || shed.home.log());
    assert!(all.contains("Now\r\n") || all.contains("Now\n"), "{all}");
    assert!(all.contains("Back after ") && all.contains("its watch has started anew"), "{all}");
    let status = house.home.say(&["status"]).well();
    assert!(status.contains("check-in by broker: well"), "{status}");

    // A stop in good order says so, and rings all the same if nobody starts it again.
    site.terminate();
    let (_, because) = shed.rings(raised);
    assert!(because.contains("its watch was stopped, asked to by the system"), "{because}");
    let records = shed.home.records();
    assert_eq!(paged(&records, Purpose::AllClear), 1, "one catch-up: {}", shed.home.log());
    shed.agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_witness_whose_own_broker_is_gone_blames_no_house() {
    let Some((_house, _site, mut shed)) = house_and_shed().await else { return };
    shed.away.kill().expect("killed");
    let is = |body: &Body| matches!(body, Body::SightLost { of, .. } if of == "broker");
    let lost = shed.home.record("deafness", 0, is);
    // Its own alarm comes after the two minutes of `[sight]`; the site's would come within seconds.
    let stale = |body: &Body| matches!(body, Body::SightLost { of, .. } if of == "halyard");
    shed.away.restart().expect("it starts again");
    let is = |body: &Body| matches!(body, Body::SightRegained { of, .. } if of == "broker");
    shed.home.record("hearing again", lost.seq, is);
    shed.hears_halyard();
    let records = shed.home.records();
    let blamed =
        records.iter().any(|record| matches!(record.body, Body::Raised { .. }) || stale(&record.body));
    assert!(!blamed, "{}", shed.home.log());
}
