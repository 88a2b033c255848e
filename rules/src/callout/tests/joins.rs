//! What joins which call-out, and what it does there.

use super::night::*;
use crate::callout::event::Event;
use crate::callout::table::Stage;
use crate::time::Moment;

fn house() -> House {
    House::new().cause("power-lost", &["return-stopped", "cooling", "heaters-off"])
}

#[test]
fn a_critical_alarm_that_joins_a_mild_call_out_climbs_its_own_ladder_from_rung_0() {
    let mut night = Night::new(house());
    night.raise("cooling", LOW, "mild");
    assert_eq!(night.told(), ["ines.mail"]);
    night.wait(minutes(10));
    night.raise("power-lost", CRITICAL, "household");
    assert_eq!(night.told(), ["ines.mail", "ines.push", "siren"], "those told get the news at once");
    assert_eq!(night.headline(), "power-lost");
    night.wait(minutes(15));
    assert_eq!(night.told(), ["ines.text", "neighbour.text"]);
    assert_eq!(night.open().len(), 1);
}

#[test]
fn a_consequence_after_its_cause_is_listed_and_pages_nobody() {
    let mut night = Night::new(house());
    night.raise("power-lost", CRITICAL, "household");
    assert_eq!(night.told(), ["ines.push", "siren"]);
    night.wait(minutes(1));
    night.raise("return-stopped", HIGH, "household");
    assert_eq!(night.told(), [""; 0]);
    night.wait(minutes(4));
    assert_eq!(night.told(), ["ines.text"]);
    assert_eq!(night.call().members.len(), 2);
}

#[test]
fn a_cause_after_its_consequence_joins_it_and_leads() {
    let mut night = Night::new(house());
    night.raise("return-stopped", HIGH, "household");
    assert_eq!(night.told(), ["ines.push"], "a siren is for what is critical");
    night.wait(minutes(1));
    night.raise("power-lost", CRITICAL, "household");
    assert_eq!(night.told(), ["ines.push", "siren"]);
    assert_eq!(night.headline(), "power-lost");
}

#[test]
fn a_second_critical_alarm_of_the_same_ladder_goes_within_five_minutes_to_those_told() {
    let mut night = Night::new(house());
    night.raise("power-lost", CRITICAL, "household");
    night.wait(minutes(6));
    assert_eq!(night.told(), ["ines.push", "siren", "ines.text"]);
    night.raise("heaters-off", CRITICAL, "household");
    assert_eq!(night.told(), [""; 0]);
    night.wait(minutes(5) - seconds(1));
    assert_eq!(night.told(), [""; 0]);
    night.wait(seconds(1));
    assert_eq!(night.told(), ["siren", "ines.push", "ines.text"]);
    assert_eq!(night.headline(), "heaters-off", "among equals what nobody was told yet");
    night.wait(minutes(4));
    assert_eq!(night.told(), ["neighbour.text"], "the climb goes on in its own time");
}

#[test]
fn a_second_critical_alarm_of_another_ladder_begins_that_one_too() {
    let mut night = Night::new(house());
    night.raise("power-lost", CRITICAL, "household");
    assert_eq!(night.told(), ["ines.push", "siren"]);
    night.wait(minutes(1));
    night.raise("heaters-off", CRITICAL, "mild");
    assert_eq!(night.told(), ["ines.mail"]);
    night.wait(minutes(30));
    let told = night.told();
    assert!(told.contains(&"neighbour.text".to_owned()) && told.contains(&"rui.mail".to_owned()), "{told:?}");
}

#[test]
fn a_critical_alarm_that_is_expected_breaks_no_answer_while_its_cause_stands() {
    let mut night = Night::new(House::new().expects("power-lost", &["heaters-off"]));
    night.raise("power-lost", CRITICAL, "household");
    night.answer("power-lost", "ines");
    night.told();
    night.wait(minutes(5));
    night.raise("heaters-off", CRITICAL, "household");
    assert_eq!(night.told(), [""; 0]);
    assert_eq!(night.call().stage(), Stage::Answered);
}

#[test]
fn a_critical_alarm_that_is_not_expected_breaks_through_to_whoever_answered_and_rung_0() {
    let mut night = Night::new(house());
    night.raise("power-lost", CRITICAL, "household");
    night.wait(minutes(5));
    night.answer("power-lost", "ines");
    night.told();
    night.raise("heaters-off", CRITICAL, "household");
    assert_eq!(night.told(), ["ines.mail", "ines.push", "ines.text", "siren"]);
    assert_eq!(night.headline(), "heaters-off");
    assert_eq!(night.call().stage(), Stage::Climbing);
}

#[test]
fn a_milder_alarm_breaks_no_answer() {
    let mut night = Night::new(house());
    night.raise("power-lost", CRITICAL, "household");
    night.answer("power-lost", "ines");
    night.told();
    night.raise("return-stopped", HIGH, "household");
    night.raise("cooling", LOW, "mild");
    assert_eq!(night.told(), [""; 0]);
    assert_eq!(night.call().stage(), Stage::Answered);
}

#[test]
fn an_alarm_above_the_answered_rank_breaks_through() {
    let mut night = Night::new(House::new().expects("power-lost", &["heaters-off"]));
    night.raise("power-lost", HIGH, "household");
    night.answer("power-lost", "ines");
    night.told();
    night.raise("heaters-off", CRITICAL, "household");
    assert_eq!(night.told(), ["ines.mail", "ines.push", "ines.text", "siren"]);
}

#[test]
fn a_member_back_within_settle_goes_on_where_it_was_without_a_page() {
    let mut night = Night::new(house());
    night.raise("power-lost", CRITICAL, "household");
    night.told();
    night.wait(minutes(1));
    night.clear("power-lost");
    assert_eq!(night.call().stage(), Stage::Settling);
    night.wait(minutes(1));
    night.raise("power-lost", CRITICAL, "household");
    assert_eq!(night.told(), [""; 0]);
    night.wait(minutes(3));
    assert_eq!(night.told(), ["ines.text"], "5 min after it began");
}

#[test]
fn mains_that_flap_over_a_standing_low_alarm_page_once() {
    let mut night = Night::new(house());
    night.raise("cooling", LOW, "mild");
    night.wait(minutes(10));
    night.raise("power-lost", CRITICAL, "household");
    night.told();
    for _ in 0..3 {
        night.wait(seconds(30));
        night.clear("power-lost");
        assert_eq!(night.call().asked_rank(night.now), Some(LOW));
        night.wait(seconds(30));
        night.raise("power-lost", CRITICAL, "household");
    }
    assert_eq!(night.told(), [""; 0], "the critical ladder goes on where it was");
    night.wait(minutes(2));
    assert_eq!(night.told(), ["ines.text"]);
}

#[test]
fn the_rank_falls_and_the_milder_ladder_goes_on_with_somebody_new_in_its_own_time() {
    let mut night = Night::new(house());
    night.raise("cooling", LOW, "mild");
    night.wait(minutes(5));
    night.raise("power-lost", CRITICAL, "household");
    night.wait(minutes(10));
    night.told();
    night.clear("power-lost");
    night.wait(minutes(14));
    assert_eq!(night.told(), [""; 0], "rui is due 30 min after the low alarm was raised");
    night.wait(minutes(1));
    assert_eq!(night.told(), ["rui.mail"]);
}

#[test]
fn what_was_listed_counts_as_raised_anew_when_its_cause_returned_and_its_on_delay_has_run() {
    let mut night = Night::new(house());
    night.raise("power-lost", CRITICAL, "household");
    night.wait(minutes(1));
    night.raise("return-stopped", HIGH, "household");
    night.wait(minutes(1));
    night.told();
    night.clear("power-lost");
    assert_eq!(night.told(), [""; 0]);
    night.wait(seconds(89));
    assert_eq!(night.told(), [""; 0]);
    night.wait(seconds(1));
    assert_eq!(night.told(), ["ines.push"], "the mains are back and the pump is not");
    assert_eq!(night.headline(), "return-stopped");
}

#[test]
fn what_recovers_within_its_on_delay_of_its_cause_pages_nobody_more() {
    let mut night = Night::new(house());
    night.raise("power-lost", CRITICAL, "household");
    night.raise("return-stopped", HIGH, "household");
    night.told();
    night.wait(minutes(2));
    night.clear("power-lost");
    night.wait(seconds(60));
    night.clear("return-stopped");
    night.wait(minutes(2));
    assert_eq!(night.told(), ["ines.push all clear"]);
    assert!(night.open().is_empty());
}

#[test]
fn a_critical_consequence_left_behind_by_its_cause_breaks_through_the_answer() {
    let mut night = Night::new(House::new().expects("power-lost", &["heaters-off"]));
    night.raise("power-lost", CRITICAL, "household");
    night.answer("power-lost", "ines");
    night.raise("heaters-off", CRITICAL, "household");
    night.told();
    night.clear("power-lost");
    assert_eq!(night.told(), [""; 0]);
    night.wait(seconds(90));
    assert_eq!(night.told(), ["ines.mail", "ines.push", "ines.text", "siren"]);
}

#[test]
fn a_cause_that_comes_back_takes_its_consequence_with_it_again() {
    let mut night = Night::new(House::new().expects("power-lost", &["heaters-off"]));
    night.raise("power-lost", CRITICAL, "household");
    night.answer("power-lost", "ines");
    night.raise("heaters-off", CRITICAL, "household");
    night.told();
    night.clear("power-lost");
    night.wait(seconds(60));
    night.raise("power-lost", CRITICAL, "household");
    night.wait(minutes(10));
    assert_eq!(night.told(), [""; 0]);
}

#[test]
fn an_alarm_that_two_call_outs_could_claim_joins_the_one_of_higher_rank() {
    let house = House::new().cause("broker-lost", &["cold"]).cause("power-lost", &["cold"]);
    let mut night = Night::new(house);
    night.raise("broker-lost", LOW, "mild");
    night.raise("power-lost", HIGH, "household");
    night.raise("cold", MEDIUM, "mild");
    let home = night.open().into_iter().find(|call| call.members.iter().any(|m| m.alarm == "cold"));
    assert_eq!(home.map(|call| call.members.first().expect("one").alarm.as_str()), Some("power-lost"));
    assert_eq!(night.open().len(), 2, "call-outs never merge");
}

#[test]
fn an_alarm_that_two_equal_call_outs_could_claim_joins_the_older() {
    let house = House::new().cause("broker-lost", &["cold"]).cause("power-lost", &["cold"]);
    let mut night = Night::new(house);
    night.raise("broker-lost", HIGH, "mild");
    night.raise("power-lost", HIGH, "household");
    night.raise("cold", MEDIUM, "mild");
    let home = night.open().into_iter().find(|call| call.members.iter().any(|m| m.alarm == "cold"));
    assert_eq!(home.map(|call| call.members.first().expect("one").alarm.as_str()), Some("broker-lost"));
}

#[test]
fn a_cause_long_returned_claims_nothing_any_more() {
    let mut night = Night::new(house().cause("x", &["y"]));
    night.raise("power-lost", CRITICAL, "household");
    night.raise("return-stopped", HIGH, "household");
    night.clear("power-lost");
    night.wait(minutes(3));
    night.raise("cooling", LOW, "mild");
    assert_eq!(night.open().len(), 2);
}

#[test]
fn the_loss_of_sight_of_an_open_alarm_belongs_to_its_call_out() {
    let mut house = House::new();
    house.hides.insert(("probe-silent".to_owned(), "cold".to_owned()));
    let mut night = Night::new(house);
    night.raise("cold", HIGH, "household");
    night.told();
    night.raise("probe-silent", LOW, "mild");
    assert_eq!(night.told(), [""; 0]);
    assert_eq!(night.call().members.len(), 2);
}

#[test]
fn the_loss_of_sight_of_an_open_alarm_that_nothing_else_sees_is_told_at_once_to_those_told() {
    let mut house = House::new();
    house.hides.insert(("probe-silent".to_owned(), "hot".to_owned()));
    house.patience.insert("probe-silent".to_owned(), Moment(0) + minutes(60));
    let mut night = Night::new(house);
    night.raise("hot", CRITICAL, "household");
    assert_eq!(night.told(), ["ines.push", "siren"]);
    night.wait(minutes(4));
    night.raise("probe-silent", HIGH, "household");
    assert_eq!(night.told(), ["ines.push"], "no siren for sight");
    night.answer("hot", "ines");
    night.told();
    night.clear("probe-silent");
    night.wait(minutes(5));
    night.raise("probe-silent", HIGH, "household");
    assert_eq!(night.told(), [""; 0], "whoever answered has it listed");
}

#[test]
fn what_gets_worse_tells_those_told_so_far_at_once() {
    let mut night = Night::new(house());
    night.raise("power-lost", CRITICAL, "household");
    night.wait(minutes(5));
    night.told();
    night.worse("power-lost");
    assert_eq!(night.told(), ["siren", "ines.push", "ines.text"]);
    night.wait(minutes(10));
    assert_eq!(night.told(), ["neighbour.text"], "the climb went on");
}

#[test]
fn what_gets_worse_below_the_asked_rank_is_listed() {
    let mut night = Night::new(house());
    night.raise("power-lost", CRITICAL, "household");
    night.raise("return-stopped", HIGH, "household");
    night.told();
    night.worse("return-stopped");
    assert_eq!(night.told(), [""; 0]);
}

#[test]
fn a_relay_that_does_not_obey_calls_all_rungs_of_all_ladders_whoever_answered() {
    let mut night = Night::new(house());
    night.raise("power-lost", CRITICAL, "household");
    night.raise("cooling", LOW, "mild");
    night.answer("power-lost", "ines");
    night.told();
    let (id, episode) = (night.call().id, night.episode("power-lost"));
    night.event(id, Event::Disobeyed(episode));
    let mut told = night.told();
    told.sort();
    assert_eq!(told, ["ines.mail", "ines.push", "ines.text", "neighbour.text", "rui.mail", "siren"]);
}

#[test]
fn an_air_pump_that_loses_its_proof_breaks_through_an_answer_and_else_tells_those_told() {
    let mut night = Night::new(house());
    night.raise("power-lost", CRITICAL, "household");
    night.told();
    let (id, episode) = (night.call().id, night.episode("power-lost"));
    night.event(id, Event::Unproved(episode));
    assert_eq!(night.told(), ["siren", "ines.push"]);
    night.answer("power-lost", "ines");
    night.told();
    night.event(id, Event::Unproved(episode));
    assert_eq!(night.told(), ["ines.mail", "ines.push", "ines.text", "siren"]);
}

#[test]
fn a_member_that_waits_for_its_cause_is_held_and_the_cause_leads() {
    let mut night = Night::new(house());
    night.raise_awaiting("return-stopped", HIGH, "household", Some(minutes(3)));
    assert_eq!(night.call().stage(), Stage::Held);
    night.wait(minutes(1));
    assert_eq!(night.told(), [""; 0]);
    night.raise("power-lost", CRITICAL, "household");
    assert_eq!(night.told(), ["ines.push", "siren"]);
    assert_eq!(night.headline(), "power-lost");
}

#[test]
fn a_held_member_climbs_when_its_cause_has_not_come() {
    let mut night = Night::new(house());
    night.raise_awaiting("return-stopped", HIGH, "household", Some(minutes(3)));
    night.wait(minutes(3) - seconds(1));
    assert_eq!(night.told(), [""; 0]);
    night.wait(seconds(1));
    assert_eq!(night.told(), ["ines.push"]);
}

#[test]
fn nothing_critical_is_held_longer_than_a_minute() {
    let mut night = Night::new(house());
    night.raise_awaiting("heaters-off", CRITICAL, "household", Some(minutes(10)));
    night.wait(seconds(59));
    assert_eq!(night.told(), [""; 0]);
    night.wait(seconds(1));
    assert_eq!(night.told(), ["ines.push", "siren"]);
}
