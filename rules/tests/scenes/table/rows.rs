//! Rows that are easily overlooked: the second column of the table, what is put aside, what a code
//! of one of several answers.

use super::{NIGHT, Night, people, rules};
use slackwater_rules::engine::OperatorCommand;
use slackwater_rules::time::Span;

#[test]
fn the_highest_rank_is_put_aside_and_the_milder_ladder_goes_on_with_somebody_not_yet_told() {
    let mut night = Night::by_day(
        "power high loud
         probe low mild; consequence-of = [\"power\"]",
    );
    night.raise("power");
    night.wait(1);
    night.raise("probe");
    night.site.forget();
    night.shelve("tom", "power");
    night.wait(1);
    // It counts as raised anew, which those who were told hear too.
    night.told(&["1:00 tom.text call", "1:00 ines.mail call"]);
}

#[test]
fn the_last_standing_member_of_an_answered_call_out_is_put_aside_and_there_is_no_all_clear() {
    let mut night = Night::by_day("power high loud");
    night.raise("power");
    night.answer("ines", "power");
    night.wait(6);
    night.site.forget();
    night.shelve("ines", "power");
    night.wait(10);
    night.told(&["6:00 tom.text taken"]);
    assert_eq!(night.calls(), 0);
}

#[test]
fn worse_for_one_below_what_was_answered_is_listed() {
    let mut night = Night::by_day(
        "power critical loud
         pump low mild; consequence-of = [\"power\"]; worse = \"depth-seen is on\"
         depth low none",
    );
    night.raise("power");
    night.raise("pump");
    night.answer("tom", "power");
    night.site.forget();
    night.raise("depth");
    night.wait(20);
    night.told(&[]);
}

#[test]
fn a_latched_member_that_came_after_the_answer_is_what_asking_asks_about() {
    let mut night = Night::by_day(
        "power high loud
         leak low mild; consequence-of = [\"power\"]; latching = true",
    );
    night.raise("power");
    night.answer("tom", "power");
    night.wait(1);
    night.raise("leak");
    night.wait(1);
    night.clear("leak");
    night.clear("power");
    night.site.forget();
    night.wait(61);
    assert!(night.headline("tom.text").contains("leak"), "{}", night.headline("tom.text"));
    night.told(&["60:00 tom.text call"]);
}

#[test]
fn in_a_digest_a_members_own_code_answers_only_it_and_the_pages_code_all_of_it() {
    let mut night = Night::at_night(
        "pump low mild
         lamp low mild",
    );
    night.raise("pump");
    night.raise("lamp");
    night.wait(476);
    night.told(&["475:00 ines.mail digest"]);
    night.answer("ines", "pump");
    night.wait(10);
    night.told(&["485:00 ines.push digest"]);
    let status = night.site.engine.status(night.site.now);
    let code = status.calls.first().expect("it runs").code.clone();
    night.site.says_person("ines", OperatorCommand::Acknowledge { code, length: None });
    night.wait(50);
    night.told(&[]);
}

#[test]
fn that_this_watch_goes_dark_breaks_through_an_answer() {
    let ups = "[sensor.left]\ntopic = \"house/left\"\nmeasures = \"runtime\"\nunit = \"min\"\nevery = \"1 min\"\n\
               [alarm.own-power]\nhazard = \"ups-ending\"\nruntime = \"left\"\ncallout = \"mild\"\n";
    let mut night = Night::with(&(rules("power high loud") + ups), people(), NIGHT);
    night.site.feed("house/left", "40", Span::minutes(1));
    night.raise("power");
    night.wait(1);
    night.answer("tom", "power");
    night.site.forget();
    night.site.says("house/left", "8");
    night.seconds(11);
    let told = &night.site.world.sent;
    let asks =
        |to: &str| told.iter().any(|sent| sent.to == to && sent.body.contains(" has power until about "));
    assert!(asks("tom.text") && asks("neighbour.text"), "{}", night.site.story());
}

#[test]
fn a_siren_is_silent_as_soon_as_nothing_stands() {
    let mut night = Night::by_day("power critical loud");
    night.raise("power");
    night.wait(1);
    night.site.forget();
    night.clear("power");
    night.wait(3);
    night.told(&["1:00 siren taken", "3:00 tom.text clear"]);
}
