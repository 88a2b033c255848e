//! Other sites, watched from elsewhere: silence, what was last known, announced silences, and the
//! witness's own deafness. And the site's side: what it says of itself.

use crate::harness::{Channel, Site, directory};
use slackwater_rules::engine::{Arrival, Input, Link, OperatorCommand};
use slackwater_rules::reading::Value;
use slackwater_rules::record::{Body, By, Purpose};
use slackwater_rules::time::Span;

/// RFC 8037, appendix A.2 (from memory): any public key of the right form will do.
const KEY: &str = "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo";

fn rules() -> String {
    format!(
        r#"
[site]
name = "Tom's shed"

[watched.halyard]
name = "Halyard House"
key = "{KEY}"
hand-on = true
callout = "halyard"

[watched.nursery]
name = "The nursery"
key = "{KEY}"
callout = "nursery"

[sight]
callout = "own"

[callout.halyard]
steps = [{{ after = "0 min", to = ["ines.push"] }}, {{ after = "5 min", to = ["neighbour.text"] }}]

[callout.nursery]
steps = [{{ after = "0 min", to = ["neighbour.mail"] }}]

[callout.own]
steps = [{{ after = "0 min", to = ["ines.mail"] }}]
"#
    )
}

const NOTE: &str = "last at 12:14: mains off; open: power-lost (critical, for 1 min); lagoon-temp 24.1 degC";

const LIKELY: &str = "likely the power cut";

fn shed() -> Site {
    let mut shed = Site::silent(&rules(), directory(), "2026-03-02T12:00:00+01:00[Europe/Berlin]");
    live(&mut shed, &[0, 1], 10);
    assert!(shed.raised().is_empty(), "{}", shed.story());
    shed
}

fn check_in(shed: &mut Site, site: usize, note: &str, asks: bool) {
    let watched = shed.engine.plan().watched[site].clone();
    shed.step(Input::Noted { sensor: watched.sensor, words: note.into(), likely: LIKELY.into() });
    let says = |sensor, word| Input::Measured { sensor, value: Value::Word(word), delivery: Arrival::Live };
    shed.step(says(watched.sensor, 0));
    if let Some(sensor) = watched.asks {
        shed.step(says(sensor, u16::from(!asks)));
    }
}

/// These sites check in every minute, and all is well there.
fn live(shed: &mut Site, sites: &[usize], minutes: i64) {
    for _ in 0..minutes {
        sites.iter().for_each(|site| check_in(shed, *site, "last at some time: no alarm open", false));
        shed.run(Span::minutes(1));
    }
}

fn by_site(who: &str) -> By {
    By { who: who.to_owned(), via: "check-in".to_owned() }
}

#[test]
fn a_silent_site_calls_its_own_people_and_says_what_was_last_known() {
    let mut shed = shed();
    check_in(&mut shed, 0, NOTE, false);
    let last = shed.now.mono;
    live(&mut shed, &[1], 12);
    assert_eq!(shed.raised(), ["halyard-silent"], "{}", shed.story());
    let page = &shed.world.sent[0];
    let after = page.at - last - Span::minutes(5);
    assert!(page.to == "ines.push" && (0..1_000).contains(&after.0), "{} {after}", page.to);
    assert!(page.headline.starts_with("Halyard House: it is silent, since 12:1"), "{}", page.headline);
    assert!(page.body.contains("No check-in for 5 min (since 12:10)"), "{}", page.body);
    assert!(page.body.contains(&NOTE[1..]), "{}", page.body);
    assert!(page.body.contains("Ring Halyard House."), "{}", page.body);
    assert!(page.text().contains("Likely the power cut"), "a text says it too: {}", page.text());
    let reached: Vec<_> = shed.reached().into_iter().collect();
    assert_eq!(reached, ["ines.push", "neighbour.text"], "nobody of the other site");
}

#[test]
fn a_site_that_comes_back_is_told_of_once_with_how_it_is_now() {
    let mut shed = shed();
    live(&mut shed, &[1], 7);
    assert_eq!(shed.called(), ["ines.push"]);
    let before = shed.world.sent.len();
    for _ in 0..10 {
        check_in(
            &mut shed,
            0,
            "back after 7 min: its board has started anew; last at 12:17: mains on",
            false,
        );
        check_in(&mut shed, 1, "", false);
        shed.run(Span::minutes(1));
    }
    let after: Vec<_> =
        shed.world.sent[before..].iter().map(|page| (page.purpose, page.to.as_str())).collect();
    assert_eq!(after, [(Purpose::AllClear, "ines.push")], "one catch-up");
    let body = &shed.world.sent[before].body;
    assert!(!body.contains(LIKELY), "it is over: {body}");
    assert!(body.contains("Now\nBack after 7 min: its board has started anew"), "{body}");
}

#[test]
fn while_the_witness_is_deaf_no_site_is_called_silent_and_afterwards_only_those_that_are() {
    let mut shed = shed();
    shed.step(Input::Link(Link::Lost { why: "the broker is gone".to_owned() }));
    shed.run(Span::hours(2));
    assert_eq!(shed.raised(), ["sight-broker"], "one cause, one alarm: {}", shed.story());
    assert_eq!(shed.reached().into_iter().collect::<Vec<_>>(), ["ines.mail"], "its own people");
    shed.step(Input::Link(Link::Hears));
    shed.run(Span::seconds(50));
    live(&mut shed, &[1], 10);
    assert_eq!(shed.raised(), ["sight-broker", "halyard-silent"], "{}", shed.story());
}

#[test]
fn an_announced_silence_is_waited_for_and_rings_when_it_is_overdue() {
    let mut shed = shed();
    let shelve = OperatorCommand::Shelve {
        alarm: "halyard-silent".to_owned(),
        length: Span::hours(2),
        why: "the rack is moved".to_owned(),
    };
    shed.step(Input::Said { command: shelve, by: by_site("ines") });
    live(&mut shed, &[1], 119);
    assert!(shed.raised().is_empty(), "{}", shed.story());
    live(&mut shed, &[1], 2);
    assert_eq!(shed.raised(), ["halyard-silent"], "overdue: {}", shed.story());
}

#[test]
fn a_site_whose_own_pages_reach_nobody_is_called_for_from_here() {
    let mut shed = shed();
    for _ in 0..3 {
        check_in(&mut shed, 0, NOTE, true);
        check_in(&mut shed, 1, "", false);
        shed.run(Span::minutes(1));
    }
    assert_eq!(shed.raised(), ["halyard-asks"], "{}", shed.story());
    assert!(
        shed.world.sent[0].body.contains("Ring Halyard House, and tell them"),
        "{}",
        shed.world.sent[0].body
    );
    assert!(shed.world.sent[0].body.contains(&NOTE[1..]), "{}", shed.world.sent[0].body);
    live(&mut shed, &[0, 1], 5);
    assert_eq!(shed.state("halyard-asks"), "returned to normal, unacknowledged");
    assert_eq!(shed.pages(Purpose::AllClear).len(), 1);
}

#[test]
fn a_witness_that_restarts_in_a_silence_goes_on_with_its_call_out() {
    let mut shed = shed();
    check_in(&mut shed, 0, NOTE, false);
    live(&mut shed, &[1], 6);
    shed.answer("ines");
    shed.restart(Span::minutes(3), Some(Span::minutes(3)));
    live(&mut shed, &[1], 40);
    assert_eq!(shed.raised(), ["halyard-silent"], "raised once: {}", shed.story());
    assert_eq!(shed.state("halyard-silent"), "acknowledged");
    live(&mut shed, &[1], 20);
    let again = shed.pages(Purpose::Call).last().map(|page| page.body.clone()).expect("the lease is over");
    assert!(again.contains(&NOTE[1..]), "what was last known is in the record: {again}");
}

#[test]
fn what_is_turned_away_is_a_record_and_no_sign_of_life() {
    let mut shed = shed();
    let (what, why) =
        ("50 check-ins, the last".to_owned(), "it is not signed with the site's key".to_owned());
    shed.step(Input::TurnedAway { what, why, by: by_site("halyard") });
    live(&mut shed, &[1], 6);
    assert_eq!(shed.count(|body| matches!(body, Body::Refused { .. })), 1);
    assert_eq!(shed.raised(), ["halyard-silent"]);
}

#[test]
fn a_planned_silence_lasts_over_a_restart_and_ends_by_itself() {
    let mut site = Site::calm();
    site.says_person(
        "ines",
        OperatorCommand::PlanSilence { length: Span::hours(2), why: "the rack is moved".to_owned() },
    );
    let left = |site: &Site| site.engine.silence_at(site.now.mono).map(|it| it.until - site.now.mono);
    assert_eq!(left(&site), Some(Span::hours(2)));
    site.restart(Span::minutes(30), Some(Span::minutes(30)));
    assert_eq!(left(&site), Some(Span::minutes(90)));
    assert_eq!(site.engine.silence_at(site.now.mono).map(|it| it.by.who.as_str()), Some("ines"));
    site.run(Span::minutes(91));
    assert_eq!(left(&site), None);

    site.says_person("ines", OperatorCommand::EndSilence);
    site.says_person("ines", OperatorCommand::PlanSilence { length: Span::hours(25), why: String::new() });
    let refused = site.count(|body| matches!(body, Body::Refused { .. }));
    assert_eq!(refused, 2, "nothing to end, and longer than a day: {}", site.story());
    site.says_person("ines", OperatorCommand::PlanSilence { length: Span::hours(1), why: String::new() });
    site.says_person("tom", OperatorCommand::EndSilence);
    assert_eq!(left(&site), None);
}

#[test]
fn a_site_knows_when_its_own_pages_reach_nobody() {
    let mut site = Site::calm();
    for to in ["ines.push", "ines.mail", "neighbour.text", "neighbour.mail"] {
        site.channel(to, Channel::Defers);
    }
    assert!(!site.engine.reaches_nobody(), "nobody is asked for");
    site.says("room2/mains", "off");
    site.run(Span::minutes(20));
    assert!(site.engine.reaches_nobody(), "{}", site.story());
    site.channel("neighbour.mail", Channel::Works);
    site.run(Span::minutes(20));
    assert!(!site.engine.reaches_nobody(), "the neighbour's mail server took it: {}", site.story());
}
