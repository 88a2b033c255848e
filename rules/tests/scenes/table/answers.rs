//! Answers: what they hold back, what breaks through them, what comes when they run out.

use super::{NIGHT, Night, people, rules};
use crate::harness::Channel;
use slackwater_rules::engine::OperatorCommand;
use slackwater_rules::plan::Absence;
use slackwater_rules::time::Span;

#[test]
fn a_person_answers_and_the_others_who_were_told_learn_of_it() {
    let mut night = Night::by_day("power critical loud");
    night.raise("power");
    night.wait(6);
    night.site.forget();
    night.answer("neighbour", "power");
    night.wait(59);
    night.told(&["6:00 tom.text taken"]);
}

#[test]
fn the_later_answer_replaces_the_earlier_and_that_one_learns_of_it() {
    let mut night = Night::by_day("power critical loud");
    night.raise("power");
    night.wait(6);
    night.answer("neighbour", "power");
    night.site.forget();
    night.wait(10);
    night.answer("tom", "power");
    night.wait(55);
    night.told(&["16:00 neighbour.text taken"]);
}

#[test]
fn the_lease_ends_and_whoever_answered_is_asked_alone() {
    let mut night = Night::by_day("pump high loud");
    night.raise("pump");
    night.answer("ines", "pump");
    night.site.forget();
    night.wait(69);
    night.told(&["60:00 ines.mail call", "60:00 ines.push call"]);
}

#[test]
fn renew_ends_without_a_word_and_the_rung_after_the_last_is_told_and_all_before_it_again() {
    let mut night = Night::by_day("pump high loud");
    night.raise("pump");
    night.wait(6);
    night.answer("tom", "pump");
    night.wait(69);
    night.site.forget();
    night.wait(1);
    night.told(&["76:00 tom.text call", "76:00 neighbour.text call", "76:00 neighbour.mail call"]);
}

#[test]
fn whoever_is_asked_and_answers_holds_it_for_another_lease() {
    let mut night = Night::by_day("pump high loud");
    night.raise("pump");
    night.answer("tom", "pump");
    night.wait(61);
    night.site.forget();
    night.answer("tom", "pump");
    night.wait(59);
    night.told(&[]);
}

#[test]
fn all_pages_of_asking_fail_and_others_are_called_now() {
    let mut night = Night::by_day("pump high loud");
    night.raise("pump");
    night.wait(1);
    night.answer("tom", "pump");
    night.site.channel("tom.text", Channel::Fails);
    night.site.forget();
    night.wait(60);
    night.told(&["61:00 tom.text call", "61:00 tom.text call", "61:00 neighbour.text call"]);
}

#[test]
fn whoever_answered_is_no_contact_and_others_are_called_when_the_lease_ends() {
    let mut night = Night::by_day("pump high loud");
    night.raise("pump");
    night.answer("somebody-at-the-board", "pump");
    night.site.forget();
    night.wait(60);
    night.told(&["60:00 tom.text call", "60:00 neighbour.text call"]);
}

#[test]
fn an_answer_from_somebody_who_is_away_holds_ten_minutes_and_asks_who_goes() {
    let mut away = people();
    let day = "2026-03-02".parse().expect("a day");
    let absence = Absence { first: day, last: day, sitter: None, leaves: None, back: None };
    away.contacts.get_mut("tom").expect("he is there").away.push(absence);
    let mut night = Night::with(&rules("power critical loud"), away, NIGHT);
    night.raise("power");
    night.wait(1);
    night.answer("tom", "power");
    assert!(night.site.story().contains("you are away: who goes there?"), "{}", night.site.story());
    night.site.forget();
    night.wait(9);
    night.told(&[]);
    night.wait(1);
    assert!(!night.site.world.sent.is_empty(), "{}", night.site.story());
}

#[test]
fn an_answer_that_names_a_later_time_holds_no_longer_than_twelve_hours() {
    let mut night = Night::by_day("pump high loud");
    night.raise("pump");
    let code = night.code("pump");
    night.site.says_person("tom", OperatorCommand::Acknowledge { code, length: Some(Span::hours(20)) });
    night.site.forget();
    night.wait(12 * 60 - 1);
    night.told(&[]);
    night.wait(1);
    night.told(&["720:00 tom.text call"]);
    assert!(night.site.story().contains("no answer holds longer here"), "{}", night.site.story());
}

#[test]
fn a_critical_member_that_is_not_expected_breaks_through_an_answer() {
    let mut night = Night::by_day(
        "power critical loud
         heat critical loud; consequence-of = [\"power\"]",
    );
    night.raise("power");
    night.answer("ines", "power");
    night.site.forget();
    night.wait(1);
    night.raise("heat");
    night.wait(1);
    night.told(&["1:00 ines.mail call", "1:00 ines.push call", "1:00 siren call", "1:00 tom.text call"]);
}

#[test]
fn a_critical_member_that_is_expected_with_a_standing_cause_breaks_no_answer() {
    let mut night = Night::by_day(
        "power critical loud
         heat critical loud; consequence-of = [\"power\"]; expected = [\"power\"]",
    );
    night.raise("power");
    night.answer("ines", "power");
    night.site.forget();
    night.wait(1);
    night.raise("heat");
    night.wait(50);
    night.told(&[]);
}

#[test]
fn a_milder_member_breaks_no_answer() {
    let mut night = Night::by_day(
        "power critical loud
         flow high loud; consequence-of = [\"power\"]",
    );
    night.raise("power");
    night.answer("ines", "power");
    night.site.forget();
    night.raise("flow");
    night.wait(50);
    night.told(&[]);
}

#[test]
fn worse_breaks_through_an_answer_and_through_asking() {
    for asks_first in [false, true] {
        let mut night = Night::by_day(
            "power high loud; worse = \"depth-seen is on\"
             depth low none",
        );
        night.raise("power");
        night.answer("ines", "power");
        night.wait(if asks_first { 61 } else { 20 });
        night.site.forget();
        night.raise("depth");
        night.seconds(1);
        let at = if asks_first { 61 } else { 20 };
        let lines = [
            format!("{at}:00 ines.mail call"),
            format!("{at}:00 ines.push call"),
            format!("{at}:00 tom.text call"),
        ];
        night.told(&lines.iter().map(String::as_str).collect::<Vec<_>>());
    }
}

#[test]
fn an_answer_to_one_call_out_never_answers_another() {
    let mut night = Night::by_day(
        "power high loud
         leak high mild",
    );
    night.raise("power");
    night.raise("leak");
    night.wait(1);
    night.site.forget();
    night.answer("ines", "power");
    night.wait(9);
    night.told(&["1:00 tom.text taken", "10:00 ines.push call"]);
}

#[test]
fn any_member_s_code_answers_its_whole_call_out() {
    let mut night = Night::by_day(
        "power high loud
         flow low loud; consequence-of = [\"power\"]",
    );
    night.raise("power");
    night.raise("flow");
    night.site.forget();
    night.answer("ines", "flow");
    night.wait(50);
    night.told(&["0:00 tom.text taken"]);
}

/// From 18:00 of the first day until 09:00 of the next.
fn away_overnight() -> slackwater_rules::plan::Directory {
    let mut people = super::people();
    let day = |text: &str| text.parse().expect("a date");
    let time = |text: &str| Some(text.parse().expect("a time"));
    let absence = Absence {
        first: day("2026-03-02"),
        last: day("2026-03-03"),
        leaves: time("18:00"),
        back: time("09:00"),
        sitter: None,
    };
    people.contacts.get_mut("tom").expect("he is there").away.push(absence);
    people
}

#[test]
fn who_is_away_from_a_time_of_day_on_is_asked_before_it_and_again_after_the_end() {
    let rules = super::rules("pump high loud");
    for (time, asked) in [
        ("2026-03-02T17:30:00+01:00[Europe/Berlin]", "0:00 tom.text call"),
        ("2026-03-02T18:30:00+01:00[Europe/Berlin]", "0:00 neighbour.text call"),
        ("2026-03-03T08:30:00+01:00[Europe/Berlin]", "0:00 neighbour.text call"),
        ("2026-03-03T09:30:00+01:00[Europe/Berlin]", "0:00 tom.text call"),
    ] {
        let mut night = Night::with(&rules, away_overnight(), time);
        night.raise("pump");
        night.wait(1);
        night.told(&[asked]);
    }
}
