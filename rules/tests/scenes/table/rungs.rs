//! Rungs: when they fall due, what a failure does, who is asked outside their hours.

use super::{NIGHT, Night, people, rules};
use crate::harness::{Channel, hours};
use slackwater_rules::time::Span;

#[test]
fn a_rung_falls_due_and_its_people_are_told_and_the_last_repeats() {
    let mut night = Night::by_day("power critical loud");
    night.raise("power");
    night.wait(36);
    night.told(&[
        "0:00 tom.text call",
        "0:00 siren call",
        "3:00 siren taken",
        "5:00 neighbour.text call",
        "15:00 neighbour.mail call",
        "35:00 neighbour.mail call",
    ]);
}

#[test]
fn all_pages_of_a_rung_fail_and_the_next_rung_is_told_now() {
    let mut night = Night::by_day("power critical loud");
    night.site.channel("tom.text", Channel::Fails);
    night.raise("power");
    night.wait(1);
    night.told(&["0:00 tom.text call", "0:00 siren call", "0:00 neighbour.text call"]);
}

#[test]
fn a_rung_of_which_one_page_gets_through_has_not_failed() {
    let mut night = Night::by_day("pump high mild");
    night.site.channel("ines.mail", Channel::Works);
    night.raise("pump");
    night.wait(9);
    night.told(&["0:00 ines.mail call"]);
}

#[test]
fn after_one_whole_round_without_an_answer_a_critical_alarm_asks_people_outside_their_hours() {
    let mut sleeper = people();
    sleeper.contacts.get_mut("neighbour").expect("she is there").hours = vec![hours("08:00", "20:00")];
    let mut night = Night::with(&rules("power critical loud"), sleeper, NIGHT);
    night.raise("power");
    night.wait(40);
    let neighbour = night.site.world.sent.iter().filter(|sent| sent.to.starts_with("neighbour"));
    let minutes: Vec<i64> = neighbour.map(|sent| (sent.at - night.began).0 / 60_000).collect();
    assert!(minutes.first().is_some_and(|first| *first > 0), "not in the first round: {minutes:?}");
    assert!(!minutes.is_empty(), "{}", night.site.story());
}

#[test]
fn a_high_alarm_never_wakes_those_outside_their_hours() {
    let mut sleeper = people();
    sleeper.contacts.get_mut("neighbour").expect("she is there").hours = vec![hours("08:00", "20:00")];
    let mut night = Night::with(&rules("power high loud"), sleeper, NIGHT);
    night.raise("power");
    night.wait(60);
    let woken = night.site.world.sent.iter().any(|sent| sent.to.starts_with("neighbour"));
    assert!(!woken, "{}", night.site.story());
}

#[test]
fn next_person_now_tells_the_next_rung_at_once() {
    let mut night = Night::by_day("power high loud");
    night.raise("power");
    night.wait(1);
    night.told(&["0:00 tom.text call"]);
    night.next("tom", "power");
    night.wait(3);
    night.told(&["1:00 neighbour.text call"]);
}

#[test]
fn next_person_now_at_the_last_rung_tells_all_again_and_whoever_pressed_hears_again_in_ten_minutes() {
    let mut night = Night::by_day("pump high mild");
    night.raise("pump");
    night.wait(11);
    night.told(&["0:00 ines.mail call", "10:00 ines.push call"]);
    night.next("ines", "pump");
    night.told(&["11:00 ines.mail call", "11:00 ines.push call"]);
    night.wait(10);
    assert!(
        night.headline("ines.mail").contains("nobody else can be called"),
        "{}",
        night.headline("ines.mail")
    );
    night.told(&["21:00 ines.mail call", "21:00 ines.push call"]);
    assert!(night.site.story().contains("there is nobody else"), "{}", night.site.story());
}

#[test]
fn next_person_now_says_nothing_again_if_somebody_has_answered_meanwhile() {
    let mut night = Night::by_day("pump high mild");
    night.raise("pump");
    night.wait(11);
    night.next("ines", "pump");
    night.site.forget();
    night.answer("ines", "pump");
    night.wait(30);
    night.told(&[]);
}

#[test]
fn next_person_now_after_an_answer_calls_at_the_rung_after_the_last_reached() {
    let mut night = Night::by_day("power high loud");
    night.raise("power");
    night.wait(1);
    night.answer("tom", "power");
    night.site.forget();
    night.next("tom", "power");
    night.wait(1);
    night.told(&["1:00 neighbour.text call"]);
}

#[test]
fn the_watch_s_own_power_ends_before_the_ladder_and_all_its_rungs_go_before_that_to_all() {
    let ups = "[sensor.left]\ntopic = \"house/left\"\nmeasures = \"runtime\"\nunit = \"min\"\nevery = \"1 min\"\n\
               [alarm.own-power]\nhazard = \"ups-ending\"\nruntime = \"left\"\ncallout = \"mild\"\n";
    let mut night = Night::with(&(rules("power high loud") + ups), people(), NIGHT);
    night.site.feed("house/left", "40", Span::minutes(1));
    night.raise("power");
    night.wait(1);
    night.told(&["0:00 tom.text call"]);
    night.site.says("house/left", "8");
    night.seconds(11);
    night.told(&[
        "1:10 tom.text call",
        "1:10 neighbour.text call",
        "1:10 neighbour.mail call",
        "1:10 ines.mail call",
        "1:10 ines.push call",
    ]);
}

#[test]
fn a_page_says_when_this_watch_goes_dark() {
    let ups = "[sensor.left]\ntopic = \"house/left\"\nmeasures = \"runtime\"\nunit = \"min\"\nevery = \"1 min\"\n\
               [alarm.own-power]\nhazard = \"ups-ending\"\nruntime = \"left\"\ncallout = \"mild\"\n";
    let mut night = Night::with(&rules(""), people(), NIGHT);
    night.site.reload(&(rules("") + ups));
    night.site.feed("house/left", "8", Span::minutes(1));
    night.seconds(11);
    let page = night.site.world.sent.last().expect("it is told");
    assert!(
        page.body.contains("This watch has power until about 23:13. After that it calls nobody."),
        "{}",
        page.body
    );
}
