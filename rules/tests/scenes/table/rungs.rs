//! Rungs: when they fall due, what a failure does, who is asked outside their hours.

use super::{NIGHT, NOON, Night, people, rules};
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
fn a_repeat_right_behind_news_that_all_of_its_people_got_comes_its_time_after_the_news() {
    let mut night = Night::by_day(
        "power critical loud
         heat critical loud; consequence-of = [\"power\"]; expected = []",
    );
    night.raise("power");
    night.wait(27);
    night.site.forget();
    night.raise("heat");
    night.wait(12);
    // The repeat was due at 35:00.
    night.told(&[
        "32:00 neighbour.mail call",
        "32:00 neighbour.text call",
        "32:00 tom.text call",
        "32:00 siren call",
        "35:00 siren taken",
    ]);
    night.wait(14);
    night.told(&["52:00 neighbour.mail call"]);
}

#[test]
fn a_repeat_that_sounds_is_not_late_for_news() {
    let mut night = Night::by_day(
        "power critical loud
         heat critical loud; consequence-of = [\"power\"]; expected = []",
    );
    let sounds = night.site.rules.replace("[\"neighbour.mail\"] }", "[\"neighbour.mail\", \"siren\"] }");
    night.site.reload(&sounds);
    night.raise("power");
    night.wait(27);
    night.raise("heat");
    night.wait(6);
    night.site.forget();
    night.wait(3);
    // It sounds since 32:00, and goes on now.
    night.told(&["35:00 neighbour.mail call"]);
    night.wait(3);
    night.told(&["38:00 siren taken"]);
}

#[test]
fn a_repeat_comes_in_its_time_if_the_news_was_long_before() {
    let mut night = Night::by_day(
        "power critical loud
         heat critical loud; consequence-of = [\"power\"]; expected = []",
    );
    night.raise("power");
    night.wait(24);
    night.site.forget();
    night.raise("heat");
    night.wait(12);
    night.told(&[
        "29:00 neighbour.mail call",
        "29:00 neighbour.text call",
        "29:00 tom.text call",
        "29:00 siren call",
        "32:00 siren taken",
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
        page.body.contains("This watch (the computer that sends these messages) has power until about 23:13. After that it calls nobody."),
        "{}",
        page.body
    );
}

#[test]
fn who_was_reached_by_nothing_hears_of_no_end() {
    let mut night = Night::by_day("pump high mild");
    night.site.channel("ines.mail", Channel::Fails);
    night.raise("pump");
    night.wait(5);
    night.told(&["0:00 ines.mail call", "0:00 ines.push call"]);
    night.clear("pump");
    night.wait(3);
    night.told(&["7:00 ines.push clear"]);
}

#[test]
fn a_way_that_fails_again_and_again_has_told_nobody_and_gets_no_all_clear() {
    let mut night = Night::by_day("power critical loud");
    night.site.channel("tom.text", Channel::Fails);
    night.raise("power");
    (0..3).for_each(|_| night.next("ines", "power"));
    night.site.forget();
    night.clear("power");
    night.wait(3);
    night.told(&["0:00 siren taken", "2:00 neighbour.mail clear", "2:00 neighbour.text clear"]);
}

#[test]
fn a_rung_that_a_failure_brings_forward_does_not_tell_again_who_has_just_been_told() {
    let other =
        "[callout.other]\nsteps = [{ after = \"0 min\", to = [\"neighbour.text\"] }]\nagain = \"1 h\"\n";
    let alarms = "power critical loud\nheat critical other; consequence-of = [\"power\"]";
    let mut night = Night::with(&(rules(alarms) + other), people(), NOON);
    night.site.channel("tom.text", Channel::Fails);
    night.raise("power");
    night.raise("heat");
    night.seconds(10);
    // By the ladder of the one, and by the next rung of the other.
    night.told(&["0:00 tom.text call", "0:00 siren call", "0:00 neighbour.text call"]);
}

#[test]
fn worse_in_the_moment_of_a_repeat_is_news_to_everybody_and_tells_nobody_a_third_time() {
    let mut night = Night::by_day(
        "power high loud; worse = \"depth-seen is on\"
         depth low none",
    );
    night.raise("power");
    night.wait(34);
    night.site.forget();
    // The repeat to the last rung has left when it is heard.
    night.site.says_later("house/depth/seen", "on");
    night.wait(15);
    night.told(&[
        "35:00 neighbour.mail call",
        "35:00 neighbour.mail call",
        "35:00 neighbour.text call",
        "35:00 tom.text call",
    ]);
}

#[test]
fn that_this_watch_goes_dark_is_told_in_the_call_out_that_it_joins_too() {
    let ups = "[sensor.left]\ntopic = \"house/left\"\nmeasures = \"runtime\"\nunit = \"min\"\nevery = \"1 min\"\n\
               [alarm.own-power]\nhazard = \"ups-ending\"\nruntime = \"left\"\ncallout = \"mild\"\n\
               consequence-of = [\"power\"]\n";
    let mut night = Night::with(&(rules("power critical loud") + ups), people(), NIGHT);
    night.site.feed("house/left", "40", Span::minutes(1));
    night.raise("power");
    night.wait(1);
    night.answer("tom", "power");
    night.site.forget();
    night.site.says("house/left", "8");
    night.seconds(11);
    let to = |name: &str| night.site.world.sent.iter().any(|sent| sent.to == name);
    assert!(to("tom.text") && to("neighbour.text"), "{}", night.site.story());
    let status = night.site.engine.status(night.site.now);
    let own = status.calls.iter().find(|call| call.about.iter().any(|about| about == "own-power"));
    assert!(
        own.is_some_and(|call| call.about.iter().any(|about| about == "power")),
        "{}",
        night.site.story()
    );
}

#[test]
fn what_came_and_went_at_night_is_told_in_the_morning_though_the_watch_was_about_to_go_dark() {
    let ups = "[sensor.left]\ntopic = \"house/left\"\nmeasures = \"runtime\"\nunit = \"min\"\nevery = \"1 min\"\n\
               [alarm.own-power]\nhazard = \"ups-ending\"\nruntime = \"left\"\ncallout = \"loud\"\n";
    let mut night = Night::with(&(rules("pump low mild") + ups), people(), NIGHT);
    night.site.feed("house/left", "40", Span::minutes(1));
    night.raise("pump");
    night.wait(1);
    night.clear("pump");
    night.site.says("house/left", "8");
    night.wait(2);
    night.site.says("house/left", "40");
    night.wait(30);
    night.site.forget();
    night.wait(9 * 60);
    night.told(&["475:00 ines.mail digest"]);
}
