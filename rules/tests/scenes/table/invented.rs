//! Nights in a house with three tanks, six people and three ladders. What each must bring was
//! written down from the description of call-outs before it was played.

use super::Night;
use slackwater_rules::plan::{Absence, ChannelKind, Directory};

const HOUSE: &str = r#"
[site]
name = "Weir Cottage"
[tank.lagoon]
volume = "420 L"
[tank.harbour]
volume = "200 L"
[tank.nursery]
volume = "60 L"
[sensor.gate-seen]
topic = "house/gate/seen"
measures = "presence"
on = ["on"]
off = ["off"]
every = "1 min"
[callout.life]
steps = [
  { after = "0 min", to = ["jo.text", "siren"] },
  { after = "3 min", to = ["petra.text"] },
  { after = "10 min", to = ["ines.push"] },
]
again = "10 min"
lease = "60 min"
settle = "2 min"
[callout.pumps]
steps = [
  { after = "0 min", to = ["ines.push"] },
  { after = "5 min", to = ["tom.text"] },
  { after = "15 min", to = ["neighbour.text"] },
]
again = "20 min"
lease = "60 min"
settle = "2 min"
[callout.water]
steps = [
  { after = "0 min", to = ["mara.mail"] },
  { after = "10 min", to = ["ines.mail"] },
]
again = "30 min"
lease = "60 min"
settle = "2 min"
quiet = ["22:00", "07:00"]
"#;

fn six() -> Directory {
    let more = [
        ("jo", "text", ChannelKind::Text),
        ("jo", "push", ChannelKind::Push),
        ("petra", "text", ChannelKind::Text),
        ("mara", "mail", ChannelKind::Mail),
    ];
    super::with_people(super::people(), &more)
}

/// The alarms of a night, a line each, as for the other scenes; their tank is the lagoon unless one
/// is named.
fn house(alarms: &str) -> String {
    super::rules_of(HOUSE, alarms)
}

fn played(alarms: &str, people: Directory, time: &str) -> Night {
    Night::with(&house(alarms), people, time)
}

fn at_night(alarms: &str) -> Night {
    played(alarms, six(), super::NIGHT)
}

fn by_day(alarms: &str) -> Night {
    played(alarms, six(), super::NOON)
}

const POWER: &str = "
    power critical life
    flow high pumps; consequence-of = [\"power\"]; on-delay = \"3 min\"
    cold low water; consequence-of = [\"power\"]
";

#[test]
fn what_waits_for_the_morning_is_taken_out_by_its_cause_and_listed() {
    let mut night = at_night(POWER);
    night.raise("cold");
    night.wait(10);
    night.told(&[]);
    night.raise("power");
    night.wait(15);
    night.told(&[
        "10:00 jo.text call",
        "10:00 siren call",
        "13:00 petra.text call",
        "13:00 siren taken",
        "20:00 ines.push call",
    ]);
    assert_eq!(night.calls(), 1);
}

#[test]
fn a_consequence_that_outlives_its_cause_is_asked_about_when_the_lease_ends() {
    let mut night = by_day(POWER);
    night.raise("power");
    night.wait(1);
    night.answer("jo", "power");
    night.raise("flow");
    night.wait(9);
    night.clear("power");
    night.wait(50);
    night.told(&["0:00 jo.text call", "0:00 siren call", "1:00 siren taken"]);
    night.wait(1);
    night.told(&["61:00 jo.push call", "61:00 jo.text call"]);
    night.wait(10);
    night.told(&["71:00 ines.push call"]);
}

#[test]
fn a_consequence_above_the_answer_breaks_through_and_one_below_does_not() {
    let mut night = by_day(
        "pump high pumps
         heat critical life; consequence-of = [\"pump\"]
         cold low water; consequence-of = [\"pump\"]",
    );
    night.raise("pump");
    night.wait(1);
    night.answer("ines", "pump");
    night.raise("cold");
    night.wait(1);
    night.told(&["0:00 ines.push call"]);
    night.raise("heat");
    night.wait(4);
    night.told(&[
        "2:00 ines.mail call",
        "2:00 ines.push call",
        "2:00 jo.text call",
        "2:00 siren call",
        "5:00 petra.text call",
        "5:00 siren taken",
    ]);
}

#[test]
fn an_expected_critical_consequence_is_listed_as_long_as_its_cause_is_answered() {
    let mut night = by_day(
        "power critical life
         still critical pumps; consequence-of = [\"power\"]; expected = [\"power\"]",
    );
    night.raise("power");
    night.wait(1);
    night.answer("jo", "power");
    night.site.forget();
    night.raise("still");
    night.wait(50);
    night.told(&[]);
    // Its cause has gone: it counts as raised anew, and nothing expects it any more.
    night.clear("power");
    night.wait(5);
    night.told(&["51:00 jo.push call", "51:00 jo.text call", "51:00 ines.push call", "56:00 tom.text call"]);
}

#[test]
fn two_causes_are_two_call_outs_and_an_answer_to_one_is_none_to_the_other() {
    let mut night = by_day(
        "pump high pumps
         leak critical life",
    );
    night.raise("pump");
    night.wait(1);
    night.raise("leak");
    night.wait(1);
    night.answer("ines", "pump");
    night.wait(4);
    night.told(&[
        "0:00 ines.push call",
        "1:00 jo.text call",
        "1:00 siren call",
        "4:00 petra.text call",
        "4:00 siren taken",
    ]);
}

#[test]
fn what_was_only_listed_is_raised_anew_when_its_cause_goes_first() {
    let mut night = by_day(
        "power critical life
         pump high pumps; consequence-of = [\"power\"]",
    );
    night.raise("power");
    night.raise("pump");
    night.wait(11);
    night.site.forget();
    night.clear("power");
    // Its ladder begins at rung 0, and those told so far get the news.
    night.wait(3);
    night.told(&["11:00 ines.push call", "11:00 jo.text call", "11:00 petra.text call"]);
}

#[test]
fn everybody_told_hears_once_that_it_is_over_and_nobody_else() {
    let mut night = by_day(POWER);
    night.raise("power");
    night.wait(4);
    night.clear("power");
    night.site.forget();
    night.wait(10);
    night.told(&["6:00 jo.text clear", "6:00 petra.text clear"]);
}

#[test]
fn the_person_who_answered_is_asked_alone_before_anybody_is_woken_again() {
    let mut night = at_night(POWER);
    night.raise("power");
    night.wait(4);
    night.answer("petra", "power");
    night.site.forget();
    night.wait(60);
    night.told(&["64:00 petra.text call"]);
    night.answer("petra", "power");
    night.wait(59);
    night.told(&[]);
}

#[test]
fn without_a_word_all_rungs_so_far_and_the_next_are_told_in_one_moment() {
    let mut night = at_night(POWER);
    night.raise("power");
    night.wait(4);
    night.answer("petra", "power");
    night.wait(60);
    night.site.forget();
    night.wait(10);
    night.told(&["74:00 jo.text call", "74:00 petra.text call", "74:00 ines.push call", "74:00 siren call"]);
}

#[test]
fn whoever_is_away_until_nine_is_not_asked_before() {
    let mut people = six();
    let day = |text: &str| text.parse().expect("a date");
    let absence = Absence {
        first: day("2026-03-02"),
        last: day("2026-03-03"),
        leaves: None,
        back: Some("09:00".parse().expect("a time")),
        sitter: None,
    };
    people.contacts.get_mut("jo").expect("there").away.push(absence);
    let mut night = played("leak critical life", people.clone(), super::NIGHT);
    night.raise("leak");
    night.wait(1);
    night.told(&["0:00 petra.text call", "0:00 siren call"]);
    let mut night = played("leak critical life", people, "2026-03-03T09:10:00+01:00[Europe/Berlin]");
    night.raise("leak");
    night.wait(1);
    night.told(&["0:00 jo.text call", "0:00 siren call"]);
}

#[test]
fn a_low_alarm_that_came_and_went_at_night_is_told_once_in_the_morning() {
    let mut night = at_night("cold low water");
    night.raise("cold");
    night.wait(20);
    night.clear("cold");
    night.wait(7 * 60);
    night.told(&[]);
    night.wait(60);
    night.told(&["475:00 mara.mail digest"]);
    night.wait(120);
    night.told(&[]);
}

#[test]
fn a_latched_leak_that_nobody_answered_is_called_on_and_has_no_all_clear() {
    let mut night = by_day("leak critical life; latching = true");
    night.raise("leak");
    night.wait(1);
    night.clear("leak");
    night.site.forget();
    night.wait(10);
    night.told(&["3:00 petra.text call", "3:00 siren taken", "10:00 ines.push call"]);
    night.answer("petra", "leak");
    night.wait(3);
    night.told(&[
        "11:00 ines.push taken",
        "11:00 jo.text taken",
        "13:00 ines.push clear",
        "13:00 jo.text clear",
        "13:00 petra.text clear",
    ]);
}

#[test]
fn six_and_more_at_once_of_one_ladder_are_one_mass() {
    let alarms: String = (0..8).map(|n| format!("a{n} high pumps\n")).collect();
    let mut night = by_day(&alarms);
    (0..8).for_each(|n| night.raise(&format!("a{n}")));
    night.wait(6);
    assert!(night.calls() <= 6, "{}", night.site.story());
}

#[test]
fn a_critical_alarm_at_the_asked_rank_is_told_within_five_minutes_to_those_told() {
    let mut night = by_day(
        "power critical life
         still critical life; consequence-of = [\"power\"]",
    );
    night.raise("power");
    night.wait(11);
    night.site.forget();
    night.raise("still");
    night.wait(5);
    night.told(&["16:00 ines.push call", "16:00 jo.text call", "16:00 petra.text call", "16:00 siren call"]);
}

#[test]
fn the_last_rung_repeats_until_somebody_answers() {
    let mut night = by_day("pump high pumps");
    night.raise("pump");
    night.wait(76);
    night.told(&[
        "0:00 ines.push call",
        "5:00 tom.text call",
        "15:00 neighbour.text call",
        "35:00 neighbour.text call",
        "55:00 neighbour.text call",
        "75:00 neighbour.text call",
    ]);
}

#[test]
fn what_a_person_puts_aside_has_no_all_clear_but_those_told_learn_by_whom() {
    let mut night = by_day("pump high pumps");
    night.raise("pump");
    night.wait(6);
    night.site.forget();
    night.shelve("tom", "pump");
    night.wait(10);
    night.told(&["6:00 ines.push taken", "6:00 tom.text taken"]);
}
