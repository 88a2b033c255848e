//! Sensors that lie, fall silent or repeat old news.

use crate::harness::{RULES, Site, directory};
use slackwater_rules::engine::Arrival;
use slackwater_rules::record::Body;
use slackwater_rules::time::Span;

#[test]
fn a_retained_value_raises_clears_and_confirms_nothing() {
    let mut site = Site::silent(RULES, directory(), "2026-03-02T12:00:00+01:00[Europe/Berlin]");
    for _ in 0..100 {
        site.message("room2/mains", "off", Arrival::Retained);
        site.message("room2/mains", "off", Arrival::Backlog);
        site.run(Span::seconds(10));
    }
    assert!(!site.raised().contains(&"power-lost"), "{}", site.story());
    let status = site.engine.status(site.now);
    let mains = status.sensors.iter().find(|view| view.name == "mains").expect("there");
    assert_eq!(mains.quality, "old");

    let mut site = Site::calm();
    site.says("room2/mains", "off");
    site.run(Span::seconds(30));
    site.silence("room2/mains");
    for _ in 0..100 {
        site.message("room2/mains", "on", Arrival::Retained);
        site.run(Span::seconds(10));
    }
    assert_eq!(site.state("power-lost"), "unacknowledged", "{}", site.story());
}

#[test]
fn a_probe_with_nothing_to_say_never_makes_the_water_hot() {
    let mut site = Site::calm();
    site.says("room2/lagoon/temperature", "85");
    site.run(Span::minutes(20));
    assert!(!site.raised().contains(&"warm-room"));
    assert!(!site.raised().contains(&"too-cold"));
    assert_eq!(site.raised(), ["sight-lagoon-temp"], "{}", site.story());
    assert!(
        site.story().contains("85 degC is what the probe says when it has nothing to say"),
        "{}",
        site.story()
    );
}

#[test]
fn one_glitch_among_good_readings_changes_nothing() {
    let mut site = Site::calm();
    for _ in 0..50 {
        site.message("room2/lagoon/temperature", "-127", Arrival::Live);
        site.message("room2/lagoon/temperature", "nan", Arrival::Live);
        site.message("room2/lagoon/temperature", "", Arrival::Live);
        site.run(Span::seconds(40));
    }
    assert!(site.raised().is_empty(), "{}", site.story());
    let status = site.engine.status(site.now);
    let view = status.sensors.iter().find(|view| view.name == "lagoon-temp").expect("there");
    assert_eq!(view.rejected, 150);
}

#[test]
fn an_undeclared_word_is_a_bad_reading_and_not_off() {
    let mut site = Site::calm();
    site.says("room2/mains", "unavailable");
    site.run(Span::minutes(10));
    assert!(!site.raised().contains(&"power-lost"));
    assert_eq!(site.raised(), ["sight-mains"], "{}", site.story());
}

#[test]
fn a_silent_sensor_is_noticed_by_the_passing_of_time_alone() {
    let mut site = Site::calm();
    site.silence("room2/mains");
    site.run(Span::seconds(90));
    assert_eq!(site.count(|body| matches!(body, Body::SightLost { of, .. } if of == "mains")), 0);
    site.run(Span::seconds(30));
    assert_eq!(
        site.count(|body| matches!(body, Body::SightLost { of, .. } if of == "mains")),
        1,
        "{}",
        site.story()
    );
    site.run(Span::minutes(3));
    assert_eq!(site.raised(), ["sight-mains"]);
    site.feed("room2/mains", "on", Span::seconds(30));
    site.run(Span::minutes(1));
    assert_eq!(site.state("sight-mains"), "returned to normal, unacknowledged");
    assert_eq!(site.count(|body| matches!(body, Body::SightRegained { of, .. } if of == "mains")), 1);
}

#[test]
fn the_deadband_keeps_a_value_on_the_limit_from_coming_and_going() {
    let mut site = Site::calm();
    site.says("room2/lagoon/flow", "190");
    site.run(Span::minutes(2));
    assert_eq!(site.state("return-stopped"), "unacknowledged");
    site.says("room2/lagoon/flow", "230");
    site.run(Span::minutes(30));
    assert_eq!(site.state("return-stopped"), "unacknowledged", "inside the deadband it stands");
    site.says("room2/lagoon/flow", "260");
    site.run(Span::minutes(6));
    assert_eq!(site.state("return-stopped"), "returned to normal, unacknowledged");
}

#[test]
fn a_deadband_does_not_make_it_worse_before_its_limit() {
    let mut site = Site::calm();
    site.says("room2/lagoon/temperature", "22.5");
    site.run(Span::minutes(10));
    site.says("room2/lagoon/temperature", "21.7");
    site.run(Span::minutes(10));
    assert_eq!(site.state("too-cold"), "unacknowledged");
    assert_eq!(site.count(|body| matches!(body, Body::Worsened { .. })), 0, "{}", site.story());
    site.says("room2/lagoon/temperature", "21.4");
    site.run(Span::minutes(1));
    assert_eq!(site.count(|body| matches!(body, Body::Worsened { .. })), 1, "{}", site.story());
}

#[test]
fn an_alarm_may_ask_that_no_reading_is_good_whatever_the_reason() {
    let rules = format!(
        "{RULES}\n[alarm.flow-unknown]\ntank = \"lagoon\"\nwhen = \"return-flow is not good for 5 min\"\n\
         priority = \"high\"\nconsequence = \"nobody sees the flow\"\nresponse = \"Look at the meter.\"\n"
    );
    // Silent, or heard and not understood.
    for says in [None, Some("maybe")] {
        let mut site = Site::with(&rules, directory(), "2026-03-10T12:00:00+01:00[Europe/Berlin]");
        site.run(Span::minutes(2));
        match says {
            Some(words) => site.says("room2/lagoon/flow", words),
            None => site.silence("room2/lagoon/flow"),
        }
        site.run(Span::minutes(4));
        assert!(!site.raised().contains(&"flow-unknown"), "{}", site.story());
        site.run(Span::minutes(2));
        assert!(site.raised().contains(&"flow-unknown"), "{says:?}\n{}", site.story());
    }
}

#[test]
fn a_jump_denied_by_the_other_probe_of_the_water_raises_nothing_and_costs_the_sight() {
    let sump = "\n[sensor.sump-temp]\ntopic = \"room2/sump\"\ntank = \"lagoon\"\nmeasures = \"temperature\"\n\
                unit = \"degC\"\nevery = \"30 s\"\n";
    let mut site =
        Site::with(&format!("{RULES}{sump}"), directory(), "2026-03-10T12:00:00+01:00[Europe/Berlin]");
    site.feed("room2/sump", "25.2", Span::seconds(30));
    site.run(Span::minutes(2));
    site.says("room2/lagoon/temperature", "12");
    site.run(Span::minutes(29));
    assert!(!site.raised().contains(&"too-cold"), "{}", site.story());
    let lost = |body: &Body| matches!(body, Body::SightLost { of, .. } if of == "lagoon-temp");
    assert_eq!(site.count(lost), 1, "{}", site.story());
    // It is not doubted for ever: the other probe may be the one that is wrong.
    site.run(Span::minutes(5));
    assert!(site.raised().contains(&"too-cold"), "{}", site.story());
}
