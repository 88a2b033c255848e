//! Power cuts and what follows from them.

use crate::harness::{Channel, Site};
use slackwater_rules::engine::Input;
use slackwater_rules::engine::Link;
use slackwater_rules::record::{Body, Purpose};
use slackwater_rules::time::Span;

#[test]
fn a_power_cut_is_one_call_out_with_its_consequences_listed() {
    let mut site = Site::calm();
    site.says("room2/mains", "off");
    site.says("room2/lagoon/flow", "0");
    site.run(Span::seconds(20));
    assert_eq!(site.called(), ["ines.push", "siren"], "{}", site.story());
    let page = site.world.sent[0].clone();
    assert!(page.headline.starts_with("Lagoon: power lost, since 12:05, code "), "{}", page.headline);
    assert!(page.body.contains("If nobody acts: no heat, no flow"), "{}", page.body);
    assert!(page.body.contains("First: Start the battery air pump."), "{}", page.body);
    assert!(page.body.contains("before 12:20. "), "{}", page.body);
    assert!(page.body.contains(&format!("slackwater ack {}", page.code)), "{}", page.body);
    assert!(page.text().chars().count() <= 160);

    // The flow alarm comes 90 s after the stop and joins: nobody is paged for it.
    site.run(Span::minutes(3));
    assert!(site.raised().contains(&"return-stopped"));
    assert_eq!(site.called().len(), 2);
    // The next step's page lists it.
    site.run(Span::minutes(2));
    assert_eq!(site.called(), ["ines.push", "siren", "ines.mail"]);
    let mail = &site.world.sent.last().expect("a mail").body;
    assert!(mail.contains("High: Lagoon: return stopped ("), "{mail}");
    assert!(mail.contains("you by push: sent"), "{mail}");
    assert_eq!(site.count(|body| matches!(body, Body::CallBegan { .. })), 1);
}

#[test]
fn a_blip_shorter_than_the_on_delay_calls_nobody() {
    let mut site = Site::calm();
    site.says("room2/mains", "off");
    site.run(Span::seconds(15));
    site.says("room2/mains", "on");
    site.run(Span::hours(2));
    assert!(site.world.sent.is_empty(), "{}", site.story());
    assert!(site.raised().is_empty());
}

#[test]
fn flapping_mains_page_once_and_are_called_chattering() {
    let mut site = Site::calm();
    for _ in 0..40 {
        site.says("room2/mains", "off");
        site.run(Span::seconds(40));
        site.says("room2/mains", "on");
        site.run(Span::seconds(50));
    }
    let pushes = site.called().iter().filter(|to| **to == "ines.push").count();
    assert!(pushes <= 2, "{pushes} pages\n{}", site.story());
    assert_eq!(site.count(|body| matches!(body, Body::Chattering { .. })), 1);
    // It stays raised until it has been quiet for long, and settles for an hour; then one all-clear
    // each.
    site.run(Span::hours(2));
    assert_eq!(
        site.pages(Purpose::AllClear).iter().filter(|page| page.to == "ines.push").count(),
        1,
        "{}",
        site.story()
    );
    assert_eq!(site.state("power-lost"), "returned to normal, unacknowledged");
}

#[test]
fn the_air_pump_is_started_proved_and_stopped_again() {
    let mut site = Site::calm();
    site.says("room2/mains", "off");
    site.run(Span::seconds(20));
    assert_eq!(site.world.commands.len(), 1);
    assert_eq!(site.world.commands[0].payload, "on");
    site.run(Span::minutes(5));
    let mail = &site.world.sent.iter().find(|page| page.to == "ines.mail").expect("the second step").body;
    assert!(mail.contains("Air pump: on, seen to run after"), "{mail}");
    site.says("room2/mains", "on");
    site.run(Span::minutes(1));
    assert_eq!(site.world.commands.last().expect("the undoing").payload, "off");
    site.run(Span::minutes(5));
    assert_eq!(site.world.commands.len(), 2, "{}", site.story());
    assert_eq!(site.count(|body| matches!(body, Body::Proved { .. })), 2);
}

#[test]
fn an_air_pump_that_does_not_obey_is_said_aloud() {
    let mut site = Site::calm();
    site.obeys("room2/airpump/set", false);
    site.says("room2/mains", "off");
    site.run(Span::seconds(20));
    site.answer("ines");
    site.run(Span::minutes(3));
    assert_eq!(site.world.commands.len(), 3, "tried three times in all\n{}", site.story());
    assert_eq!(site.count(|body| matches!(body, Body::NotProved { unknown: false, .. })), 3);
    assert_eq!(site.count(|body| matches!(body, Body::Resumed { .. })), 1, "said once\n{}", site.story());
    let worse = site
        .world
        .sent
        .iter()
        .rev()
        .find(|page| page.purpose == Purpose::Call)
        .expect("a page that breaks through");
    assert!(worse.body.contains("Air pump: switched on, NOT seen to run"), "{}", worse.body);
    assert!(worse.body.contains("start it by hand"));
}

#[test]
fn return_to_normal_sends_one_all_clear_to_those_who_were_paged() {
    let mut site = Site::calm();
    site.says("room2/mains", "off");
    site.run(Span::minutes(6));
    site.answer("ines");
    site.says("room2/mains", "on");
    site.run(Span::hours(3));
    let clear: Vec<_> = site.pages(Purpose::AllClear).iter().map(|page| page.to.as_str()).collect();
    assert_eq!(clear, ["ines.mail", "ines.push"], "the siren is silent by then");
    assert!(
        site.pages(Purpose::AllClear)[0].headline.contains("all clear at"),
        "{}",
        site.pages(Purpose::AllClear)[0].headline
    );
    assert_eq!(site.state("power-lost"), "normal");
}

#[test]
fn a_spare_heater_that_engages_is_told_once_and_repeated_until_answered() {
    let mut site = Site::calm();
    site.says("room2/lagoon/spare-heater", "148");
    site.run(Span::minutes(3));
    let page = site.world.sent.first().expect("a page");
    assert!(page.headline.starts_with("Lagoon: spare heater, since 12:05"), "{}", page.headline);
    assert!(page.body.contains("Draws 148 W."), "{}", page.body);
    assert!(page.body.contains("If nobody acts: the first heater is dead"), "{}", page.body);
}

#[test]
fn a_broker_outage_is_one_alarm_and_clears_nothing() {
    let mut site = Site::calm();
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(2));
    assert_eq!(site.state("return-stopped"), "unacknowledged");
    site.forget();
    site.silence_all();
    site.step(Input::Link(Link::Lost { why: "connection refused".to_owned() }));
    site.run(Span::minutes(30));
    assert_eq!(site.state("return-stopped"), "unacknowledged", "what can't be seen stays raised");
    let sights: Vec<_> = site.raised().into_iter().filter(|name| name.starts_with("sight-")).collect();
    assert_eq!(sights, ["sight-broker"], "one per cause\n{}", site.story());
    assert!(site.pages(Purpose::AllClear).is_empty());
    assert_eq!(
        site.count(|body| matches!(body, Body::LostSight { alarm, .. } if alarm == "return-stopped")),
        1
    );
}

#[test]
fn a_dead_gateway_is_one_alarm_not_one_per_sensor() {
    let mut site = Site::calm();
    site.silence("room2/lagoon/temperature");
    site.silence("room2/lagoon/flow");
    site.run(Span::minutes(30));
    let sights: Vec<_> = site.raised().into_iter().filter(|name| name.starts_with("sight-")).collect();
    assert_eq!(sights, ["sight-gateway-sump-board"], "{}", site.story());
}

#[test]
fn a_sensor_that_dies_while_its_alarm_stands_leaves_it_raised() {
    let mut site = Site::calm();
    site.says("room2/lagoon/spare-heater", "150");
    site.run(Span::minutes(3));
    assert_eq!(site.state("spare-heater"), "unacknowledged");
    site.silence("room2/lagoon/spare-heater");
    site.run(Span::hours(5));
    assert_eq!(site.state("spare-heater"), "unacknowledged");
    assert!(site.raised().contains(&"sight-spare-power"));
    assert!(site.pages(Purpose::AllClear).is_empty(), "{}", site.story());
    let last = &site.world.sent.iter().rev().find(|page| page.alarm == "spare-heater").expect("repeats").body;
    assert!(last.contains("It is no longer measured"), "{last}");
}

#[test]
fn a_power_cut_that_takes_the_sensors_with_it_stays_one_call_out() {
    let mut site = Site::calm();
    site.says("room2/mains", "off");
    site.run(Span::seconds(30));
    site.silence("room2/lagoon/temperature");
    site.silence("room2/lagoon/flow");
    site.run(Span::minutes(30));
    assert!(site.raised().contains(&"sight-gateway-sump-board"), "{}", site.story());
    assert_eq!(site.count(|body| matches!(body, Body::CallBegan { .. })), 1, "{}", site.story());
}

#[test]
fn a_dead_channel_delays_nobody() {
    let mut site = Site::calm();
    site.channel("ines.push", Channel::Fails);
    site.says("room2/mains", "off");
    site.run(Span::seconds(20));
    // The only person of the first step can't be reached that way: the second is taken at once.
    assert_eq!(site.called(), ["ines.push", "siren", "ines.mail"], "{}", site.story());
    site.run(Span::minutes(14));
    assert_eq!(site.called().len(), 3);
}

#[test]
fn an_alarm_for_lost_sight_returns_only_when_something_is_seen() {
    let mut site = Site::calm();
    site.says("room2/lagoon/spare-heater", "out of order");
    site.run(Span::minutes(10));
    assert_eq!(site.state("sight-spare-power"), "unacknowledged");
    site.forget();
    site.restart(Span::minutes(1), Some(Span::minutes(1)));
    site.run(Span::minutes(10));
    assert_eq!(site.state("sight-spare-power"), "unacknowledged", "a restart sees nothing\n{}", site.story());
    site.step(Input::Link(Link::Lost { why: "connection refused".to_owned() }));
    site.run(Span::minutes(10));
    assert_eq!(site.state("sight-spare-power"), "unacknowledged", "nor does who is deaf\n{}", site.story());
    site.step(Input::Link(Link::Hears));
    site.run(Span::minutes(10));
    assert!(site.pages(Purpose::AllClear).iter().all(|page| !page.alarm.contains("sight-spare-power")));
    site.says("room2/lagoon/spare-heater", "0");
    assert_eq!(site.state("sight-spare-power"), "returned to normal, unacknowledged");
}
