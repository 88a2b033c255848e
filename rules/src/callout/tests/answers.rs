//! What an answer holds back, for how long, and what follows when it ends.

use super::night::*;
use crate::callout::bounds::Bound;
use crate::callout::decide::Reply;
use crate::callout::event::Event;
use crate::callout::facts::Block;
use crate::callout::table::Stage;
use crate::record::PageFate;

fn bound(night: &Night) -> (i64, Option<Bound>) {
    match night.reply {
        Some(Reply::Holds(lease)) => (lease.length.0 / 60_000, lease.bound),
        other => panic!("{other:?}"),
    }
}

#[test]
fn an_answer_is_told_to_the_others_and_holds_for_the_lease() {
    let mut night = Night::new(House::new());
    night.raise("leak", CRITICAL, "household");
    night.wait(minutes(15));
    night.told();
    night.answer("leak", "ines");
    assert_eq!(night.told(), ["neighbour.text taken"]);
    night.wait(minutes(60) - seconds(1));
    assert_eq!(night.told(), [""; 0]);
    night.wait(seconds(1));
    assert_eq!(night.told(), ["ines.mail asked", "ines.push asked", "ines.text asked"], "alone");
    assert_eq!(night.call().stage(), Stage::Asking);
}

#[test]
fn without_a_word_the_climb_goes_on_after_the_last_rung_and_tells_all_before_it_again() {
    let mut night = Night::new(House::new());
    night.raise("leak", CRITICAL, "household");
    night.wait(minutes(5));
    night.answer("leak", "ines");
    night.wait(minutes(60));
    night.told();
    night.wait(minutes(10));
    assert_eq!(night.told(), ["ines.push", "siren", "ines.text", "neighbour.text"]);
    assert_eq!(night.call().stage(), Stage::Climbing);
}

#[test]
fn the_same_person_answers_again_and_nobody_else_hears_of_it() {
    let mut night = Night::new(House::new());
    night.raise("leak", CRITICAL, "household");
    night.wait(minutes(15));
    night.answer("leak", "ines");
    night.wait(minutes(65));
    night.told();
    night.answer("leak", "ines");
    night.wait(minutes(59));
    assert_eq!(night.told(), [""; 0]);
    assert_eq!(night.call().stage(), Stage::Answered);
}

#[test]
fn a_later_answer_replaces_the_earlier_and_whoever_gave_that_learns_of_it() {
    let mut night = Night::new(House::new());
    night.raise("leak", CRITICAL, "household");
    night.wait(minutes(15));
    night.answer("leak", "ines");
    night.told();
    night.answer("leak", "neighbour");
    assert_eq!(night.told(), ["ines.push taken", "ines.text taken"]);
    assert_eq!(night.call().answerer().map(|by| by.who.as_str()), Some("neighbour"));
}

#[test]
fn whoever_is_no_contact_is_not_asked_the_next_person_is() {
    let mut night = Night::new(House::new());
    night.raise("leak", CRITICAL, "household");
    night.answer("leak", "somebody at the console");
    night.told();
    night.wait(minutes(60));
    assert_eq!(night.told(), ["ines.push", "siren", "ines.text"]);
}

#[test]
fn if_all_ways_of_asking_fail_others_are_called_at_once() {
    let mut night = Night::new(House::new());
    night.raise("leak", CRITICAL, "household");
    night.answer("leak", "ines");
    night.wait(minutes(60));
    night.told();
    night.fail("ines.mail", PageFate::Waits);
    night.fail("ines.push", PageFate::Lost);
    assert_eq!(night.told(), [""; 0]);
    night.fail("ines.text", PageFate::Lost);
    assert_eq!(night.told(), ["ines.push", "siren", "ines.text"]);
}

#[test]
fn worse_while_asking_breaks_through() {
    let mut night = Night::new(House::new());
    night.raise("leak", CRITICAL, "household");
    night.wait(minutes(5));
    night.answer("leak", "ines");
    night.wait(minutes(60));
    night.told();
    night.worse("leak");
    assert_eq!(night.told(), ["ines.mail", "ines.push", "ines.text", "siren"]);
    assert_eq!(night.call().stage(), Stage::Climbing);
}

#[test]
fn a_person_names_a_time_and_no_answer_holds_longer_than_the_longest_lease() {
    let mut night = Night::new(House::new());
    night.raise("leak", HIGH, "household");
    night.answer_for("leak", "ines", Some(minutes(150)));
    assert_eq!(bound(&night), (150, None));
    night.answer_for("leak", "ines", Some(minutes(13 * 60)));
    assert_eq!(bound(&night), (12 * 60, Some(Bound::Longest)));
}

#[test]
fn no_answer_holds_beyond_the_early_end_of_a_deadly_harm() {
    let mut night = Night::new(House::new());
    night.raise("no-flow", CRITICAL, "household");
    let episode = night.episode("no-flow");
    night.house.deadly.insert(episode, night.now + minutes(25));
    night.answer("no-flow", "ines");
    assert_eq!(bound(&night), (25, Some(Bound::Harm)));
    night.told();
    night.wait(minutes(25));
    assert_eq!(night.call().stage(), Stage::Asking);
}

#[test]
fn a_deadly_harm_that_may_be_now_still_leaves_ten_minutes_to_whoever_answered() {
    let mut night = Night::new(House::new());
    night.raise("no-flow", CRITICAL, "household");
    let episode = night.episode("no-flow");
    night.house.deadly.insert(episode, night.now);
    night.answer("no-flow", "ines");
    assert_eq!(bound(&night), (10, Some(Bound::Harm)));
}

#[test]
fn no_answer_holds_beyond_ten_minutes_before_the_watch_goes_dark() {
    let mut night = Night::new(House::new());
    night.raise("power-lost", CRITICAL, "household");
    night.house.dark = Some(night.now + minutes(50));
    night.answer("power-lost", "ines");
    assert_eq!(bound(&night), (40, Some(Bound::Power)));
}

#[test]
fn the_answer_of_somebody_who_is_away_holds_ten_minutes_and_then_others_are_called() {
    let mut night = Night::new(House::new());
    night.raise("leak", HIGH, "household");
    night.house.blocks.insert("rui".to_owned(), Block::Away);
    night.answer("leak", "rui");
    assert_eq!(bound(&night), (10, Some(Bound::Away)));
    night.told();
    night.wait(minutes(10));
    assert_eq!(night.told(), ["ines.push", "ines.text"]);
}

#[test]
fn the_rank_falls_under_an_answer_that_stays_and_at_its_end_the_fallen_rank_counts() {
    let mut night = Night::new(House::new().cause("power-lost", &["cooling"]));
    night.raise("power-lost", CRITICAL, "household");
    night.raise("cooling", LOW, "mild");
    night.answer("power-lost", "ines");
    night.wait(minutes(5));
    night.clear("power-lost");
    night.clear_latching("cooling", false);
    night.raise("cooling", LOW, "mild");
    night.told();
    night.wait(minutes(55));
    assert_eq!(night.told(), ["ines.mail asked", "ines.push asked", "ines.text asked"]);
    night.wait(minutes(10));
    assert_eq!(night.told(), ["ines.mail"], "the mild ladder was never climbed: its rung 0");
}

#[test]
fn at_the_leases_end_with_only_low_left_in_quiet_hours_it_is_held() {
    let mut night = Night::new(House::new().cause("power-lost", &["cooling"]));
    night.raise("power-lost", CRITICAL, "household");
    night.raise("cooling", LOW, "mild");
    night.answer("power-lost", "ines");
    night.house.quiet = Some((night.now, night.now + minutes(8 * 60)));
    night.wait(minutes(5));
    night.clear("power-lost");
    night.told();
    night.wait(minutes(7 * 60));
    assert_eq!(night.told(), [""; 0]);
    assert_eq!(night.call().stage(), Stage::Held);
    night.wait(minutes(60));
    assert_eq!(night.told(), ["ines.mail"]);
}

#[test]
fn a_latched_leak_that_nobody_answered_stands_on_and_gets_no_all_clear() {
    let mut night = Night::new(House::new());
    night.raise("leak", CRITICAL, "household");
    night.told();
    night.clear_latching("leak", true);
    night.wait(minutes(15));
    assert_eq!(night.told(), ["ines.text", "neighbour.text"]);
    night.answer("leak", "ines");
    assert_eq!(night.told(), ["neighbour.text taken"]);
    night.wait(minutes(2));
    assert_eq!(
        night.told(),
        ["ines.push all clear", "ines.text all clear", "neighbour.text all clear"],
        "once it is answered"
    );
}

#[test]
fn a_latched_leak_that_was_answered_is_over_when_it_dries() {
    let mut night = Night::new(House::new());
    night.raise("leak", CRITICAL, "household");
    night.answer("leak", "ines");
    night.told();
    night.clear_latching("leak", true);
    assert_eq!(night.call().stage(), Stage::Settling);
    night.wait(minutes(2));
    assert_eq!(night.told(), ["ines.push all clear"]);
}

#[test]
fn a_latched_leak_that_came_after_the_answer_is_what_asking_asks_about() {
    let mut night = Night::new(House::new().cause("pump-burst", &["leak"]));
    night.raise("pump-burst", CRITICAL, "household");
    night.answer("pump-burst", "ines");
    night.raise("leak", HIGH, "household");
    night.clear_latching("leak", true);
    night.clear("pump-burst");
    night.told();
    night.wait(minutes(60));
    assert_eq!(night.call().stage(), Stage::Asking);
    assert_eq!(night.headline(), "leak");
}

#[test]
fn a_heater_cut_by_the_watch_stands_until_a_person_switches_it_back() {
    let mut night = Night::new(House::new());
    night.raise("heater-stuck", CRITICAL, "household");
    let (id, episode) = (night.call().id, night.episode("heater-stuck"));
    night.event(id, Event::Hand { episode, awaited: true });
    night.told();
    night.clear("heater-stuck");
    night.wait(minutes(5));
    assert_eq!(night.told(), ["ines.text"], "somebody must look");
    night.event(id, Event::Hand { episode, awaited: false });
    night.wait(minutes(2));
    assert_eq!(night.told(), ["ines.push all clear", "ines.text all clear"]);
}

#[test]
fn the_next_person_is_called_at_once_and_the_ladder_keeps_its_times() {
    let mut night = Night::new(House::new());
    night.raise("leak", CRITICAL, "household");
    night.told();
    night.next("ines");
    assert_eq!(night.told(), ["ines.text"]);
    assert_eq!(night.reply, Some(Reply::NextIsCalled));
    night.wait(minutes(15) - seconds(1));
    assert_eq!(night.told(), [""; 0]);
    night.wait(seconds(1));
    assert_eq!(night.told(), ["neighbour.text"]);
}

#[test]
fn next_under_an_answer_calls_the_rung_after_the_last_reached() {
    let mut night = Night::new(House::new());
    night.raise("leak", CRITICAL, "household");
    night.wait(minutes(5));
    night.answer("leak", "ines");
    night.told();
    night.next("ines");
    assert_eq!(night.told(), ["neighbour.text"]);
    assert_eq!(night.call().stage(), Stage::Climbing);
}

#[test]
fn the_last_person_who_presses_next_learns_that_there_is_nobody_else_and_again_in_ten_minutes() {
    let mut night = Night::new(House::new());
    night.raise("leak", CRITICAL, "household");
    night.wait(minutes(15));
    night.told();
    night.next("neighbour");
    assert_eq!(night.reply, Some(Reply::NobodyElse));
    assert_eq!(night.told(), ["ines.push", "siren", "ines.text", "neighbour.text"]);
    night.wait(minutes(10));
    assert_eq!(night.told(), ["neighbour.text nobody else"]);
    night.wait(minutes(4));
    assert_eq!(night.told(), [""; 0]);
}

#[test]
fn what_the_last_person_asked_for_is_forgotten_once_somebody_answers() {
    let mut night = Night::new(House::new());
    night.raise("leak", CRITICAL, "household");
    night.wait(minutes(15));
    night.next("neighbour");
    night.answer("leak", "ines");
    night.told();
    night.wait(minutes(30));
    assert_eq!(night.told(), [""; 0]);
}

#[test]
fn the_last_standing_member_put_aside_tells_by_whom_and_there_is_no_all_clear() {
    let mut night = Night::new(House::new());
    night.raise("leak", CRITICAL, "household");
    night.wait(minutes(15));
    night.told();
    night.put_aside("leak", "rui");
    assert_eq!(night.told(), ["ines.push put aside", "ines.text put aside", "neighbour.text put aside"]);
    night.wait(minutes(60));
    assert_eq!(night.told(), [""; 0]);
    assert!(night.open().is_empty());
}

#[test]
fn the_all_clear_goes_once_to_those_who_were_told() {
    let mut night = Night::new(House::new());
    night.raise("leak", CRITICAL, "household");
    night.wait(minutes(5));
    night.told();
    night.clear("leak");
    night.wait(minutes(2) - seconds(1));
    assert_eq!(night.told(), [""; 0]);
    night.wait(minutes(60));
    assert_eq!(night.told(), ["ines.push all clear", "ines.text all clear"]);
}
