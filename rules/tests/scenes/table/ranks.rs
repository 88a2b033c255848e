//! Ranks: a call-out follows its worst standing member, up at once and down in its own time.

use super::Night;
use slackwater_rules::page::Page;

const KIN: &str = "
    pump low mild
    power critical loud; consequence-of = [\"pump\"]
";

#[test]
fn a_member_above_the_asked_rank_begins_its_ladder_at_rung_0_and_those_told_get_the_news_at_once() {
    let mut night = Night::by_day(KIN);
    night.raise("pump");
    night.wait(2);
    night.told(&["0:00 ines.mail call"]);
    night.raise("power");
    night.wait(6);
    night.told(&[
        "2:00 ines.mail call",
        "2:00 tom.text call",
        "2:00 siren call",
        "5:00 siren taken",
        "7:00 neighbour.text call",
    ]);
    assert_eq!(night.calls(), 1);
}

#[test]
fn a_page_is_about_its_news() {
    let mut night = Night::by_day(KIN);
    night.raise("pump");
    night.wait(2);
    night.raise("power");
    night.seconds(1);
    assert!(night.headline("ines.mail").contains("power"), "{}", night.headline("ines.mail"));
    assert!(night.headline("tom.text").contains("power"), "{}", night.headline("tom.text"));
}

#[test]
fn a_critical_member_at_the_asked_rank_with_another_ladder_begins_that_one_at_rung_0() {
    let mut night = Night::by_day(
        "power critical mild
         heat critical loud; consequence-of = [\"power\"]",
    );
    night.raise("power");
    night.wait(1);
    night.told(&["0:00 ines.mail call"]);
    night.raise("heat");
    night.wait(1);
    night.told(&["1:00 tom.text call", "1:00 siren call"]);
}

#[test]
fn a_critical_member_at_the_asked_rank_of_the_same_ladder_is_listed_and_told_within_five_minutes() {
    let mut night = Night::by_day(
        "power critical mild
         heat critical mild; consequence-of = [\"power\"]",
    );
    night.raise("power");
    night.wait(1);
    night.told(&["0:00 ines.mail call"]);
    night.raise("heat");
    night.wait(4);
    night.told(&[]);
    night.wait(1);
    night.told(&["6:00 ines.mail call"]);
    night.wait(5);
    night.told(&["10:00 ines.push call"]);
}

#[test]
fn a_member_at_the_asked_rank_that_is_not_critical_is_listed_by_the_next_page() {
    let mut night = Night::by_day(
        "power high mild
         flow high mild; consequence-of = [\"power\"]",
    );
    night.raise("power");
    night.wait(1);
    night.raise("flow");
    night.wait(9);
    night.told(&["0:00 ines.mail call", "10:00 ines.push call"]);
}

#[test]
fn worse_at_the_asked_rank_is_a_page_at_once_to_those_told_so_far() {
    let mut night = Night::by_day(
        "power high loud; worse = \"flood-seen is on\"
         flood low mild",
    );
    night.raise("power");
    night.wait(1);
    night.told(&["0:00 tom.text call"]);
    // Nobody is told of the flood by the other ladder's own page than its own.
    night.raise("flood");
    night.seconds(1);
    night.told(&["1:00 tom.text call", "1:00 ines.mail call"]);
    assert_eq!(night.calls(), 2);
}

#[test]
fn worse_for_one_below_the_asked_rank_is_listed() {
    let mut night = Night::by_day(
        "power critical mild
         pump low mild; consequence-of = [\"power\"]; worse = \"depth-seen is on\"
         depth low none",
    );
    night.raise("power");
    night.raise("pump");
    night.wait(1);
    night.raise("depth");
    night.wait(8);
    night.told(&["0:00 ines.mail call"]);
}

#[test]
fn worse_is_news_once_of_one_spell_and_again_of_one_that_comes_after_an_answer_latched_or_not() {
    for latching in [false, true] {
        let mut night = Night::by_day(&format!(
            "pump high mild; worse = \"depth-seen is on\"; latching = {latching}
             depth low none"
        ));
        night.raise("pump");
        night.raise("depth");
        night.seconds(1);
        night.clear("depth");
        night.raise("depth");
        night.seconds(1);
        night.told(&["0:00 ines.mail call", "0:00 ines.mail call"]);
        night.answer("ines", "pump");
        night.clear("depth");
        night.clear("pump");
        night.wait(30);
        night.site.forget();
        night.raise("pump");
        night.wait(1);
        night.raise("depth");
        night.wait(1);
        night.told(&["30:02 ines.mail call", "31:02 ines.mail call"]);
    }
}

/// Whoever hears of it by another call-out has heard an all-clear at most.
#[test]
fn what_got_worse_and_comes_back_worse_into_another_call_out_is_news_to_those_who_are_told_there() {
    let mut night = Night::by_day(
        "pump high mild; worse = \"depth-seen is on\"
         flow high loud; consequence-of = [\"pump\"]
         depth low none",
    );
    night.raise("pump");
    night.raise("depth");
    night.clear("pump");
    night.wait(3);
    night.told(&["0:00 ines.mail call", "0:00 ines.mail call", "2:00 ines.mail clear"]);
    night.raise("flow");
    night.wait(1);
    night.raise("pump");
    night.wait(1);
    assert!(night.headline("tom.text").contains("pump: it got worse"), "{}", night.headline("tom.text"));
    night.told(&["3:00 tom.text call", "4:00 tom.text call", "4:00 ines.mail call"]);
    // Once there too.
    night.clear("depth");
    night.raise("depth");
    night.wait(1);
    night.told(&[]);
}

#[test]
fn what_got_worse_and_comes_back_unanswered_into_its_own_call_out_is_no_news_a_second_time() {
    let mut night = Night::by_day(
        "power high mild
         pump high mild; consequence-of = [\"power\"]; worse = \"depth-seen is on\"
         depth low none",
    );
    night.raise("power");
    night.raise("pump");
    night.raise("depth");
    night.seconds(1);
    night.told(&["0:00 ines.mail call", "0:00 ines.mail call"]);
    night.clear("pump");
    night.wait(15);
    night.told(&["10:00 ines.push call"]);
    // Its end was told by that, and nobody has answered.
    night.raise("pump");
    night.wait(10);
    night.told(&[]);
}

#[test]
fn what_got_worse_at_night_is_said_to_be_so_where_its_kin_takes_it() {
    let mut night = Night::at_night(
        "pump low mild; worse = \"depth-seen is on\"
         power critical loud; consequence-of = [\"pump\"]
         depth low none",
    );
    night.raise("pump");
    night.raise("depth");
    night.wait(1);
    night.raise("power");
    night.wait(1);
    night.told(&["1:00 tom.text call", "1:00 siren call"]);
    let call = night.site.engine.status(night.site.now).calls.remove(0).id;
    let page = Page::read_by(&night.site.engine, call, "tom").expect("it runs");
    assert!(page.body.contains("It got worse"), "{}", page.body);
}

#[test]
fn what_comes_back_after_an_answer_and_is_not_worse_is_not_said_to_be() {
    let mut night = Night::by_day(
        "pump high mild; worse = \"depth-seen is on\"
         depth low none",
    );
    night.raise("pump");
    night.raise("depth");
    night.answer("ines", "pump");
    night.clear("depth");
    night.clear("pump");
    night.wait(1);
    night.raise("pump");
    night.wait(1);
    let call = night.site.engine.status(night.site.now).calls.remove(0).id;
    let page = Page::read_by(&night.site.engine, call, "ines").expect("it runs");
    assert!(!page.body.to_lowercase().contains("it got worse"), "{}", page.body);
}

#[test]
fn the_highest_rank_falls_and_the_milder_ladder_goes_on_with_somebody_not_yet_told() {
    let mut night = Night::by_day(KIN);
    night.raise("pump");
    night.wait(2);
    night.raise("power");
    night.wait(2);
    night.site.forget();
    night.clear("power");
    night.wait(10);
    // At the raising of the pump + 10 min; tom's siren is silent at once.
    night.told(&["4:00 siren taken", "10:00 ines.push call"]);
}

#[test]
fn the_highest_rank_falls_and_an_answer_stays() {
    let mut night = Night::by_day(KIN);
    night.raise("pump");
    night.raise("power");
    night.answer("tom", "power");
    night.site.forget();
    night.clear("power");
    night.wait(50);
    night.told(&[]);
}

#[test]
fn what_is_left_waits_from_the_last_page_to_a_person_and_not_from_the_siren_s_end() {
    let mut night = Night::by_day(
        "power critical loud
         pump low mild; consequence-of = [\"power\"]",
    );
    night.site.reload(&night.site.rules.replace("[\"ines.push\"] }", "[\"ines.mail\"] }"));
    night.raise("pump");
    night.seconds(30);
    night.raise("power");
    night.wait(4);
    night.site.forget();
    night.clear("power");
    night.wait(31);
    // All of the milder ladder have been told: it repeats 30 min after that.
    night.told(&["30:30 ines.mail call"]);
}

/// Its own place among the members is no reason to wait for the next page.
#[test]
fn what_counts_as_raised_anew_begins_its_ladder_at_once_where_only_another_one_climbs() {
    let mut night = Night::by_day(
        "power critical loud
         pump critical mild; consequence-of = [\"power\"]; expected = []
         cold critical loud; consequence-of = [\"power\"]",
    );
    night.raise("power");
    night.raise("pump");
    night.raise("cold");
    night.wait(1);
    night.site.forget();
    night.clear("power");
    night.wait(1);
    // The siren sounds already.
    night.told(&["1:00 tom.text call"]);
}
