//! Stopgaps: what is switched, proved, held, undone, and left to a person.

use crate::harness::{RULES, Site, directory};
use slackwater_rules::engine::{Arrival, Input, Link};
use slackwater_rules::record::{Body, Purpose};
use slackwater_rules::time::{Moment, Span};

const NOON: &str = "2026-03-02T12:00:00+01:00[Europe/Berlin]";
const MAINS: &str = "room2/mains";
const FLOW: &str = "room2/lagoon/flow";
const CURRENT: &str = "room2/airpump/current";
const HEATER: &str = "room2/lagoon/heater";
const TEMPERATURE: &str = "room2/lagoon/temperature";

/// A heater behind a relay, cut when the water is too hot.
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
longest = "2 h"

[alarm.too-hot]
tank = "lagoon"
when = "lagoon-temp > 29 degC"
on-delay = "30 s"
off-delay = "1 min"
priority = "critical"
response = ["Look at the heaters."]
stopgap = { relay = "heaters", state = "off" }
"#;

/// The site with more said of its air pump, and more in the file.
fn site(pump: &str, more: &str) -> Site {
    let rules = RULES.replace("longest = \"12 h\"", &format!("longest = \"12 h\"\n{pump}")) + more;
    Site::with(&rules, directory(), NOON)
}

fn hot() -> Site {
    become_hot(true)
}

fn hot_and_welded() -> Site {
    become_hot(false)
}

fn become_hot(heaters_obey: bool) -> Site {
    let mut site = site("", HEATERS);
    site.obeys("room2/heaters/set", heaters_obey);
    site.feed(HEATER, "200", Span::seconds(10));
    site.run(Span::minutes(1));
    site.says(TEMPERATURE, "29.6");
    // A jump is believed once the water can have come so far, and the on-delay runs.
    for _ in 0..100 {
        if site.raised().contains(&"too-hot") {
            return site;
        }
        site.run(Span::seconds(5));
    }
    panic!("never hot\n{}", site.story());
}

/// The commands that left, as payloads.
fn commands(site: &Site) -> Vec<&str> {
    site.world.commands.iter().map(|sent| sent.payload.as_str()).collect()
}

fn last_body(site: &Site) -> &str {
    &site.world.sent.last().expect("a page").body
}

fn state(site: &Site, relay: &str) -> Option<String> {
    let relays = site.engine.status(site.now).relays;
    relays.into_iter().find(|view| view.name == relay).and_then(|view| view.state)
}

fn record(site: &Site, wanted: impl Fn(&Body) -> bool) -> (Moment, String) {
    let found = site.records.iter().rev().find(|record| wanted(&record.body));
    let found = found.unwrap_or_else(|| panic!("no such record\n{}", site.story()));
    (found.at.mono, found.body.to_string())
}

#[test]
fn air_goes_on_after_the_power_is_back_until_flow_is_proved() {
    let mut site = site("hold = \"until return-flow > 200 L/h, at most 2 h\"", "");
    site.says(MAINS, "off");
    site.says(FLOW, "0");
    site.run(Span::minutes(2));
    site.says(MAINS, "on");
    site.run(Span::minutes(30));
    assert_eq!(commands(&site), ["on"], "the water stands still\n{}", site.story());
    let held = "on, seen to run after 5 s; held until lagoon return flow > 200 L/h, for 2 h at most";
    assert_eq!(state(&site, "air-pump").as_deref(), Some(held));
    site.says(FLOW, "4300");
    site.run(Span::seconds(15));
    assert_eq!(commands(&site), ["on", "off"], "{}", site.story());
    site.run(Span::minutes(1));
    assert_eq!(state(&site, "air-pump"), None);
}

#[test]
fn a_hold_is_proved_by_what_is_seen_after_the_cause_has_gone_and_not_before() {
    let mut site = site("hold = \"until return-flow > 200 L/h\"", "");
    site.says(MAINS, "off");
    // The flow meter has reported good flow to the end, and dies with the cause.
    site.run(Span::minutes(1));
    site.says(MAINS, "on");
    site.run(Span::seconds(29));
    site.silence(FLOW);
    site.run(Span::hours(11));
    assert_eq!(commands(&site), ["on"], "{}", site.story());
    site.run(Span::hours(1));
    assert_eq!(commands(&site), ["on", "off"], "its longest run bounds it\n{}", site.story());
}

#[test]
fn a_hold_ends_by_its_bound() {
    let mut site = site("hold = \"until return-flow > 200 L/h, at most 2 h\"", "");
    site.says(MAINS, "off");
    site.says(FLOW, "0");
    site.run(Span::minutes(10));
    site.says(MAINS, "on");
    site.run(Span::hours(3));
    let (since, _) = record(&site, |body| matches!(body, Body::Held { .. }));
    assert_eq!(commands(&site), ["on", "off"]);
    assert_eq!(site.world.commands[1].at - since, Span::hours(2));
}

#[test]
fn the_all_clear_says_that_air_is_still_held() {
    let mut site = site("hold = \"30 min\"", "");
    site.says(MAINS, "off");
    site.run(Span::minutes(2));
    site.answer("ines");
    site.says(MAINS, "on");
    site.run(Span::minutes(10));
    let clear = site.pages(Purpose::AllClear)[0];
    assert!(clear.body.contains("As the watch left it\nAir pump: on, seen to run"), "{}", clear.body);
}

#[test]
fn the_all_clear_says_that_the_pump_was_not_seen_to_stop() {
    let mut site = site("", "");
    site.says(MAINS, "off");
    site.run(Span::minutes(2));
    site.answer("ines");
    site.obeys("room2/airpump/set", false);
    site.says(MAINS, "on");
    site.run(Span::minutes(10));
    assert_eq!(commands(&site), ["on", "off", "off", "off"], "{}", site.story());
    let clear = site.pages(Purpose::AllClear)[0];
    let line = "\nAir pump: switched off, NOT seen to be off: stop it by hand";
    assert!(clear.body.contains(line), "{}", clear.body);
    assert_eq!(state(&site, "air-pump"), None, "let go with the all-clear");
}

#[test]
fn the_first_page_says_that_air_was_commanded() {
    let mut site = site("", "");
    site.says(MAINS, "off");
    site.run(Span::seconds(20));
    let body = &site.world.sent[0].body;
    assert!(
        body.contains("What the watch has switched\nAir pump: switched on, not yet seen to run"),
        "{body}"
    );
}

#[test]
fn a_stopgap_of_which_nothing_is_seen_is_said_and_repeated_twice() {
    let mut site = site("", "");
    site.silence(CURRENT);
    site.run(Span::minutes(1));
    site.says(MAINS, "off");
    site.run(Span::minutes(2));
    assert_eq!(commands(&site), ["on", "on", "on"], "{}", site.story());
    assert_eq!(site.count(|body| matches!(body, Body::NotProved { unknown: true, .. })), 3);
    let page = last_body(&site);
    let words = "Air pump: switched on, NOT seen to run: start it by hand (nothing seen within 20 s";
    assert!(page.contains(words), "{page}");
    // A person does so, and the current is seen again.
    site.feed(CURRENT, "0.2", Span::seconds(5));
    assert!(state(&site, "air-pump").is_some_and(|state| state.starts_with("on, seen to run")));
}

#[test]
fn a_command_that_the_broker_refuses_is_said_at_once_and_not_spent_in_a_moment() {
    let mut site = site("", "");
    site.world.commands_go = false;
    site.says(MAINS, "off");
    site.run(Span::seconds(20));
    assert_eq!(site.world.commands.len(), 1, "{}", site.story());
    let page = last_body(&site);
    assert!(
        page.contains("Air pump: switched on, NOT seen to run: start it by hand (the story says so)"),
        "{page}"
    );
    site.world.commands_go = true;
    site.run(Span::seconds(30));
    assert_eq!(site.world.commands.len(), 2);
    assert!(state(&site, "air-pump").is_some_and(|state| state.starts_with("on, seen to run")));
}

#[test]
fn a_heater_that_does_not_go_off_is_said_to_everyone_at_once() {
    let mut site = hot_and_welded();
    site.answer("ines");
    site.forget();
    site.run(Span::seconds(30));
    let (seen, _) = record(&site, |body| matches!(body, Body::NotProved { unknown: false, .. }));
    let at_once: Vec<_> = site
        .pages(Purpose::Call)
        .into_iter()
        .filter(|page| page.at == seen)
        .filter(|page| page.alarm == "too-hot")
        .collect();
    let to: Vec<_> = at_once.iter().map(|page| page.to.as_str()).collect();
    let all = ["ines.mail", "ines.push", "neighbour.text", "neighbour.mail", "siren"];
    assert_eq!(to, all, "{}", site.story());
    let text = &at_once[2].text();
    assert!(text.contains("Lagoon: heaters may still be on: unplug by hand"), "{text}");
    let todo = at_once[3].body.split("How to answer").next().expect("what to do");
    assert!(
        todo.contains("\nHeaters: switched off again, NOT seen to be off: unplug by hand")
            || todo.contains("\nHeaters: switched off, NOT seen to be off: unplug by hand"),
        "{todo}"
    );
    // It is tried on, but said once.
    site.answer("ines");
    site.forget();
    site.run(Span::minutes(2));
    assert!(!site.world.sent.iter().any(|page| page.alarm == "too-hot"), "{}", site.story());
    assert_eq!(site.count(|body| matches!(body, Body::NotProved { .. })), 3);
}

#[test]
fn a_heater_that_a_slow_meter_shows_to_draw_on_after_the_last_try_is_said_to_everyone_then() {
    let slow = HEATERS.replace("every = \"10 s\"", "every = \"2 min\"");
    let mut site = site("", &slow);
    site.obeys("room2/heaters/set", false);
    site.feed(HEATER, "200", Span::minutes(2));
    site.says(TEMPERATURE, "29.6");
    while commands(&site).is_empty() {
        site.run(Span::seconds(1));
    }
    site.feed(HEATER, "200", Span::minutes(2));
    site.forget();
    site.run(Span::seconds(95));
    assert_eq!(commands(&site).len(), 2, "two more tries\n{}", site.story());
    let told = |site: &Site, word: &str| {
        let sent = site.world.sent.iter().filter(|page| page.headline.contains(word));
        sent.map(|page| page.to.clone()).collect::<Vec<_>>()
    };
    assert_eq!(told(&site, "may still be on"), ["ines.push"], "{}", site.story());
    site.forget();
    site.run(Span::seconds(30));
    let all = ["ines.mail", "ines.push", "neighbour.mail", "neighbour.text"];
    let mut everyone = told(&site, "heaters");
    everyone.sort();
    assert_eq!(everyone, all, "{}", site.story());
    assert_eq!(commands(&site).len(), 0, "it is tried no more\n{}", site.story());
    site.forget();
    site.run(Span::minutes(4));
    assert_eq!(told(&site, "heaters"), Vec::<String>::new(), "once\n{}", site.story());
}

#[test]
fn a_heater_that_draws_again_after_it_was_off_is_said_to_everyone_at_once() {
    let mut site = hot();
    site.run(Span::minutes(2));
    assert!(state(&site, "heaters").is_some_and(|state| state.starts_with("off, seen to be off")));
    site.answer("ines");
    site.forget();
    site.says(HEATER, "200");
    site.run(Span::seconds(31));
    let hot = site.pages(Purpose::Call).into_iter().filter(|page| page.alarm == "too-hot");
    assert_eq!(hot.count(), 4, "and the siren sounds already\n{}", site.story());
    assert!(last_body(&site).contains("unplug by hand, unless somebody"), "{}", last_body(&site));
    site.run(Span::hours(1));
    assert_eq!(site.world.commands.len(), 0, "left alone");
}

#[test]
fn a_heater_is_never_switched_on_again_and_the_all_clear_says_so() {
    let mut site = hot();
    site.run(Span::minutes(2));
    site.says(TEMPERATURE, "25.5");
    // Four minutes until the jump is believed, and the off-delay.
    site.run(Span::minutes(9));
    assert_eq!(commands(&site), ["off"], "{}", site.story());
    assert!(site.pages(Purpose::AllClear).is_empty(), "it stands until a person was there\n{}", site.story());
    site.run(Span::minutes(20));
    let page = site.world.sent.iter().rev().find(|page| page.alarm == "too-hot").expect("asked again");
    let heading = "Lagoon: heaters are cut and stay cut. Someone must look";
    assert!(page.headline.starts_with(heading), "{}", page.headline);
    assert!(page.body.contains("It was: Lagoon: too hot, since"), "{}", page.body);
    assert!(page.body.contains("; now 25.5 °C."), "{}", page.body);
    // The card of the heat would cool it further.
    assert!(page.body.contains("2. Read a thermometer in the tank"), "{}", page.body);
    assert!(!page.body.contains("Look at the heaters."), "{}", page.body);
    site.world.sent.clear();
    site.says(HEATER, "200");
    site.run(Span::minutes(4));
    assert!(site.called().is_empty(), "they did what they were asked to\n{}", site.story());
    let clear = site.pages(Purpose::AllClear)[0];
    assert!(!clear.body.contains("it stays off until a person switches it on"), "{}", clear.body);
    assert_eq!(state(&site, "heaters"), None, "let go when it was switched back");
    site.run(Span::hours(24));
    assert_eq!(commands(&site), ["off"]);
}

#[test]
fn air_waits_for_what_the_keeper_asks_for_and_the_page_says_so() {
    let mut site = site("only-if = \"spare-power < 100 W\"", "");
    site.says("room2/lagoon/spare-heater", "150");
    site.says(MAINS, "off");
    site.run(Span::seconds(20));
    assert!(site.world.commands.is_empty(), "{}", site.story());
    let page = last_body(&site);
    let words =
        "Air pump: NOT switched on: start it by hand (only if lagoon spare power < 100 W: spare power 150 W";
    assert!(page.contains(words), "{page}");
    // Nothing known is not enough.
    site.silence("room2/lagoon/spare-heater");
    site.run(Span::minutes(10));
    assert!(site.world.commands.is_empty());
    site.feed("room2/lagoon/spare-heater", "0", Span::seconds(30));
    assert_eq!(commands(&site), ["on"], "{}", site.story());
}

#[test]
fn air_may_ask_for_two_thermometers_that_agree() {
    let second = "[sensor.sump-temp]\ntopic = \"room2/sump\"\ntank = \"lagoon\"\n\
                  measures = \"temperature\"\nunit = \"degC\"\nevery = \"30 s\"\n";
    let agree = "only-if = \"lagoon-temp - sump-temp is between -1 K and 1 K\"";
    let mut site = site(agree, second);
    site.feed("room2/sump", "28", Span::seconds(30));
    site.says(MAINS, "off");
    site.run(Span::minutes(3));
    assert!(site.world.commands.is_empty(), "{}", site.story());
    site.says("room2/sump", "25.4");
    site.run(Span::minutes(4));
    assert_eq!(commands(&site), ["on"], "{}", site.story());
}

#[test]
fn flapping_mains_do_not_flap_the_pump() {
    let mut site = site("pause = \"5 min\"", "");
    for _ in 0..40 {
        site.says(MAINS, "off");
        site.run(Span::seconds(40));
        site.says(MAINS, "on");
        site.run(Span::seconds(50));
    }
    let times: Vec<_> = site.world.commands.iter().map(|sent| sent.at).collect();
    assert!(times.windows(2).all(|pair| pair[1] - pair[0] >= Span::minutes(5)), "{}", site.story());
    assert!(times.len() <= 4, "{} commands\n{}", times.len(), site.story());
}

#[test]
fn a_pump_that_somebody_switches_is_left_alone_for_the_episode() {
    let mut site = site("", "");
    site.says(MAINS, "off");
    site.run(Span::minutes(2));
    site.answer("ines");
    site.forget();
    site.says(CURRENT, "0");
    site.run(Span::hours(1));
    assert!(site.world.commands.is_empty(), "{}", site.story());
    assert_eq!(site.count(|body| matches!(body, Body::ByHand { shows: false, .. })), 1);
    let page = last_body(&site);
    let headline = &site.world.sent.first().expect("a page").headline;
    assert!(headline.starts_with("Lagoon: air pump stopped, after it was seen to run"), "{headline}");
    assert!(page.contains("Lagoon: power lost, since"), "{page}");
    assert!(page.contains("Air pump: showed off after it was seen to run: look whether it"), "{page}");
    // Not even undone; and the next episode begins anew.
    site.says(MAINS, "on");
    site.run(Span::minutes(30));
    assert!(site.world.commands.is_empty(), "{}", site.story());
    site.says(MAINS, "off");
    site.run(Span::minutes(1));
    assert_eq!(commands(&site), ["on"], "{}", site.story());
}

#[test]
fn one_low_reading_is_not_a_hand() {
    let mut site = site("", "");
    site.says(MAINS, "off");
    site.run(Span::minutes(2));
    site.message(CURRENT, "0", Arrival::Live);
    site.run(Span::minutes(5));
    assert_eq!(site.count(|body| matches!(body, Body::ByHand { .. })), 0, "{}", site.story());
}

#[test]
fn a_restart_between_command_and_proof_switches_nothing_and_sees_the_proof() {
    let mut site = site("", "");
    site.obeys("room2/airpump/set", false);
    site.says(MAINS, "off");
    site.run(Span::seconds(22));
    site.forget();
    site.restart(Span::minutes(2), None);
    assert!(site.world.commands.is_empty(), "{}", site.story());
    site.says(CURRENT, "0.2");
    site.run(Span::minutes(5));
    assert!(site.world.commands.is_empty(), "{}", site.story());
    assert!(state(&site, "air-pump").is_some_and(|state| state.starts_with("on, seen to run")));
}

#[test]
fn after_a_restart_nothing_is_repeated_before_there_are_readings() {
    let mut site = site("", "");
    site.obeys("room2/airpump/set", false);
    site.says(MAINS, "off");
    site.run(Span::seconds(22));
    site.forget();
    site.silence_all();
    site.restart(Span::minutes(2), None);
    site.run(Span::minutes(4));
    assert!(site.world.commands.is_empty(), "{}", site.story());
    site.feed(MAINS, "off", Span::seconds(30));
    site.feed(CURRENT, "0", Span::seconds(5));
    site.run(Span::seconds(1));
    assert_eq!(commands(&site), ["on"], "tried again, since it is seen to stand still\n{}", site.story());
}

#[test]
fn a_longest_run_that_ended_while_nobody_watched_is_undone_by_the_first_readings() {
    let mut site = site("", "");
    site.says(MAINS, "off");
    site.run(Span::hours(11));
    site.forget();
    site.silence_all();
    site.restart(Span::hours(2), Some(Span::hours(2)));
    site.run(Span::minutes(1));
    assert!(site.world.commands.is_empty(), "{}", site.story());
    site.feed(CURRENT, "0.2", Span::seconds(5));
    assert_eq!(commands(&site), ["off"], "{}", site.story());
    let page = last_body(&site);
    assert!(page.contains("its longest run of 12 h is over"), "{page}");
}

#[test]
fn what_waits_at_a_restart_waits_for_readings() {
    let mut site = site("only-if = \"spare-power < 100 W\"", "");
    site.says("room2/lagoon/spare-heater", "150");
    site.says(MAINS, "off");
    site.run(Span::minutes(1));
    site.silence_all();
    site.restart(Span::minutes(1), None);
    site.message("room2/lagoon/spare-heater", "0", Arrival::Retained);
    site.run(Span::hours(1));
    assert!(site.world.commands.is_empty(), "{}", site.story());
    site.feed("room2/lagoon/spare-heater", "0", Span::seconds(30));
    assert_eq!(commands(&site), ["on"], "{}", site.story());
}

#[test]
fn a_pump_that_no_broker_would_hear_waits_and_is_said() {
    let mut site = site("", "");
    site.says(MAINS, "off");
    site.run(Span::seconds(10));
    site.step(Input::Link(Link::Lost { why: "connection refused".to_owned() }));
    site.run(Span::seconds(10));
    assert!(site.world.commands.is_empty(), "{}", site.story());
    let page = site.world.sent[0].body.clone();
    let words = "Air pump: NOT switched on: start it by hand (the broker can't be heard: connection refused)";
    assert!(page.contains(words), "{page}");
    site.run(Span::minutes(10));
    site.step(Input::Link(Link::Hears));
    site.run(Span::seconds(30));
    assert_eq!(commands(&site), ["on"], "{}", site.story());
}

#[test]
fn the_higher_priority_decides_between_air_and_energy() {
    let flat = "[sensor.battery]\ntopic = \"room2/battery\"\nmeasures = \"voltage\"\nunit = \"V\"\nevery = \"30 s\"\n\
                [alarm.battery-flat]\nwhen = \"battery < 11 V\"\npriority = \"high\"\nresponse = \"x\"\n\
                stopgap = { relay = \"air-pump\", state = \"off\" }\n";
    let mut weak = site("", flat);
    weak.feed("room2/battery", "12.8", Span::seconds(30));
    weak.says(MAINS, "off");
    weak.run(Span::minutes(3));
    weak.says("room2/battery", "10.5");
    weak.run(Span::minutes(10));
    assert_eq!(commands(&weak), ["on"], "air is wanted by what is critical\n{}", weak.story());

    let first = flat.replace("high", "critical");
    let rules = RULES.replace(
        "priority = \"critical\"\nconsequence = \"no heat",
        "priority = \"high\"\nconsequence = \"no heat",
    );
    let mut strong = Site::with(&(rules + &first), directory(), NOON);
    strong.feed("room2/battery", "12.8", Span::seconds(30));
    strong.says(MAINS, "off");
    strong.run(Span::minutes(3));
    strong.says("room2/battery", "10.5");
    strong.run(Span::minutes(10));
    assert_eq!(commands(&strong), ["on", "off"], "{}", strong.story());
    let (_, why) = record(&strong, |body| matches!(body, Body::Switched { on: false, .. }));
    assert!(why.contains("battery-flat outranks what wanted it on"), "{why}");
    strong.says("room2/battery", "12.6");
    strong.run(Span::minutes(10));
    assert_eq!(commands(&strong), ["on", "off", "on"], "{}", strong.story());
}

#[test]
fn a_command_that_the_broker_keeps_switches_nothing_and_is_said_once() {
    let mut site = site("", "");
    for _ in 0..3 {
        site.message("room2/airpump/set", "on", Arrival::Retained);
    }
    site.run(Span::minutes(10));
    assert!(site.world.commands.is_empty() && site.raised().is_empty(), "{}", site.story());
    assert_eq!(site.count(|body| matches!(body, Body::CommandKept { .. })), 1);
    let (_, words) = record(&site, |body| matches!(body, Body::CommandKept { .. }));
    assert!(words.contains("the broker keeps the command \"on\" for air-pump"), "{words}");
    assert_eq!(site.engine.status(site.now).relays[0].kept.as_deref(), Some("on"));
    // Our own command on the same topic is none of this; an empty message clears it.
    site.message("room2/airpump/set", "off", Arrival::Live);
    assert_eq!(site.engine.status(site.now).relays.len(), 1);
    site.message("room2/airpump/set", "", Arrival::Live);
    assert!(site.engine.status(site.now).relays.is_empty());
}

#[test]
fn another_plan_switches_nothing() {
    let mut site = site("", "");
    site.says(MAINS, "off");
    site.run(Span::minutes(2));
    site.forget();
    let rules = site.rules.replace("12 h", "10 h");
    site.reload(&rules);
    site.run(Span::minutes(10));
    assert!(site.world.commands.is_empty(), "{}", site.story());
    let longer = site.rules.replace("stopgap = { relay = \"air-pump\", state = \"on\" }\n", "");
    site.reload(&longer);
    site.run(Span::minutes(2));
    assert_eq!(commands(&site), ["off"], "what no alarm wants any more is undone\n{}", site.story());
    site.reload(&rules);
    site.run(Span::minutes(10));
    assert_eq!(commands(&site), ["off"], "only a raised alarm begins\n{}", site.story());
}

#[test]
fn explain_tells_of_the_stopgap() {
    let mut site = site("", "");
    let told = |site: &Site| site.engine.explain("power-lost", site.now).expect("an alarm").change.join("\n");
    assert!(
        told(&site).contains("stopgap air pump: switched on when the alarm is raised"),
        "{}",
        told(&site)
    );
    site.says(MAINS, "off");
    site.run(Span::minutes(1));
    assert!(told(&site).contains("stopgap air pump: on, seen to run after"), "{}", told(&site));
}

#[test]
fn an_air_pump_that_stops_under_an_answer_breaks_through_it() {
    let mut site = site("", "");
    site.says(MAINS, "off");
    site.run(Span::minutes(2));
    site.answer("neighbour");
    assert!(state(&site, "air-pump").is_some_and(|state| state.starts_with("on, seen to run")));
    site.forget();
    site.says(CURRENT, "0");
    site.run(Span::seconds(30));
    let mut told = site.called();
    told.sort_unstable();
    // Whoever has it by all their ways, and the ladder from its first rung.
    assert_eq!(told, ["ines.push", "neighbour.mail", "neighbour.text", "siren"], "{}", site.story());
    let page = site.world.sent.iter().find(|page| page.to == "neighbour.text").expect("told");
    assert!(page.headline.to_lowercase().contains("air pump"), "{}", page.headline);
    site.forget();
    site.run(Span::minutes(5));
    assert_eq!(site.called(), ["ines.mail"], "the next rung in its time\n{}", site.story());
}

#[test]
fn an_air_pump_that_stops_while_nobody_has_it_is_news_to_those_told_and_to_nobody_else() {
    let mut site = site("", "");
    site.says(MAINS, "off");
    site.run(Span::minutes(2));
    site.forget();
    site.says(CURRENT, "0");
    site.run(Span::seconds(30));
    let people: Vec<&str> = site.called().into_iter().filter(|to| *to != "siren").collect();
    assert_eq!(people, ["ines.push"], "{}", site.story());
}
#[test]
fn who_has_to_look_at_heaters_that_stay_cut_is_told_by_when_the_water_may_be_too_cold() {
    let (_, relay) = HEATERS.split_once("[relay.heaters]").expect("a relay");
    let heaters = format!("[relay.heaters]{relay}");
    let rules = crate::fixtures::MODELLED.to_owned() + &heaters;
    let mut site = Site::silent(&rules, crate::fixtures::directory(&["ines.text"]), NOON);
    for (topic, says) in [
        ("lagoon/temperature", "25.1"),
        ("lagoon/sump", "25.0"),
        ("room", "17"),
        ("lagoon/heater", "200"),
        ("lagoon/spare", "0"),
        ("lagoon/lamp", "off"),
        ("lagoon/flow", "4300"),
        ("mains", "on"),
        ("air", "0"),
    ] {
        site.feed(topic, says, Span::minutes(1));
    }
    site.run(Span::hours(3));
    // As fast as water goes.
    for tenths in (251..=294).chain((255..294).rev()) {
        site.says("lagoon/temperature", &format!("{}.{}", tenths / 10, tenths % 10));
        site.run(Span::minutes(3));
        if tenths == 291 {
            site.says("lagoon/heater", "0");
        }
    }
    let cut = |page: &&crate::harness::Sent| page.headline.contains("Someone must look");
    let page = site.world.sent.iter().find(cut).unwrap_or_else(|| panic!("{}", site.story()));
    let by = page.headline.split("Someone must look by ").nth(1);
    let by = by.unwrap_or_else(|| panic!("{}\n{}", page.headline, site.story()));
    let hour: String = by.chars().take_while(|c| c.is_ascii_digit() || *c == ':').collect();
    assert!(hour.parse::<jiff::civil::Time>().is_ok(), "{by}");
    assert!(page.text().contains("Someone must look by "), "{}", page.text());
}

#[test]
fn a_heater_cut_in_an_earlier_spell_keeps_the_call_out_of_a_later_one_standing() {
    let mut site = hot();
    site.run(Span::minutes(2));
    let warms = |site: &mut Site, tenths: &mut dyn Iterator<Item = i32>| {
        for tenths in tenths {
            site.says(TEMPERATURE, &format!("{}.{}", tenths / 10, tenths % 10));
            site.run(Span::minutes(1));
        }
    };
    // Over, raised again before anybody was there, and over again.
    warms(&mut site, &mut (280..=296).rev());
    warms(&mut site, &mut (280..=296));
    warms(&mut site, &mut (280..=296).rev());
    assert_eq!(site.count(|body| matches!(body, Body::Raised { alarm, .. } if alarm == "too-hot")), 2);
    site.run(Span::hours(3));
    assert!(site.pages(Purpose::AllClear).is_empty(), "nobody was there\n{}", site.story());
    assert!(state(&site, "heaters").is_some(), "{}", site.story());
    site.says(HEATER, "200");
    // What flickers settles for an hour.
    site.run(Span::minutes(70));
    assert_eq!(state(&site, "heaters"), None);
    assert!(!site.pages(Purpose::AllClear).is_empty(), "{}", site.story());
    assert_eq!(commands(&site), ["off"]);
}
