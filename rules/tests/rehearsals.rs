//! The stories that come with the sample site, played against its rule file.

#![cfg(test)]
#![expect(clippy::disallowed_methods, reason = "a test may read files; the crate may not")]

#[path = "fixtures/mod.rs"]
mod fixtures;

use fixtures::{BERLIN, around_in, hours, plan_of};
use slackwater_rules::page::{Page, PageLine, Said, TEXT_SEPTETS, gsm};
use slackwater_rules::plan::{Plan, render};
use slackwater_rules::record::Purpose;
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

/// So far down a phone's first screen reaches, at 390 px width.
const FIRST_SCREEN: f64 = 620.0;

/// How far down what to do and how to answer reach, px: by the letters that fit a line of 390 px,
/// counted generously. A browser, where there is one, says it of the tallest.
fn reaches(said: &Said) -> f64 {
    let high = |text: &str, letters: f64, line: f64| (text.chars().count() as f64 / letters).ceil() * line;
    let mut down = 12.0 + high(&said.heading, 31.0, 26.3) + 12.0;
    down += said.under.iter().map(|text| high(text, 45.0, 22.4) + 4.0).sum::<f64>();
    for part in said.parts.iter().take_while(|part| part.title != "What to do next") {
        if !["What to do", "How to answer"].contains(&part.title) {
            break;
        }
        let line = |line: &PageLine| match line {
            PageLine::First(step) => high(&step.said, 36.0, 25.2) + 4.0,
            PageLine::Link { words, .. } => high(words, 48.0, 22.4) + 60.0,
            other => high(&other.plain(), 48.0, 22.4) + 4.0,
        };
        down += 37.8 + part.lines.iter().map(line).sum::<f64>();
    }
    down
}

/// What Chromium says of it; none where there is no Chromium.
#[expect(clippy::disallowed_types, reason = "a browser measures what the pages look like")]
fn measured(page: &Page) -> Option<f64> {
    let script = "<script>var e=0;document.querySelectorAll('h2').forEach(function(h){\
        if(/How to answer/.test(h.textContent))e=h.parentNode.getBoundingClientRect().bottom});\
        document.title='ENDS '+Math.round(e)+' '</script></body>";
    let html = page.html().replace("<body style=\"", "<body style=\"width:390px;").replace("</body>", script);
    let path = std::env::temp_dir().join(format!("slackwater-page-{}.html", std::process::id()));
    fs::write(&path, html).ok()?;
    let run = std::process::Command::new("chromium")
        .args(["--headless=new", "--no-sandbox", "--disable-gpu", "--window-size=800,844", "--dump-dom"])
        .arg(format!("file://{}", path.display()))
        .output();
    let _ = fs::remove_file(&path);
    let text = String::from_utf8_lossy(&run.ok()?.stdout).into_owned();
    text.split("ENDS ").nth(1)?.split(' ').next()?.parse().ok()
}

#[test]
fn what_to_do_and_how_to_answer_stand_on_the_first_screen_and_texts_are_whole() {
    let plan = plan();
    let mut tallest: Option<(f64, Page)> = None;
    for entry in fs::read_dir(sample().join("rehearsals")).expect("stories") {
        let text = fs::read_to_string(entry.expect("an entry").path()).expect("a text");
        for (at, to, page) in Story::parse(&text, &plan).expect("a story").play(&plan).pages {
            assert!(gsm::places(&page.text()) <= TEXT_SEPTETS, "{}", page.text());
            assert!(gsm::septets(&page.text()).is_some(), "{}", page.text());
            if page.purpose != Purpose::Call {
                continue;
            }
            assert!(page.text().ends_with(&page.code) && !page.text().contains(" ."), "{}", page.text());
            let ends = reaches(&page.said);
            assert!(ends <= FIRST_SCREEN, "{to} after {at} reaches {ends} px:\n{}", page.body);
            if tallest.as_ref().is_none_or(|(most, _)| ends > *most) {
                tallest = Some((ends, page));
            }
        }
    }
    let (counted, page) = tallest.expect("pages");
    if let Some(ends) = measured(&page) {
        assert!(ends > 200.0 && ends <= FIRST_SCREEN, "{ends} px, counted {counted}:\n{}", page.body);
    }
}
