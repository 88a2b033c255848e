//! How ladders are climbed: failing pages, sleeping people, a battery that ends.

use super::night::*;
use crate::callout::event::Event;
use crate::callout::facts::Block;
use crate::callout::siren::{Siren, SirenChange};
use crate::plan::SirenLimits as Limits;
use crate::plan::Target;
use crate::record::{CallMessage, PageFate};

#[test]
fn rungs_are_told_in_their_time_and_the_last_repeats() {
    let mut night = Night::new(House::new());
    night.raise("cold", HIGH, "household");
    assert_eq!(night.told(), ["ines.push"]);
    night.wait(minutes(5));
    assert_eq!(night.told(), ["ines.text"]);
    night.wait(minutes(10));
    assert_eq!(night.told(), ["neighbour.text"]);
    night.wait(minutes(30));
    assert_eq!(night.told(), ["neighbour.text", "neighbour.text"]);
}

#[test]
fn a_rung_whose_pages_all_fail_gives_way_to_the_next_at_once() {
    let mut night = Night::new(House::new());
    night.raise("cold", CRITICAL, "household");
    night.told();
    night.fail("ines.push", PageFate::Lost);
    assert_eq!(night.told(), ["ines.text"]);
    night.fail("ines.text", PageFate::Waits);
    assert_eq!(night.told(), ["neighbour.text"]);
    night.fail("neighbour.text", PageFate::Lost);
    assert_eq!(night.told(), [""; 0], "the last waits its time");
    night.wait(minutes(15));
    assert!(night.told().contains(&"neighbour.text".to_owned()));
}

#[test]
fn a_page_that_certainly_did_not_arrive_told_nobody() {
    let mut night = Night::new(House::new());
    night.raise("cold", HIGH, "household");
    night.fail("ines.push", PageFate::Lost);
    night.clear("cold");
    night.told();
    night.wait(minutes(2));
    assert_eq!(night.told(), ["ines.text all clear"]);
}

#[test]
fn whoever_sleeps_is_passed_over_and_the_next_rung_is_taken() {
    let mut house = House::new();
    house.blocks.insert("ines".to_owned(), Block::Hours);
    let mut night = Night::new(house);
    night.raise("cold", HIGH, "household");
    assert_eq!(night.told(), ["neighbour.text"]);
}

#[test]
fn if_all_sleep_the_first_rung_wakes_its_people() {
    let mut house = House::new();
    house.blocks.insert("ines".to_owned(), Block::Hours);
    house.blocks.insert("neighbour".to_owned(), Block::Hours);
    let mut night = Night::new(house);
    night.raise("cold", HIGH, "household");
    assert_eq!(night.told(), ["ines.push"]);
}

#[test]
fn after_one_round_something_critical_asks_people_outside_their_hours_and_those_away_last() {
    let mut house = House::new();
    house.ladders.insert(
        "long".to_owned(),
        ladder("long", &[(0, &["ines.push"]), (5, &["rui.text"]), (10, &["neighbour.text"])]),
    );
    house.blocks.insert("rui".to_owned(), Block::Hours);
    house.blocks.insert("neighbour".to_owned(), Block::Away);
    let mut night = Night::new(house);
    night.raise("cold", CRITICAL, "long");
    assert_eq!(night.told(), ["ines.push"]);
    night.wait(minutes(5));
    assert_eq!(night.told(), ["ines.push"], "the rest of the ladder reaches nobody: the round is over");
    night.wait(minutes(15));
    assert_eq!(night.told(), ["rui.text"]);
    night.wait(minutes(15));
    assert_eq!(night.told(), ["neighbour.text", "rui.text"]);
}

#[test]
fn whoever_never_wants_to_be_woken_is_not() {
    let mut house = House::new();
    house.blocks.insert("neighbour".to_owned(), Block::Never);
    let mut night = Night::new(house);
    night.raise("cold", CRITICAL, "household");
    night.wait(minutes(120));
    assert!(night.told().iter().all(|told| !told.starts_with("neighbour")));
}

#[test]
fn something_high_never_asks_anyone_outside_their_hours_while_somebody_else_can_be() {
    let mut house = House::new();
    house.blocks.insert("neighbour".to_owned(), Block::Hours);
    let mut night = Night::new(house);
    night.raise("cold", HIGH, "household");
    night.wait(minutes(120));
    assert!(night.told().iter().all(|told| !told.starts_with("neighbour")));
}

#[test]
fn all_rungs_go_before_the_watchs_own_power_ends() {
    let mut house = House::new();
    house.dark = Some(house.now + minutes(17));
    let mut night = Night::new(house);
    night.raise("power-lost", CRITICAL, "household");
    night.told();
    night.wait(minutes(7));
    assert_eq!(night.told(), ["ines.text", "neighbour.text"], "10 min before, not after 15");
}

#[test]
fn a_watch_that_goes_dark_tells_all_told_and_the_next_rung_through_any_answer() {
    let mut night = Night::new(House::new());
    night.raise("power-lost", CRITICAL, "household");
    night.wait(minutes(5));
    night.answer("power-lost", "ines");
    night.told();
    let id = night.call().id;
    night.event(id, Event::GoesDark);
    assert_eq!(night.told(), ["ines.mail", "ines.push", "ines.text", "siren", "neighbour.text"]);
}

fn wish(siren: &Siren, night: &Night) -> bool {
    let target = Target::parse("siren");
    siren.wish(&target, Limits::default(), night.calls.values(), night.now).on
}

#[test]
fn a_siren_sounds_three_minutes_a_rung_and_stops_at_an_answer() {
    let mut night = Night::new(House::new());
    let siren = Siren::default();
    night.raise("leak", CRITICAL, "household");
    assert!(wish(&siren, &night));
    night.wait(minutes(3) - seconds(1));
    assert!(wish(&siren, &night));
    night.wait(seconds(1));
    assert!(!wish(&siren, &night));
    night.worse("leak");
    assert!(wish(&siren, &night), "told again");
    night.answer("leak", "ines");
    assert!(!wish(&siren, &night));
}

#[test]
fn a_siren_is_hushed_once_when_its_rung_has_had_its_time_or_somebody_answers() {
    let hushes = |night: &Night| {
        night.pages.iter().filter(|page| page.message == CallMessage::Hush && page.target == "siren").count()
    };
    let mut night = Night::new(House::new());
    night.raise("leak", CRITICAL, "household");
    night.wait(minutes(3));
    assert_eq!(hushes(&night), 1);
    night.wait(minutes(1));
    night.worse("leak");
    night.wait(minutes(1));
    night.answer("leak", "ines");
    night.clear("leak");
    night.wait(minutes(30));
    assert_eq!(hushes(&night), 2);
}

#[test]
fn one_call_outs_end_does_not_silence_the_siren_of_another() {
    let mut night = Night::new(House::new());
    let siren = Siren::default();
    night.raise("leak", CRITICAL, "household");
    night.wait(minutes(1));
    night.raise("cold", CRITICAL, "household");
    assert_eq!(night.open().len(), 2);
    night.answer("leak", "ines");
    assert!(wish(&siren, &night));
    night.answer("cold", "ines");
    assert!(!wish(&siren, &night));
}

#[test]
fn a_siren_does_not_sound_for_what_is_left_below_the_rank_it_was_told_for() {
    let mut night = Night::new(House::new().cause("power-lost", &["cooling"]));
    let siren = Siren::default();
    night.raise("power-lost", CRITICAL, "household");
    night.raise("cooling", LOW, "mild");
    assert!(wish(&siren, &night));
    night.clear("power-lost");
    assert!(!wish(&siren, &night));
}

#[test]
fn a_siren_has_a_quarter_of_an_hour_in_any_hour() {
    let mut night = Night::new(House::new());
    let mut siren = Siren::default();
    night.raise("leak", CRITICAL, "household");
    for _ in 0..5 {
        assert!(wish(&siren, &night));
        siren.apply(SirenChange::Wish { on: true }, 1, night.now);
        night.wait(minutes(3));
        siren.apply(SirenChange::Wish { on: false }, 2, night.now);
        night.worse("leak");
    }
    assert!(!wish(&siren, &night));
    night.wait(minutes(46));
    night.worse("leak");
    assert!(wish(&siren, &night));
}

#[test]
fn a_hush_is_ten_minutes_and_answers_nothing() {
    let mut night = Night::new(House::new());
    let mut siren = Siren::default();
    night.raise("leak", CRITICAL, "household");
    siren.apply(SirenChange::Hushed { length: crate::callout::siren::HUSH }, 1, night.now);
    assert!(!wish(&siren, &night));
    night.wait(minutes(10));
    night.worse("leak");
    assert!(wish(&siren, &night));
    assert!(night.call().answer.is_none());
}
