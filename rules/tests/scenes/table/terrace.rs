//! Nights in a house with two tanks, three people and three ladders, of which two have quiet hours.
//! What each must bring was written down from the description of call-outs before it was played.

use super::Night;
use crate::fixtures::hours;
use slackwater_rules::engine::{Input, Link, OperatorCommand};
use slackwater_rules::plan::{Absence, ChannelKind, Directory};
use slackwater_rules::time::Span;

const HOUSE: &str = r#"
[site]
name = "Mole Terrace"
[tank.lagoon]
volume = "420 L"
[tank.fry]
volume = "30 L"
[sensor.gate-seen]
topic = "house/gate/seen"
measures = "presence"
on = ["on"]
off = ["off"]
every = "1 min"
[callout.alert]
steps = [
  { after = "0 min", to = ["kaya.text", "siren"] },
  { after = "4 min", to = ["noor.text"] },
  { after = "12 min", to = ["otto.text", "otto.mail"] },
]
again = "15 min"
lease = "30 min"
settle = "3 min"
[callout.steady]
steps = [
  { after = "0 min", to = ["noor.text"] },
  { after = "8 min", to = ["kaya.push"] },
]
again = "25 min"
lease = "90 min"
settle = "5 min"
quiet = ["21:30", "06:30"]
[callout.chores]
steps = [{ after = "0 min", to = ["otto.mail"] }]
again = "2 h"
lease = "8 h"
settle = "2 min"
quiet = ["22:00", "07:00"]
"#;

fn three() -> Directory {
    let more = [
        ("kaya", "text", ChannelKind::Text),
        ("kaya", "push", ChannelKind::Push),
        ("noor", "text", ChannelKind::Text),
        ("otto", "text", ChannelKind::Text),
        ("otto", "mail", ChannelKind::Mail),
    ];
    super::with_people(crate::fixtures::directory(&["siren"]), &more)
}

fn played(alarms: &str, people: Directory, time: &str) -> Night {
    Night::with(&super::rules_of(HOUSE, alarms), people, time)
}

fn played_with(alarms: &str, change: impl FnOnce(String) -> String) -> Night {
    Night::with(&change(super::rules_of(HOUSE, alarms)), three(), super::NOON)
}

fn by_day(alarms: &str) -> Night {
    played(alarms, three(), super::NOON)
}

/// It begins at five past eleven at night.
fn at_night(alarms: &str) -> Night {
    played(alarms, three(), super::NIGHT)
}

#[test]
fn nobody_answers_and_the_last_rung_is_told_again_and_again() {
    let mut night = by_day("still critical alert");
    night.raise("still");
    night.wait(43);
    night.told(&[
        "0:00 kaya.text call",
        "0:00 siren call",
        "3:00 siren taken",
        "4:00 noor.text call",
        "12:00 otto.text call",
        "12:00 otto.mail call",
        "27:00 otto.text call",
        "27:00 otto.mail call",
        "42:00 otto.text call",
        "42:00 otto.mail call",
    ]);
}

#[test]
fn an_answer_that_is_not_renewed_brings_the_rung_after_the_last_and_its_later_ones_in_their_time() {
    let mut night = by_day("still critical alert");
    night.raise("still");
    night.wait(2);
    night.answer("kaya", "still");
    night.wait(49);
    night.told(&[
        "0:00 kaya.text call",
        "0:00 siren call",
        "2:00 siren taken",
        "32:00 kaya.push call",
        "32:00 kaya.text call",
        "42:00 kaya.text call",
        "42:00 noor.text call",
        "42:00 siren call",
        "45:00 siren taken",
        "50:00 otto.text call",
        "50:00 otto.mail call",
    ]);
}

#[test]
fn whoever_names_five_minutes_is_asked_after_five_and_renews_by_the_usual_lease() {
    let mut night = by_day("pump high steady");
    night.raise("pump");
    night.wait(1);
    let code = night.code("pump");
    night.site.says_person("noor", OperatorCommand::Acknowledge { code, length: Some(Span::minutes(5)) });
    night.wait(6);
    night.answer("noor", "pump");
    night.wait(90);
    night.told(&["0:00 noor.text call", "6:00 noor.text call", "97:00 noor.text call"]);
}

#[test]
fn what_can_wait_until_an_hour_after_quiet_is_climbed_when_quiet_ends() {
    let mut night = at_night("filter medium steady; time-to-respond = \"12 h\"");
    night.raise("filter");
    // Half past six is 445 minutes after five past eleven.
    night.wait(455);
    night.told(&["445:00 noor.text digest", "453:00 kaya.push digest"]);
}

#[test]
fn what_must_be_met_before_an_hour_after_quiet_is_told_at_night() {
    let mut night = at_night("filter medium steady; time-to-respond = \"5 h\"");
    night.raise("filter");
    night.wait(9);
    night.told(&["0:00 noor.text call", "8:00 kaya.push call"]);
}

const HEAT: &str = "
    power critical alert; on-delay = \"3 min\"
    heat critical alert; consequence-of = [\"power\"]; expected = []
";

#[test]
fn a_critical_consequence_waits_one_minute_for_its_cause_and_the_cause_is_news_within_five() {
    let mut night = by_day(HEAT);
    night.raise("power");
    night.raise("heat");
    night.wait(14);
    night.told(&[
        "1:00 kaya.text call",
        "1:00 siren call",
        "4:00 siren taken",
        "5:00 noor.text call",
        "8:00 kaya.text call",
        "8:00 siren call",
        "11:00 siren taken",
        "13:00 otto.text call",
        "13:00 otto.mail call",
    ]);
    assert_eq!(night.calls(), 1);
}

#[test]
fn a_cause_that_comes_and_goes_before_its_delay_leaves_the_consequence_alone() {
    let mut night = by_day(
        "power critical alert; on-delay = \"3 min\"
         dim low chores; consequence-of = [\"power\"]",
    );
    night.raise("power");
    night.raise("dim");
    night.wait(1);
    night.clear("power");
    night.wait(4);
    // It waited for the cause's own delay, since nothing critical waited with it.
    night.told(&["3:00 otto.mail call"]);
}

#[test]
fn a_pump_that_stays_off_after_the_power_is_back_is_raised_anew_after_its_own_delay() {
    let mut night = by_day(
        "power critical alert
         pump high steady; consequence-of = [\"power\"]; on-delay = \"2 min\"",
    );
    night.raise("power");
    night.raise("pump");
    night.wait(6);
    night.clear("power");
    night.wait(36);
    night.told(&[
        "0:00 kaya.text call",
        "0:00 siren call",
        "3:00 siren taken",
        "4:00 noor.text call",
        "8:00 kaya.text call",
        "8:00 noor.text call",
        "16:00 kaya.push call",
        "41:00 kaya.push call",
    ]);
}

#[test]
fn a_pump_that_is_back_within_its_delay_after_the_power_is_told_to_nobody() {
    let mut night = by_day(
        "power critical alert
         pump high steady; consequence-of = [\"power\"]; on-delay = \"2 min\"",
    );
    night.raise("power");
    night.raise("pump");
    night.wait(5);
    night.clear("power");
    night.wait(1);
    night.clear("pump");
    night.wait(30);
    // Nothing stands from minute 6 on; the longest settle of the two ladders counts.
    night.told(&[
        "0:00 kaya.text call",
        "0:00 siren call",
        "3:00 siren taken",
        "4:00 noor.text call",
        "11:00 kaya.text clear",
        "11:00 noor.text clear",
    ]);
}

#[test]
fn next_person_now_twice_and_the_ladder_goes_on_from_there() {
    let mut night = by_day("pump high steady");
    night.raise("pump");
    night.wait(3);
    night.next("noor", "pump");
    night.wait(2);
    night.next("noor", "pump");
    night.wait(26);
    night.told(&[
        "0:00 noor.text call",
        "3:00 kaya.push call",
        "5:00 noor.text call",
        "5:00 kaya.push call",
        "15:00 noor.text call",
        "30:00 kaya.push call",
    ]);
}

#[test]
fn a_rung_and_the_word_that_there_is_nobody_else_are_one_page_to_one_person() {
    // Its only rung is told again every ten minutes, and whoever pressed hears after ten.
    let mut night =
        played_with("dim high chores", |rules| rules.replace("again = \"2 h\"", "again = \"10 min\""));
    night.raise("dim");
    night.wait(1);
    night.next("otto", "dim");
    night.wait(9);
    night.told(&["0:00 otto.mail call", "1:00 otto.mail call"]);
    night.wait(1);
    assert!(night.headline("otto.mail").contains("nobody else can be called"), "{}", night.site.story());
    night.told(&["11:00 otto.mail call", "11:00 otto.text call"]);
}

#[test]
fn the_second_spell_of_the_same_cause_settles_for_an_hour() {
    let mut night = by_day("power critical alert");
    night.raise("power");
    night.wait(5);
    night.clear("power");
    night.wait(15);
    night.told(&[
        "0:00 kaya.text call",
        "0:00 siren call",
        "3:00 siren taken",
        "4:00 noor.text call",
        "8:00 kaya.text clear",
        "8:00 noor.text clear",
    ]);
    night.raise("power");
    night.wait(2);
    night.clear("power");
    night.wait(59);
    night.told(&["20:00 kaya.text call", "20:00 siren call", "22:00 siren taken"]);
    night.wait(2);
    night.told(&["82:00 kaya.text clear"]);
}

const MORNING: &str = "
    cold low chores; consequence-of = [\"power\"]
    dim low chores
    power critical alert
";

#[test]
fn a_digest_gives_up_only_the_kin_of_what_can_not_wait_and_tells_the_rest_in_the_morning() {
    let mut night = at_night(MORNING);
    night.raise("cold");
    night.wait(5);
    night.raise("dim");
    night.wait(25);
    night.raise("power");
    night.wait(13);
    night.told(&[
        "30:00 kaya.text call",
        "30:00 siren call",
        "33:00 siren taken",
        "34:00 noor.text call",
        "42:00 otto.text call",
        "42:00 otto.mail call",
    ]);
    night.answer("kaya", "power");
    night.wait(7);
    night.clear("power");
    night.told(&["43:00 noor.text taken", "43:00 otto.mail taken", "43:00 otto.text taken"]);
    // The answer stays until 73; then only what quiet holds is left.
    night.wait(420);
    night.told(&[]);
    // Seven o'clock.
    night.wait(10);
    night.told(&["475:00 otto.mail digest", "475:00 otto.mail call"]);
}

#[test]
fn two_low_alarms_that_came_and_went_at_night_are_one_page_in_the_morning() {
    let mut night = at_night(MORNING);
    night.raise("cold");
    night.wait(5);
    night.raise("dim");
    night.wait(5);
    night.clear("cold");
    night.wait(5);
    night.clear("dim");
    night.wait(480);
    night.told(&["475:00 otto.mail digest"]);
    assert_eq!(night.calls(), 0);
}

#[test]
fn of_two_low_alarms_one_that_still_stands_in_the_morning_is_called_out_and_the_other_listed() {
    let mut night = at_night(MORNING);
    night.raise("cold");
    night.wait(5);
    night.raise("dim");
    night.wait(5);
    night.clear("cold");
    night.wait(470);
    night.told(&["475:00 otto.mail digest"]);
    night.clear("dim");
    night.wait(3);
    night.told(&["482:00 otto.mail clear"]);
}

#[test]
fn a_leak_that_latches_is_over_only_when_somebody_has_answered_however_often_it_comes_and_goes() {
    let mut night = by_day("leak critical alert; latching = true");
    night.raise("leak");
    night.wait(1);
    night.clear("leak");
    night.wait(1);
    night.raise("leak");
    night.wait(1);
    night.clear("leak");
    night.wait(2);
    night.told(&["0:00 kaya.text call", "0:00 siren call", "3:00 siren taken", "4:00 noor.text call"]);
    night.answer("noor", "leak");
    night.wait(2);
    night.told(&["5:00 kaya.text taken"]);
    night.wait(60);
    // It came back within three hours of the first time: what flickers settles for an hour.
    night.told(&["65:00 kaya.text clear", "65:00 noor.text clear"]);
}

#[test]
fn two_critical_alarms_of_one_call_out_with_two_ladders_climb_both() {
    let mut night = by_day(
        "power critical alert
         tide critical steady; consequence-of = [\"power\"]; expected = []",
    );
    night.raise("power");
    night.wait(1);
    night.raise("tide");
    night.wait(9);
    night.told(&[
        "0:00 kaya.text call",
        "0:00 siren call",
        "1:00 noor.text call",
        "3:00 siren taken",
        "4:00 noor.text call",
        "9:00 kaya.push call",
    ]);
}

#[test]
fn somebody_who_sleeps_is_asked_in_the_second_round_of_something_critical_only() {
    let mut people = three();
    people.contacts.get_mut("otto").expect("there").hours = vec![hours("08:00", "21:00")];
    let mut night = played("power critical alert\npump high steady", people.clone(), super::NIGHT);
    night.raise("power");
    night.wait(20);
    // Nobody is left to ask on the last rung: that round is over at once, and the one before it is
    // told.
    night.told(&[
        "0:00 kaya.text call",
        "0:00 siren call",
        "3:00 siren taken",
        "4:00 noor.text call",
        "12:00 noor.text call",
    ]);
    night.wait(8);
    // The last rung repeats; in that round his hours don't count, so it is his own.
    night.told(&["27:00 otto.text call", "27:00 otto.mail call"]);
}

#[test]
fn somebody_whose_hours_say_never_is_not_woken_for_anything() {
    let mut people = three();
    for name in ["noor", "otto"] {
        let contact = people.contacts.get_mut(name).expect("there");
        (contact.hours, contact.never_woken) = (vec![hours("08:00", "21:00")], true);
    }
    people.contacts.get_mut("noor").expect("there").never_woken = false;
    let mut night = played("power critical alert", people, super::NIGHT);
    night.raise("power");
    night.wait(40);
    // Two rungs that reach nobody: the last that does repeats. In the second round that is Noor's,
    // never Otto's.
    night.told(&[
        "0:00 kaya.text call",
        "0:00 siren call",
        "3:00 siren taken",
        "4:00 kaya.text call",
        "4:00 siren call",
        "7:00 siren taken",
        "19:00 noor.text call",
        "34:00 noor.text call",
    ]);
}

#[test]
fn the_one_who_answered_leaves_in_the_evening_and_others_are_called_when_the_lease_ends() {
    let day = |text: &str| text.parse().expect("a date");
    let mut people = three();
    people.contacts.get_mut("noor").expect("there").away.push(Absence {
        first: day("2026-03-02"),
        last: day("2026-03-04"),
        leaves: Some("13:00".parse().expect("a time")),
        back: None,
        sitter: None,
    });
    let mut night = played("pump high steady", people, super::NOON);
    night.raise("pump");
    night.wait(1);
    night.answer("noor", "pump");
    // Away since 55; the lease ends at 91.
    night.wait(95);
    night.told(&["0:00 noor.text call", "91:00 kaya.push call"]);
}

#[test]
fn a_drill_that_begins_while_something_stands_waits_until_it_is_over() {
    let mut night = by_day("pump high steady");
    night.raise("pump");
    night.wait(1);
    night.site.says_person("kaya", OperatorCommand::Drill { callout: "alert".to_owned() });
    night.wait(5);
    night.told(&["0:00 noor.text call"]);
    night.clear("pump");
    night.wait(10);
    night.told(&[
        "11:00 noor.text clear",
        "11:00 kaya.text drill",
        "11:00 siren drill",
        "14:00 siren taken",
        "15:00 noor.text drill",
    ]);
}

#[test]
fn a_drill_waits_for_a_clock_that_is_trusted_and_says_so() {
    let mut night = by_day("pump high steady");
    night.site.sim.now.wall_trusted = false;
    let before = night.site.records.len();
    night.site.says_person("kaya", OperatorCommand::Drill { callout: "alert".to_owned() });
    let said: Vec<String> =
        night.site.records[before..].iter().map(|record| record.body.to_string()).collect();
    assert!(said.concat().contains("the clock is not trusted"), "{said:?}");
    night.wait(30);
    night.restart();
    night.wait(30);
    night.told(&[]);
    night.site.sim.now.wall_trusted = true;
    night.wait(5);
    let told: Vec<&str> = night.site.world.sent.iter().map(|sent| sent.to.as_str()).collect();
    assert_eq!(told, ["kaya.text", "siren", "siren", "noor.text"], "{}", night.site.story());
}

#[test]
fn an_alarm_at_night_does_not_wait_for_the_clock() {
    let mut people = three();
    people.contacts.get_mut("kaya").expect("there").hours = vec![hours("08:00", "21:00")];
    let mut night = played("leak critical alert", people, super::NIGHT);
    night.site.sim.now.wall_trusted = false;
    night.raise("leak");
    night.wait(1);
    // Nobody's hours are known, so nobody is spared.
    night.told(&["0:00 kaya.text call", "0:00 siren call"]);
}

#[test]
fn a_cause_between_two_call_outs_joins_the_one_of_higher_rank_and_the_other_goes_on() {
    let mut night = by_day(
        "power critical alert
         pump high steady; consequence-of = [\"power\"]
         dim low chores; consequence-of = [\"power\"]",
    );
    night.raise("dim");
    night.wait(1);
    night.raise("pump");
    night.wait(1);
    night.told(&["0:00 otto.mail call", "1:00 noor.text call"]);
    night.raise("power");
    night.wait(1);
    // Those told so far of the pump get the news; who was told of the light does not.
    night.told(&["2:00 noor.text call", "2:00 kaya.text call", "2:00 siren call"]);
    assert_eq!(night.calls(), 2);
}

#[test]
fn an_outage_of_the_broker_in_the_middle_of_a_climb_stops_nothing() {
    let mut night = by_day("pump high steady");
    night.raise("pump");
    night.wait(1);
    night.site.link(Link::Lost { why: "connection refused".to_owned() });
    night.wait(9);
    let told: Vec<&str> = night.site.called();
    assert_eq!(told, ["noor.text", "kaya.push"], "{}", night.site.story());
    night.site.step(Input::Link(Link::Hears));
}
