//! The stories that come with the sample site, played against its rule file.

#![expect(clippy::disallowed_methods, reason = "a test may read files; the crate may not")]

#[path = "fixtures/mod.rs"]
mod fixtures;

use fixtures::{BERLIN, around_in, hours, plan_of};
use slackwater_rules::plan::{Plan, render};
use slackwater_rules::rehearsal::{Story, probe};
use std::fs;
use std::path::{Path, PathBuf};

fn sample() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/sample")
}

fn plan() -> Plan {
    // As in the sample's agent.toml.
    let channels = ["ines.push", "ines.mail", "tom.mail", "neighbour.mail", "siren"];
    let mut around = around_in(BERLIN, &channels);
    for (who, from, until) in [("tom", "07:00", "23:30"), ("neighbour", "08:00", "22:00")] {
        around.directory.contacts.entry(who.to_owned()).and_modify(|it| it.hours = vec![hours(from, until)]);
    }
    let text = fs::read_to_string(sample().join("rules.toml")).expect("the sample");
    plan_of(&text, &around)
}

#[test]
fn every_story_of_the_sample_site_goes_as_it_says() {
    let plan = plan();
    let mut failed = String::new();
    let mut stories = 0;
    for entry in fs::read_dir(sample().join("rehearsals")).expect("stories") {
        let path = entry.expect("an entry").path();
        let name = path.file_name().expect("a name").to_string_lossy().into_owned();
        let text = fs::read_to_string(&path).expect("a text");
        let story = Story::parse(&text, &plan)
            .unwrap_or_else(|findings| panic!("{}", render(&name, &text, &findings)));
        assert!(!story.expectations.is_empty(), "{name} expects nothing");
        let played = story.play(&plan);
        stories += 1;
        for miss in &played.misses {
            failed += &format!("{name}: {}: {}\n", &text[miss.span.clone()], miss.it.came);
        }
    }
    assert!(failed.is_empty(), "{failed}");
    assert!(stories >= 12, "{stories} stories");
}

#[test]
fn every_alarm_of_the_sample_site_can_ring_and_survives_a_blip() {
    for found in probe(&plan()) {
        assert!(found.raised.is_some() || found.foretells, "{} can't be raised", found.alarm);
        assert_ne!(found.blip_is_quiet, Some(false), "{} rings at a blip", found.alarm);
    }
}

#[test]
fn mistakes_in_a_story_are_shown_all_at_once_with_their_lines() {
    let text = "start tomorrow\nat 5: mains is off\nat 5 min: manes is off\nat 5 min mains is off\nfrom 9 min to 5 min: expect nobody is paged\nat 1 min: expect power-lost is ringing\nat 1 min: lagoon-temp is 20 L\nsing a song\n";
    let findings = Story::parse(text, &plan()).expect_err("mistakes");
    insta::assert_snapshot!(render("night.txt", text, &findings));
}

#[test]
fn a_story_is_the_same_each_time() {
    let plan = plan();
    let text = fs::read_to_string(sample().join("rehearsals/power-cut-answered-late.txt")).expect("a text");
    let story = Story::parse(&text, &plan).expect("a story");
    assert_eq!(story.play(&plan).timeline, story.play(&plan).timeline);
}
