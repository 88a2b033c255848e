//! The engine is its records: restarts, repeats, the same night played again.

use crate::harness::{Channel, Site};
use slackwater_rules::engine::OperatorCommand;
use slackwater_rules::record::{Body, Purpose};
use slackwater_rules::time::Span;

#[test]
fn a_restart_in_the_middle_goes_on_where_the_call_out_was() {
    let mut site = Site::calm();
    site.says("room2/mains", "off");
    site.run(Span::minutes(7));
    site.forget();
    site.restart(Span::minutes(2), Some(Span::minutes(2)));
    // The broker hears again what the siren should do.
    let to_people = site.world.sent.iter().filter(|sent| sent.to != "siren");
    assert_eq!(to_people.count(), 0, "nothing is sent twice\n{}", site.story());
    // The third step was due 15 min after the first, 9 of which have passed.
    site.run(Span::minutes(7));
    assert_eq!(site.called(), ["neighbour.text", "neighbour.mail"], "{}", site.story());
    assert_eq!(site.count(|body| matches!(body, Body::Raised { alarm, .. } if alarm == "power-lost")), 1);
}

#[test]
fn steps_that_fell_due_while_the_watch_was_away_are_taken_at_once() {
    let mut site = Site::calm();
    site.says("room2/mains", "off");
    site.run(Span::minutes(1));
    site.forget();
    site.restart(Span::minutes(30), Some(Span::minutes(30)));
    site.run(Span::minutes(1));
    assert_eq!(site.called(), ["ines.mail", "neighbour.text", "neighbour.mail"], "{}", site.story());
}

#[test]
fn an_unknown_time_away_pages_sooner_and_never_later() {
    let mut site = Site::calm();
    site.says("room2/mains", "off");
    site.run(Span::minutes(1));
    site.forget();
    site.restart(Span::ZERO, None);
    site.world.sent.retain(|sent| sent.to != "siren");
    assert_eq!(site.called(), ["ines.mail"], "{}", site.story());
}

#[test]
fn a_page_in_flight_goes_again_once_and_says_that_it_may_be_a_repeat() {
    let mut site = Site::calm();
    site.channel("ines.push", Channel::Hangs);
    site.says("room2/mains", "off");
    site.run(Span::minutes(1));
    let first = site.world.sent[0].id;
    site.forget();
    site.channel("ines.push", Channel::Works);
    site.restart(Span::seconds(10), Some(Span::seconds(10)));
    site.world.sent.retain(|sent| sent.to != "siren");
    assert_eq!(site.world.sent.len(), 1, "{}", site.story());
    assert_eq!((site.world.sent[0].id, site.world.sent[0].maybe_repeat), (first, true));
    assert!(site.world.sent[0].body.contains("may be a repeat"));
}

#[test]
fn an_answer_and_its_lease_survive_a_restart() {
    let mut site = Site::calm();
    site.says("room2/mains", "off");
    site.run(Span::minutes(1));
    site.answer("ines");
    site.restart(Span::minutes(10), Some(Span::minutes(10)));
    site.forget();
    site.run(Span::minutes(48));
    assert!(site.world.sent.is_empty(), "{}", site.story());
    site.run(Span::minutes(4));
    assert_eq!(site.called(), ["ines.mail", "ines.push"], "the lease runs out on time\n{}", site.story());
}

#[test]
fn a_restart_switches_nothing_by_itself() {
    let mut site = Site::calm();
    site.says("room2/mains", "off");
    site.run(Span::seconds(30));
    site.run(Span::minutes(1));
    site.forget();
    site.silence_all();
    site.restart(Span::minutes(1), Some(Span::minutes(1)));
    site.run(Span::hours(1));
    assert!(site.world.commands.is_empty(), "{}", site.story());
}

#[test]
fn the_all_clear_comes_after_a_restart_too() {
    let mut site = Site::calm();
    site.says("room2/mains", "off");
    site.run(Span::minutes(1));
    site.forget();
    site.says("room2/mains", "on");
    site.restart(Span::minutes(5), Some(Span::minutes(5)));
    site.run(Span::minutes(10));
    let clear: Vec<_> = site.pages(Purpose::AllClear).iter().map(|page| page.to.as_str()).collect();
    assert_eq!(clear, ["ines.push"], "{}", site.story());
}

#[test]
fn the_same_night_gives_the_same_bytes() {
    let night = || {
        let mut site = Site::calm();
        site.says("room2/mains", "off");
        site.run(Span::hours(1));
        site.answer("ines");
        site.run(Span::hours(2));
        serde_json::to_string(&site.records).expect("json")
    };
    assert_eq!(night(), night());
}

#[test]
fn an_early_wake_up_changes_nothing() {
    let mut site = Site::calm();
    site.says("room2/mains", "off");
    site.run(Span::seconds(10));
    let before = site.records.len();
    for _ in 0..100 {
        site.step(slackwater_rules::engine::Input::Tick);
    }
    assert_eq!(site.records.len(), before);
    assert!(site.world.sent.is_empty());
}

/// What the last reload said to differ.
#[track_caller]
fn changes(site: &Site) -> Vec<String> {
    let found = site.records.iter().rev().find_map(|record| match &record.body {
        Body::Reloaded { changes } => Some(changes.clone()),
        _ => None,
    });
    found.expect("a record")
}

#[test]
fn a_telephone_number_that_no_log_shows_and_how_lost_sight_is_told_differ_too() {
    let mut site = Site::calm();
    let asked = |emergency: &str| format!("name = \"Halyard House\"\nemergency = \"{emergency}\"");
    let rules = site.rules.clone();
    let with = |number: &str| rules.replace("name = \"Halyard House\"", &asked(number));
    site.reload(&with("112"));
    assert_eq!(changes(&site), ["what stands of the site itself has changed"]);
    site.reload(&with("999"));
    assert_eq!(changes(&site), ["what stands of the site itself has changed"]);
    let told = ["when lost sight is told, how urgently or to whom has changed"];
    site.reload(&with("999").replace("after = \"2 min\"", "after = \"4 min\""));
    assert_eq!(changes(&site), told);
    site.reload(&with("999").replace("after = \"2 min\"", "after = \"4 min\"\npages-after = \"1 h\""));
    assert_eq!(changes(&site), told);
    let health = format!("{}\n[health]\nafter = \"1 h\"\n", with("999"));
    site.reload(&with("999"));
    site.reload(&health);
    assert_eq!(changes(&site), ["when the watch's own health is told, how urgently or to whom has changed"]);
    site.reload(&health);
    assert_eq!(changes(&site), [""; 0]);
}

#[test]
fn another_plan_takes_over_without_forgetting_what_stands() {
    let mut site = Site::calm();
    site.says("room2/mains", "off");
    site.run(Span::minutes(1));
    site.forget();
    let rules = site
        .rules
        .replace("return-flow < 200 L/h", "return-flow < 300 L/h")
        .replace("[alarm.warm-room]", "[alarm.hot-room]");
    site.reload(&rules);
    assert_eq!(
        changes(&site),
        ["alarm warm-room is gone", "alarm hot-room is new", "alarm return-stopped has changed"]
    );
    assert_eq!(site.state("power-lost"), "unacknowledged");
    assert!(site.world.sent.is_empty(), "{}", site.story());
    site.run(Span::minutes(5));
    assert_eq!(site.called(), ["ines.mail"], "the call-out goes on where it was\n{}", site.story());
    assert_eq!(site.raised(), ["power-lost"], "no sensor was lost by it");
}

#[test]
fn a_standing_alarm_that_a_new_plan_drops_leaves_by_a_record_and_without_an_all_clear() {
    let mut site = Site::calm();
    site.says("room2/lagoon/spare-heater", "150");
    site.run(Span::minutes(3));
    let rules = site.rules.replace("[alarm.spare-heater]", "[alarm.backup-heater]");
    site.forget();
    site.reload(&rules);
    assert!(site.pages(Purpose::AllClear).is_empty());
    assert_eq!(site.count(|body| matches!(body, Body::TakenOut { alarm, .. } if alarm == "spare-heater")), 1);
    // Under its new name the condition is still true, and rings after its delay.
    site.run(Span::minutes(3));
    assert_eq!(site.called(), ["ines.push"], "{}", site.story());
}

#[test]
fn a_call_out_that_is_over_does_not_come_back_with_a_restart() {
    let mut site = Site::calm();
    let out = OperatorCommand::TakeOut { alarm: "warm-room".to_owned(), why: "summer".to_owned() };
    site.says_person("ines", out);
    let since = site.engine.horizon();
    site.says("room2/mains", "off");
    site.run(Span::minutes(1));
    site.answer("ines");
    site.says("room2/mains", "on");
    site.run(Span::minutes(30));
    assert!(site.engine.status(site.now).calls.is_empty());
    site.restart(Span::minutes(1), Some(Span::minutes(1)));
    assert!(site.engine.status(site.now).calls.is_empty(), "{:?}", site.engine.status(site.now).calls);
    site.says_person("ines", OperatorCommand::PutBack { alarm: "warm-room".to_owned() });
    assert!(site.engine.horizon() > since, "nor does it keep records from being let go");
}

#[test]
fn a_stopgap_that_is_over_is_not_begun_by_a_restart() {
    let mut site = Site::calm();
    site.says("room2/mains", "off");
    site.run(Span::minutes(1));
    let why = "the board is being moved".to_owned();
    site.says_person("ines", OperatorCommand::TakeOut { alarm: "power-lost".to_owned(), why });
    site.says("room2/mains", "on");
    site.run(Span::minutes(1));
    site.says("room2/mains", "off");
    site.run(Span::minutes(1));
    assert_eq!(site.world.commands.last().map(|sent| sent.payload.as_str()), Some("off"));
    assert!(site.engine.status(site.now).relays.is_empty());
    site.forget();
    site.restart(Span::minutes(1), Some(Span::minutes(1)));
    site.run(Span::hours(23));
    assert!(site.engine.status(site.now).relays.is_empty());
    assert!(site.world.commands.is_empty(), "{:?}\n{}", site.world.commands, site.story());
}

#[test]
fn a_restart_calls_nobody_again_by_a_page_that_an_answer_made_needless() {
    let mut site = Site::calm();
    site.channel("ines.push", Channel::Hangs);
    site.says("room2/mains", "off");
    site.run(Span::minutes(1));
    site.answer("tom");
    site.forget();
    site.restart(Span::seconds(10), Some(Span::seconds(10)));
    site.run(Span::minutes(10));
    assert!(site.called().is_empty(), "{}", site.story());
}

#[test]
fn a_deferred_page_goes_once_after_a_restart_and_not_again_before_its_fate_is_known() {
    let mut site = Site::calm();
    site.channel("ines.push", Channel::Defers);
    site.channel("ines.mail", Channel::Defers);
    site.says("room2/mains", "off");
    site.run(Span::seconds(20));
    site.forget();
    site.channel("ines.push", Channel::Hangs);
    site.restart(Span::seconds(10), Some(Span::seconds(10)));
    site.run(Span::minutes(4));
    let pushes = site.called().iter().filter(|to| **to == "ines.push").count();
    assert_eq!(pushes, 1, "{}", site.story());
}

#[test]
fn a_call_out_whose_policy_is_renamed_goes_on_under_the_new_one() {
    let mut site = Site::calm();
    site.says("room2/mains", "off");
    site.run(Span::minutes(1));
    site.forget();
    let rules = site.rules.replace("[callout.household]", "[callout.family]");
    site.reload(&rules);
    site.run(Span::minutes(6));
    assert_eq!(site.called(), ["ines.push", "siren", "ines.mail"], "{}", site.story());
    assert!(site.pages(Purpose::AllClear).is_empty());
}

#[test]
fn what_chatters_chatters_after_a_restart_too() {
    let mut site = Site::calm();
    for _ in 0..2 {
        cut_for_a_minute(&mut site);
        site.answer("ines");
    }
    site.restart(Span::seconds(10), Some(Span::seconds(10)));
    cut_for_a_minute(&mut site);
    assert_eq!(site.count(|body| matches!(body, Body::Chattering { .. })), 1, "{}", site.story());
    let why = "nobody can sleep".to_owned();
    site.says_person(
        "ines",
        OperatorCommand::Shelve { alarm: "power-lost".to_owned(), length: Span::minutes(10), why },
    );
    site.restart(Span::seconds(10), Some(Span::seconds(10)));
    let status = site.engine.status(site.now);
    assert!(status.alarms.iter().any(|alarm| alarm.name == "power-lost" && alarm.chattering));
}

fn cut_for_a_minute(site: &mut Site) {
    site.says("room2/mains", "off");
    site.run(Span::minutes(1));
    site.says("room2/mains", "on");
    site.run(Span::minutes(4));
}
