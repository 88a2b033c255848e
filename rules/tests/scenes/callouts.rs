//! Steps, answers, leases, hours, drills.

use crate::harness::{Channel, RULES, Site, directory, hours};
use slackwater_rules::answer::Meaning;
use slackwater_rules::engine::OperatorCommand;
use slackwater_rules::plan::Absence;
use slackwater_rules::record::{Body, Purpose};
use slackwater_rules::time::Span;

fn cut(site: &mut Site) {
    site.says("room2/mains", "off");
    site.run(Span::seconds(20));
}

#[test]
fn with_nobody_answering_for_six_hours_the_last_step_repeats_to_the_end() {
    let mut site = Site::calm();
    cut(&mut site);
    site.run(Span::hours(6));
    let to_neighbour = site.called().iter().filter(|to| **to == "neighbour.text").count();
    // First after 15 min, then every 15 min: at 0:15, 0:30, … 6:00.
    assert_eq!(to_neighbour, 24, "{}", site.story());
    assert!(site.world.sent.iter().all(|page| page.text().chars().count() <= 160));
}

#[test]
fn an_answer_stops_the_call_out_and_tells_the_others() {
    let mut site = Site::calm();
    cut(&mut site);
    site.run(Span::minutes(16));
    site.only_what_follows(|site| site.answer("ines"));
    let told: Vec<_> = site.pages(Purpose::Taken).iter().map(|page| page.to.as_str()).collect();
    assert_eq!(told, ["neighbour.mail", "neighbour.text"], "the siren has been silent since 3 min");
    assert!(
        site.pages(Purpose::Taken)[0].headline.contains("Ines has answered at 12:21"),
        "{}",
        site.pages(Purpose::Taken)[0].headline
    );
    site.forget();
    site.run(Span::minutes(59));
    assert!(site.world.sent.is_empty(), "{}", site.story());
    assert_eq!(site.state("power-lost"), "acknowledged");
}

#[test]
fn an_answer_whose_lease_runs_out_while_it_stands_calls_again() {
    let mut site = Site::calm();
    cut(&mut site);
    site.answer("ines");
    site.forget();
    site.run(Span::minutes(60));
    assert_eq!(site.called(), ["ines.mail", "ines.push"], "whoever answered, alone\n{}", site.story());
    assert!(site.world.sent[0].headline.starts_with("Still on it?"), "{}", site.world.sent[0].headline);
    site.forget();
    site.run(Span::minutes(10));
    assert_eq!(site.called(), ["ines.push", "ines.mail", "siren"], "then the next as well\n{}", site.story());
    assert_eq!(site.count(|body| matches!(body, Body::Resumed { .. })), 1);
}

#[test]
fn what_gets_worse_breaks_through_an_answer() {
    let mut site = Site::calm();
    cut(&mut site);
    site.answer("ines");
    site.forget();
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(10));
    assert!(site.raised().contains(&"return-stopped"));
    assert!(site.called().is_empty(), "a lesser consequence waits for the lease");
    let mut temperature = 25.1;
    while temperature > 22.5 {
        temperature -= 0.2;
        site.says("room2/lagoon/temperature", &format!("{temperature:.1}"));
        site.run(Span::minutes(2));
    }
    assert_eq!(
        site.called()[..3],
        ["ines.mail", "ines.push", "siren"],
        "a critical consequence does not\n{}",
        site.story()
    );
    site.answer("ines");
    site.forget();
    while temperature > 21.0 {
        temperature -= 0.2;
        site.says("room2/lagoon/temperature", &format!("{temperature:.1}"));
        site.run(Span::minutes(1));
    }
    assert_eq!(
        site.called()[..3],
        ["ines.mail", "ines.push", "siren"],
        "nor does what its own second limit says\n{}",
        site.story()
    );
    assert!(site.world.sent[0].body.contains("It got worse"), "{}", site.world.sent[0].body);
}

#[test]
fn an_unknown_code_is_refused_and_changes_nothing() {
    let mut site = Site::calm();
    cut(&mut site);
    site.says_person("someone", OperatorCommand::Acknowledge { code: "0000".to_owned(), length: None });
    assert_eq!(site.count(|body| matches!(body, Body::Refused { .. })), 1);
    assert_eq!(site.state("power-lost"), "unacknowledged");
}

#[test]
fn a_code_is_taken_in_any_case_and_with_blanks() {
    let mut site = Site::calm();
    cut(&mut site);
    let code = format!(" {} ", site.world.sent[0].code.to_ascii_lowercase());
    site.says_person("ines", OperatorCommand::Acknowledge { code, length: None });
    assert_eq!(site.state("power-lost"), "acknowledged");
}

#[test]
fn a_deferred_page_is_tried_again_with_growing_pauses_until_it_is_through() {
    let mut site = Site::calm();
    site.channel("ines.push", Channel::Defers);
    site.channel("ines.mail", Channel::Defers);
    cut(&mut site);
    assert_eq!(
        site.called(),
        ["ines.push", "siren", "ines.mail", "neighbour.text", "neighbour.mail"],
        "side by side\n{}",
        site.story()
    );
    site.forget();
    site.run(Span::minutes(5));
    let tries = site.called().iter().filter(|to| **to == "ines.push").count();
    assert_eq!(tries, 3, "after 30 s, 60 s more, 2 min more");
    let ids: Vec<_> =
        site.world.sent.iter().filter(|page| page.to == "ines.push").map(|page| page.id).collect();
    assert!(ids.windows(2).all(|pair| pair[0] == pair[1]), "the same page each time");
    site.channel("ines.push", Channel::Works);
    site.run(Span::minutes(5));
    site.forget();
    site.run(Span::minutes(4));
    assert!(!site.called().contains(&"ines.push"));
}

#[test]
fn people_are_not_called_outside_their_hours_unless_nobody_else_is_left() {
    let mut people = directory();
    people.contacts.get_mut("neighbour").expect("there").hours = vec![hours("08:00", "22:00")];
    let mut site = Site::with(RULES, people.clone(), "2026-03-03T02:00:00+01:00[Europe/Berlin]");
    cut(&mut site);
    site.run(Span::minutes(29));
    assert!(!site.reached().contains("neighbour.text"), "{}", site.story());
    assert!(site.count(|body| matches!(body, Body::Skipped { .. })) >= 2);
    let mails = site.called().iter().filter(|to| **to == "ines.mail").count();
    assert_eq!(mails, 2, "the last step that reaches someone repeats instead\n{}", site.story());
    site.run(Span::minutes(1));
    assert!(site.reached().contains("neighbour.text"), "after a whole round\n{}", site.story());

    people.contacts.get_mut("ines").expect("there").hours = vec![hours("08:00", "22:00")];
    let mut site = Site::with(RULES, people, "2026-03-03T02:00:00+01:00[Europe/Berlin]");
    cut(&mut site);
    assert_eq!(site.called(), ["ines.push", "siren"], "better woken than late\n{}", site.story());
}

#[test]
fn people_who_are_away_are_not_called() {
    let mut people = directory();
    let first = "2026-03-01".parse().expect("a date");
    people.contacts.get_mut("ines").expect("there").away = vec![Absence {
        first,
        last: "2026-03-14".parse().expect("a date"),
        sitter: None,
        leaves: None,
        back: None,
    }];
    let mut site = Site::with(RULES, people, "2026-03-03T12:00:00+01:00[Europe/Berlin]");
    cut(&mut site);
    assert_eq!(
        site.called(),
        ["neighbour.text", "neighbour.mail", "siren"],
        "falls through at once\n{}",
        site.story()
    );
}

#[test]
fn low_priority_news_of_the_night_comes_once_in_the_morning() {
    let mut site = Site::at("2026-03-03T01:00:00+01:00[Europe/Berlin]");
    let mut temperature = 25.1;
    while temperature < 27.3 {
        temperature += 0.3;
        site.says("room2/lagoon/temperature", &format!("{temperature:.1}"));
        site.run(Span::minutes(2));
    }
    site.run(Span::minutes(30));
    assert!(site.raised().contains(&"warm-room"));
    assert!(site.world.sent.is_empty());
    while temperature > 26.0 {
        temperature -= 0.3;
        site.says("room2/lagoon/temperature", &format!("{temperature:.1}"));
        site.run(Span::minutes(2));
    }
    site.run(Span::hours(12));
    let digests: Vec<_> = site.pages(Purpose::Digest).iter().map(|page| page.to.as_str()).collect();
    assert_eq!(digests, ["ines.push"], "no siren for news\n{}", site.story());
    let sent = site.pages(Purpose::Digest)[0];
    let at = site.now.wall_at(sent.at).civil(&site.engine.plan().zone);
    assert_eq!(at.strftime("%H:%M").to_string(), "07:30");
    assert!(sent.body.contains(", from "), "{}", sent.body);
    assert_eq!(site.world.sent.len(), 1, "no all-clear for what was told as over");
}

#[test]
fn low_priority_by_day_is_told_at_once() {
    let mut site = Site::calm();
    let mut temperature = 25.1;
    while temperature < 27.3 {
        temperature += 0.3;
        site.says("room2/lagoon/temperature", &format!("{temperature:.1}"));
        site.run(Span::minutes(2));
    }
    assert_eq!(site.called(), ["ines.push"], "a siren is for what is critical");
}

#[test]
fn the_morning_comes_at_the_local_hour_on_nights_when_the_clocks_change() {
    for (night, date) in [
        ("2026-03-29T00:30:00+01:00[Europe/Berlin]", "2026-03-29"),
        ("2026-10-25T00:30:00+02:00[Europe/Berlin]", "2026-10-25"),
    ] {
        let mut site = Site::at(night);
        let mut temperature = 25.1;
        while temperature < 27.3 {
            temperature += 0.3;
            site.says("room2/lagoon/temperature", &format!("{temperature:.1}"));
            site.run(Span::minutes(2));
        }
        site.run(Span::hours(9));
        let sent = site.pages(Purpose::Digest)[0];
        let at = site.now.wall_at(sent.at).civil(&site.engine.plan().zone);
        assert_eq!(at.strftime("%Y-%m-%d %H:%M").to_string(), format!("{date} 07:30"));
    }
}

#[test]
fn a_call_out_runs_on_the_monotonic_clock_through_a_change_of_clocks() {
    let mut site = Site::at("2026-03-29T01:40:00+01:00[Europe/Berlin]");
    cut(&mut site);
    let begun = site.world.sent[0].at;
    site.run(Span::minutes(16));
    let neighbour = site.world.sent.iter().find(|page| page.to == "neighbour.text").expect("the third step");
    assert_eq!(neighbour.at - begun, Span::minutes(15));
    assert!(neighbour.headline.contains("since 01:45"), "{}", neighbour.headline);
    // 02:01 does not exist in that night: it is 03:01.
    let at = site.now.wall_at(neighbour.at).civil(&site.engine.plan().zone);
    assert_eq!(at.strftime("%H:%M").to_string(), "03:00");
}

#[test]
fn a_drill_climbs_the_ladder_and_is_never_merged_with_the_real_thing() {
    let mut site = Site::calm();
    site.says_person("ines", OperatorCommand::Drill { callout: "household".to_owned() });
    let drill = site.pages(Purpose::Drill)[0].clone();
    assert!(drill.headline.starts_with("TEST Halyard House"), "{}", drill.headline);
    cut(&mut site);
    assert_eq!(site.called(), ["ines.push", "siren"], "the real thing has its own call-out");
    site.says_person("ines", OperatorCommand::Acknowledge { code: drill.page.code, length: None });
    assert_eq!(site.state("power-lost"), "unacknowledged", "answering the drill answers nothing else");
    site.run(Span::minutes(20));
    assert!(site.called().contains(&"neighbour.text"));
    assert_eq!(site.pages(Purpose::Drill).len(), 2);
}

#[test]
fn a_drill_that_nobody_answers_ends_by_itself() {
    let mut site = Site::calm();
    site.says_person("ines", OperatorCommand::Drill { callout: "household".to_owned() });
    site.run(Span::hours(3));
    assert_eq!(site.pages(Purpose::Drill).len(), 5, "{}", site.story());
    assert_eq!(site.count(|body| matches!(body, Body::CallEnded { .. })), 1);
    assert_eq!(site.engine.horizon(), site.records.last().expect("records").seq + 1, "nothing is left open");
}

#[test]
fn a_consequence_that_is_seen_first_waits_for_its_cause() {
    // The flow has stopped for 80 s when the mains are reported off: both would ring at 90 s
    // and 100 s. The page names the cause.
    let mut site = Site::calm();
    site.says("room2/lagoon/flow", "0");
    site.run(Span::seconds(80));
    site.says("room2/mains", "off");
    site.run(Span::minutes(1));
    assert_eq!(site.called(), ["ines.push", "siren"], "{}", site.story());
    assert!(
        site.world.sent[0].headline.contains("power lost (and 1 more, same cause), since"),
        "{}",
        site.world.sent[0].headline
    );
}

#[test]
fn what_is_answered_returns_and_comes_back_before_the_all_clear_is_one_call_out() {
    let mut site = Site::calm();
    cut(&mut site);
    site.answer("ines");
    site.says("room2/mains", "on");
    site.run(Span::minutes(1));
    assert_eq!(site.state("power-lost"), "normal", "its episode is over");
    site.forget();
    site.says("room2/mains", "off");
    site.run(Span::seconds(30));
    assert_eq!(site.state("power-lost"), "unacknowledged");
    assert_eq!(site.count(|body| matches!(body, Body::CallBegan { .. })), 1, "{}", site.story());
    assert!(site.called().is_empty(), "the answer still holds\n{}", site.story());
    site.run(Span::minutes(60));
    assert_eq!(site.called()[..2], ["ines.mail", "ines.push"], "{}", site.story());
    assert!(
        site.world.sent[0].body.matches("Lagoon: power lost").count() == 1,
        "{}",
        site.world.sent[0].body
    );
}

#[test]
fn a_second_answer_renews_the_lease_and_tells_nobody_again() {
    let mut site = Site::calm();
    cut(&mut site);
    // Both answers end before animals may die.
    site.run(Span::minutes(6));
    site.answer("ines");
    site.run(Span::minutes(15));
    site.forget();
    let code = site.engine.status(site.now).calls[0].code.clone();
    site.says_person("ines", OperatorCommand::Acknowledge { code, length: None });
    site.run(Span::minutes(59));
    assert!(site.world.sent.is_empty(), "{}", site.story());
}

fn code(site: &Site) -> String {
    site.engine.answerable().by("ines").first().expect("it is open").code.clone()
}

#[test]
fn an_answer_that_names_a_time_holds_until_then_and_no_longer_than_half_a_day() {
    for (named, holds) in [(Span::minutes(90), Span::minutes(90)), (Span::hours(30), Span::hours(12))] {
        // Of a tank whose volume nobody knows no end of the oxygen is foretold.
        let rules = RULES.replace("volume = \"420 L\"\n", "");
        let mut site = Site::with(&rules, directory(), "2026-03-02T12:00:00+01:00[Europe/Berlin]");
        cut(&mut site);
        let code = code(&site);
        site.says_person("ines", OperatorCommand::Acknowledge { code, length: Some(named) });
        let lease = |body: &Body| matches!(body, Body::Answered { lease, .. } if *lease == holds);
        assert_eq!(site.count(lease), 1, "{}", site.story());
        site.forget();
        site.run(holds - Span::minutes(1));
        assert!(site.called().is_empty(), "{}", site.story());
        site.run(Span::minutes(2));
        assert!(!site.called().is_empty(), "{}", site.story());
    }
}

#[test]
fn whoever_hands_on_has_the_next_one_called_at_once() {
    let mut site = Site::calm();
    cut(&mut site);
    let code = code(&site);
    site.forget();
    site.says_person("ines", OperatorCommand::HandOn { code: code.to_lowercase() });
    site.run(Span::seconds(1));
    assert!(!site.called().is_empty(), "{}", site.story());
    let by_ines = |body: &Body| matches!(body, Body::HandedOn { by, .. } if by.who == "ines");
    assert_eq!(site.count(by_ines), 1);
    site.says_person("ines", OperatorCommand::HandOn { code: "AAAA".to_owned() });
    assert_eq!(site.count(|body| matches!(body, Body::Refused { .. })), 1);
}

#[test]
fn no_line_of_a_page_would_be_an_answer_if_a_program_quoted_it_without_a_mark() {
    let mut site = Site::calm();
    cut(&mut site);
    site.run(Span::minutes(20));
    site.answer("ines");
    site.run(Span::hours(2));
    site.says("room2/mains", "on");
    site.run(Span::minutes(30));
    let pages: Vec<_> = site.world.sent.iter().map(|sent| &sent.page).collect();
    assert!(pages.iter().any(|page| page.purpose == Purpose::AllClear), "{}", site.story());
    for page in pages {
        for line in page.body.lines().chain(page.text().lines()).chain([page.headline.as_str()]) {
            assert!(matches!(Meaning::of(line), Meaning::Nothing(_)), "{line}");
        }
    }
}
