//! Feeding and water changes: what they pause and what not, and what follows from their end.

use crate::harness::{RULES, Site, directory};
use slackwater_rules::engine::OperatorCommand;
use slackwater_rules::record::{AfterWork, Body};
use slackwater_rules::time::Span;

const NOON: &str = "2026-03-02T12:00:00+01:00[Europe/Berlin]";

fn site(more: &str) -> Site {
    Site::with(&format!("{RULES}\n{more}"), directory(), NOON)
}

fn begin(site: &mut Site, work: &str, minutes: i64) {
    let length = Some(Span::minutes(minutes));
    let begin = OperatorCommand::BeginWork { tank: "lagoon".to_owned(), work: work.to_owned(), length };
    site.says_person("ines", begin);
}

fn end(site: &mut Site) {
    site.says_person("ines", OperatorCommand::EndWork { tank: "lagoon".to_owned() });
}

/// What the record of the alarm's latest raising says of work.
fn after_work(site: &Site, name: &str) -> Option<AfterWork> {
    let raised = site.records.iter().rev().find_map(|record| match &record.body {
        Body::Raised { alarm, after_work, .. } if alarm == name => Some(after_work.clone()),
        _ => None,
    });
    raised.unwrap_or_else(|| panic!("{name} was not raised\n{}", site.story()))
}

#[test]
fn after_work_a_delay_begins_anew_and_the_page_names_the_work() {
    let mut site = Site::calm();
    begin(&mut site, "feeding", 10);
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(10) + Span::seconds(89));
    assert!(site.raised().is_empty(), "{}", site.story());
    site.run(Span::seconds(2));
    assert_eq!(site.raised(), ["return-stopped"], "{}", site.story());
    let work = AfterWork { work: "feeding".to_owned(), ended: Span::seconds(90) };
    assert_eq!(after_work(&site, "return-stopped"), Some(work));
    let body = &site.world.sent[0].body;
    assert!(body.contains("not back after feeding, which ended 12:15"), "{body}");
}

#[test]
fn a_pump_that_is_back_ten_seconds_late_pages_nobody() {
    // Not even where the alarm itself waits for nothing.
    let mut site = site(
        "[alarm.flow-now]\ntank = \"lagoon\"\nwhen = \"return-flow < 100 L/h\"\npriority = \"critical\"\n\
         response = \"Look.\"\n",
    );
    begin(&mut site, "feeding", 10);
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(5));
    end(&mut site);
    site.run(Span::seconds(10));
    site.says("room2/lagoon/flow", "4300");
    site.run(Span::minutes(10));
    assert!(site.raised().is_empty(), "{}", site.story());
    // Once it was back, it has no grace any more.
    site.says("room2/lagoon/flow", "0");
    site.run(Span::seconds(1));
    assert_eq!(site.raised(), ["flow-now"], "{}", site.story());
    assert_eq!(after_work(&site, "flow-now"), None);
}

#[test]
fn a_pump_that_stops_after_it_was_back_has_nothing_to_do_with_the_work() {
    let mut site = Site::calm();
    begin(&mut site, "feeding", 10);
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(10));
    site.says("room2/lagoon/flow", "4300");
    site.run(Span::minutes(1));
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(3));
    assert_eq!(after_work(&site, "return-stopped"), None, "{}", site.story());
}

#[test]
fn a_water_change_pauses_too_cold_and_neither_too_warm_nor_a_heater_that_sticks() {
    let mut site = site(
        "[alarm.stuck]\ntank = \"lagoon\"\nwhen = \"lagoon-temp > 26.5 degC and spare-power > 20 W\"\n\
         on-delay = \"1 min\"\npriority = \"critical\"\nresponse = \"Unplug the heater.\"\n\
         [alarm.sticks]\nhazard = \"heater-stuck-on\"\ntank = \"lagoon\"\n\
         [alarm.hot]\nhazard = \"too-warm\"\ntank = \"lagoon\"\n",
    );
    begin(&mut site, "water-change", 120);
    for alarm in ["sticks", "hot"] {
        assert_eq!(site.state(alarm), "normal", "{alarm}\n{}", site.story());
    }
    assert_eq!(site.state("too-cold"), "suppressed by design");
    assert_eq!(site.state("warm-room"), "normal", "{}", site.story());
    site.says("room2/lagoon/spare-heater", "150");
    for tenths in 252..275 {
        site.says("room2/lagoon/temperature", &format!("{}.{}", tenths / 10, tenths % 10));
        site.run(Span::minutes(1));
    }
    site.run(Span::minutes(5));
    for alarm in ["stuck", "warm-room", "spare-heater"] {
        assert!(site.raised().contains(&alarm), "{alarm}\n{}", site.story());
    }
}

#[test]
fn what_windows_and_spells_see_of_work_is_not_remembered() {
    let mut site = site(
        "[alarm.weak]\ntank = \"lagoon\"\nwhen = \"mean of return-flow over 1 h < 3800 L/h\"\npriority = \"low\"\n\
         response = \"Clean the pump.\"\n\
         [alarm.still]\ntank = \"lagoon\"\nwhen = \"return-flow has been < 200 L/h for 2 min\"\n\
         priority = \"high\"\nresponse = \"Look.\"\n",
    );
    site.run(Span::hours(1));
    begin(&mut site, "feeding", 12);
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(12));
    // Ten seconds late.
    site.run(Span::seconds(10));
    site.says("room2/lagoon/flow", "4300");
    site.run(Span::hours(1));
    assert!(site.raised().is_empty(), "{}", site.story());
    begin(&mut site, "feeding", 12);
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(12) + Span::seconds(110));
    assert!(!site.raised().contains(&"still"), "{}", site.story());
    site.run(Span::seconds(30));
    assert!(site.raised().contains(&"still"), "{}", site.story());
}

#[test]
fn a_restart_between_the_end_of_the_work_and_the_alarm_still_names_the_work() {
    let mut site = Site::calm();
    begin(&mut site, "feeding", 10);
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(10) + Span::seconds(30));
    site.restart(Span::seconds(20), Some(Span::seconds(20)));
    site.run(Span::minutes(3));
    assert_eq!(
        after_work(&site, "return-stopped").map(|it| it.work).as_deref(),
        Some("feeding"),
        "{}",
        site.story()
    );
}

#[test]
fn feeding_that_is_begun_again_before_the_delay_is_over_pauses_it_again() {
    let mut site = Site::calm();
    site.says("room2/lagoon/flow", "0");
    for _ in 0..5 {
        begin(&mut site, "feeding", 10);
        site.run(Span::minutes(11));
    }
    assert!(site.raised().is_empty(), "{}", site.story());
    site.run(Span::minutes(1));
    assert_eq!(site.raised(), ["return-stopped"], "{}", site.story());
}

#[test]
fn a_water_change_that_ends_during_a_power_cut_rings_for_the_power_and_lists_the_flow() {
    let mut site = Site::calm();
    begin(&mut site, "water-change", 60);
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(50));
    site.says("room2/mains", "off");
    site.run(Span::minutes(15));
    assert_eq!(site.raised(), ["power-lost", "return-stopped"], "{}", site.story());
    let began = site.count(|body| matches!(body, Body::CallBegan { .. }));
    assert_eq!(began, 1, "{}", site.story());
}
