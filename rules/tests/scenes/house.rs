//! What the page in the house is shown: readings with their worth, what stands and who has it,
//! steps that were ticked. A look changes nothing.

use crate::harness::{Site, directory};
use slackwater_rules::alarm::Priority;
use slackwater_rules::engine::{HouseView, OpenCall, OperatorCommand};
use slackwater_rules::page::Page;
use slackwater_rules::quality::Quality;
use slackwater_rules::record::Body;
use slackwater_rules::time::Span;

const RULES: &str = crate::harness::RULES;

fn look(site: &Site) -> HouseView {
    HouseView::of(&site.engine)
}

fn outage() -> Site {
    let mut site = Site::calm();
    site.says("room2/mains", "off");
    site.run(Span::minutes(1));
    site
}

fn call(site: &Site) -> OpenCall {
    look(site).calls.into_iter().next().unwrap_or_else(|| panic!("no call-out runs\n{}", site.story()))
}

fn tick(site: &mut Site, who: &str, step: &str, done: bool) {
    let code = call(site).code;
    site.says_person(who, OperatorCommand::Tick { code, step: step.to_owned(), done });
}

/// Ticked steps and who ticked them.
fn ticks(site: &Site) -> Vec<(String, String)> {
    call(site).ticks.into_iter().map(|(step, who, _)| (step, who)).collect()
}

#[test]
fn a_tick_is_seen_by_the_others_taken_back_by_anybody_and_is_no_answer() {
    let mut site = outage();
    let page = Page::read_by(&site.engine, call(&site).id, "ines").expect("it runs");
    let pages_before = site.world.sent.len();
    assert!(!page.has_step("Dance.") && !page.has_step(""));
    tick(&mut site, "ines", "Open the lid.", true);
    tick(&mut site, "neighbour", "Do not feed.", true);
    assert_eq!(
        ticks(&site),
        [
            ("Open the lid.".to_owned(), "Ines".to_owned()),
            ("Do not feed.".to_owned(), "Ada next door".to_owned())
        ]
    );
    assert_eq!(call(&site).has, None, "a tick is no answer");
    assert_eq!(site.world.sent.len(), pages_before, "and nobody is told of it");
    // Ticked again it is whoever ticked it last, once.
    tick(&mut site, "neighbour", "Open the lid.", true);
    assert_eq!(ticks(&site).len(), 2, "{:?}", ticks(&site));
    tick(&mut site, "ines", "Do not feed.", false);
    assert_eq!(ticks(&site), [("Open the lid.".to_owned(), "Ada next door".to_owned())]);
    // The next person is asked all the same.
    site.run(Span::minutes(30));
    assert!(site.reached().len() > 1, "{:?}", site.reached());
}

#[test]
fn ticks_outlive_a_restart_and_end_with_their_call_out() {
    let mut site = outage();
    tick(&mut site, "ines", "Open the lid.", true);
    site.restart(Span::seconds(20), Some(Span::seconds(20)));
    site.run(Span::minutes(1));
    assert_eq!(ticks(&site), [("Open the lid.".to_owned(), "Ines".to_owned())], "{}", site.story());
    let code = call(&site).code;
    site.says("room2/mains", "on");
    site.run(Span::hours(2));
    assert!(look(&site).calls.is_empty(), "{:?}", look(&site).calls);
    let before = site.count(|body| matches!(body, Body::Ticked { .. }));
    site.says_person("ines", OperatorCommand::Tick { code, step: "Open the lid.".to_owned(), done: true });
    assert_eq!(site.count(|body| matches!(body, Body::Ticked { .. })), before, "it is over");
    assert!(matches!(site.records.last().map(|it| &it.body), Some(Body::Refused { .. })), "{}", site.story());
}

#[test]
fn ticks_are_bounded_and_a_full_list_still_lets_one_be_taken_back() {
    let mut site = outage();
    for nth in 0..200 {
        tick(&mut site, "ines", &format!("Step {nth}."), true);
    }
    let kept = ticks(&site).len();
    assert!((1..=100).contains(&kept), "{kept}");
    tick(&mut site, "ines", "Step 0.", false);
    assert_eq!(ticks(&site).len(), kept - 1);
}

#[test]
fn what_stands_leads_and_says_who_has_it_and_who_is_next() {
    let mut site = outage();
    let found = call(&site);
    assert_eq!((found.priority, found.over, found.has.clone()), (Priority::Critical, false, None));
    let (next, at) = found.next.expect("somebody is next");
    assert!(!next.is_empty() && at > site.now.mono, "{next}");
    let lead = found.matters.first().expect("a matter");
    assert!(lead.stands && !lead.blind && lead.alarm == "power-lost", "{lead:?}");
    assert!(found.would_hold > site.now.mono && found.could_hold >= found.would_hold);
    site.answer("ines");
    let (who, until) = call(&site).has.expect("Ines has it");
    assert!(who == "Ines" && until > site.now.mono, "{who}");
}

#[test]
fn readings_are_shown_with_their_worth_and_their_age() {
    let mut site = Site::calm();
    let find = |site: &Site, name: &str| {
        let id = site.engine.plan().sensors.iter().position(|sensor| sensor.name == name).expect("a sensor");
        look(site).readings.into_iter().nth(id).expect("every sensor is there")
    };
    let warm = find(&site, "lagoon-temp");
    assert_eq!((warm.shown.as_str(), warm.quality), ("25.1 °C", Quality::Good));
    assert!(warm.age.is_some_and(|age| age <= Span::seconds(30)), "{:?}", warm.age);
    site.silence("room2/lagoon/temperature");
    site.run(Span::minutes(30));
    let lost = find(&site, "lagoon-temp");
    assert_eq!(
        (lost.shown.as_str(), lost.quality),
        ("25.1 °C", Quality::Stale),
        "the last value, and its worth"
    );
    assert!(lost.age.is_some_and(|age| age >= Span::minutes(30)), "{:?}", lost.age);
    let never = Site::silent(RULES, directory(), "2026-03-02T12:00:00+01:00[Europe/Berlin]");
    let unknown = find(&never, "lagoon-temp");
    assert_eq!((unknown.shown.as_str(), unknown.quality, unknown.age), ("", Quality::Absent, None));
}

#[test]
fn a_look_changes_nothing() {
    let mut looked = outage();
    let mut left_alone = outage();
    for _ in 0..60 {
        let view = look(&looked);
        for call in &view.calls {
            Page::read_by(&looked.engine, call.id, "neighbour");
        }
        looked.run(Span::minutes(1));
        left_alone.run(Span::minutes(1));
    }
    assert_eq!(looked.story(), left_alone.story());
}
