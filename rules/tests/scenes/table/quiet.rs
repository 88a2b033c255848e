//! Quiet hours: what they hold, what they don't, and what takes its kin out of the morning's page.

use super::{NIGHT, Night, people, rules};
use slackwater_rules::record::Purpose;
use slackwater_rules::time::Span;

#[test]
fn quiet_holds_what_is_low_until_it_ends_and_then_all_rungs_are_climbed() {
    let mut night = Night::at_night("pump low mild");
    night.raise("pump");
    night.wait(7 * 60);
    night.told(&[]);
    // It ends at 07:00, 7 h 55 min after the scene begins.
    night.wait(66);
    night.told(&["475:00 ines.mail digest", "485:00 ines.push digest"]);
}

#[test]
fn what_came_and_went_in_quiet_hours_is_told_once_in_the_morning() {
    let mut night = Night::at_night("pump low mild");
    night.raise("pump");
    night.wait(30);
    night.clear("pump");
    night.wait(9 * 60);
    night.told(&["475:00 ines.mail digest"]);
    assert_eq!(night.calls(), 0);
}

#[test]
fn next_pressed_about_what_came_and_went_calls_nobody_and_the_morning_is_told_all_the_same() {
    let mut night = Night::at_night("pump low mild");
    night.raise("pump");
    night.wait(30);
    night.clear("pump");
    night.next("tom", "pump");
    night.wait(9 * 60);
    night.told(&["475:00 ines.mail digest"]);
}

#[test]
fn quiet_never_holds_what_is_high() {
    let mut night = Night::at_night("pump high mild");
    night.raise("pump");
    night.wait(1);
    night.told(&["0:00 ines.mail call"]);
}

#[test]
fn quiet_holds_what_is_medium_only_if_there_is_time_until_an_hour_after_its_end() {
    let mut night = Night::at_night(
        "slow medium mild; time-to-respond = \"12 h\"
         soon medium mild; time-to-respond = \"2 h\"
         unknown medium mild",
    );
    for alarm in ["slow", "soon", "unknown"] {
        night.raise(alarm);
        night.seconds(10);
    }
    night.told(&["0:10 ines.mail call", "0:20 ines.mail call"]);
}

#[test]
fn what_can_not_wait_takes_only_its_kin_out_of_what_is_held() {
    let mut night = Night::at_night(
        "pump low mild
         lamp low mild
         power critical loud; consequence-of = [\"pump\"]",
    );
    night.raise("pump");
    night.raise("lamp");
    night.wait(1);
    night.told(&[]);
    night.raise("power");
    night.wait(1);
    night.told(&["1:00 tom.text call", "1:00 siren call"]);
    assert_eq!(night.calls(), 2, "{}", night.site.story());
}

#[test]
fn a_digest_that_all_its_kin_has_left_is_over_without_an_all_clear() {
    let mut night = Night::at_night(
        "pump low mild
         lamp low mild
         power critical loud; consequence-of = [\"pump\", \"lamp\"]",
    );
    night.raise("pump");
    night.raise("lamp");
    // Somebody was told of it after all.
    night.next("tom", "pump");
    night.wait(1);
    night.site.forget();
    night.raise("power");
    night.wait(3);
    let clear = night.site.world.sent.iter().filter(|sent| sent.purpose == Purpose::AllClear).count();
    assert_eq!(clear, 0, "{}", night.site.story());
    assert_eq!(night.calls(), 1, "{}", night.site.story());
}

/// What explains it, raised in the same moment, finds it there and is not told in the morning
/// besides.
#[test]
fn what_leaves_a_digest_is_with_its_cause_before_anything_else_of_that_moment() {
    let mut night = Night::at_night(
        "power critical loud
         cold low mild; consequence-of = [\"power\", \"pump\"]
         lamp low mild
         pump low mild; when = \"power-seen is on\"",
    );
    night.raise("cold");
    night.raise("lamp");
    night.wait(1);
    night.raise("power");
    night.wait(2);
    night.told(&["1:00 tom.text call", "1:00 siren call"]);
    let story = night.site.story();
    assert!(story.contains("Lagoon: power (and 2 more, same cause)"), "{story}");
}

#[test]
fn a_code_answers_where_its_alarm_stands_and_not_where_it_was_over() {
    let mut night = Night::at_night(
        "cold low mild; consequence-of = [\"power\"]
         lamp low mild
         power critical loud",
    );
    night.raise("cold");
    night.raise("lamp");
    night.clear("cold");
    night.raise("power");
    night.raise("cold");
    night.answer("tom", "cold");
    night.wait(20);
    // Nobody after him is called.
    let told = night.site.world.sent.iter().filter(|sent| sent.purpose == Purpose::Call).count();
    assert_eq!(told, 2, "tom and the siren: {}", night.site.story());
    assert_eq!(night.calls(), 2, "the morning's page still waits: {}", night.site.story());
}

#[test]
fn kin_that_latched_goes_out_of_what_is_held_too_and_is_answered_with_it() {
    let mut night = Night::at_night(
        "leak low mild; latching = true
         power critical loud; consequence-of = [\"leak\"]",
    );
    night.raise("leak");
    night.clear("leak");
    night.wait(1);
    night.raise("power");
    night.wait(1);
    night.told(&["1:00 tom.text call", "1:00 siren call"]);
    assert_eq!(night.calls(), 1, "{}", night.site.story());
    night.answer("tom", "power");
    night.site.forget();
    night.clear("power");
    night.wait(3);
    night.told(&["4:00 tom.text clear"]);
    assert_eq!(night.calls(), 0, "{}", night.site.story());
}

/// What a person has to switch back is forgotten by nobody.
#[test]
fn what_waits_for_a_hand_in_the_morning_s_page_is_not_lost_with_what_its_kin_leaves_for() {
    let heaters = "
[sensor.heater-power]
topic = \"room2/lagoon/heater\"
tank = \"lagoon\"
measures = \"power\"
unit = \"W\"
every = \"30 s\"
[relay.heaters]
command = { topic = \"room2/heaters/set\", on = \"on\", off = \"off\" }
moves = \"heat\"
proof = \"heater-power > 20 W within 30 s\"
longest = \"24 h\"
";
    let rules = rules(
        "warm low mild; stopgap = { relay = \"heaters\", state = \"off\" }
         lamp low mild
         power critical loud; consequence-of = [\"warm\"]",
    );
    let mut night = Night::with(&(rules + heaters), people(), NIGHT);
    night.site.feed("room2/lagoon/heater", "200", Span::seconds(30));
    night.raise("lamp");
    night.raise("warm");
    night.wait(1);
    night.clear("warm");
    night.wait(10);
    night.raise("power");
    night.wait(1);
    night.clear("power");
    night.answer("tom", "power");
    night.wait(8 * 60);
    let morning = night.site.world.sent.iter().find(|page| page.purpose == Purpose::Digest);
    let morning = &morning.unwrap_or_else(|| panic!("{}", night.site.story())).body;
    assert!(morning.contains("2 things from the night") && morning.contains("warm"), "{morning}");
}

#[test]
fn a_digest_is_one_page_about_several() {
    let mut night = Night::at_night(
        "pump low mild
         lamp low mild",
    );
    night.raise("pump");
    night.wait(20);
    night.raise("lamp");
    night.wait(8 * 60);
    night.told(&["475:00 ines.mail digest", "485:00 ines.push digest"]);
}

#[test]
fn the_lease_ends_with_only_what_quiet_holds_left_and_it_is_held() {
    let mut night = Night::at_night(
        "power critical loud
         pump low mild; consequence-of = [\"power\"]",
    );
    night.raise("power");
    night.raise("pump");
    night.answer("ines", "power");
    night.wait(10);
    night.clear("power");
    night.site.forget();
    night.wait(7 * 60);
    night.told(&[]);
}

#[test]
fn the_highest_rank_falls_and_what_is_left_is_held_if_quiet_holds_it() {
    let mut night = Night::at_night(
        "power critical loud
         pump low mild; consequence-of = [\"power\"]",
    );
    night.raise("power");
    night.raise("pump");
    night.wait(1);
    night.site.forget();
    night.clear("power");
    night.wait(60);
    night.told(&["1:00 siren taken"]);
}

#[test]
fn who_wants_the_next_person_called_at_night_has_the_next_rung_told_and_the_rest_waits() {
    let mut night = Night::at_night("probe low mild");
    night.raise("probe");
    night.wait(30);
    night.told(&[]);
    night.next("tom", "probe");
    night.wait(60);
    night.told(&["30:00 ines.mail digest"]);
    night.wait(7 * 60);
    let sent = night.site.world.sent.len();
    assert!(sent > 0, "in the morning\n{}", night.site.story());
}

#[test]
fn quiet_hours_that_begin_while_it_climbs_hold_its_later_rungs() {
    let evening = "2026-03-02T21:50:00+01:00[Europe/Berlin]";
    let mut night = Night::with(&super::rules("pump low mild"), super::people(), evening);
    // Two minutes before ten.
    night.wait(3);
    night.raise("pump");
    night.wait(60);
    night.told(&["3:00 ines.mail call"]);
    night.wait(8 * 60 + 20);
    // From seven on all rungs.
    night.told(&["545:00 ines.mail call", "555:00 ines.push call"]);
}

#[test]
fn what_takes_its_kin_out_of_what_is_held_waits_for_its_cause_as_anything_does() {
    let mut night = Night::at_night(
        "power high loud; on-delay = \"90 s\"
         flow high loud; consequence-of = [\"power\"]
         lamp low mild; consequence-of = [\"flow\"]",
    );
    night.raise("lamp");
    night.wait(1);
    night.raise("power");
    night.seconds(10);
    night.raise("flow");
    night.wait(3);
    // The cause leads, and it is one page.
    assert!(night.headline("tom.text").contains("power"), "{}", night.headline("tom.text"));
    night.told(&["2:30 tom.text call"]);
    assert_eq!(night.calls(), 1, "{}", night.site.story());
}

#[test]
fn news_of_what_can_wait_breaks_its_answer_in_the_morning_and_tells_nobody_at_night() {
    const EVENING: &str = "2026-03-02T21:40:00+01:00[Europe/Berlin]";
    let alarms = "filter low mild; worse = \"depth-seen is on\"
        depth low mild; when = \"gate-seen is on\"";
    let mut night = Night::with(&rules(alarms), people(), EVENING);
    night.raise("filter");
    night.wait(1);
    night.answer("ines", "filter");
    night.site.forget();
    night.wait(30);
    // 22:16: it gets worse, and Ines may sleep.
    night.raise("depth");
    night.wait(9 * 60);
    night.told(&["555:00 ines.mail call", "565:00 ines.push call"]);
}

/// A page is about its news, and a digest about what could wait.
#[test]
fn what_can_not_wait_takes_its_kin_out_of_a_digest_that_was_told_too_and_those_told_hear_the_news() {
    let mut night = Night::at_night(
        "pump low mild
         lamp low mild
         power critical loud; consequence-of = [\"pump\"]",
    );
    night.raise("pump");
    night.raise("lamp");
    night.wait(480);
    night.told(&["475:00 ines.mail digest"]);
    night.raise("power");
    night.wait(1);
    assert!(night.headline("ines.mail").contains("power"), "{}", night.headline("ines.mail"));
    night.told(&["480:00 ines.mail call", "480:00 tom.text call", "480:00 siren call"]);
    assert_eq!(night.calls(), 2, "{}", night.site.story());
    // The lamp goes on by itself, and an answer to the power is none to it.
    night.answer("tom", "power");
    night.wait(14);
    night.told(&["481:00 ines.mail taken", "481:00 siren taken", "485:00 ines.push digest"]);
}

#[test]
fn what_can_not_wait_takes_what_was_answered_at_night_out_too_and_whoever_has_it_hears_by_all_ways() {
    let mut night = Night::at_night(
        "pump low mild
         power critical loud; consequence-of = [\"pump\"]",
    );
    night.raise("pump");
    night.answer("ines", "pump");
    night.wait(1);
    night.raise("power");
    night.wait(6);
    assert!(night.headline("ines.mail").contains("power"), "{}", night.headline("ines.mail"));
    night.told(&[
        "1:00 ines.mail call",
        "1:00 ines.push call",
        "1:00 tom.text call",
        "1:00 siren call",
        "4:00 siren taken",
        "6:00 neighbour.text call",
    ]);
    assert_eq!(night.calls(), 1, "{}", night.site.story());
}

#[test]
fn what_can_not_wait_and_joins_what_was_told_at_night_is_no_thing_that_could() {
    let mut night = Night::at_night(
        "slow medium mild; time-to-respond = \"12 h\"
         soon medium mild; time-to-respond = \"2 h\"; consequence-of = [\"slow\"]",
    );
    night.raise("slow");
    night.next("tom", "slow");
    night.wait(1);
    night.raise("soon");
    night.wait(10);
    night.told(&["0:00 ines.mail digest", "10:00 ines.push call"]);
}

#[test]
fn what_gets_worse_in_the_morning_is_a_page_about_that_and_none_about_the_night() {
    let mut night = Night::at_night(
        "pump low mild; worse = \"depth-seen is on\"
         lamp low mild
         depth low none",
    );
    night.raise("pump");
    night.raise("lamp");
    night.wait(480);
    night.raise("depth");
    night.wait(1);
    assert!(night.headline("ines.mail").contains("pump: it got worse"), "{}", night.headline("ines.mail"));
    night.told(&["475:00 ines.mail digest", "480:00 ines.mail call"]);
}
