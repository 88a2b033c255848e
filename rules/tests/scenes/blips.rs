//! Spells that are over before their delay is: nobody is paged, and nothing is forgotten.

use crate::harness::{RULES, Site, directory};
use slackwater_rules::engine::{Input, OperatorCommand};
use slackwater_rules::record::Body;
use slackwater_rules::time::Span;

/// Of each record of blips: the alarm, how many, the longest.
fn blips(site: &Site) -> Vec<(&str, u32, Span)> {
    let told = |body| match body {
        &Body::Blipped { ref alarm, count, longest, .. } => Some((alarm.as_str(), count, longest)),
        _ => None,
    };
    site.records.iter().filter_map(|record| told(&record.body)).collect()
}

fn blip(site: &mut Site, seconds: i64) {
    site.says("room2/mains", "off");
    site.run(Span::seconds(seconds));
    site.says("room2/mains", "on");
    site.run(Span::minutes(1));
}

#[test]
fn a_spell_shorter_than_its_delay_is_recorded_and_pages_nobody() {
    let mut site = Site::calm();
    blip(&mut site, 12);
    assert_eq!(blips(&site), [("power-lost", 1, Span::seconds(12))], "{}", site.story());
    assert!(site.world.sent.is_empty(), "{}", site.story());
}

#[test]
fn what_comes_within_the_hour_is_counted_and_told_together() {
    let mut site = Site::calm();
    for seconds in [3, 12, 7] {
        blip(&mut site, seconds);
    }
    site.run(Span::hours(1));
    let told = [("power-lost", 1, Span::seconds(3)), ("power-lost", 2, Span::seconds(12))];
    assert_eq!(blips(&site), told, "{}", site.story());
}

#[test]
fn an_input_that_flaps_for_a_day_makes_no_more_than_a_record_an_hour() {
    let mut site = Site::calm();
    for _ in 0..24 * 60 {
        site.says("room2/mains", "off");
        site.run(Span::seconds(5));
        site.says("room2/mains", "on");
        site.run(Span::seconds(55));
    }
    let told = blips(&site);
    assert!((24..=25).contains(&told.len()), "{}", told.len());
    let count: u32 = told.iter().map(|(_, count, _)| count).sum();
    assert!((1_380..=1_440).contains(&count), "{count}");
}

#[test]
fn a_spell_that_is_raised_is_no_blip_and_neither_is_one_that_is_put_aside() {
    let mut site = Site::calm();
    site.says("room2/mains", "off");
    site.run(Span::minutes(5));
    site.says("room2/mains", "on");
    site.run(Span::minutes(5));
    let why = "the pump is being cleaned".to_owned();
    let shelve = OperatorCommand::Shelve { alarm: "return-stopped".to_owned(), length: Span::hours(1), why };
    site.says_person("ines", shelve);
    site.says("room2/lagoon/flow", "0");
    site.run(Span::seconds(30));
    site.says("room2/lagoon/flow", "4300");
    site.run(Span::hours(2));
    assert_eq!(blips(&site), [], "{}", site.story());
}

#[test]
fn an_orderly_end_and_another_plan_forget_no_blip() {
    let mut site = Site::calm();
    blip(&mut site, 4);
    blip(&mut site, 5);
    site.reload(&format!("{RULES}\n"));
    assert_eq!(blips(&site).len(), 2, "{}", site.story());
    blip(&mut site, 6);
    site.step(Input::Stopping { why: "asked to".to_owned() });
    assert_eq!(blips(&site).last(), Some(&("power-lost", 1, Span::seconds(6))), "{}", site.story());
}

#[test]
fn what_could_not_be_seen_is_no_part_of_a_blip() {
    let rules = RULES.replace("on-delay = \"20 s\"", "on-delay = \"10 min\"");
    let mut site = Site::with(&rules, directory(), "2026-03-02T12:00:00+01:00[Europe/Berlin]");
    site.says("room2/mains", "off");
    site.run(Span::minutes(2));
    site.silence("room2/mains");
    site.run(Span::hours(1));
    site.feed("room2/mains", "on", Span::seconds(30));
    site.run(Span::minutes(1));
    let [("power-lost", 1, longest)] = blips(&site)[..] else { panic!("{}", site.story()) };
    assert!(longest >= Span::minutes(2) && longest <= Span::minutes(4), "{longest}");
}
