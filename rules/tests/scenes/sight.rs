//! What falls silent, and why: the reason stands in the record, on the page and in the status; and
//! after an outage of the broker a sensor has its time again.

use crate::harness::{RULES, Site, directory};
use slackwater_rules::engine::{Arrival, Input, Link};
use slackwater_rules::record::Body;
use slackwater_rules::time::Span;
use slackwater_rules::words;

const NOON: &str = "2026-03-02T12:00:00+01:00[Europe/Berlin]";

fn broker(site: &mut Site, away: bool) {
    site.step(Input::Link(match away {
        true => Link::Lost { why: "connection refused".to_owned() },
        false => Link::Hears,
    }));
}

/// Why sight of this was lost, as its last record says.
fn why_lost(site: &Site, name: &str) -> String {
    let lost = site.records.iter().rev().find_map(|record| match &record.body {
        Body::SightLost { of, why } if of == name => Some(why.clone()),
        _ => None,
    });
    lost.unwrap_or_else(|| panic!("{name} is in sight\n{}", site.story()))
}

#[test]
fn each_loss_says_its_reason_in_record_page_and_status() {
    let frozen = RULES.replace("reject = [\"85 degC\"", "frozen-after = \"20 min\"\nreject = [\"85 degC\"");
    for (says, reason) in [
        (None, "silent for"),
        (Some("25.1"), "at exactly 25.1"),
        (Some("-127"), "-127 °C is what the probe says when it has nothing to say"),
        (Some("99"), "99 °C is outside the plausible"),
        (Some("maybe"), "`maybe` is not a number"),
        (Some("offline"), "its sender says `offline`"),
    ] {
        let mut site = Site::with(&frozen, directory(), NOON);
        match says {
            Some(says) => site.says("room2/lagoon/temperature", says),
            None => site.silence("room2/lagoon/temperature"),
        }
        site.run(Span::minutes(40));
        let why = why_lost(&site, "lagoon-temp");
        assert!(words::for_people_in(&why).contains(reason), "{why}");
        let page = site.world.sent.iter().find(|page| page.body.contains("can't be relied on"));
        let page = page.unwrap_or_else(|| panic!("no page\n{}", site.story()));
        assert!(page.body.to_lowercase().contains(&reason.to_lowercase()), "{}", page.body);
        let status = site.engine.status(site.now);
        let view = status.sensors.iter().find(|view| view.name == "lagoon-temp").expect("there");
        let shown = format!("{} {:?} {:?}", view.quality, view.why, view.age);
        let silent = says.is_none() && view.quality == "stale" && view.age >= Some(Span::minutes(39));
        assert!(silent || shown.contains(reason), "{shown}");
    }
}

/// What a sender says of itself comes over the broker's own way, kept or live, and is no reading.
#[test]
fn a_sensor_whose_sender_says_that_it_has_gone_is_lost_with_that_reason_and_found_by_its_return() {
    let rules = RULES.replace(
        "every = \"30 s\"\nplausible",
        "available = { topic = \"room2/board\", pointer = \"/state\", off = [\"lost\", \"gone\"], on = [\"ready\"] }\n\
         every = \"30 s\"\nplausible",
    );
    assert_ne!(rules, RULES);
    for delivery in [Arrival::Live, Arrival::Retained, Arrival::Backlog] {
        let mut site = Site::with(&rules, directory(), NOON);
        site.run(Span::minutes(2));
        site.message("room2/board", "{\"state\": \"perhaps\"}", delivery);
        site.message("room2/board", "{\"state\": \"LOST\"}", delivery);
        site.run(Span::minutes(5));
        assert_eq!(
            site.count(|body| matches!(body, Body::SightLost { .. })),
            0,
            "it still reports: {}",
            site.story()
        );
        site.silence("room2/lagoon/temperature");
        // Without that word it would have three reports' time.
        site.run(Span::seconds(50));
        let why = why_lost(&site, "lagoon-temp");
        assert!(why.contains("its sender has said for") && why.contains("not there"), "{why}");
        let status = site.engine.status(site.now);
        let view = status.sensors.iter().find(|view| view.name == "lagoon-temp").expect("there");
        assert_eq!(view.quality, "absent", "{view:?}");
        site.feed("room2/lagoon/temperature", "25.1", Span::seconds(30));
        site.run(Span::minutes(1));
        assert_eq!(site.count(|body| matches!(body, Body::SightRegained { .. })), 1, "{}", site.story());
        site.message("room2/board", "{\"state\": \"ready\"}", delivery);
        site.silence("room2/lagoon/temperature");
        site.run(Span::seconds(70));
        assert_eq!(
            site.count(|body| matches!(body, Body::SightLost { .. })),
            1,
            "it has its time: {}",
            site.story()
        );
    }
}

#[test]
fn what_falls_silent_after_it_said_nonsense_says_both() {
    let mut site = Site::calm();
    site.says("room2/mains", "maybe");
    site.run(Span::minutes(1));
    site.silence("room2/mains");
    site.run(Span::minutes(10));
    let explained = site.engine.explain("power-lost", site.now).expect("an alarm");
    let text = format!("{explained:?}");
    assert!(
        text.contains("silent for") && text.contains("before that: `maybe` is none of the words"),
        "{text}"
    );
}

#[test]
fn a_word_that_a_sensor_declares_is_its_word_even_if_it_means_away() {
    let rules = RULES.replace("off = [\"off\", \"0\", \"false\"]", "off = [\"off\", \"offline\"]");
    let mut site = Site::with(&rules, directory(), NOON);
    site.says("room2/mains", "offline");
    site.run(Span::minutes(1));
    assert_eq!(site.state("power-lost"), "unacknowledged", "{}", site.story());
}

#[test]
fn after_an_outage_of_the_broker_a_sensor_has_its_time_again() {
    // A board that reports every ten minutes only.
    let slow = RULES.replace("every = \"30 s\"\nplausible", "every = \"10 min\"\nplausible");
    let mut site = Site::with(&slow, directory(), NOON);
    site.feed("room2/lagoon/temperature", "25.1", Span::minutes(10));
    broker(&mut site, true);
    site.silence_all();
    site.run(Span::hours(2));
    broker(&mut site, false);
    site.feed("room2/lagoon/flow", "4300", Span::seconds(15));
    site.feed("room2/lagoon/spare-heater", "0", Span::seconds(30));
    site.feed("room2/mains", "on", Span::seconds(30));
    site.feed("room2/airpump/current", "0", Span::seconds(5));
    site.run(Span::minutes(9));
    site.feed("room2/lagoon/temperature", "25.1", Span::minutes(10));
    site.run(Span::hours(1));
    assert_eq!(site.raised(), ["sight-broker"], "{}", site.story());
}

#[test]
fn what_stays_silent_after_the_broker_is_back_is_lost_from_then_on() {
    let mut site = Site::calm();
    broker(&mut site, true);
    site.silence_all();
    site.run(Span::minutes(30));
    broker(&mut site, false);
    site.feed("room2/lagoon/temperature", "25.1", Span::seconds(30));
    site.feed("room2/lagoon/flow", "4300", Span::seconds(15));
    site.feed("room2/lagoon/spare-heater", "0", Span::seconds(30));
    site.feed("room2/airpump/current", "0", Span::seconds(5));
    site.run(Span::seconds(89));
    assert!(!site.raised().contains(&"sight-mains"));
    let lost = |body: &Body| matches!(body, Body::SightLost { of, .. } if of == "mains");
    assert_eq!(site.count(lost), 0, "{}", site.story());
    site.run(Span::seconds(2));
    assert_eq!(site.count(lost), 1, "{}", site.story());
    site.run(Span::minutes(2));
    assert!(site.raised().contains(&"sight-mains"), "{}", site.story());
}

#[test]
fn what_was_lost_before_the_outage_stands_through_it() {
    let mut site = Site::calm();
    site.silence("room2/mains");
    site.run(Span::minutes(5));
    assert_eq!(site.raised(), ["sight-mains"]);
    broker(&mut site, true);
    site.run(Span::minutes(5));
    broker(&mut site, false);
    site.run(Span::minutes(5));
    let returned = |body: &Body| matches!(body, Body::Returned { alarm, .. } if alarm == "sight-mains");
    assert_eq!(site.count(returned), 0, "{}", site.story());
    assert_eq!(site.state("sight-mains"), "unacknowledged");
}

#[test]
fn silence_is_not_known_while_nobody_listens() {
    let rules = format!(
        "{RULES}\n[alarm.mains-silent]\ntank = \"lagoon\"\nwhen = \"mains is silent for 5 min\"\npriority = \"high\"\n\
         response = \"Look.\"\n"
    );
    let mut site = Site::with(&rules, directory(), NOON);
    broker(&mut site, true);
    site.silence_all();
    site.run(Span::minutes(20));
    assert!(!site.raised().contains(&"mains-silent"), "{}", site.story());
    broker(&mut site, false);
    site.run(Span::minutes(4));
    assert!(!site.raised().contains(&"mains-silent"), "{}", site.story());
    site.run(Span::minutes(2));
    assert!(site.raised().contains(&"mains-silent"), "{}", site.story());
    // A second outage proves nothing: it stands.
    broker(&mut site, true);
    site.run(Span::minutes(20));
    broker(&mut site, false);
    site.run(Span::minutes(2));
    assert_eq!(site.state("mains-silent"), "unacknowledged", "{}", site.story());
    site.message("room2/mains", "on", Arrival::Live);
    site.run(Span::seconds(1));
    assert_eq!(site.state("mains-silent"), "returned to normal, unacknowledged", "{}", site.story());
}

#[test]
fn not_good_covers_every_reason() {
    let rules = RULES.replace("reject = [\"85 degC\"", "frozen-after = \"5 min\"\nreject = [\"85 degC\"");
    let rules = format!(
        "{rules}\n[alarm.unseen]\ntank = \"lagoon\"\nwhen = \"lagoon-temp is not good for 5 min\"\npriority = \"high\"\n\
         response = \"Look.\"\n"
    );
    for says in [None, Some("25.1"), Some("-127"), Some("99"), Some("maybe"), Some("offline"), Some("")] {
        let mut site = Site::with(&rules, directory(), NOON);
        site.says("room2/lagoon/temperature", "25.2");
        site.run(Span::minutes(1));
        match says {
            Some(says) => site.says("room2/lagoon/temperature", says),
            None => site.silence("room2/lagoon/temperature"),
        }
        site.run(Span::minutes(4));
        assert!(!site.raised().contains(&"unseen"), "{says:?}\n{}", site.story());
        site.run(Span::minutes(8));
        assert!(site.raised().contains(&"unseen"), "{says:?}\n{}", site.story());
    }
}
