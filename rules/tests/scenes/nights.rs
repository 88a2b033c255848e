//! Nights in which several things happen at once to sensors and to work. Each scene is a rule.

use crate::harness::{RULES, Site, directory};
use slackwater_rules::engine::{Arrival, Input, Link, OperatorCommand};
use slackwater_rules::record::{Body, Purpose};
use slackwater_rules::time::{Span, Wall};
use std::collections::BTreeSet;

const EVENING: &str = "2026-03-02T20:00:00+01:00[Europe/Berlin]";

fn site(more: &str) -> Site {
    Site::with(&format!("{RULES}\n{more}"), directory(), EVENING)
}

fn broker(site: &mut Site, away: bool) {
    site.step(Input::Link(match away {
        true => Link::Lost { why: "connection refused".to_owned() },
        false => Link::Hears,
    }));
}

fn all_report(site: &mut Site) {
    site.feed("room2/lagoon/temperature", "25.1", Span::seconds(30));
    site.feed("room2/lagoon/flow", "4300", Span::seconds(15));
    site.feed("room2/lagoon/spare-heater", "0", Span::seconds(30));
    site.feed("room2/mains", "on", Span::seconds(30));
    site.feed("room2/airpump/current", "0", Span::seconds(5));
}

fn begin(site: &mut Site, work: &str, minutes: i64) {
    let length = Some(Span::minutes(minutes));
    let begin = OperatorCommand::BeginWork { tank: "lagoon".to_owned(), work: work.to_owned(), length };
    site.says_person("ines", begin);
}

fn losses(site: &Site, name: &str) -> usize {
    site.count(|body| matches!(body, Body::SightLost { of, .. } if of == name))
}

#[test]
fn a_frozen_probe_behind_a_broker_that_goes_away_is_one_loss_each_and_the_probe_stays_lost() {
    let mut site = site("");
    let rules =
        site.rules.replace("reject = [\"85 degC\"", "frozen-after = \"20 min\"\nreject = [\"85 degC\"");
    site.reload(&rules);
    site.run(Span::minutes(30));
    assert_eq!(losses(&site, "lagoon-temp"), 1, "{}", site.story());
    broker(&mut site, true);
    site.silence_all();
    site.run(Span::minutes(30));
    broker(&mut site, false);
    all_report(&mut site);
    site.run(Span::minutes(30));
    // It says the same as before: it was never found, and nobody is told of it anew.
    let regained = |body: &Body| matches!(body, Body::SightRegained { of, .. } if of == "lagoon-temp");
    assert_eq!((losses(&site, "lagoon-temp"), site.count(regained)), (1, 0), "{}", site.story());
    assert_eq!(
        site.raised().iter().filter(|name| **name == "sight-lagoon-temp").count(),
        1,
        "{}",
        site.story()
    );
}

#[test]
fn a_broker_that_flickers_all_night_loses_no_sensor() {
    let mut site = site("");
    for _ in 0..40 {
        broker(&mut site, true);
        site.silence_all();
        site.run(Span::minutes(5));
        broker(&mut site, false);
        all_report(&mut site);
        site.run(Span::minutes(5));
    }
    for sensor in ["lagoon-temp", "return-flow", "spare-power", "mains", "air-current"] {
        assert_eq!(losses(&site, sensor), 0, "{sensor}\n{}", site.story());
    }
    assert!(site.raised().iter().all(|name| *name == "sight-broker"), "{}", site.story());
}

#[test]
fn a_sensor_that_never_comes_back_after_a_flickering_broker_is_lost_once_it_is_steady() {
    let mut site = site("");
    for _ in 0..6 {
        broker(&mut site, true);
        site.silence_all();
        site.run(Span::seconds(40));
        broker(&mut site, false);
        all_report(&mut site);
        site.silence("room2/mains");
        site.run(Span::seconds(40));
    }
    site.run(Span::minutes(5));
    assert_eq!(losses(&site, "mains"), 1, "{}", site.story());
    assert!(site.raised().contains(&"sight-mains"), "{}", site.story());
}

const SUMP: &str = "[sensor.sump-temp]\ntopic = \"room2/sump\"\ntank = \"lagoon\"\nmeasures = \"temperature\"\n\
                    unit = \"degC\"\nevery = \"30 s\"\n[alarm.sump-cold]\ntank = \"lagoon\"\n\
                    when = \"sump-temp < 20 degC\"\npriority = \"high\"\nresponse = \"Look.\"\n";

#[test]
fn two_probes_that_fall_together_are_believed_once_the_water_can_have_come_that_far() {
    let mut site = site(SUMP);
    site.feed("room2/sump", "25.0", Span::seconds(30));
    site.run(Span::minutes(2));
    // Five kelvin at one kelvin a minute.
    site.says("room2/lagoon/temperature", "20");
    site.says("room2/sump", "19.9");
    site.run(Span::minutes(3));
    assert!(!site.raised().contains(&"too-cold"), "{}", site.story());
    site.run(Span::minutes(5));
    assert!(site.raised().contains(&"too-cold"), "{}", site.story());
    assert!(site.raised().contains(&"sump-cold"), "{}", site.story());
}

#[test]
fn two_probes_that_disagree_cost_the_sight_of_the_one_that_jumped_and_raise_nothing() {
    let mut site = site(SUMP);
    site.feed("room2/sump", "25.0", Span::seconds(30));
    site.run(Span::minutes(2));
    site.says("room2/lagoon/temperature", "12");
    site.run(Span::minutes(25));
    assert!(site.raised().contains(&"sight-lagoon-temp"), "{}", site.story());
    assert!(!site.raised().contains(&"too-cold"), "{}", site.story());
    site.says("room2/lagoon/temperature", "25.1");
    site.run(Span::minutes(2));
    assert_eq!(site.state("sight-lagoon-temp"), "returned to normal, unacknowledged", "{}", site.story());
}

#[test]
fn feeding_that_is_forgotten_ends_by_itself_and_the_pump_left_off_rings_once() {
    let mut site = site("");
    begin(&mut site, "feeding", 30);
    site.says("room2/lagoon/flow", "0");
    site.run(Span::hours(3));
    assert_eq!(site.raised(), ["return-stopped"], "{}", site.story());
    let call = site.count(|body| matches!(body, Body::CallBegan { .. }));
    assert_eq!(call, 1, "{}", site.story());
}

#[test]
fn feeding_in_a_power_cut_hides_nothing_of_the_power() {
    let mut site = site("");
    begin(&mut site, "feeding", 30);
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(1));
    site.says("room2/mains", "off");
    site.run(Span::minutes(1));
    assert_eq!(site.raised(), ["power-lost"], "{}", site.story());
    assert_eq!(site.world.commands.len(), 1, "the air pump is on\n{}", site.story());
    site.says("room2/mains", "on");
    site.says("room2/lagoon/flow", "4300");
    site.run(Span::hours(1));
    assert_eq!(site.raised(), ["power-lost"], "{}", site.story());
    assert_eq!(site.pages(Purpose::AllClear).len(), 1, "{}", site.story());
}

#[test]
fn a_restart_during_work_goes_on_with_it_and_ends_it_in_time() {
    let mut site = site("");
    begin(&mut site, "feeding", 20);
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(10));
    site.restart(Span::minutes(2), Some(Span::minutes(2)));
    site.run(Span::minutes(7));
    assert_eq!(site.state("return-stopped"), "suppressed by design", "{}", site.story());
    site.run(Span::minutes(4));
    assert_eq!(site.state("return-stopped"), "unacknowledged", "{}", site.story());
}

#[test]
fn work_that_ended_while_the_board_was_off_gives_its_delay_from_the_start_on() {
    let mut site = site("");
    begin(&mut site, "feeding", 10);
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(5));
    site.restart(Span::hours(1), Some(Span::hours(1)));
    site.run(Span::seconds(60));
    assert!(!site.raised().contains(&"return-stopped"), "{}", site.story());
    site.run(Span::seconds(60));
    assert!(site.raised().contains(&"return-stopped"), "{}", site.story());
}

#[test]
fn a_clock_that_is_set_back_lengthens_no_delay_no_work_and_no_silence() {
    let mut site = site("");
    begin(&mut site, "feeding", 10);
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(5));
    site.sim.now.wall = Wall(site.sim.now.wall.0 - 3 * 3_600_000);
    site.run(Span::minutes(5) + Span::seconds(91));
    assert_eq!(site.state("return-stopped"), "unacknowledged", "{}", site.story());
    site.silence("room2/mains");
    site.run(Span::minutes(4));
    assert!(site.raised().contains(&"sight-mains"), "{}", site.story());
}

#[test]
fn a_reload_that_takes_the_running_work_away_starts_the_delay_anew() {
    let rules = format!("{RULES}\n[work.moving-rock]\npauses = [\"flow\"]\nlongest = \"1 h\"\n");
    let mut site = Site::with(&rules, directory(), EVENING);
    begin(&mut site, "moving-rock", 60);
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(10));
    site.reload(RULES);
    site.run(Span::seconds(60));
    assert!(site.raised().is_empty(), "{}", site.story());
    site.run(Span::seconds(60));
    assert_eq!(site.raised(), ["return-stopped"], "{}", site.story());
}

#[test]
fn what_stood_before_the_work_is_told_again_after_it_and_not_before_its_delay() {
    let mut site = site("");
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(3));
    assert_eq!(site.state("return-stopped"), "unacknowledged");
    begin(&mut site, "feeding", 10);
    site.run(Span::minutes(10) + Span::seconds(80));
    assert_eq!(site.state("return-stopped"), "normal", "{}", site.story());
    site.run(Span::seconds(30));
    assert_eq!(site.state("return-stopped"), "unacknowledged", "{}", site.story());
}

#[test]
fn a_flow_meter_that_is_silent_through_the_work_is_a_loss_and_no_missing_flow() {
    let mut site = site("");
    begin(&mut site, "feeding", 10);
    site.silence("room2/lagoon/flow");
    site.run(Span::minutes(20));
    assert!(!site.raised().contains(&"return-stopped"), "{}", site.story());
    assert!(site.raised().contains(&"sight-return-flow"), "{}", site.story());
}

#[test]
fn a_board_that_says_offline_on_every_topic_is_one_loss() {
    let mut site = site("");
    site.says("room2/lagoon/temperature", "offline");
    site.says("room2/lagoon/flow", "offline");
    site.run(Span::minutes(10));
    assert_eq!(site.raised(), ["sight-gateway-sump-board"], "{}", site.story());
    assert!(site.called().is_empty(), "a loss of sight alone waits\n{}", site.story());
    site.run(Span::minutes(10));
    let page = site.world.sent.first().expect("a page");
    assert!(page.body.contains("All that is behind it is silent: 2 sensors."), "{}", page.body);
}

#[test]
fn words_and_numbers_of_yesterday_end_no_loss_of_sight() {
    let mut site = site("");
    site.silence("room2/mains");
    site.run(Span::minutes(5));
    assert_eq!(site.raised(), ["sight-mains"]);
    for _ in 0..20 {
        site.message("room2/mains", "on", Arrival::Retained);
        site.message("room2/mains", "on", Arrival::Backlog);
        site.run(Span::seconds(30));
    }
    assert_eq!(site.state("sight-mains"), "unacknowledged", "{}", site.story());
}

#[test]
fn a_sensor_that_speaks_each_half_of_its_time_to_stale_and_lies_between_is_never_lost() {
    let mut site = site("");
    site.silence("room2/lagoon/temperature");
    for _ in 0..60 {
        site.message("room2/lagoon/temperature", "-127", Arrival::Live);
        site.run(Span::seconds(20));
        site.message("room2/lagoon/temperature", "25.1", Arrival::Live);
        site.run(Span::seconds(20));
    }
    assert!(site.raised().is_empty(), "{}", site.story());
}

#[test]
fn a_mains_that_flickers_under_its_delay_pages_nobody_and_is_counted_while_the_broker_flickers_too() {
    let mut site = site("");
    for _ in 0..10 {
        site.says("room2/mains", "off");
        site.run(Span::seconds(8));
        broker(&mut site, true);
        site.run(Span::seconds(2));
        broker(&mut site, false);
        site.says("room2/mains", "on");
        site.run(Span::minutes(1));
    }
    assert!(site.world.sent.is_empty(), "{}", site.story());
    site.run(Span::hours(1));
    let told = |body| match body {
        &Body::Blipped { count, .. } => Some(count),
        _ => None,
    };
    let count: u32 = site.records.iter().filter_map(|record| told(&record.body)).sum();
    assert_eq!(count, 10, "{}", site.story());
}

#[test]
fn an_air_pump_that_a_shelved_alarm_left_on_goes_off_at_its_longest_all_the_same() {
    let rules = RULES.replace("longest = \"12 h\"", "longest = \"2 h\"").replace(
        "consequence-of = [\"power-lost\"]\nresponse = \"card:no-flow\"",
        "response = \"card:no-flow\"\nstopgap = { relay = \"air-pump\", state = \"on\" }",
    );
    let mut site = Site::with(&rules, directory(), EVENING);
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(3));
    let why = "the pump is at the shop".to_owned();
    let shelve = OperatorCommand::Shelve { alarm: "return-stopped".to_owned(), length: Span::hours(20), why };
    site.says_person("ines", shelve);
    site.restart(Span::minutes(1), Some(Span::minutes(1)));
    site.run(Span::hours(1));
    assert_eq!(site.world.commands.last().map(|sent| sent.payload.as_str()), Some("on"), "{}", site.story());
    site.run(Span::hours(2));
    assert_eq!(site.world.commands.last().map(|sent| sent.payload.as_str()), Some("off"), "{}", site.story());
}

#[test]
fn two_kinds_of_work_after_each_other_name_the_later_one() {
    let mut site = site("");
    begin(&mut site, "feeding", 10);
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(10) + Span::seconds(20));
    begin(&mut site, "water-change", 20);
    site.run(Span::minutes(22));
    let page = site.pages(Purpose::Call);
    assert!(page[0].body.contains("not back after water-change"), "{}", page[0].body);
}

#[test]
fn a_water_change_that_is_ended_by_hand_pauses_what_feeding_begins_at_once() {
    let mut site = site("");
    begin(&mut site, "water-change", 60);
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(20));
    site.says_person("ines", OperatorCommand::EndWork { tank: "lagoon".to_owned() });
    begin(&mut site, "feeding", 10);
    site.run(Span::minutes(9));
    site.says("room2/lagoon/flow", "4300");
    site.run(Span::minutes(10));
    assert!(site.raised().is_empty(), "{}", site.story());
}

/// How often sight of this was lost and regained, as recorded.
fn ends(site: &Site, name: &str) -> (usize, usize) {
    let regained = |body: &Body| matches!(body, Body::SightRegained { of, .. } if of == name);
    (losses(site, name), site.count(regained))
}

#[test]
fn a_loss_has_one_end_whatever_restarts_and_reloads_come_between() {
    let mut site = site("");
    site.silence("room2/mains");
    site.run(Span::minutes(5));
    site.reload(RULES);
    site.run(Span::minutes(5));
    site.restart(Span::minutes(1), Some(Span::minutes(1)));
    site.run(Span::minutes(5));
    assert_eq!(ends(&site, "mains"), (1, 0), "{}", site.story());
    site.feed("room2/mains", "on", Span::seconds(30));
    site.run(Span::minutes(1));
    assert_eq!(ends(&site, "mains"), (1, 1), "{}", site.story());
}

#[test]
fn a_sensor_that_is_back_after_a_restart_ends_the_loss_of_the_life_before() {
    let mut site = site("");
    site.silence("room2/mains");
    site.run(Span::minutes(5));
    site.feed("room2/mains", "on", Span::seconds(30));
    site.restart(Span::minutes(1), Some(Span::minutes(1)));
    site.run(Span::minutes(1));
    assert_eq!(ends(&site, "mains"), (1, 1), "{}", site.story());
    assert_eq!(site.state("sight-mains"), "returned to normal, unacknowledged");
}

#[test]
fn a_broker_that_is_back_after_a_restart_ends_its_loss_too() {
    let mut site = site("");
    broker(&mut site, true);
    site.silence_all();
    site.run(Span::minutes(5));
    all_report(&mut site);
    site.restart(Span::minutes(1), Some(Span::minutes(1)));
    site.run(Span::minutes(5));
    assert_eq!(ends(&site, "broker"), (1, 1), "{}", site.story());
}

#[test]
fn a_sensor_that_stays_lost_when_its_gateway_is_back_is_told_by_its_own_name() {
    let mut site = site("");
    site.silence("room2/lagoon/temperature");
    site.silence("room2/lagoon/flow");
    site.run(Span::minutes(10));
    assert_eq!(ends(&site, "gateway sump-board"), (1, 0), "{}", site.story());
    site.feed("room2/lagoon/flow", "4300", Span::seconds(15));
    site.run(Span::minutes(10));
    assert_eq!(ends(&site, "gateway sump-board"), (1, 1), "{}", site.story());
    let lost = ["lagoon-temp", "return-flow"].map(|name| ends(&site, name));
    assert!(matches!(lost, [(1, 0), (0 | 1, _)]), "{lost:?}\n{}", site.story());
    assert!(site.raised().contains(&"sight-lagoon-temp"), "{}", site.story());
}

#[test]
fn a_gateway_lost_in_the_life_before_is_back_with_the_first_reading_from_behind_it() {
    let mut site = site("");
    site.silence("room2/lagoon/temperature");
    site.silence("room2/lagoon/flow");
    site.run(Span::minutes(10));
    assert!(site.raised().contains(&"sight-gateway-sump-board"), "{}", site.story());
    site.restart(Span::minutes(2), Some(Span::minutes(2)));
    site.run(Span::seconds(20));
    assert_eq!(ends(&site, "gateway sump-board"), (1, 0), "{}", site.story());
    // The other one may still be on its way.
    site.feed("room2/lagoon/flow", "4300", Span::minutes(1));
    site.run(Span::seconds(1));
    assert_eq!(ends(&site, "gateway sump-board"), (1, 1), "{}", site.story());
    let returned =
        |body: &Body| matches!(body, Body::Returned { alarm, .. } if alarm == "sight-gateway-sump-board");
    assert_eq!(site.count(returned), 1, "{}", site.story());
}

/// The all-clears about the broker's loss, by when they were sent.
fn all_clears(site: &Site) -> usize {
    site.pages(Purpose::AllClear).len()
}

#[test]
fn the_brokers_loss_gets_no_all_clear_before_the_broker_has_stayed_for_as_long_as_it_takes() {
    // A loss is one after a minute, or after as long as its call-out settles for, or longer. Back
    // for a moment, for some seconds, for nearly a minute: none of these is news, and the hour
    // begins anew each time.
    let minute = "[sight]\nafter = \"1 min\"";
    let longer = ["[sight]\nafter = \"2 min\"", "[sight]\nafter = \"5 min\""];
    let stays = [Span(1), Span::seconds(30), Span::seconds(59)];
    let nights = stays.map(|stays| (minute, stays)).into_iter().chain(longer.map(|after| (after, Span(1))));
    for (after, stays) in nights {
        let rules = RULES.replace("[sight]\nafter = \"2 min\"", after);
        let mut site = Site::with(&rules, directory(), EVENING);
        broker(&mut site, true);
        site.silence_all();
        site.run(Span::minutes(30));
        assert_eq!(site.raised(), ["sight-broker"], "{}", site.story());
        let told = site.pages(Purpose::Call).len();
        assert!(told > 0, "nobody was told\n{}", site.story());
        for _ in 0..3 {
            broker(&mut site, false);
            all_report(&mut site);
            site.run(stays);
            broker(&mut site, true);
            site.silence_all();
            site.run(Span::minutes(20));
            assert_eq!(all_clears(&site), 0, "back for {stays}\n{}", site.story());
        }
        broker(&mut site, false);
        all_report(&mut site);
        // What came back and went again within three hours settles for an hour.
        site.run(Span::minutes(59));
        assert_eq!(all_clears(&site), 0, "after {stays}\n{}", site.story());
        site.run(Span::minutes(2));
        let reached: BTreeSet<_> = site.pages(Purpose::AllClear).iter().map(|page| &page.to).collect();
        assert!(!reached.is_empty() && reached.len() == all_clears(&site), "once each\n{}", site.story());
    }
    // And one that goes once and stays is over after the two minutes of its call-out.
    let mut site = site("");
    broker(&mut site, true);
    site.silence_all();
    site.run(Span::minutes(30));
    broker(&mut site, false);
    all_report(&mut site);
    site.run(Span::seconds(119));
    assert_eq!(all_clears(&site), 0, "{}", site.story());
    site.run(Span::seconds(2));
    assert!(all_clears(&site) > 0, "{}", site.story());
}
