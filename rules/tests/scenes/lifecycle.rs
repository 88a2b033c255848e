//! Shelves, work, service, latches.

use crate::harness::{RULES, Site, directory};
use slackwater_rules::engine::{Arrival, OperatorCommand};
use slackwater_rules::record::{Body, Purpose};
use slackwater_rules::time::Span;

fn shelve(site: &mut Site, alarm: &str, length: Span) {
    let why = "waiting for the part".to_owned();
    site.says_person("ines", OperatorCommand::Shelve { alarm: alarm.to_owned(), length, why });
}

#[test]
fn a_shelf_that_runs_out_alarms_afresh_if_the_condition_still_holds() {
    let mut site = Site::calm();
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(2));
    assert_eq!(site.state("return-stopped"), "unacknowledged");
    shelve(&mut site, "return-stopped", Span::hours(2));
    assert_eq!(site.state("return-stopped"), "shelved");
    assert!(site.pages(Purpose::AllClear).is_empty(), "nobody says that it is over");
    assert!(
        site.pages(Purpose::Taken)[0].headline.contains("put aside"),
        "{}",
        site.pages(Purpose::Taken)[0].headline
    );
    site.forget();
    site.run(Span::minutes(119));
    assert!(site.world.sent.is_empty(), "{}", site.story());
    site.run(Span::minutes(2));
    assert_eq!(site.state("return-stopped"), "unacknowledged");
    assert_eq!(site.called(), ["ines.push"], "{}", site.story());
}

#[test]
fn a_shelf_that_runs_out_over_calm_water_is_silent() {
    let mut site = Site::calm();
    shelve(&mut site, "return-stopped", Span::hours(1));
    site.run(Span::hours(2));
    assert_eq!(site.state("return-stopped"), "normal");
    assert!(site.world.sent.is_empty());
}

#[test]
fn a_shelf_without_an_end_is_refused() {
    let mut site = Site::calm();
    shelve(&mut site, "return-stopped", Span::hours(25));
    shelve(&mut site, "return-stopped", Span::ZERO);
    shelve(&mut site, "return-stoped", Span::hours(1));
    assert_eq!(site.count(|body| matches!(body, Body::Refused { .. })), 3);
    let told = site.story();
    assert!(told.contains("at most 1 d"), "{told}");
    assert!(told.contains("did you mean `return-stopped`?"), "{told}");
}

#[test]
fn the_mains_and_water_on_the_floor_can_t_be_shelved_and_anything_critical_for_half_an_hour_only() {
    let leak = "[sensor.floor]\ntopic = \"room2/floor\"\ntank = \"lagoon\"\nmeasures = \"leak\"\non = [\"wet\"]\n\
                off = [\"dry\"]\nevery = \"30 s\"\n[alarm.leak]\ntank = \"lagoon\"\nwhen = \"floor is on\"\n\
                priority = \"critical\"\nresponse = \"Unplug the top-off.\"\n";
    let rules = format!("{RULES}\n{leak}");
    let mut site = Site::with(&rules, directory(), "2026-03-02T12:00:00+01:00[Europe/Berlin]");
    for (alarm, minutes, why) in [
        ("power-lost", 5, "the loss of the mains can't be shelved"),
        ("leak", 5, "water on the floor can't be shelved"),
        ("too-cold", 31, "a shelf of anything critical lasts more than 0 s and at most 30 min"),
    ] {
        shelve(&mut site, alarm, Span::minutes(minutes));
        assert_eq!(site.state(alarm), "normal");
        assert!(site.story().contains(why), "{}", site.story());
    }
    shelve(&mut site, "too-cold", Span::minutes(30));
    assert_eq!(site.state("too-cold"), "shelved");
}

#[test]
fn an_alarm_may_say_for_how_long_it_may_be_shelved() {
    let rules = RULES.replace("[alarm.warm-room]\n", "[alarm.warm-room]\nlongest-shelf = \"7 d\"\n");
    let mut site = Site::with(&rules, directory(), "2026-03-02T12:00:00+01:00[Europe/Berlin]");
    shelve(&mut site, "warm-room", Span::hours(24 * 7 + 1));
    assert!(site.story().contains("at most 7 d"), "{}", site.story());
    shelve(&mut site, "warm-room", Span::hours(24 * 7));
    assert_eq!(site.state("warm-room"), "shelved");
}

#[test]
fn shelving_undoes_no_air_while_the_flow_is_not_known_to_be_back() {
    let rules = RULES.replace(
        "consequence-of = [\"power-lost\"]\nresponse = \"card:no-flow\"",
        "response = \"card:no-flow\"\nstopgap = { relay = \"air-pump\", state = \"on\" }",
    );
    let on = |site: &Site| site.world.commands.last().map(|command| command.payload.clone());
    let mut site = Site::with(&rules, directory(), "2026-03-02T12:00:00+01:00[Europe/Berlin]");
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(3));
    assert_eq!(on(&site).as_deref(), Some("on"), "{}", site.story());
    shelve(&mut site, "return-stopped", Span::hours(2));
    site.run(Span::minutes(30));
    assert_eq!(on(&site).as_deref(), Some("on"), "{}", site.story());
    // Nobody sees the flow: it is not known to be back.
    site.silence("room2/lagoon/flow");
    site.run(Span::minutes(30));
    assert_eq!(on(&site).as_deref(), Some("on"), "{}", site.story());
    site.feed("room2/lagoon/flow", "4300", Span::seconds(15));
    site.run(Span::minutes(1));
    assert_eq!(on(&site).as_deref(), Some("off"), "{}", site.story());
}

#[test]
fn work_pauses_what_it_must_and_ends_by_itself() {
    let mut site = Site::calm();
    let begin = OperatorCommand::BeginWork {
        tank: "lagoon".to_owned(),
        work: "feeding".to_owned(),
        length: Some(Span::minutes(20)),
    };
    site.says_person("ines", begin);
    assert_eq!(site.state("return-stopped"), "suppressed by design");
    assert_eq!(site.state("power-lost"), "normal", "mains are never paused");
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(19));
    assert!(site.world.sent.is_empty());
    // The pump is left off: its delay begins anew with the end of the work.
    site.run(Span::seconds(60 + 89));
    assert!(site.world.sent.is_empty(), "{}", site.story());
    site.run(Span::seconds(2));
    assert_eq!(site.state("return-stopped"), "unacknowledged", "{}", site.story());
    assert_eq!(site.called(), ["ines.push"]);
}

#[test]
fn the_mains_still_ring_while_work_goes_on() {
    let mut site = Site::calm();
    let begin = OperatorCommand::BeginWork {
        tank: "lagoon".to_owned(),
        work: "water-change".to_owned(),
        length: None,
    };
    site.says_person("ines", begin);
    site.says("room2/mains", "off");
    site.run(Span::seconds(30));
    assert_eq!(site.state("power-lost"), "unacknowledged");
}

#[test]
fn work_that_ends_with_everything_running_is_silent() {
    let mut site = Site::calm();
    let begin =
        OperatorCommand::BeginWork { tank: "lagoon".to_owned(), work: "feeding".to_owned(), length: None };
    site.says_person("ines", begin);
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(10));
    site.says("room2/lagoon/flow", "4300");
    site.run(Span::minutes(1));
    site.says_person("ines", OperatorCommand::EndWork { tank: "lagoon".to_owned() });
    site.run(Span::hours(1));
    assert!(site.world.sent.is_empty(), "{}", site.story());
    assert_eq!(site.state("return-stopped"), "normal");
}

#[test]
fn an_alarm_out_of_service_has_a_reason_and_a_name_on_it() {
    let mut site = Site::calm();
    let out =
        |why: &str| OperatorCommand::TakeOut { alarm: "return-stopped".to_owned(), why: why.to_owned() };
    site.says_person("ines", out(" "));
    assert_eq!(site.state("return-stopped"), "normal", "a reason is needed");
    site.says_person("ines", out("pump away for repair"));
    site.says("room2/lagoon/flow", "0");
    site.run(Span::hours(48));
    assert!(site.world.sent.is_empty());
    let status = site.engine.status(site.now);
    let view = status.alarms.iter().find(|view| view.name == "return-stopped").expect("there");
    assert_eq!(view.aside.as_deref(), Some("by ines: pump away for repair"));
    site.says_person("ines", OperatorCommand::PutBack { alarm: "return-stopped".to_owned() });
    assert_eq!(site.state("return-stopped"), "unacknowledged");
}

#[test]
fn a_latched_alarm_waits_for_its_reset() {
    let rules = RULES.replace(
        "consequence = \"the first heater is dead",
        "latching = true\nconsequence = \"the first heater is dead",
    );
    let mut site = Site::with(&rules, directory(), "2026-03-02T12:00:00+01:00[Europe/Berlin]");
    site.says("room2/lagoon/spare-heater", "150");
    site.run(Span::minutes(3));
    site.says("room2/lagoon/spare-heater", "0");
    site.run(Span::minutes(30));
    assert_eq!(site.state("spare-heater"), "latched, unacknowledged");
    site.says_person("ines", OperatorCommand::Reset { alarm: "spare-heater".to_owned() });
    assert_eq!(site.state("spare-heater"), "latched, unacknowledged", "a reset needs an answer first");
    site.answer("ines");
    assert_eq!(site.state("spare-heater"), "latched, acknowledged");
    site.says_person("ines", OperatorCommand::Reset { alarm: "spare-heater".to_owned() });
    assert_eq!(site.state("spare-heater"), "normal");
}

#[test]
fn neither_a_shelf_nor_work_resets_a_latch() {
    let rules = RULES.replace("deadband = \"50 L/h\"", "deadband = \"50 L/h\"\nlatching = true");
    let mut site = Site::with(&rules, directory(), "2026-03-02T12:00:00+01:00[Europe/Berlin]");
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(2));
    site.says("room2/lagoon/flow", "4300");
    site.run(Span::minutes(10));
    assert_eq!(site.state("return-stopped"), "latched, unacknowledged");
    let begin =
        OperatorCommand::BeginWork { tank: "lagoon".to_owned(), work: "feeding".to_owned(), length: None };
    site.says_person("tom", begin);
    site.run(Span::hours(1));
    assert_eq!(site.state("return-stopped"), "latched, unacknowledged");
    shelve(&mut site, "return-stopped", Span::hours(1));
    assert_eq!(site.state("return-stopped"), "latched, unacknowledged");
    assert!(site.story().contains("it is latched, unacknowledged"), "{}", site.story());
}

#[test]
fn what_comes_off_the_shelf_while_work_goes_on_waits_for_its_end() {
    let mut site = Site::calm();
    shelve(&mut site, "return-stopped", Span::minutes(5));
    let begin =
        OperatorCommand::BeginWork { tank: "lagoon".to_owned(), work: "feeding".to_owned(), length: None };
    site.says_person("ines", begin);
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(29));
    assert_eq!(site.state("return-stopped"), "suppressed by design");
    assert!(site.world.sent.is_empty(), "{}", site.story());
    site.run(Span::minutes(3));
    assert_eq!(site.state("return-stopped"), "unacknowledged", "{}", site.story());
}

#[test]
fn work_that_the_new_rule_file_does_not_know_suppresses_nothing_for_good() {
    let rules = format!("{RULES}\n[work.moving-rock]\npauses = [\"flow\"]\nlongest = \"1 h\"\n");
    let mut site = Site::with(&rules, directory(), "2026-03-02T12:00:00+01:00[Europe/Berlin]");
    let begin = OperatorCommand::BeginWork {
        tank: "lagoon".to_owned(),
        work: "moving-rock".to_owned(),
        length: None,
    };
    site.says_person("ines", begin);
    assert_eq!(site.state("return-stopped"), "suppressed by design");
    site.reload(RULES);
    assert_eq!(site.state("return-stopped"), "normal", "{}", site.story());
}

#[test]
fn a_button_begins_work_and_ends_it() {
    let button = "[work.feeding]\nbuttons = [{ topic = \"room2/button\", press = \"pressed\", tank = \"lagoon\" }]\n\n[sight]";
    let rules = RULES.replace("[sight]", button);
    let mut site = Site::with(&rules, directory(), "2026-03-02T12:00:00+01:00[Europe/Berlin]");
    assert!(site.engine.plan().topics().contains("room2/button"));
    site.message("room2/button", "pressed", Arrival::Retained);
    site.message("room2/button", "low battery", Arrival::Live);
    assert_eq!(site.state("return-stopped"), "normal", "old presses and other words mean nothing");
    site.message("room2/button", "pressed\n", Arrival::Live);
    assert_eq!(site.state("return-stopped"), "suppressed by design", "{}", site.story());
    site.run(Span::minutes(5));
    site.message("room2/button", "pressed", Arrival::Live);
    assert_eq!(site.state("return-stopped"), "normal", "{}", site.story());
    site.message("room2/button", "pressed", Arrival::Live);
    site.run(Span::minutes(31));
    assert_eq!(site.state("return-stopped"), "normal", "it ends by itself\n{}", site.story());
}

#[test]
fn a_plan_that_drops_what_is_open_is_named_beforehand() {
    let mut site = Site::calm();
    site.says("room2/lagoon/spare-heater", "150");
    site.run(Span::minutes(3));
    let rules = site.rules.replace("[alarm.spare-heater]", "[alarm.backup-heater]");
    let plan = crate::harness::plan(&rules, &site.directory);
    assert_eq!(site.engine.dropped_by(&plan), ["spare-heater"]);
}

#[test]
fn an_explanation_also_tells_how_far_it_is_from_worse() {
    let site = Site::calm();
    let explained = site.engine.explain("too-cold", site.now).expect("an alarm of the plan");
    let [(0, worse, "false")] = &explained.worse[..] else { panic!("{:?}", explained.worse) };
    assert_eq!(worse, "lagoon temp < 21.5 °C: false: 25.1 °C, 3.6 °C above the limit");
    assert!(site.engine.explain("return-stopped", site.now).expect("an alarm").worse.is_empty());
}
