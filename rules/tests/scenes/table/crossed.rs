//! Nights in a house with two ladders, in which one row of the table meets another. What each must
//! bring was written down from the description of call-outs before it was played.

use super::Night;
use crate::harness::Channel;
use slackwater_rules::engine::OperatorCommand;
use slackwater_rules::plan::{ChannelKind, Directory};
use slackwater_rules::time::Span;

const HOUSE: &str = r#"
[site]
name = "Quay Row"
[tank.lagoon]
volume = "420 L"
[sensor.gate-seen]
topic = "house/gate/seen"
measures = "presence"
on = ["on"]
off = ["off"]
every = "1 min"
[callout.urgent]
steps = [
  { after = "0 min", to = ["rosa.text", "siren"] },
  { after = "6 min", to = ["finn.text"] },
  { after = "14 min", to = ["oma.text", "oma.mail"] },
]
again = "12 min"
lease = "45 min"
settle = "2 min"
[callout.usual]
steps = [
  { after = "0 min", to = ["finn.push"] },
  { after = "15 min", to = ["rosa.mail"] },
]
again = "40 min"
lease = "2 h"
settle = "4 min"
quiet = ["22:30", "06:00"]
"#;

fn family() -> Directory {
    let more = [
        ("rosa", "text", ChannelKind::Text),
        ("rosa", "mail", ChannelKind::Mail),
        ("finn", "text", ChannelKind::Text),
        ("finn", "push", ChannelKind::Push),
        ("oma", "text", ChannelKind::Text),
        ("oma", "mail", ChannelKind::Mail),
    ];
    super::with_people(super::people(), &more)
}

fn by_day(alarms: &str) -> Night {
    Night::with(&super::rules_of(HOUSE, alarms), family(), super::NOON)
}

/// From 23:05 on: quiet ends after 415 minutes.
fn at_night(alarms: &str) -> Night {
    Night::with(&super::rules_of(HOUSE, alarms), family(), super::NIGHT)
}

#[test]
fn the_cause_of_what_waits_for_the_morning_comes_is_answered_and_goes_and_the_rest_waits_again() {
    let mut night = at_night(
        "power critical urgent
         pump low usual; consequence-of = [\"power\"]",
    );
    night.raise("pump");
    night.wait(10);
    night.raise("power");
    night.wait(2);
    night.answer("rosa", "power");
    night.wait(8);
    night.told(&["10:00 rosa.text call", "10:00 siren call", "12:00 siren taken"]);
    night.clear("power");
    night.wait(420);
    night.told(&["415:00 finn.push call", "430:00 rosa.mail call"]);
    night.clear("pump");
    night.wait(10);
    night.told(&["444:00 finn.push clear", "444:00 rosa.mail clear", "444:00 rosa.text clear"]);
}

#[test]
fn what_comes_while_somebody_is_asked_tells_that_one_by_all_ways_and_begins_at_the_first_rung() {
    let mut night = by_day(
        "power critical urgent
         flood critical urgent; consequence-of = [\"power\"]; expected = []",
    );
    night.raise("power");
    night.wait(7);
    night.answer("finn", "power");
    night.wait(48);
    night.told(&[
        "0:00 rosa.text call",
        "0:00 siren call",
        "3:00 siren taken",
        "6:00 finn.text call",
        "7:00 rosa.text taken",
        "52:00 finn.push call",
        "52:00 finn.text call",
    ]);
    night.raise("flood");
    night.wait(5);
    night.told(&[
        "55:00 finn.push call",
        "55:00 finn.text call",
        "55:00 rosa.text call",
        "55:00 siren call",
        "58:00 siren taken",
    ]);
}

#[test]
fn whoever_has_it_wants_the_next_one_who_takes_it_and_nobody_else_is_called() {
    let mut night = by_day("power high urgent");
    night.raise("power");
    night.wait(1);
    night.answer("rosa", "power");
    night.wait(2);
    night.next("rosa", "power");
    night.wait(1);
    night.answer("finn", "power");
    night.wait(30);
    night.told(&["0:00 rosa.text call", "3:00 finn.text call", "4:00 rosa.text taken"]);
}

#[test]
fn a_leak_that_was_answered_and_comes_again_before_its_all_clear_is_listed_and_settles_for_an_hour() {
    let mut night = by_day("leak critical urgent; latching = true");
    night.raise("leak");
    night.wait(1);
    night.answer("rosa", "leak");
    night.wait(4);
    night.clear("leak");
    night.seconds(90);
    night.raise("leak");
    night.seconds(90);
    night.clear("leak");
    night.wait(80);
    night.told(&["0:00 rosa.text call", "0:00 siren call", "1:00 siren taken", "68:00 rosa.text clear"]);
}

#[test]
fn the_cause_of_a_mass_joins_it_and_begins_its_own_rungs() {
    let six = ["ant", "bee", "cod", "dab", "eel", "fry"];
    let of = "high urgent; when = \"gate-seen is on\"; consequence-of = [\"power\"]";
    let rows = six.map(|name| format!("{name} {of}\n"));
    let mut night = by_day(&(rows.concat() + "power critical urgent"));
    night.raise("gate");
    night.wait(2);
    assert_eq!(night.calls(), 1);
    night.raise("power");
    night.wait(7);
    night.told(&[
        "0:00 rosa.text call",
        "2:00 rosa.text call",
        "2:00 siren call",
        "5:00 siren taken",
        "8:00 finn.text call",
    ]);
    assert_eq!(night.calls(), 1);
}

#[test]
fn a_lease_that_ended_while_the_watch_was_away_is_asked_about_at_its_start() {
    let mut night = by_day("pump high usual");
    night.raise("pump");
    night.wait(1);
    night.answer("finn", "pump");
    night.wait(9);
    night.told(&["0:00 finn.push call"]);
    let away = Span::minutes(130);
    let before = night.site.now.mono - night.began;
    night.site.restart(away, Some(away));
    night.began = night.site.now.mono - (before + away);
    night.wait(5);
    night.told(&["140:00 finn.push call", "140:00 finn.text call"]);
    // Without a word the rung after the last, and all before it again.
    night.wait(6);
    night.told(&["150:00 finn.push call", "150:00 rosa.mail call"]);
}

#[test]
fn a_rung_leads_with_what_nobody_was_told_of_yet() {
    let mut night = by_day(
        "pump high urgent
         filter high urgent; consequence-of = [\"pump\"]",
    );
    night.raise("pump");
    night.wait(2);
    night.raise("filter");
    night.wait(5);
    assert!(night.headline("finn.text").contains("filter"), "{}", night.headline("finn.text"));
    night.told(&["0:00 rosa.text call", "6:00 finn.text call"]);
    night.wait(8);
    // Now all have been told of both: the cause leads.
    assert!(night.headline("oma.text").contains("pump"), "{}", night.headline("oma.text"));
    night.told(&["14:00 oma.text call", "14:00 oma.mail call"]);
}

#[test]
fn a_cause_of_what_was_answered_and_has_just_returned_breaks_through_that_answer() {
    let mut night = by_day(
        "power critical urgent
         pump low usual; consequence-of = [\"power\"]",
    );
    night.raise("pump");
    night.wait(1);
    night.answer("finn", "pump");
    night.wait(4);
    night.clear("pump");
    night.wait(2);
    night.raise("power");
    night.wait(1);
    night.told(&[
        "0:00 finn.push call",
        "7:00 finn.push call",
        "7:00 finn.text call",
        "7:00 rosa.text call",
        "7:00 siren call",
    ]);
    assert_eq!(night.calls(), 1);
}

#[test]
fn six_that_can_wait_are_one_page_in_the_morning_and_no_mass() {
    let six = ["ant", "bee", "cod", "dab", "eel", "fry"];
    let mut night = at_night(&six.map(|name| format!("{name} low usual\n")).concat());
    six.into_iter().for_each(|name| night.site.says_later(&format!("house/{name}/seen"), "on"));
    night.wait(440);
    night.told(&["415:00 finn.push digest", "430:00 rosa.mail digest"]);
}

#[test]
fn what_is_left_of_an_answered_call_out_is_asked_about_and_then_climbs_its_own_ladder() {
    let mut night = by_day(
        "power high urgent
         pump low usual; consequence-of = [\"power\"]",
    );
    night.raise("power");
    night.wait(1);
    night.answer("rosa", "power");
    night.wait(1);
    night.raise("pump");
    night.wait(8);
    night.clear("power");
    night.wait(65);
    night.told(&[
        "0:00 rosa.text call",
        "46:00 rosa.mail call",
        "46:00 rosa.text call",
        "56:00 finn.push call",
        "71:00 rosa.mail call",
    ]);
}

#[test]
fn of_two_ladders_that_are_climbed_one_whose_pages_fail_goes_on_alone() {
    let mut night = by_day(
        "power critical urgent
         flood critical usual; consequence-of = [\"power\"]; expected = []",
    );
    night.site.channel("finn.push", Channel::Fails);
    night.raise("power");
    night.wait(1);
    night.raise("flood");
    night.wait(6);
    night.told(&[
        "0:00 rosa.text call",
        "0:00 siren call",
        "1:00 finn.push call",
        "1:00 rosa.mail call",
        "3:00 siren taken",
        "6:00 finn.text call",
    ]);
}

#[test]
fn a_drill_that_gave_way_goes_on_where_it_was_when_the_real_one_is_over() {
    let mut night = by_day("pump high usual");
    night.site.says_person("rosa", OperatorCommand::Drill { callout: "urgent".to_owned() });
    night.wait(1);
    night.raise("pump");
    night.wait(2);
    night.clear("pump");
    night.wait(20);
    night.told(&[
        "0:00 rosa.text drill",
        "0:00 siren drill",
        "1:00 siren taken",
        "1:00 finn.push call",
        "7:00 finn.push clear",
        "12:00 finn.text drill",
        "20:00 oma.text drill",
        "20:00 oma.mail drill",
    ]);
}
