//! Ends: the all-clear, what is put aside, what is latched, what flickers.

use super::{NOON, Night, people, rules};
use slackwater_rules::engine::OperatorCommand;
use slackwater_rules::record::Purpose;
use slackwater_rules::time::Span;

#[test]
fn nothing_stands_and_one_all_clear_goes_to_those_who_were_told() {
    let mut night = Night::by_day("pump high loud");
    night.raise("pump");
    night.wait(1);
    night.clear("pump");
    night.wait(10);
    night.told(&["0:00 tom.text call", "3:00 tom.text clear"]);
    assert_eq!(night.calls(), 0);
}

#[test]
fn the_last_standing_member_is_put_aside_and_those_told_learn_by_whom_and_get_no_all_clear() {
    let mut night = Night::by_day("pump high loud");
    night.raise("pump");
    night.wait(1);
    night.shelve("ines", "pump");
    assert!(night.headline("tom.text").contains("Ines"), "{}", night.headline("tom.text"));
    night.clear("pump");
    night.wait(10);
    night.told(&["0:00 tom.text call", "1:00 tom.text taken"]);
}

#[test]
fn what_is_off_the_shelf_and_still_so_is_called_out_anew() {
    let mut night = Night::by_day("pump high loud");
    night.raise("pump");
    night.wait(1);
    night.shelve("ines", "pump");
    night.site.forget();
    night.wait(21);
    night.told(&["21:00 tom.text call"]);
}

#[test]
fn a_latched_member_that_returns_before_an_answer_stands_on_without_an_all_clear() {
    let mut night = Night::by_day("leak high loud; latching = true");
    night.raise("leak");
    night.wait(1);
    night.clear("leak");
    night.wait(15);
    night.told(&["0:00 tom.text call", "5:00 neighbour.text call", "15:00 neighbour.mail call"]);
}

#[test]
fn a_latched_member_that_returns_after_an_answer_is_answered() {
    let mut night = Night::by_day("leak high loud; latching = true");
    night.raise("leak");
    night.wait(1);
    night.answer("ines", "leak");
    night.site.forget();
    night.clear("leak");
    night.wait(90);
    night.told(&["3:00 tom.text clear"]);
}

#[test]
fn a_latched_member_that_returned_unanswered_is_over_once_somebody_answers() {
    let mut night = Night::by_day("leak high loud; latching = true");
    night.raise("leak");
    night.wait(1);
    night.clear("leak");
    night.wait(1);
    night.site.forget();
    night.answer("ines", "leak");
    night.wait(90);
    night.told(&["2:00 tom.text taken", "4:00 tom.text clear"]);
    night.site.says_person("ines", OperatorCommand::Reset { alarm: "leak".to_owned() });
    night.told(&[]);
}

#[test]
fn a_cause_that_flickers_settles_for_an_hour_and_is_one_call_out_and_one_all_clear() {
    let mut night = Night::by_day("pump high loud");
    night.raise("pump");
    night.wait(1);
    night.clear("pump");
    night.wait(10);
    night.told(&["0:00 tom.text call", "3:00 tom.text clear"]);
    night.raise("pump");
    night.wait(1);
    night.clear("pump");
    night.wait(59);
    night.told(&["11:00 tom.text call"]);
    night.wait(10);
    night.told(&["72:00 tom.text clear"]);
    assert_eq!(night.calls(), 0);
}

#[test]
fn what_is_raised_in_settling_goes_on_in_the_state_before_it() {
    let mut night = Night::by_day(
        "power high loud
         flow low mild; consequence-of = [\"power\"]",
    );
    night.raise("power");
    night.answer("ines", "power");
    night.site.forget();
    night.clear("power");
    night.wait(1);
    night.raise("flow");
    night.wait(30);
    // The answer still holds.
    night.told(&[]);
}

#[test]
fn a_real_call_out_begins_during_a_drill_and_the_drill_waits() {
    let mut night = Night::by_day("pump high mild");
    night.site.says_person("ines", OperatorCommand::Drill { callout: "loud".to_owned() });
    night.wait(1);
    night.told(&["0:00 tom.text drill", "0:00 siren drill"]);
    night.raise("pump");
    night.wait(8);
    night.told(&["1:00 siren taken", "1:00 ines.mail call"]);
    night.clear("pump");
    night.wait(8);
    // It goes on with what was left of its five minutes.
    night.told(&["11:00 ines.mail clear", "15:00 neighbour.text drill"]);
}

#[test]
fn what_is_raised_in_settling_counts_in_the_state_before_it_whichever_that_was() {
    let alarms = "power high loud
         heat critical loud; consequence-of = [\"power\"]
         probe low mild; consequence-of = [\"power\"]";
    // Answered: something above breaks through, something milder is listed.
    for (newcomer, told) in [("heat", true), ("probe", false)] {
        let mut night = Night::by_day(alarms);
        night.raise("power");
        night.answer("ines", "power");
        night.wait(1);
        night.clear("power");
        night.seconds(30);
        night.site.forget();
        night.raise(newcomer);
        night.seconds(1);
        assert_eq!(night.site.called().contains(&"ines.mail"), told, "{newcomer}\n{}", night.site.story());
        assert_eq!(night.calls(), 1);
    }
    // Asking: what stood is gone, and something milder is what whoever answered is asked about.
    let mut night = Night::by_day(alarms);
    night.raise("power");
    night.answer("tom", "power");
    night.wait(61);
    night.clear("power");
    night.seconds(30);
    night.site.forget();
    night.raise("probe");
    night.wait(2);
    night.told(&[]);
    assert_eq!(night.calls(), 1);
}

#[test]
fn what_latched_and_is_raised_again_is_where_it_stood_and_has_no_all_clear_while_it_is_true() {
    let mut night = Night::by_day(
        "power medium loud
         heat high loud; consequence-of = [\"power\"]
         leak low mild; consequence-of = [\"power\"]; latching = true",
    );
    night.raise("leak");
    night.seconds(10);
    night.raise("heat");
    night.seconds(10);
    // It explains both, and joins what ranks above.
    night.raise("power");
    night.wait(1);
    night.clear("leak");
    night.seconds(10);
    night.raise("leak");
    night.seconds(10);
    let about = |night: &Night, alarm: &str| {
        let status = night.site.engine.status(night.site.now);
        status.calls.iter().filter(|call| call.about.iter().any(|about| about == alarm)).count()
    };
    assert_eq!(about(&night, "leak"), 1, "{}", night.site.story());
    night.answer("ines", "leak");
    night.site.forget();
    night.wait(20);
    let clear = night
        .site
        .world
        .sent
        .iter()
        .find(|sent| sent.to.starts_with("ines") && sent.purpose == Purpose::AllClear);
    assert!(clear.is_none(), "{}", night.site.story());
}

const HEATERS: &str = r#"
[sensor.heater-power]
topic = "room2/lagoon/heater"
tank = "lagoon"
measures = "power"
unit = "W"
every = "10 s"
[relay.heaters]
command = { topic = "room2/heaters/set", on = "on", off = "off" }
moves = "heat"
proof = "heater-power > 20 W within 30 s"
longest = "24 h"
"#;

#[test]
fn what_waited_for_a_hand_had_not_ended_and_is_back_where_it_was_within_its_hour() {
    let hot = rules("hot high mild; stopgap = { relay = \"heaters\", state = \"off\" }") + HEATERS;
    let mut night = Night::with(&hot, people(), NOON);
    night.site.feed("room2/lagoon/heater", "200", Span::seconds(10));
    night.wait(1);
    // It flickers, so that it settles for an hour; the heaters stay cut.
    for _ in 0..2 {
        night.raise("hot");
        night.wait(7);
        night.clear("hot");
        night.wait(12);
    }
    // Pages while it waits for a hand say that the water is well, and that somebody must look.
    night.told(&["1:00 ines.mail call", "11:00 ines.push call"]);
    night.site.says("room2/lagoon/heater", "200");
    night.wait(1);
    night.raise("hot");
    night.wait(32);
    night.told(&["41:00 ines.push call", "71:00 ines.push call"]);
}

#[test]
fn heaters_that_are_seen_to_be_cut_only_when_the_water_is_well_again_wait_for_a_hand_all_the_same() {
    let hot = rules("hot high mild; stopgap = { relay = \"heaters\", state = \"off\" }") + HEATERS;
    let mut night = Night::with(&hot, people(), NOON);
    night.site.feed("room2/lagoon/heater", "200", Span::seconds(20));
    night.wait(1);
    // A slow meter, and over before it has spoken.
    night.raise("hot");
    night.seconds(5);
    night.clear("hot");
    night.wait(30);
    night.told(&["1:00 ines.mail call", "11:00 ines.push call"]);
    assert!(night.calls() == 1, "{}", night.site.story());
    night.answer("ines", "hot");
    night.site.feed("room2/lagoon/heater", "200", Span::seconds(20));
    night.wait(10);
    night.told(&["33:35 ines.mail clear", "33:35 ines.push clear"]);
}

#[test]
fn heaters_that_were_cut_keep_the_call_out_standing_though_their_alarm_is_shelved_or_paused_by_work() {
    let work = "[work.feeding]\npauses = [\"flow\"]\nlongest = \"30 min\"\n\
        [sensor.flow]\ntopic = \"house/flow\"\ntank = \"lagoon\"\nmeasures = \"flow\"\nunit = \"L/h\"\n\
        every = \"1 min\"\n";
    let hot = "hot high mild; when = \"hot-seen is on and flow < 100 L/h\"; \
        stopgap = { relay = \"heaters\", state = \"off\" }";
    let hot = rules(hot);
    for by_work in [false, true] {
        let mut night = Night::with(&(hot.clone() + HEATERS + work), people(), NOON);
        night.site.feed("room2/lagoon/heater", "200", Span::seconds(10));
        night.site.feed("house/flow", "50", Span::minutes(1));
        night.wait(1);
        night.raise("hot");
        night.wait(5);
        match by_work {
            false => night.shelve("ines", "hot"),
            true => {
                let (tank, work) = ("lagoon".to_owned(), "feeding".to_owned());
                night.site.says_person("ines", OperatorCommand::BeginWork { tank, work, length: None });
            }
        }
        night.clear("hot");
        night.wait(10);
        night.told(&["1:00 ines.mail call", "11:00 ines.push call"]);
        night.site.feed("room2/lagoon/heater", "200", Span::seconds(10));
        night.wait(10);
        night.told(&["16:30 ines.mail taken", "16:30 ines.push taken"]);
        assert_eq!(night.calls(), 0, "{}", night.site.story());
    }
}

/// It has not ended, but a person had put it aside, and that is over.
#[test]
fn what_comes_off_the_shelf_into_a_call_out_that_waits_for_a_hand_is_called_out_anew_there() {
    let hot = rules("hot critical mild; stopgap = { relay = \"heaters\", state = \"off\" }") + HEATERS;
    for answered in [false, true] {
        let mut night = Night::with(&hot, people(), NOON);
        night.site.feed("room2/lagoon/heater", "200", Span::seconds(10));
        night.wait(1);
        night.raise("hot");
        night.wait(5);
        if answered {
            night.answer("ines", "hot");
        }
        night.shelve("ines", "hot");
        night.wait(19);
        night.site.forget();
        night.wait(2);
        // The heaters stay cut, and who has that is told of the water again.
        assert!(night.headline("ines.mail").contains("hot"), "{}", night.headline("ines.mail"));
        night.told(&["26:00 ines.mail call", "26:00 ines.push call"]);
        assert_eq!(night.calls(), 1, "{}", night.site.story());
    }
}
