//! Kin: who joins whose call-out, and what becomes of a consequence when its cause goes first.

use super::Night;
use crate::harness::Channel;
use slackwater_rules::record::Body;

const POWER: &str = "
    power critical loud
    flow high mild; consequence-of = [\"power\"]; on-delay = \"3 min\"
";

#[test]
fn a_consequence_joins_the_call_out_of_its_cause_and_is_listed() {
    let mut night = Night::by_day(POWER);
    night.raise("power");
    night.raise("flow");
    night.wait(4);
    night.told(&["0:00 tom.text call", "0:00 siren call", "3:00 siren taken"]);
    assert_eq!(night.calls(), 1);
}

#[test]
fn a_cause_joins_the_call_out_of_what_it_explains() {
    let mut night = Night::by_day(POWER);
    night.raise("flow");
    night.wait(4);
    night.told(&["3:00 ines.mail call"]);
    night.raise("power");
    night.wait(1);
    night.told(&["4:00 ines.mail call", "4:00 tom.text call", "4:00 siren call"]);
    assert_eq!(night.calls(), 1);
}

#[test]
fn a_cause_returns_first_and_what_was_listed_counts_as_raised_anew_after_its_own_on_delay() {
    let mut night = Night::by_day(POWER);
    night.raise("power");
    night.raise("flow");
    night.wait(4);
    night.answer("tom", "power");
    night.site.forget();
    night.clear("power");
    night.wait(2);
    night.told(&[]);
    night.wait(2);
    // The answer covered the flow as well, which stood: it stays answered.
    night.told(&[]);
}

#[test]
fn a_cause_returns_first_and_what_came_after_the_answer_is_told_three_minutes_later() {
    let mut night = Night::by_day(POWER);
    night.raise("power");
    night.answer("tom", "power");
    night.raise("flow");
    night.wait(4);
    night.site.forget();
    night.clear("power");
    night.wait(10);
    // It ranks below what the answer covered, and is asked about when that runs out.
    night.told(&[]);
    night.wait(50);
    night.told(&["60:00 tom.text call"]);
}

#[test]
fn mains_that_flap_over_a_standing_low_alarm_are_one_call_out_and_page_nobody_twice() {
    let mut night = Night::by_day(
        "power critical loud
         pump low mild; consequence-of = [\"power\"]",
    );
    night.raise("pump");
    night.wait(1);
    night.raise("power");
    night.wait(1);
    night.site.forget();
    for _ in 0..3 {
        night.clear("power");
        night.seconds(20);
        night.raise("power");
        night.seconds(20);
    }
    // What the siren does follows from what stands, within the three minutes of its rung; what
    // chatters stands on.
    night.told(&[
        "2:00 siren taken",
        "2:20 siren call",
        "2:40 siren taken",
        "3:00 siren call",
        "4:00 siren taken",
    ]);
    assert_eq!(night.calls(), 1);
}

#[test]
fn a_member_comes_back_within_settle_and_nobody_is_paged() {
    let mut night = Night::by_day("pump high loud");
    night.raise("pump");
    night.wait(1);
    night.clear("pump");
    night.wait(1);
    night.raise("pump");
    night.wait(2);
    night.told(&["0:00 tom.text call"]);
}

#[test]
fn what_nothing_links_begins_a_call_out_of_its_own() {
    let mut night = Night::by_day(
        "power high loud
         leak high mild",
    );
    night.raise("power");
    night.raise("leak");
    night.seconds(1);
    night.told(&["0:00 tom.text call", "0:00 ines.mail call"]);
    assert_eq!(night.calls(), 2);
}

#[test]
fn with_two_call_outs_to_choose_from_the_one_of_higher_rank_gets_it() {
    let mut night = Night::by_day(
        "pump low mild
         power high loud
         flow low mild; consequence-of = [\"pump\", \"power\"]",
    );
    night.raise("pump");
    night.raise("power");
    night.seconds(1);
    night.site.forget();
    night.raise("flow");
    night.seconds(1);
    night.told(&[]);
    let calls = night.site.engine.status(night.site.now).calls;
    let with = calls.iter().find(|call| call.about.contains(&"flow".to_owned())).expect("it is in one");
    assert!(with.about.contains(&"power".to_owned()), "{with:?}");
}

#[test]
fn from_the_sixth_call_out_of_a_ladder_within_five_seconds_on_they_are_one_mass() {
    let names = ["a", "b", "c", "d", "e", "f", "g", "h"];
    let alarms: String = names.iter().map(|name| format!("{name}{name} high loud\n")).collect();
    let mut night = Night::by_day(&alarms);
    for name in names {
        night.raise(&format!("{name}{name}"));
    }
    night.seconds(1);
    assert!(night.calls() <= 6, "{}", night.site.story());
    let texts = night.site.world.sent.iter().filter(|sent| sent.to == "tom.text").count();
    assert!(texts <= 6, "{texts} pages\n{}", night.site.story());
}

/// A page's code answers what that page was about, and no other call-out.
#[test]
fn a_call_out_s_code_does_not_answer_what_began_it_and_stands_in_another_by_now() {
    let mut night = Night::by_day(
        "pump high loud
         leak medium loud; latching = true; consequence-of = [\"pump\", \"power\"]
         power critical mild",
    );
    night.raise("leak");
    night.answer("ines", "leak");
    night.raise("pump");
    night.clear("leak");
    night.wait(3);
    night.raise("power");
    night.raise("leak");
    night.wait(1);
    assert_eq!(night.calls(), 2, "{}", night.site.story());
    night.answer("tom", "leak");
    assert_eq!(night.site.state("leak"), "unacknowledged", "{}", night.site.story());
    // It latched there, and stands.
    night.clear("leak");
    night.clear("power");
    night.wait(30);
    let status = night.site.engine.status(night.site.now);
    assert!(status.calls.iter().any(|call| call.about.iter().any(|it| it.starts_with("leak"))), "{status:?}");
}

/// Its own answer runs out: its ladder begins anew, and not where it had come to.
/// By its ladder alone, and as a consequence of something in it.
#[test]
fn something_critical_that_joins_a_mass_is_what_its_next_page_says_and_begins_its_own_rungs() {
    let six = ["ant", "bee", "cod", "dab", "eel", "fry"];
    let rows = six.map(|name| format!("{name} low loud; when = \"gate-seen is on\"\n")).concat();
    for (of, after) in [("loud", 3), ("mild; consequence-of = [\"ant\"]", 60)] {
        let mut night = Night::by_day(&format!("{rows}power critical {of}"));
        night.raise("gate");
        night.seconds(after);
        night.site.forget();
        night.raise("power");
        night.seconds(1);
        let sent = &night.site.world.sent;
        assert!(!sent.is_empty() && night.calls() == 1, "{}", night.site.story());
        for page in sent.iter().filter(|page| page.to != "siren") {
            assert!(page.headline.starts_with("Lagoon: power (and 6 more"), "{}", page.headline);
        }
        let tom = sent.iter().filter(|page| page.to == "tom.text").count();
        let siren = sent.iter().filter(|page| page.to == "siren").count();
        let by_its_own = sent.iter().any(|page| page.to == "ines.mail");
        assert_eq!(
            (tom, siren, by_its_own),
            (1, usize::from(after == 3), after == 60),
            "{}",
            night.site.story()
        );
    }
}

#[test]
fn in_a_mass_what_was_answered_for_alone_begins_at_its_first_rung_again() {
    let six = ["ant critical", "bee high", "cod high", "dab high", "eel high", "fry high"];
    let mut night = Night::by_day(&six.map(|it| format!("{it} loud; when = \"gate-seen is on\"\n")).concat());
    night.raise("gate");
    night.site.channel("neighbour.text", Channel::Fails);
    night.wait(2);
    night.answer("ines", "ant");
    night.wait(59);
    night.site.forget();
    night.wait(2);
    let told: Vec<&str> = night.site.world.sent.iter().map(|sent| sent.to.as_str()).collect();
    assert_eq!(told, ["neighbour.mail", "tom.text", "siren"], "{}", night.site.story());
}

#[test]
fn in_a_mass_a_members_own_code_answers_only_that_member_and_status_says_who_and_until_when() {
    let names = ["a", "b", "c", "d", "e", "f", "g", "h"];
    let alarms: String = names.iter().map(|name| format!("{name}{name} high loud\n")).collect();
    let mut night = Night::by_day(&alarms);
    for name in names {
        night.raise(&format!("{name}{name}"));
    }
    night.seconds(1);
    night.answer("ines", "gg");
    for _ in 0..2 {
        let calls = night.site.engine.status(night.site.now).calls;
        let mass = calls.iter().find(|call| call.about.contains(&"gg".to_owned())).expect("it is in one");
        assert!(mass.about.contains(&"hh".to_owned()), "{mass:?}");
        let [answered] = &mass.answered[..] else { panic!("{mass:?}") };
        assert!(
            answered.starts_with("Lagoon: gg: Ines answered") && answered.contains("until"),
            "{answered}"
        );
        night.restart();
    }
}

#[test]
fn five_call_outs_at_once_are_five() {
    let names = ["a", "b", "c", "d", "e"];
    let alarms: String = names.iter().map(|name| format!("{name}{name} high loud\n")).collect();
    let mut night = Night::by_day(&alarms);
    for name in names {
        night.raise(&format!("{name}{name}"));
    }
    night.seconds(1);
    night.told(&["0:00 tom.text call"; 5]);
}

#[test]
fn an_alarm_joins_by_what_it_explains_only_while_that_stands_or_has_just_returned() {
    let mut night = Night::by_day(
        "cut high loud
         cold low loud; consequence-of = [\"cut\", \"pump\"]
         pump high loud",
    );
    night.raise("pump");
    night.wait(1);
    night.raise("cold");
    night.wait(1);
    night.clear("cold");
    night.answer("tom", "pump");
    night.wait(30);
    night.site.forget();
    night.raise("cut");
    night.wait(1);
    night.told(&["32:00 tom.text call"]);
    assert_eq!(night.calls(), 2);
}

#[test]
fn a_cause_that_comes_back_within_settle_flickers_and_has_one_all_clear() {
    let mut night = Night::by_day("pump high mild");
    for _ in 0..2 {
        night.raise("pump");
        night.wait(1);
        night.clear("pump");
        night.wait(1);
    }
    night.site.forget();
    night.wait(57);
    night.told(&[]);
    night.wait(3);
    night.told(&["63:00 ines.mail clear"]);
}

#[test]
fn what_a_cause_explains_by_way_of_something_else_joins_it_too() {
    let mut night = Night::by_day(
        "power high loud
         flow high loud; consequence-of = [\"power\"]
         oxygen high loud; consequence-of = [\"flow\"]",
    );
    night.raise("power");
    night.wait(1);
    night.raise("oxygen");
    night.wait(1);
    night.told(&["0:00 tom.text call"]);
    assert_eq!(night.calls(), 1);
}

#[test]
fn a_consequence_joins_a_cause_that_returned_within_settle_and_begins_its_own_after_it() {
    for (seconds, calls) in [(90, 1), (150, 0)] {
        let mut night = Night::by_day(
            "power high loud
             flow high mild; consequence-of = [\"power\"]",
        );
        night.raise("power");
        night.wait(1);
        night.clear("power");
        night.seconds(seconds);
        assert_eq!(night.calls(), calls, "{}", night.site.story());
        night.raise("flow");
        night.seconds(1);
        let began = |body: &Body| matches!(body, Body::CallBegan { .. });
        assert_eq!(night.site.count(began), 2 - calls, "{}", night.site.story());
    }
}

#[test]
fn of_two_call_outs_of_one_rank_the_older_gets_it() {
    let mut night = Night::by_day(
        "power high loud
         leak high mild
         flow high loud; consequence-of = [\"power\", \"leak\"]",
    );
    night.raise("leak");
    night.wait(1);
    night.raise("power");
    night.wait(1);
    night.raise("flow");
    night.wait(1);
    let status = night.site.engine.status(night.site.now);
    let of = |alarm: &str| {
        let call = status.calls.iter().find(|call| call.about.iter().any(|about| about == alarm));
        call.expect("it is in one").code.clone()
    };
    assert_eq!((of("flow") == of("leak"), of("flow") == of("power")), (true, false));
}
