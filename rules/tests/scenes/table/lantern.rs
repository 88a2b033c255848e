//! Nights on a pier with one tank, three people and three ladders: odd things together. What each
//! must bring was written down from the description of call-outs before it was played. Of one
//! moment the order counts for nothing.

use super::Night;
use crate::fixtures::hours;
use crate::harness::Channel;
use slackwater_rules::engine::OperatorCommand;
use slackwater_rules::plan::{Absence, ChannelKind, Directory};

const HOUSE: &str = r#"
[site]
name = "Lantern Pier"
[tank.lagoon]
volume = "420 L"
[sensor.gate-seen]
topic = "house/gate/seen"
measures = "presence"
on = ["on"]
off = ["off"]
every = "1 min"
[callout.storm]
steps = [
  { after = "0 min", to = ["ada.text", "siren"] },
  { after = "4 min", to = ["bo.text"] },
  { after = "9 min", to = ["cy.text", "cy.mail"] },
]
again = "10 min"
lease = "30 min"
settle = "2 min"
[callout.daily]
steps = [
  { after = "0 min", to = ["bo.push"] },
  { after = "10 min", to = ["ada.mail"] },
]
again = "30 min"
lease = "60 min"
settle = "3 min"
quiet = ["22:00", "07:00"]
[callout.slow]
steps = [{ after = "0 min", to = ["cy.mail"] }]
again = "60 min"
lease = "2 h"
settle = "2 min"
quiet = ["22:00", "07:00"]
"#;

fn three() -> Directory {
    let more = [
        ("ada", "text", ChannelKind::Text),
        ("ada", "mail", ChannelKind::Mail),
        ("bo", "text", ChannelKind::Text),
        ("bo", "push", ChannelKind::Push),
        ("cy", "text", ChannelKind::Text),
        ("cy", "mail", ChannelKind::Mail),
    ];
    super::with_people(crate::fixtures::directory(&["siren"]), &more)
}

/// Somebody is away all day.
fn without(who: &str) -> Directory {
    let mut people = three();
    let (first, last) = (jiff::civil::date(2026, 3, 1), jiff::civil::date(2026, 3, 4));
    let absence = Absence { first, last, leaves: None, back: None, sitter: None };
    people.contacts.get_mut(who).expect("there").away.push(absence);
    people
}

/// A night of theirs: from 23:05 on, quiet ends after 475 minutes; or from 12:05 on.
struct Pier(Night);

impl Pier {
    fn with(alarms: &str, people: Directory, time: &str) -> Self {
        Self(Night::with(&super::rules_of(HOUSE, alarms), people, time))
    }

    fn by_day(alarms: &str) -> Self {
        Self::with(alarms, three(), super::NOON)
    }

    fn at_night(alarms: &str) -> Self {
        Self::with(alarms, three(), super::NIGHT)
    }

    /// Whoever does something at a minute.
    fn at(&mut self, minute: i64, act: impl FnOnce(&mut Night)) {
        self.0.wait_until(minute);
        act(&mut self.0);
    }

    /// All that is told until this minute, since it was last asked.
    fn tells(&mut self, until: i64, expected: &[&str]) {
        self.0.wait_until(until);
        let mut expected: Vec<String> = expected.iter().map(|it| (*it).to_owned()).collect();
        let mut told = self.0.all_told();
        told.sort();
        expected.sort();
        assert_eq!(told, expected, "{}", self.0.site.story());
        self.0.site.forget();
    }
}

/// Answers the whole of what an alarm is in.
fn answer_all(night: &mut Night, who: &str, alarm: &str) {
    let calls = night.site.engine.status(night.site.now).calls;
    let call = calls.into_iter().find(|call| call.about.iter().any(|it| it.starts_with(alarm)));
    let code = call.expect("it runs").code;
    night.site.says_person(who, OperatorCommand::Acknowledge { code, length: None });
}

/// Six that are true while the gate is seen.
fn six(of: &str) -> String {
    ["ant", "bee", "cod", "dab", "eel", "fry"]
        .map(|name| format!("{name} {of}; when = \"gate-seen is on\"\n"))
        .concat()
}

const POWER: &str = "
    power critical storm
    flow high daily; consequence-of = [\"power\"]
";

#[test]
fn a_mass_that_latched_is_asked_about_past_whoever_is_away_and_over_once_it_is_answered() {
    let mut pier = Pier::with(&six("high storm; latching = true"), without("bo"), super::NOON);
    pier.at(0, |it| it.raise("gate"));
    pier.at(5, |it| it.clear("gate"));
    pier.at(15, |it| answer_all(it, "cy", "ant"));
    pier.tells(
        60,
        &[
            "0:00 ada.text call",
            "4:00 cy.text call",
            "4:00 cy.mail call",
            "14:00 cy.text call",
            "14:00 cy.mail call",
            "15:00 ada.text taken",
            "17:00 ada.text clear",
            "17:00 cy.text clear",
            "17:00 cy.mail clear",
        ],
    );
}

#[test]
fn in_a_mass_a_code_of_one_calls_on_for_the_rest_and_the_mass_s_code_ends_that() {
    let mut pier = Pier::by_day(&six("high storm"));
    pier.at(0, |it| it.raise("gate"));
    pier.at(1, |it| it.answer("cy", "ant"));
    pier.at(10, |it| answer_all(it, "ada", "bee"));
    pier.at(11, |it| it.clear("gate"));
    pier.tells(
        60,
        &[
            "0:00 ada.text call",
            "4:00 bo.text call",
            "9:00 cy.text call",
            "9:00 cy.mail call",
            "10:00 bo.text taken",
            "10:00 cy.text taken",
            "10:00 cy.mail taken",
            "13:00 ada.text clear",
            "13:00 bo.text clear",
            "13:00 cy.text clear",
            "13:00 cy.mail clear",
        ],
    );
}

#[test]
fn an_answer_for_one_of_a_mass_outlives_a_restart_and_its_end_is_listed_among_its_like() {
    let mut pier = Pier::by_day(&six("high storm"));
    pier.at(0, |it| it.raise("gate"));
    pier.at(1, |it| it.answer("cy", "ant"));
    pier.tells(2, &["0:00 ada.text call"]);
    pier.0.restart();
    pier.tells(
        35,
        &[
            "4:00 bo.text call",
            "9:00 cy.text call",
            "9:00 cy.mail call",
            "19:00 cy.text call",
            "19:00 cy.mail call",
            "29:00 cy.text call",
            "29:00 cy.mail call",
        ],
    );
}

#[test]
fn a_real_call_out_in_a_drill_has_the_siren_and_the_drill_goes_on_where_it_was() {
    let mut pier = Pier::by_day("power critical storm");
    pier.at(0, |it| it.site.says_person("cy", OperatorCommand::Drill { callout: "storm".to_owned() }));
    pier.at(2, |it| it.raise("power"));
    pier.at(7, |it| it.answer("bo", "power"));
    pier.at(8, |it| it.clear("power"));
    let told: Vec<String> = {
        pier.0.wait_until(13);
        pier.0.all_told().into_iter().filter(|it| !it.contains("siren")).collect()
    };
    assert_eq!(
        told,
        [
            "0:00 ada.text drill",
            "2:00 ada.text call",
            "6:00 bo.text call",
            "7:00 ada.text taken",
            "10:00 ada.text clear",
            "10:00 bo.text clear",
            "12:00 bo.text drill",
        ],
        "{}",
        pier.0.site.story()
    );
}

#[test]
fn what_is_held_is_told_in_the_morning_by_the_rules_of_the_morning() {
    let alarms = "lamp low daily";
    let mut pier = Pier::at_night(alarms);
    pier.at(0, |it| it.raise("lamp"));
    pier.at(60, Night::restart);
    let rules = super::rules_of(HOUSE, alarms).replace("[\"bo.push\"]", "[\"bo.text\"]");
    pier.at(120, |it| it.site.reload(&rules));
    pier.tells(486, &["475:00 bo.text digest", "485:00 ada.mail digest"]);
}

#[test]
fn a_lease_ends_while_a_part_is_shelved_and_that_is_listed_when_it_comes_off_the_shelf() {
    let mut pier = Pier::by_day(POWER);
    pier.at(0, |it| it.raise("power"));
    pier.at(0, |it| it.raise("flow"));
    pier.at(1, |it| it.answer("ada", "power"));
    pier.at(20, |it| it.shelve("bo", "flow"));
    pier.tells(
        47,
        &[
            "0:00 ada.text call",
            "0:00 siren call",
            "1:00 siren taken",
            "31:00 ada.text call",
            "31:00 ada.mail call",
            "41:00 ada.text call",
            "41:00 bo.text call",
            "41:00 siren call",
            "44:00 siren taken",
            "46:00 cy.text call",
            "46:00 cy.mail call",
        ],
    );
}

#[test]
fn a_lease_that_would_end_on_the_shelf_is_over_and_what_comes_off_it_begins_anew() {
    let mut pier = Pier::by_day("flow high daily");
    pier.at(0, |it| it.raise("flow"));
    pier.at(1, |it| it.answer("bo", "flow"));
    pier.at(50, |it| it.shelve("ada", "flow"));
    pier.tells(
        81,
        &["0:00 bo.push call", "50:00 bo.push taken", "70:00 bo.push call", "80:00 ada.mail call"],
    );
}

#[test]
fn next_by_the_last_person_calls_all_and_says_again_that_there_is_nobody_else() {
    let mut pier = Pier::by_day("power critical storm");
    pier.at(0, |it| it.raise("power"));
    pier.at(10, |it| it.next("cy", "power"));
    pier.tells(
        21,
        &[
            "0:00 ada.text call",
            "0:00 siren call",
            "3:00 siren taken",
            "4:00 bo.text call",
            "9:00 cy.text call",
            "9:00 cy.mail call",
            "10:00 ada.text call",
            "10:00 bo.text call",
            "10:00 cy.text call",
            "10:00 cy.mail call",
            "10:00 siren call",
            "13:00 siren taken",
            "20:00 cy.text call",
            "20:00 cy.mail call",
        ],
    );
}

#[test]
fn next_by_somebody_else_breaks_the_answer_and_goes_on_from_the_last_rung() {
    let mut pier = Pier::by_day("power critical storm");
    pier.at(0, |it| it.raise("power"));
    pier.at(1, |it| it.answer("ada", "power"));
    pier.at(5, |it| it.next("bo", "power"));
    pier.tells(
        11,
        &[
            "0:00 ada.text call",
            "0:00 siren call",
            "1:00 siren taken",
            "5:00 bo.text call",
            "10:00 cy.text call",
            "10:00 cy.mail call",
        ],
    );
}

#[test]
fn a_code_of_a_consequence_answers_the_whole() {
    let mut pier = Pier::by_day(POWER);
    pier.at(0, |it| it.raise("power"));
    pier.at(1, |it| it.raise("flow"));
    pier.at(2, |it| it.answer("bo", "flow"));
    pier.tells(
        33,
        &[
            "0:00 ada.text call",
            "0:00 siren call",
            "2:00 ada.text taken",
            "2:00 siren taken",
            "32:00 bo.text call",
            "32:00 bo.push call",
        ],
    );
}

#[test]
fn of_two_call_outs_with_one_siren_the_answered_one_leaves_it_to_the_other() {
    let mut pier = Pier::by_day("power critical storm\n leak critical storm");
    pier.at(0, |it| it.raise("power"));
    pier.at(1, |it| it.raise("leak"));
    pier.at(2, |it| it.answer("bo", "power"));
    pier.tells(
        6,
        &[
            "0:00 ada.text call",
            "0:00 siren call",
            "1:00 ada.text call",
            "2:00 ada.text taken",
            "4:00 siren taken",
            "5:00 bo.text call",
        ],
    );
}

#[test]
fn a_critical_consequence_waits_a_minute_for_its_cause_which_is_news_within_five() {
    let mut pier = Pier::by_day(
        "power critical storm; on-delay = \"90 s\"
         still critical storm; consequence-of = [\"power\"]; expected = []",
    );
    pier.at(0, |it| it.raise("power"));
    pier.at(0, |it| it.seconds(10));
    pier.0.raise("still");
    pier.tells(
        11,
        &[
            "1:10 ada.text call",
            "1:10 siren call",
            "4:10 siren taken",
            "5:10 bo.text call",
            "6:30 ada.text call",
            "6:30 siren call",
            "9:30 siren taken",
            "10:10 cy.text call",
            "10:10 cy.mail call",
        ],
    );
}

#[test]
fn what_was_expected_breaks_the_answer_once_its_cause_is_over_and_its_delay_has_run() {
    let mut pier = Pier::by_day(
        "power critical storm
         cold critical storm; consequence-of = [\"power\"]; expected = [\"power\"]; on-delay = \"2 min\"",
    );
    pier.at(0, |it| it.raise("power"));
    pier.at(1, |it| it.answer("ada", "power"));
    pier.at(3, |it| it.raise("cold"));
    pier.at(10, |it| it.clear("power"));
    pier.tells(
        17,
        &[
            "0:00 ada.text call",
            "0:00 siren call",
            "1:00 siren taken",
            "12:00 ada.text call",
            "12:00 ada.mail call",
            "12:00 siren call",
            "15:00 siren taken",
            "16:00 bo.text call",
        ],
    );
}

#[test]
fn a_reload_that_drops_what_stands_puts_it_aside_and_there_is_no_all_clear() {
    let mut pier = Pier::by_day("lamp low daily\n pump low slow");
    pier.at(0, |it| it.raise("lamp"));
    let rules = super::rules_of(HOUSE, "pump low slow");
    pier.at(2, |it| it.site.reload(&rules));
    pier.tells(60, &["0:00 bo.push call", "2:00 bo.push taken"]);
    assert_eq!(pier.0.calls(), 0);
}

#[test]
fn an_answer_of_somebody_away_holds_ten_minutes_and_their_rung_gives_way() {
    let mut pier = Pier::with("power critical storm", without("cy"), super::NOON);
    pier.at(0, |it| it.raise("power"));
    pier.at(1, |it| it.answer("cy", "power"));
    pier.tells(
        17,
        &[
            "0:00 ada.text call",
            "0:00 siren call",
            "1:00 ada.text taken",
            "1:00 siren taken",
            "11:00 ada.text call",
            "11:00 bo.text call",
            "11:00 siren call",
            "14:00 siren taken",
            "16:00 bo.text call",
        ],
    );
}

#[test]
fn next_at_night_tells_one_and_what_comes_after_takes_its_own_out_and_tells_that_one() {
    let mut pier = Pier::at_night(
        "power critical storm
         pump low daily; consequence-of = [\"power\"]
         lamp low daily",
    );
    pier.at(0, |it| it.raise("pump"));
    pier.at(0, |it| it.raise("lamp"));
    pier.at(10, |it| it.next("bo", "lamp"));
    pier.at(20, |it| it.raise("power"));
    pier.at(21, |it| it.answer("ada", "power"));
    pier.at(30, |it| it.clear("power"));
    pier.at(30, |it| it.clear("pump"));
    pier.tells(
        486,
        &[
            "10:00 bo.push digest",
            "20:00 bo.push call",
            "20:00 ada.text call",
            "20:00 siren call",
            "21:00 bo.push taken",
            "21:00 siren taken",
            "33:00 ada.text clear",
            "33:00 bo.push clear",
            "475:00 bo.push digest",
            "485:00 ada.mail digest",
        ],
    );
}

#[test]
fn a_mass_of_what_can_wait_goes_with_its_cause_and_the_morning_hears_nothing() {
    let mut pier =
        Pier::at_night(&format!("power critical storm\n{}", six("low daily; consequence-of = [\"power\"]")));
    pier.at(0, |it| it.raise("gate"));
    pier.at(10, |it| it.raise("power"));
    pier.at(11, |it| it.answer("ada", "power"));
    pier.at(12, |it| it.clear("gate"));
    pier.at(13, |it| it.clear("power"));
    pier.tells(
        500,
        &["10:00 ada.text call", "10:00 siren call", "11:00 siren taken", "16:00 ada.text clear"],
    );
}

#[test]
fn what_latched_and_was_answered_is_over_when_it_ends() {
    let mut pier = Pier::by_day("leak critical storm; latching = true");
    pier.at(0, |it| it.raise("leak"));
    pier.at(1, |it| it.answer("ada", "leak"));
    pier.at(5, |it| it.clear("leak"));
    pier.tells(60, &["0:00 ada.text call", "0:00 siren call", "1:00 siren taken", "7:00 ada.text clear"]);
}

#[test]
fn what_latched_after_the_answer_is_asked_about_when_that_ends_and_then_climbs() {
    let mut pier = Pier::by_day(
        "power critical storm
         leak high storm; consequence-of = [\"power\"]; latching = true",
    );
    pier.at(0, |it| it.raise("power"));
    pier.at(1, |it| it.answer("ada", "power"));
    pier.at(5, |it| it.raise("leak"));
    pier.at(6, |it| it.clear("leak"));
    pier.at(10, |it| it.clear("power"));
    pier.tells(
        42,
        &[
            "0:00 ada.text call",
            "0:00 siren call",
            "1:00 siren taken",
            "31:00 ada.text call",
            "31:00 ada.mail call",
            "41:00 ada.text call",
            "41:00 bo.text call",
        ],
    );
}

#[test]
fn the_second_spell_within_three_hours_settles_for_an_hour() {
    let mut pier = Pier::by_day("power critical storm");
    pier.at(0, |it| it.raise("power"));
    pier.at(1, |it| it.clear("power"));
    pier.at(30, |it| it.raise("power"));
    pier.at(31, |it| it.clear("power"));
    pier.tells(
        120,
        &[
            "0:00 ada.text call",
            "0:00 siren call",
            "1:00 siren taken",
            "3:00 ada.text clear",
            "30:00 ada.text call",
            "30:00 siren call",
            "31:00 siren taken",
            "91:00 ada.text clear",
        ],
    );
}

#[test]
fn the_later_answer_counts_and_who_gave_it_is_asked_alone_as_often_as_it_is_renewed() {
    let mut pier = Pier::by_day("power critical storm");
    pier.at(0, |it| it.raise("power"));
    pier.at(1, |it| it.answer("ada", "power"));
    pier.at(10, |it| it.answer("bo", "power"));
    pier.at(42, |it| it.answer("bo", "power"));
    pier.tells(
        73,
        &[
            "0:00 ada.text call",
            "0:00 siren call",
            "1:00 siren taken",
            "10:00 ada.text taken",
            "40:00 bo.text call",
            "40:00 bo.push call",
            "72:00 bo.text call",
            "72:00 bo.push call",
        ],
    );
}

#[test]
fn who_was_reached_by_nothing_hears_of_no_end_and_the_next_in_the_same_moment() {
    let mut pier = Pier::by_day("power critical storm");
    pier.0.site.channel("ada.text", Channel::Fails);
    pier.at(0, |it| it.raise("power"));
    pier.at(5, |it| it.clear("power"));
    pier.tells(
        12,
        &[
            "0:00 ada.text call",
            "0:00 siren call",
            "0:00 bo.text call",
            "3:00 siren taken",
            "7:00 bo.text clear",
        ],
    );
}

#[test]
fn whoever_has_it_and_can_not_be_reached_gives_way_in_the_moment_of_asking() {
    let mut pier = Pier::by_day("power critical storm");
    pier.at(0, |it| it.raise("power"));
    pier.at(1, |it| it.answer("ada", "power"));
    pier.at(20, |it| {
        it.site.channel("ada.text", Channel::Fails);
        it.site.channel("ada.mail", Channel::Fails);
    });
    pier.tells(
        37,
        &[
            "0:00 ada.text call",
            "0:00 siren call",
            "1:00 siren taken",
            "31:00 ada.text call",
            "31:00 ada.mail call",
            "31:00 ada.text call",
            "31:00 bo.text call",
            "31:00 siren call",
            "34:00 siren taken",
            "36:00 cy.text call",
            "36:00 cy.mail call",
        ],
    );
}

#[test]
fn who_sleeps_at_the_end_of_the_ladder_is_woken_in_the_second_round() {
    let mut people = three();
    people.contacts.get_mut("cy").expect("there").hours = vec![hours("08:00", "22:00")];
    let mut pier = Pier::with("power critical storm", people, super::NIGHT);
    pier.at(0, |it| it.raise("power"));
    pier.tells(
        20,
        &[
            "0:00 ada.text call",
            "0:00 siren call",
            "3:00 siren taken",
            "4:00 bo.text call",
            "9:00 bo.text call",
            "19:00 cy.text call",
            "19:00 cy.mail call",
        ],
    );
}

#[test]
fn the_worst_comes_and_goes_over_something_milder_which_goes_on_with_somebody_new() {
    let mut pier = Pier::by_day(POWER);
    pier.at(0, |it| it.raise("flow"));
    pier.at(2, |it| it.raise("power"));
    pier.at(12, |it| it.clear("power"));
    pier.tells(
        13,
        &[
            "0:00 bo.push call",
            "2:00 bo.push call",
            "2:00 ada.text call",
            "2:00 siren call",
            "5:00 siren taken",
            "6:00 bo.text call",
            "11:00 cy.text call",
            "11:00 cy.mail call",
            "12:00 ada.mail call",
        ],
    );
}

#[test]
fn the_worst_breaks_the_answer_to_something_milder() {
    let mut pier = Pier::by_day(POWER);
    pier.at(0, |it| it.raise("flow"));
    pier.at(1, |it| it.answer("bo", "flow"));
    pier.at(2, |it| it.raise("power"));
    pier.tells(
        3,
        &[
            "0:00 bo.push call",
            "2:00 bo.push call",
            "2:00 bo.text call",
            "2:00 ada.text call",
            "2:00 siren call",
        ],
    );
}

#[test]
fn the_cause_of_what_has_just_ended_goes_on_with_it_and_has_its_all_clear() {
    let mut pier = Pier::by_day(POWER);
    pier.at(0, |it| it.raise("flow"));
    pier.at(1, |it| it.clear("flow"));
    pier.at(2, |it| it.raise("power"));
    pier.at(3, |it| it.clear("power"));
    pier.tells(
        30,
        &[
            "0:00 bo.push call",
            "2:00 bo.push call",
            "2:00 ada.text call",
            "2:00 siren call",
            "3:00 siren taken",
            "6:00 ada.text clear",
            "6:00 bo.push clear",
        ],
    );
}

#[test]
fn what_stands_in_a_ladder_that_a_reload_drops_is_called_out_by_its_new_one() {
    let mut pier = Pier::by_day("flow high daily");
    pier.at(0, |it| it.raise("flow"));
    let house = HOUSE.replace("[callout.daily]", "[callout.weekly]");
    let rules = super::rules_of(&house, "flow high slow");
    pier.at(5, |it| it.site.reload(&rules));
    pier.tells(30, &["0:00 bo.push call", "5:00 bo.push taken", "5:00 cy.mail call"]);
}

#[test]
fn a_digest_of_the_morning_that_is_answered_is_one_thing_and_what_comes_above_is_another() {
    let mut pier = Pier::at_night(
        "power high storm
         pump low daily; consequence-of = [\"power\"]
         lamp low daily",
    );
    pier.at(0, |it| it.raise("pump"));
    pier.at(0, |it| it.raise("lamp"));
    pier.at(480, |it| answer_all(it, "bo", "lamp"));
    pier.at(490, |it| it.raise("power"));
    pier.at(491, |it| it.answer("ada", "power"));
    pier.at(492, |it| it.clear("power"));
    pier.at(492, |it| it.clear("pump"));
    pier.tells(
        541,
        &[
            "475:00 bo.push digest",
            "490:00 bo.push call",
            "490:00 bo.text call",
            "490:00 ada.text call",
            "491:00 bo.push taken",
            "491:00 bo.text taken",
            "495:00 ada.text clear",
            "495:00 bo.push clear",
            "495:00 bo.text clear",
            "540:00 bo.push call",
            "540:00 bo.text call",
        ],
    );
}

#[test]
fn a_way_that_puts_off_gives_way_to_the_next_and_is_called_off_by_an_answer() {
    let mut pier = Pier::by_day("power critical storm");
    pier.0.site.channel("ada.text", Channel::Defers);
    pier.at(0, |it| it.raise("power"));
    pier.at(1, |it| it.answer("bo", "power"));
    pier.0.site.channel("ada.text", Channel::Works);
    pier.at(2, |it| it.clear("power"));
    // Half a minute later it was tried once more, and not after the answer; nobody has told Ada.
    pier.tells(
        10,
        &[
            "0:00 ada.text call",
            "0:00 siren call",
            "0:00 bo.text call",
            "0:30 ada.text call",
            "1:00 siren taken",
            "4:00 bo.text clear",
        ],
    );
}
