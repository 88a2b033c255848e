//! Parts of the watch itself that fail: said once, by a way that works; limits of channels; the
//! summary after a long time without a way out.

use crate::harness::{Channel, RULES, Sent, Site, directory};
use slackwater_rules::engine::{Health, Input};
use slackwater_rules::plan::{Part, Quota};
use slackwater_rules::record::{Body, Outcome, Purpose};
use slackwater_rules::time::Span;

fn about<'a>(site: &'a Site, alarm: &str) -> Vec<&'a Sent> {
    site.world.sent.iter().filter(|page| page.alarm.contains(alarm)).collect()
}

/// A power cut that is over before anybody answers, and its all-clear.
fn short_cut(site: &mut Site) {
    site.says("room2/mains", "off");
    site.run(Span::minutes(6));
    site.says("room2/mains", "on");
    site.run(Span::minutes(5));
}

#[test]
fn a_channel_that_fails_is_told_once_and_by_the_others() {
    let mut site = Site::calm();
    site.channel("ines.mail", Channel::Fails);
    short_cut(&mut site);
    site.run(Span::minutes(12));
    let told: Vec<_> = about(&site, "health-ines.mail").iter().map(|page| page.to.clone()).collect();
    assert_eq!(told, ["ines.push"], "{}", site.story());
    assert!(
        about(&site, "health-")[0].body.contains("the story says so"),
        "{}",
        about(&site, "health-")[0].body
    );
    site.answer("ines");
    site.run(Span::minutes(50));
    assert_eq!(
        site.count(|body| matches!(body, Body::Raised { alarm, .. } if alarm == "health-ines.mail")),
        1
    );
    assert!(about(&site, "health-").iter().all(|page| page.to != "ines.mail"), "never by the broken one");
}

#[test]
fn while_a_call_out_uses_a_failing_channel_its_own_pages_say_so() {
    let mut site = Site::calm();
    site.channel("ines.mail", Channel::Defers);
    site.says("room2/mains", "off");
    site.run(Span::hours(3));
    assert!(about(&site, "health-").is_empty(), "{}", site.story());
    let last = site.world.sent.iter().rfind(|page| page.to == "neighbour.text").expect("pages");
    assert!(last.body.contains("Ines by mail: not yet: the story says so"), "{}", last.body);
    // The way out comes back with the mains: the all-clear goes through, and there is nothing to
    // tell.
    site.channel("ines.mail", Channel::Works);
    site.says("room2/mains", "on");
    site.run(Span::hours(1));
    assert!(about(&site, "health-").is_empty(), "{}", site.story());
}

#[test]
fn several_channels_that_fail_are_one_call_out() {
    let mut site = Site::calm();
    for target in ["ines.mail", "neighbour.mail"] {
        site.channel(target, Channel::Fails);
    }
    site.says("room2/mains", "off");
    site.run(Span::minutes(20));
    site.says("room2/mains", "on");
    site.run(Span::minutes(20));
    let calls = site.records.iter().filter(|record| matches!(record.body, Body::CallBegan { .. })).count();
    assert_eq!(calls, 2, "the power cut's, and one for both\n{}", site.story());
    assert!(
        about(&site, "health-")[0].headline.contains("(and 1 other alarm)")
            || site.story().contains("is part of")
    );
}

#[test]
fn while_every_channel_fails_nobody_is_told_so_and_then_only_of_what_still_does() {
    let mut site = Site::calm();
    site.every_channel(Channel::Defers);
    short_cut(&mut site);
    site.run(Span::hours(1));
    assert!(about(&site, "health-").is_empty(), "{}", site.story());
    assert!(site.raised().contains(&"health-ines.push"));
    site.every_channel(Channel::Works);
    site.channel("neighbour.mail", Channel::Fails);
    site.run(Span::hours(1));
    let told = about(&site, "health-");
    assert!(
        !told.is_empty() && told.iter().all(|page| page.alarm.contains("health-neighbour.mail")),
        "{}",
        site.story()
    );
}

#[test]
fn a_channel_set_up_otherwise_is_not_said_to_be_well_before_a_page_went_through() {
    let mut site = Site::calm();
    site.channel("ines.mail", Channel::Fails);
    short_cut(&mut site);
    site.run(Span::minutes(12));
    site.answer("ines");
    site.forget();
    site.channel("ines.mail", Channel::Works);
    site.step(Input::Health {
        part: Part::Channel(crate::harness::target("ines.mail")),
        health: Health::Unknown,
    });
    site.run(Span::minutes(30));
    assert!(site.pages(Purpose::AllClear).is_empty(), "{}", site.story());
    // The lease runs out; this time the mail is tried, and gets through.
    site.run(Span::hours(2));
    assert!(site.called().contains(&"ines.mail"), "{}", site.story());
    assert!(!site.pages(Purpose::AllClear).is_empty(), "{}", site.story());
}

#[test]
fn a_journal_that_can_not_be_written_is_told_once_and_so_is_its_end() {
    let mut site = Site::calm();
    site.part(Part::Journal, None);
    site.part(Part::Journal, Some("no room left for the journal"));
    site.run(Span::minutes(1));
    site.part(Part::Journal, None);
    site.run(Span::minutes(10));
    assert!(site.world.sent.is_empty(), "a moment is nothing to call for\n{}", site.story());
    site.part(Part::Journal, Some("no room left for the journal"));
    site.run(Span::minutes(3));
    site.answer("ines");
    assert_eq!(site.called(), ["ines.push"], "{}", site.story());
    assert!(site.world.sent[0].body.contains("Journal: no room left"), "{}", site.world.sent[0].body);
    site.forget();
    site.part(Part::Journal, None);
    site.run(Span::minutes(5));
    assert_eq!(site.pages(Purpose::AllClear).len(), 1, "{}", site.story());
}

#[test]
fn health_that_nobody_has_spoken_of_is_neither_well_nor_ill() {
    let mut site = Site::calm();
    site.run(Span::hours(5));
    assert!(site.world.sent.is_empty());
    let status = site.engine.status(site.now);
    let journal =
        status.alarms.iter().find(|alarm| alarm.name == "health-journal").expect("the plan adds it");
    assert_eq!((journal.truth, journal.state.as_str()), ("unknown", "normal"));
}

#[test]
fn the_file_says_how_soon_how_loud_and_to_whom() {
    let rules = format!("{RULES}\n[health]\nafter = \"10 s\"\npriority = \"high\"\ncallout = \"none\"\n");
    let mut site = Site::with(&rules, directory(), "2026-03-02T12:00:00+01:00[Europe/Berlin]");
    site.part(Part::Settings, Some("a mistake in line 3"));
    site.run(Span::seconds(11));
    assert_eq!(site.raised(), ["health-settings"]);
    assert!(site.world.sent.is_empty(), "recorded only");
    let plan = site.engine.plan();
    let alarm = plan.alarm(plan.alarm_named("health-settings").expect("it is there"));
    assert_eq!(alarm.priority.to_string(), "high");
}

// ------------------------------------------------------------------------------------ limits

fn limited(quota: Quota) -> Site {
    let mut people = directory();
    let ines = people.contacts.get_mut("ines").expect("she is there");
    ines.quotas.insert("push".to_owned(), quota);
    Site::with(RULES, people, "2026-03-02T12:00:00+01:00[Europe/Berlin]")
}

fn to<'a>(site: &'a Site, target: &str) -> Vec<&'a Sent> {
    site.world.sent.iter().filter(|page| page.to == target).collect()
}

/// The spare heater comes on, someone answers, it goes off.
fn spare_heater(site: &mut Site) {
    site.says("room2/lagoon/spare-heater", "90");
    site.run(Span::minutes(3));
    site.says("room2/lagoon/spare-heater", "0");
    site.run(Span::minutes(17));
}

#[test]
fn beyond_its_limit_a_channel_carries_only_what_is_critical_and_says_what_was_held() {
    let mut site = limited(Quota { hour: None, day: Some(4), reserve: 2 });
    for _ in 0..4 {
        spare_heater(&mut site);
        site.run(Span::hours(3));
    }
    assert_eq!(to(&site, "ines.push").len(), 2, "{}", site.story());
    assert!(site.called().contains(&"ines.mail"), "what finds no room takes the next step at once");
    let held = |body: &Body| matches!(body, Body::Delivered { result: Outcome::HeldUntil { limit, .. }, .. } if limit == "4 a day");
    assert!(site.count(held) >= 2, "{}", site.story());
    site.only_what_follows(|site| {
        site.says("room2/mains", "off");
        site.run(Span::minutes(1));
    });
    let [critical] = to(&site, "ines.push")[..] else { panic!("{}", site.story()) };
    assert!(critical.body.contains("held back by the limit of this way, since "), "{}", critical.body);
}

#[test]
fn a_used_up_limit_is_no_failure_of_the_channel_and_the_next_way_is_used_at_once() {
    let mut site = limited(Quota { hour: Some(1), day: None, reserve: 0 });
    spare_heater(&mut site);
    site.run(Span::minutes(10));
    site.only_what_follows(|site| {
        site.says("room2/lagoon/spare-heater", "90");
        site.run(Span::minutes(3));
    });
    assert_eq!(site.called(), ["ines.mail"], "{}", site.story());
    site.says("room2/lagoon/spare-heater", "0");
    site.run(Span::hours(3));
    assert!(about(&site, "health-ines.push").is_empty(), "{}", site.story());
    assert_eq!(site.state("health-ines.push"), "normal", "{}", site.story());
    // The all-clear that was held went when there was room.
    assert!(to(&site, "ines.push").iter().any(|page| page.purpose == Purpose::AllClear), "{}", site.story());
}

#[test]
fn a_restart_forgets_neither_what_was_carried_nor_what_was_held() {
    let mut site = limited(Quota { hour: None, day: Some(3), reserve: 1 });
    for _ in 0..3 {
        spare_heater(&mut site);
    }
    assert_eq!(to(&site, "ines.push").len(), 2);
    site.restart(Span::minutes(5), Some(Span::minutes(5)));
    site.run(Span::minutes(1));
    site.only_what_follows(spare_heater);
    assert!(to(&site, "ines.push").is_empty(), "{}", site.story());
    site.only_what_follows(|site| {
        site.says("room2/mains", "off");
        site.run(Span::minutes(1));
    });
    assert!(to(&site, "ines.push")[0].body.contains("held back by the limit"), "{}", site.story());
}

// ------------------------------------------------------------------- a long time without a way out

#[test]
fn after_a_long_time_without_a_way_out_one_page_tells_of_all_that_came_and_went() {
    let mut site = Site::calm();
    site.every_channel(Channel::Defers);
    // Far enough apart that what comes and goes is not one trouble that flickers.
    for _ in 0..10 {
        short_cut(&mut site);
        spare_heater(&mut site);
        site.run(Span::minutes(45));
    }
    site.run(Span::minutes(20));
    site.says("room2/lagoon/temperature", "22.5");
    site.run(Span::minutes(10));
    site.every_channel(Channel::Works);
    site.only_what_follows(|site| site.run(Span::minutes(15)));
    let push = to(&site, "ines.push");
    let summaries: Vec<_> = push.iter().filter(|page| page.purpose == Purpose::AllClear).collect();
    assert_eq!(summaries.len(), 1, "{}", site.story());
    let body = &summaries[0].body;
    let times: Vec<_> = body
        .lines()
        .filter_map(|line| line.split_once(" yesterday  Lagoon: power lost, critical: over since "))
        .map(|(from, to)| format!("{from}; {}", to.split_once(" yesterday").expect("a day").0))
        .collect();
    assert_eq!(times.len(), 10, "{body}");
    assert_eq!(times[..3], ["12:05; 12:11", "13:21; 13:27", "14:37; 14:43"], "{body}");
    let first = "20 call-outs came and went while this way was shut, the first at 12:05 yesterday";
    assert!(summaries[0].headline.contains(first), "{body}");
    assert!(summaries[0].text().chars().count() <= 160);
    // What stands calls as it is now.
    let calls: Vec<_> = push.iter().filter(|page| page.purpose == Purpose::Call).collect();
    assert!(calls.iter().any(|page| page.alarm == "too-cold"), "{}", site.story());
    assert!(push.len() <= 4, "{} pages", push.len());
}

#[test]
fn the_summary_survives_a_restart() {
    let mut site = Site::calm();
    site.every_channel(Channel::Defers);
    for _ in 0..3 {
        short_cut(&mut site);
        site.run(Span::hours(1));
    }
    site.restart(Span::minutes(1), Some(Span::minutes(1)));
    site.every_channel(Channel::Works);
    site.only_what_follows(|site| site.run(Span::minutes(15)));
    let push: Vec<_> =
        to(&site, "ines.push").into_iter().filter(|page| page.purpose == Purpose::AllClear).collect();
    assert_eq!(push.len(), 1, "{}", site.story());
    assert_eq!(push[0].body.matches("power lost, critical").count(), 3, "{}", push[0].body);
    site.run(Span::hours(2));
    assert!(site.engine.status(site.now).calls.is_empty(), "nothing is kept for ever\n{}", site.story());
}

#[test]
fn when_one_page_gets_through_the_others_do_not_wait() {
    let mut site = Site::calm();
    site.every_channel(Channel::Defers);
    site.says("room2/mains", "off");
    site.run(Span::hours(5));
    site.every_channel(Channel::Works);
    site.forget();
    site.run(Span::minutes(11));
    let first = site.world.sent[0].at;
    let others = ["ines.push", "ines.mail", "neighbour.text", "neighbour.mail"];
    for target in others {
        assert!(to(&site, target)[0].at - first < Span::seconds(1), "{target}\n{}", site.story());
    }
}
