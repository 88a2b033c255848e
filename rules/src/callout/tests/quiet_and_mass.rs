//! What waits for the morning, and what comes all at once.

use super::night::*;
use crate::callout::loss::{Silent, is_one, patience};
use crate::callout::table::Stage;
use crate::time::{Moment, Span};

fn at_night() -> House {
    let mut house = House::new().cause("power-lost", &["cooling"]);
    house.quiet = Some((Moment(0), Moment(0) + minutes(8 * 60)));
    house
}

#[test]
fn something_low_waits_for_the_end_of_quiet_and_then_climbs_its_whole_ladder() {
    let mut night = Night::new(at_night());
    night.raise("salt-low", LOW, "mild");
    night.wait(minutes(8 * 60) - seconds(1));
    assert_eq!(night.told(), [""; 0]);
    night.wait(seconds(1));
    assert_eq!(night.told(), ["ines.mail"]);
    night.wait(minutes(30));
    assert_eq!(night.told(), ["rui.mail"]);
}

#[test]
fn something_low_that_came_and_went_is_told_once_in_the_morning() {
    let mut night = Night::new(at_night());
    night.raise("salt-low", LOW, "mild");
    night.wait(minutes(60));
    night.clear("salt-low");
    night.wait(minutes(7 * 60));
    assert_eq!(night.told(), ["ines.mail morning"]);
    assert!(night.open().is_empty());
}

#[test]
fn a_medium_alarm_is_held_only_if_its_time_to_respond_ends_an_hour_after_quiet_or_later() {
    let mut house = at_night();
    house.respond.insert("slow".to_owned(), minutes(10 * 60));
    house.respond.insert("soon".to_owned(), minutes(8 * 60 + 30));
    let mut night = Night::new(house);
    night.raise("slow", MEDIUM, "mild");
    assert_eq!(night.told(), [""; 0]);
    night.raise("soon", MEDIUM, "mild");
    assert_eq!(night.told(), ["ines.mail"]);
    night.raise("unknown", MEDIUM, "household");
    assert_eq!(night.told(), ["ines.push"], "without a time to respond it is not held");
}

#[test]
fn nothing_is_held_whose_forecast_harm_comes_earlier() {
    let mut night = Night::new(at_night());
    night.raise("cooling", LOW, "mild");
    assert_eq!(night.told(), [""; 0]);
    let episode = night.episode("cooling");
    night.house.harm.insert(episode, night.now + minutes(300));
    night.wait(minutes(1));
    assert_eq!(night.told(), ["ines.mail"]);
}

#[test]
fn something_critical_takes_only_its_kin_out_of_what_is_held() {
    let mut night = Night::new(at_night());
    night.raise("salt-low", LOW, "mild");
    night.raise("cooling", LOW, "mild");
    night.wait(minutes(10));
    night.raise("power-lost", CRITICAL, "household");
    assert_eq!(night.told(), ["ines.push", "siren"]);
    let stages: Vec<_> = night.open().iter().map(|call| call.stage()).collect();
    assert_eq!(stages, [Stage::Held, Stage::Climbing]);
}

#[test]
fn what_is_held_is_one_page_in_the_morning_whose_code_answers_all_of_it() {
    let mut night = Night::new(at_night());
    night.raise("salt-low", LOW, "mild");
    night.raise("filter-old", LOW, "mild");
    night.raise("cooling", LOW, "mild");
    night.wait(minutes(8 * 60));
    assert_eq!(night.told(), ["ines.mail"]);
    night.answer("salt-low", "ines");
    assert_eq!(night.call().stage(), Stage::Climbing, "a member's own code answers only that member");
    let code = night.call().code.clone();
    night.answer_code(&code, "ines", None);
    assert_eq!(night.call().stage(), Stage::Answered);
}

#[test]
fn when_the_critical_cause_returns_at_night_what_is_low_is_held_again() {
    let mut night = Night::new(at_night());
    night.raise("cooling", LOW, "mild");
    night.wait(minutes(10));
    night.raise("power-lost", CRITICAL, "household");
    night.told();
    night.wait(minutes(1));
    night.clear("power-lost");
    night.wait(minutes(60));
    assert_eq!(night.told(), [""; 0]);
    assert_eq!(night.call().stage(), Stage::Held);
}

#[test]
fn the_critical_cause_back_within_settle_goes_on_where_it_was_out_of_the_hold() {
    let mut night = Night::new(at_night());
    night.raise("cooling", LOW, "mild");
    night.raise("power-lost", CRITICAL, "household");
    night.told();
    night.wait(minutes(1));
    night.clear("power-lost");
    night.wait(minutes(1));
    night.raise("power-lost", CRITICAL, "household");
    assert_eq!(night.told(), [""; 0]);
    night.wait(minutes(3));
    assert_eq!(night.told(), ["ines.text"]);
}

#[test]
fn a_climb_that_quiet_hours_meet_waits_for_their_end() {
    let mut house = House::new();
    house.quiet = Some((Moment(0) + minutes(10), Moment(0) + minutes(500)));
    let mut night = Night::new(house);
    night.raise("salt-low", LOW, "mild");
    assert_eq!(night.told(), ["ines.mail"]);
    night.wait(minutes(499));
    assert_eq!(night.told(), [""; 0]);
    night.wait(minutes(1));
    assert_eq!(night.told(), ["ines.mail"]);
}

#[test]
fn quiet_hours_never_hold_what_is_high_or_critical() {
    for rank in [HIGH, CRITICAL] {
        let mut night = Night::new(at_night());
        night.raise("leak", rank, "household");
        assert!(night.told().contains(&"ines.push".to_owned()));
    }
}

#[test]
fn six_alarms_in_one_turn_are_one_mass_with_counts_and_the_worst_eight_named() {
    let mut night = Night::new(House::new());
    let alarms: Vec<String> = (0..20).map(|n| format!("probe-{n}")).collect();
    night.raise_at_once(&alarms, HIGH, "household");
    assert_eq!(night.told(), ["ines.push"]);
    let call = night.call();
    let (named, more) = call.named(&night.house, night.now);
    assert_eq!((named.len(), more), (8, 12));
    assert_eq!(call.counts(), [("lagoon", 20)]);
}

#[test]
fn what_a_mass_only_lists_is_found_without_carrying_it_out_and_is_the_same() {
    for (ladder, ranks) in [("household", [HIGH, MEDIUM, LOW]), ("mild", [CRITICAL, HIGH, LOW])] {
        let mut night = Night::new(House::new());
        for (n, rank) in ranks.into_iter().enumerate() {
            let alarms: Vec<String> = (0..20).map(|probe| format!("probe-{n}-{probe}")).collect();
            night.raise_at_once(&alarms, rank, ladder);
        }
        let raised = night.shortened;
        assert!(raised > 40, "{raised} of 60");
        for n in (0..3).rev() {
            (0..20).for_each(|probe| night.clear(&format!("probe-{n}-{probe}")));
        }
        assert!(night.shortened > raised + 40, "{} of 60", night.shortened - raised);
    }
}

#[test]
fn five_alarms_in_one_turn_are_five_call_outs() {
    let mut night = Night::new(House::new());
    let alarms: Vec<String> = (0..5).map(|n| format!("probe-{n}")).collect();
    night.raise_at_once(&alarms, HIGH, "household");
    assert_eq!(night.open().len(), 5);
}

#[test]
fn from_the_sixth_call_out_within_five_seconds_on_they_are_one_mass() {
    let mut night = Night::new(House::new());
    for n in 0..9 {
        night.raise(&format!("probe-{n}"), HIGH, "household");
        night.wait(seconds(1) - crate::time::Span::millis(500));
    }
    assert_eq!(night.open().len(), 6);
    assert_eq!(night.told().len(), 6, "five alone, and the mass once");
    night.wait(seconds(10));
    night.raise("later", HIGH, "household");
    assert_eq!(night.open().len(), 7, "the storm is over");
}

#[test]
fn kin_join_their_cause_and_not_the_mass() {
    let alarms: Vec<String> = (0..8).map(|n| format!("probe-{n}")).collect();
    let names: Vec<&str> = alarms.iter().map(String::as_str).collect();
    let mut night = Night::new(House::new().cause("broker-lost", &names));
    night.raise("broker-lost", HIGH, "household");
    night.told();
    night.raise_at_once(&alarms, LOW, "household");
    assert_eq!(night.told(), [""; 0]);
    assert_eq!(night.call().members.len(), 9);
}

#[test]
fn in_a_mass_the_pages_code_answers_all_and_a_members_own_only_that_member() {
    let mut night = Night::new(House::new());
    let alarms: Vec<String> = (0..6).map(|n| format!("probe-{n}")).collect();
    night.raise_at_once(&alarms, HIGH, "household");
    night.answer("probe-3", "ines");
    assert_eq!(night.call().stage(), Stage::Climbing);
    night.told();
    night.wait(minutes(5));
    assert_eq!(night.told(), ["ines.text"], "the others are still asked for");
    let code = night.call().code.clone();
    night.answer_code(&code, "ines", None);
    assert_eq!(night.call().stage(), Stage::Answered);
}

#[test]
fn members_of_a_mass_that_were_answered_one_by_one_are_asked_for_again_when_their_leases_end() {
    let mut night = Night::new(House::new());
    let alarms: Vec<String> = (0..6).map(|n| format!("probe-{n}")).collect();
    night.raise_at_once(&alarms, CRITICAL, "household");
    for alarm in &alarms {
        night.answer(alarm, "ines");
    }
    night.told();
    night.wait(minutes(59));
    assert_eq!(night.told(), [""; 0]);
    night.wait(minutes(1));
    assert!(night.told().contains(&"ines.text".to_owned()), "the climb goes on");
}

#[test]
fn an_answer_to_one_call_out_never_answers_another() {
    let mut night = Night::new(House::new());
    night.raise("leak", HIGH, "household");
    night.raise("cold", HIGH, "household");
    night.answer("leak", "ines");
    let stages: Vec<_> = night.open().iter().map(|call| call.stage()).collect();
    assert_eq!(stages, [Stage::Answered, Stage::Climbing]);
}

#[test]
fn any_members_code_answers_its_whole_call_out() {
    let mut night = Night::new(House::new().cause("power-lost", &["cooling"]));
    night.raise("power-lost", CRITICAL, "household");
    night.raise("cooling", LOW, "mild");
    night.answer("cooling", "ines");
    assert_eq!(night.call().stage(), Stage::Answered);
}

#[test]
fn a_flickering_cause_is_one_call_out_and_one_all_clear() {
    let mut night = Night::new(House::new());
    night.raise_flickering("power-lost", CRITICAL, "household");
    night.answer("power-lost", "ines");
    night.told();
    for _ in 0..6 {
        night.clear("power-lost");
        night.wait(minutes(40));
        night.raise_flickering("power-lost", CRITICAL, "household");
        night.answer("power-lost", "ines");
    }
    assert_eq!(night.told(), [""; 0]);
    night.clear("power-lost");
    night.wait(minutes(60));
    assert_eq!(night.told(), ["ines.push all clear"]);
}

/// What said its last good word on this topic then.
fn silent(topic: &str, last: Span) -> Silent<'_> {
    Silent { topic: Some(topic), gateway: None, last: Moment(0) + last, every: seconds(30) }
}

#[test]
fn topics_of_one_board_that_dies_are_one_loss() {
    assert!(is_one(&silent("room2/board/1", seconds(0)), &silent("room2/board/2", seconds(30)), |_| true));
    assert!(is_one(&silent("board", seconds(0)), &silent("board", seconds(0)), |_| true));
}

#[test]
fn sensors_last_heard_at_different_times_or_under_a_root_that_still_speaks_are_losses_apart() {
    assert!(!is_one(&silent("room/x/a", seconds(0)), &silent("room/x/b", seconds(31)), |_| false));
    let cousins = (silent("room/x/a", seconds(0)), silent("room/y/b", seconds(1)));
    assert!(!is_one(&cousins.0, &cousins.1, |root| root == "room"));
    assert!(is_one(&cousins.0, &cousins.1, |_| false));
}

#[test]
fn a_shared_gateway_is_one_loss_whenever_each_was_noticed() {
    let behind = |topic, last| Silent { gateway: Some("radio"), ..silent(topic, last) };
    assert!(is_one(&behind("a/x", seconds(0)), &behind("b/y", minutes(50)), |_| true));
}

/// A board of three, of which one is noticed later.
fn board(night: &mut Night) {
    night.house.patience =
        [("sight-temp", minutes(60)), ("sight-flow", minutes(20)), ("sight-ph", minutes(90))]
            .map(|(alarm, wait)| (alarm.to_owned(), Moment(0) + wait))
            .into();
}

#[test]
fn a_loss_of_sight_is_one_page_after_the_time_of_its_shortest_danger() {
    let mut night = Night::new(House::new());
    board(&mut night);
    night.raise("sight-temp", HIGH, "household");
    night.raise("sight-flow", HIGH, "household");
    night.wait(minutes(10));
    night.raise("sight-ph", LOW, "household");
    night.wait(seconds(599));
    assert_eq!(night.told(), [""; 0]);
    night.wait(seconds(1));
    assert_eq!(night.told(), ["ines.push"]);
    assert_eq!(night.calls.len(), 1);
}

#[test]
fn a_loss_of_sight_that_is_over_in_time_is_told_to_nobody() {
    let mut night = Night::new(House::new());
    board(&mut night);
    night.raise("sight-flow", HIGH, "household");
    night.wait(minutes(19));
    night.clear("sight-flow");
    night.wait(minutes(30));
    assert_eq!(night.told(), [""; 0]);
    assert_eq!(night.calls.values().next().map(|call| call.stage()), Some(Stage::Over));
}

#[test]
fn what_can_be_seen_does_not_wait_with_what_can_not() {
    let mut night = Night::new(House::new().cause("sight-flow", &["cooling"]));
    board(&mut night);
    night.raise("sight-flow", HIGH, "household");
    night.raise("cooling", HIGH, "household");
    assert_eq!(night.told(), ["ines.push"]);
}

#[test]
fn no_siren_sounds_for_sight_alone_whatever_its_rank() {
    let mut night = Night::new(House::new());
    board(&mut night);
    night.raise("sight-flow", CRITICAL, "household");
    night.wait(minutes(120));
    let told = night.told();
    assert!(!told.is_empty() && told.iter().all(|page| !page.starts_with("siren")), "{told:?}");
}

#[test]
fn a_loss_of_sight_alone_waits_a_quarter_of_its_dangers_time_within_bounds() {
    assert_eq!(patience(Some(minutes(240))), minutes(60));
    assert_eq!(patience(Some(minutes(20))), minutes(15));
    assert_eq!(patience(Some(minutes(6_000))), minutes(120));
    assert_eq!(patience(None), minutes(15));
}
