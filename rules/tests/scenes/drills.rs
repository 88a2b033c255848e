//! Test pages, outage reminders, absences with and without a sitter.

use crate::harness::{BERLIN, Channel, RULES, Sent, Site, directory, target};
use jiff::civil::{Date, Time};
use slackwater_rules::engine::{DrillsView, Input, OperatorCommand};
use slackwater_rules::plan::{Absence, Directory, Hours};
use slackwater_rules::record::{Body, By, Drilled, Purpose};
use slackwater_rules::time::Span;

const WEEKLY: &str = r#"
[drill]
pages = "sunday 11:00"
within = "24 h"
"#;

const MONTHLY: &str = "[drill]\noutage = \"30 d\"\n";

fn date(text: &str) -> Date {
    text.parse().expect("a date")
}

fn hours(from: &str, until: &str) -> Hours {
    let time = |text: &str| text.parse::<Time>().expect("a time");
    Hours { from: time(from), until: time(until) }
}

/// Everything reports, and rarely, so that weeks pass quickly; `time` is local, in Berlin.
fn house(drill: &str, people: Directory, time: &str) -> Site {
    let rules = format!("{RULES}{drill}")
        .replace("every = \"15 s\"", "every = \"1 h\"")
        .replace("every = \"30 s\"", "every = \"1 h\"")
        .replace("every = \"5 s\"", "every = \"1 h\"");
    let mut site = Site::silent(&rules, people, &format!("{time}[{BERLIN}]"));
    let hour = Span::hours(1);
    site.feed("room2/lagoon/temperature", "25.1", hour);
    site.feed("room2/lagoon/flow", "4300", hour);
    site.feed("room2/lagoon/spare-heater", "0", hour);
    site.feed("room2/mains", "on", hour);
    site.feed("room2/airpump/current", "0", hour);
    site
}

fn local(site: &Site, sent: &Sent) -> String {
    let at = site.now.wall_at(sent.at).civil(&site.engine.plan().zone);
    at.strftime("%a %Y-%m-%d %H:%M").to_string()
}

fn tests(site: &Site) -> Vec<(String, String)> {
    site.pages(Purpose::Drill).into_iter().map(|page| (page.to.clone(), local(site, page))).collect()
}

fn notices(site: &Site) -> Vec<(String, String, String)> {
    let line = |page: &&Sent| (local(site, page), page.to.clone(), page.headline.clone());
    site.pages(Purpose::Notice).iter().map(line).collect()
}

fn ack(site: &mut Site, to: &str, who: &str) {
    let page = site.pages(Purpose::Drill).into_iter().rev().find(|page| page.to == to).expect("a test page");
    let code = page.code.clone();
    site.says_person(who, OperatorCommand::Acknowledge { code, length: None });
}

fn view(site: &Site) -> DrillsView {
    site.engine.status(site.now).drills.expect("drills are on")
}

fn proof(site: &Site, to: &str) -> (Option<Span>, u32) {
    let view = view(site);
    let channel = view.channels.iter().find(|channel| channel.target == to).expect("it is tested");
    (channel.proved, channel.missed)
}

fn answered(body: &Body) -> bool {
    matches!(body, Body::Drill(Drilled::TestAnswered { .. }))
}

fn unanswered(body: &Body) -> bool {
    matches!(body, Body::Drill(Drilled::TestUnanswered { .. }))
}

#[test]
fn once_a_week_every_channel_of_every_person_gets_a_test_page_of_its_own() {
    let mut site = house(WEEKLY, directory(), "2026-03-06T12:00:00+01:00");
    site.run(Span::hours(3 * 24));
    let sunday = "Sun 2026-03-08 11:00".to_owned();
    let expected = ["ines.mail", "ines.push", "neighbour.mail", "neighbour.text"];
    let expected: Vec<_> = expected.map(|to| (to.to_owned(), sunday.clone())).into();
    assert_eq!(tests(&site), expected, "no siren\n{}", site.story());
    let codes: std::collections::BTreeSet<_> =
        site.pages(Purpose::Drill).iter().map(|page| page.code.clone()).collect();
    assert_eq!(codes.len(), 4);
    let page = site.pages(Purpose::Drill)[0];
    assert!(page.headline.starts_with("TEST Halyard House: test page to ines.mail, nothing is wrong"));
    assert!(page.body.contains(&format!("slackwater ack {}", page.code)), "{}", page.body);
    assert!(page.text.len() <= 160 && page.text.contains(&page.code), "{}", page.text);
    site.forget();
    site.run(Span::hours(7 * 24));
    assert_eq!(tests(&site).len(), 4);
    assert_eq!(tests(&site)[0].1, "Sun 2026-03-15 11:00");
}

#[test]
fn an_answer_proves_its_channel_once_and_silence_is_noted_when_the_time_is_over() {
    let mut site = house(WEEKLY, directory(), "2026-03-08T10:00:00+01:00");
    site.run(Span::minutes(63));
    ack(&mut site, "ines.mail", "ines");
    let after = site.records.iter().find_map(|record| match &record.body {
        Body::Drill(Drilled::TestAnswered { target, by, after, .. }) => {
            Some((target.clone(), by.who.clone(), *after))
        }
        _ => None,
    });
    assert_eq!(after, Some(("ines.mail".to_owned(), "ines".to_owned(), Span::minutes(3))));
    ack(&mut site, "ines.mail", "ines");
    assert_eq!(site.count(answered), 1, "a code is accepted once");
    assert_eq!(site.count(|body| matches!(body, Body::Refused { .. })), 1);
    site.run(Span::hours(23));
    assert_eq!(site.count(unanswered), 0);
    site.run(Span::hours(1));
    assert_eq!(site.count(unanswered), 3, "{}", site.story());
    assert_eq!(proof(&site, "ines.mail"), (Some(Span::hours(24)), 0));
    assert_eq!(proof(&site, "ines.push"), (None, 1));
    // The next time it is another code, and the old one is worth nothing.
    site.run(Span::hours(6 * 24));
    assert_eq!(site.pages(Purpose::Drill).len(), 8);
    ack(&mut site, "ines.push", "ines");
    assert_eq!(proof(&site, "ines.push").1, 0);
}

#[test]
fn a_test_page_that_was_delivered_and_not_answered_in_its_time_is_told_to_the_others() {
    let mut site = house(WEEKLY, directory(), "2026-03-08T10:00:00+01:00");
    site.run(Span::minutes(63));
    for to in ["ines.mail", "ines.push", "neighbour.mail"] {
        ack(&mut site, to, if to.starts_with("ines") { "ines" } else { "neighbour" });
    }
    site.run(Span::hours(23));
    assert!(notices(&site).is_empty(), "{:?}", notices(&site));
    site.run(Span::hours(2));
    let told = notices(&site);
    let [(_, to, headline)] = &told[..] else { panic!("{told:?}\n{}", site.story()) };
    assert!(to.starts_with("ines.") && headline.contains("has not answered a test page"), "{told:?}");
    let body = &site.pages(Purpose::Notice)[0].body;
    assert!(body.contains("It was delivered to neighbour.text"), "{body}");
}

#[test]
fn a_channel_that_keeps_failing_is_told_of_by_the_others() {
    let mut site = house(WEEKLY, directory(), "2026-02-08T10:00:00+01:00");
    site.channel("neighbour.text", Channel::Fails);
    for _ in 0..3 {
        site.forget();
        site.run(Span::hours(2));
        for to in ["ines.mail", "ines.push", "neighbour.mail"] {
            ack(&mut site, to, "ines");
        }
        site.run(Span::hours(7 * 24 - 2));
    }
    let page = site.pages(Purpose::Drill)[0];
    assert!(
        page.body.contains("NOT to be relied on: neighbour.text, 2 test pages in a row without an answer."),
        "{}",
        page.body
    );
    assert_eq!(proof(&site, "neighbour.text"), (None, 3));
    assert_eq!(site.count(unanswered), 3, "at once, not a day later");
}

#[test]
fn nobody_is_tested_outside_their_hours_or_while_they_are_away() {
    let mut people = directory();
    people.contacts.get_mut("neighbour").expect("there").hours = vec![hours("16:30", "22:00")];
    let ines = people.contacts.get_mut("ines").expect("there");
    ines.hours = vec![hours("08:00", "23:00")];
    ines.away = vec![Absence {
        first: date("2026-03-07"),
        last: date("2026-03-09"),
        sitter: None,
        leaves: None,
        back: None,
    }];
    let mut site = house(WEEKLY, people, "2026-03-08T10:00:00+01:00");
    site.run(Span::hours(4 * 24));
    let when = |to: &str| tests(&site).into_iter().find(|(target, _)| target == to).map(|(_, at)| at);
    assert_eq!(when("neighbour.mail").as_deref(), Some("Sun 2026-03-08 16:30"));
    assert_eq!(when("ines.push").as_deref(), Some("Tue 2026-03-10 08:00"));
}

#[test]
fn test_pages_wait_until_no_call_out_stands() {
    let mut site = house(WEEKLY, directory(), "2026-03-08T10:30:00+01:00");
    site.says("room2/mains", "off");
    site.run(Span::hours(2));
    assert!(site.called().contains(&"ines.push"));
    assert_eq!(tests(&site), [], "{}", site.story());
    assert_eq!(view(&site).waits, Some("a call-out stands"));
    site.answer("ines");
    site.says("room2/mains", "on");
    site.run(Span::minutes(15));
    assert_eq!(tests(&site).len(), 4, "{}", site.story());
    let why = site.records.iter().find_map(|record| match &record.body {
        Body::Drill(Drilled::TestsBegan { why, .. }) => Some(why.clone()),
        _ => None,
    });
    let why = why.expect("a round");
    assert!(
        why.starts_with("every sunday 11:00, 1 h 3") && why.ends_with("late: a call-out stands"),
        "{why}"
    );
}

#[test]
fn test_pages_wait_for_a_clock_that_is_trusted() {
    let mut site = house(WEEKLY, directory(), "2026-03-08T10:30:00+01:00");
    site.now.wall_trusted = false;
    site.run(Span::hours(5));
    assert_eq!(tests(&site), []);
    assert_eq!(view(&site).waits, Some("the clock is not trusted"));
    site.now.wall_trusted = true;
    site.run(Span::minutes(10));
    assert_eq!(tests(&site).len(), 4);
    let late = |body: &Body| matches!(body, Body::Drill(Drilled::TestsBegan { why, .. }) if why.ends_with("the clock is not trusted"));
    assert_eq!(site.count(late), 1, "{}", site.story());
}

#[test]
fn a_clock_that_jumps_sends_no_second_round() {
    let mut site = house(WEEKLY, directory(), "2026-03-08T10:00:00+01:00");
    site.run(Span::hours(2));
    for jump in [-52, 52, -90 * 24 * 60, 90 * 24 * 60] {
        site.now.wall = site.now.wall + Span::minutes(jump);
        site.step(Input::Tick);
        site.run(Span::hours(2));
    }
    assert_eq!(tests(&site).len(), 4, "{}", site.story());
}

#[test]
fn the_hour_of_the_week_is_local_on_days_when_the_clocks_change() {
    for (from, expected) in [
        ("2026-03-28T12:00:00+01:00", "Sun 2026-03-29 11:00"),
        ("2026-10-24T12:00:00+02:00", "Sun 2026-10-25 11:00"),
    ] {
        let mut site = house(WEEKLY, directory(), from);
        site.run(Span::hours(2 * 24));
        assert_eq!(tests(&site).len(), 4);
        assert_eq!(tests(&site)[0].1, expected);
    }
    // 02:30 does not exist in that night, and exists twice in the other.
    let night = WEEKLY.replace("11:00", "02:30");
    let mut site = house(&night, directory(), "2026-03-28T12:00:00+01:00");
    site.run(Span::hours(24));
    assert_eq!(tests(&site)[0].1, "Sun 2026-03-29 03:30");
    let mut site = house(&night, directory(), "2026-10-24T12:00:00+02:00");
    site.run(Span::hours(2 * 24));
    assert_eq!(tests(&site).len(), 4, "once\n{}", site.story());
}

#[test]
fn a_restart_in_the_middle_of_a_round_loses_and_repeats_nothing() {
    let mut people = directory();
    people.contacts.get_mut("neighbour").expect("there").hours = vec![hours("16:30", "22:00")];
    let mut site = house(WEEKLY, people, "2026-03-08T10:00:00+01:00");
    site.channel("ines.push", Channel::Hangs);
    site.run(Span::hours(2));
    ack(&mut site, "ines.mail", "ines");
    site.restart(Span::minutes(3), Some(Span::minutes(3)));
    let repeats: Vec<_> =
        site.world.sent.iter().filter(|page| page.maybe_repeat).map(|page| page.to.as_str()).collect();
    assert_eq!(repeats, ["ines.push"], "only what was in flight\n{}", site.story());
    site.run(Span::hours(6));
    let to: Vec<_> = tests(&site).into_iter().map(|(to, _)| to).collect();
    assert_eq!(to, ["ines.mail", "ines.push", "ines.push", "neighbour.mail", "neighbour.text"]);
    ack(&mut site, "neighbour.mail", "neighbour");
    ack(&mut site, "ines.push", "ines");
    assert_eq!(site.count(answered), 3);
    site.run(Span::hours(2 * 24));
    site.restart(Span::hours(1), Some(Span::hours(1)));
    assert_eq!(proof(&site, "neighbour.text"), (None, 1));
    assert!(proof(&site, "ines.mail").0.is_some_and(|ago| ago > Span::hours(48)));
    // The next round carries over what is known, so that nothing older is read back.
    site.run(Span::hours(5 * 24));
    let round = site
        .records
        .iter()
        .rev()
        .find(|record| matches!(record.body, Body::Drill(Drilled::TestsBegan { .. })));
    assert!(site.engine.horizon() >= round.expect("the second").seq);
    assert!(proof(&site, "ines.mail").0.is_some_and(|ago| ago > Span::hours(6 * 24)));
}

#[test]
fn a_round_that_fell_into_an_absence_of_the_watch_comes_late_and_once() {
    let mut site = house(WEEKLY, directory(), "2026-03-08T10:00:00+01:00");
    site.run(Span::hours(2));
    site.forget();
    site.restart(Span::hours(7 * 24), Some(Span::hours(7 * 24)));
    site.run(Span::hours(3));
    assert_eq!(tests(&site).len(), 4);
    let late = |body: &Body| matches!(body, Body::Drill(Drilled::TestsBegan { why, .. }) if why.ends_with("the watch was away"));
    assert_eq!(site.count(late), 1, "{}", site.story());
}

#[test]
fn test_pages_can_be_asked_for_but_not_on_top_of_each_other() {
    let mut site = house("", directory(), "2026-03-10T10:00:00+01:00");
    assert!(site.engine.status(site.now).drills.is_none());
    site.says_person("ines", OperatorCommand::TestPages);
    assert_eq!(tests(&site).len(), 4);
    site.says_person("ines", OperatorCommand::TestPages);
    assert_eq!(tests(&site).len(), 4);
    let why = site.records.iter().find_map(|record| match &record.body {
        Body::Refused { why, .. } => Some(why.clone()),
        _ => None,
    });
    assert!(why.is_some_and(|why| why.starts_with("4 test pages still wait for their answers")));
    site.run(Span::hours(25));
    site.says_person("ines", OperatorCommand::TestPages);
    assert_eq!(tests(&site).len(), 8);
}

#[test]
fn an_outage_drill_that_is_due_is_asked_for_once_a_month_by_day() {
    let mut site = house(MONTHLY, directory(), "2026-03-02T22:00:00+01:00");
    site.run(Span::hours(24));
    let first = ("Tue 2026-03-03 09:00".to_owned(), "ines.mail".to_owned());
    let told = notices(&site);
    assert_eq!(told.len(), 1, "{}", site.story());
    assert_eq!((told[0].0.clone(), told[0].1.clone()), first);
    assert_eq!(told[0].2, "Halyard House: an outage drill is due, there has been none yet");
    assert!(site.world.sent[0].code.is_empty() && !site.world.sent[0].body.contains("To answer"));
    site.forget();

    site.run(Span::hours(24));
    site.says_person("ines", OperatorCommand::BeginOutage { alarm: None });
    site.says_person("ines", OperatorCommand::PlugOut);
    site.says_person("ines", OperatorCommand::PlugBack);
    site.run(Span::minutes(1));
    site.restart(Span::minutes(2), Some(Span::minutes(2)));
    site.run(Span::hours(29 * 24));
    assert_eq!(notices(&site), []);
    assert!(view(&site).outage.is_some_and(|ago| ago > Span::hours(29 * 24)));
    site.run(Span::hours(2 * 24));
    assert_eq!(notices(&site).len(), 1);
    assert!(notices(&site)[0].2.contains("the last was 30 d"), "{:?}", notices(&site));
    site.restart(Span::minutes(2), Some(Span::minutes(2)));
    site.run(Span::hours(20 * 24));
    assert_eq!(notices(&site).len(), 1, "not again before another month\n{}", site.story());
    assert!(view(&site).outage.is_some_and(|ago| ago > Span::hours(50 * 24)), "the reminder remembers it");
}

fn with_sitter(sitter: Option<&str>) -> Directory {
    let mut people = directory();
    people.contacts.get_mut("neighbour").expect("there").hours = vec![hours("08:00", "22:00")];
    people.contacts.get_mut("ines").expect("there").away = vec![Absence {
        first: date("2026-12-20"),
        last: date("2026-12-31"),
        sitter: sitter.map(str::to_owned),
        leaves: None,
        back: None,
    }];
    people
}

#[test]
fn an_absence_is_told_of_handed_over_and_handed_back_by_its_days() {
    let mut site = house("", with_sitter(Some("neighbour")), "2026-12-10T12:00:00+01:00");
    site.run(Span::hours(12 * 24));
    // Restarts in between tell nobody twice.
    site.restart(Span::minutes(5), Some(Span::minutes(5)));
    site.run(Span::hours(6 * 24));
    site.restart(Span::minutes(5), None);
    site.run(Span::hours(10 * 24));
    let told = notices(&site);
    let line =
        |at: &str, to: &str, what: &str| (at.to_owned(), to.to_owned(), format!("Halyard House: {what}"));
    assert_eq!(
        told,
        [
            line("Thu 2026-12-17 09:00", "ines.mail", "you are away from Sun 20 Dec to Thu 31 Dec"),
            line(
                "Sat 2026-12-19 09:00",
                "ines.mail",
                "from tomorrow Ada next door answers for you, until Thu 31 Dec"
            ),
            line(
                "Sun 2026-12-20 09:00",
                "neighbour.mail",
                "you stand in for Ines from today until Thu 31 Dec"
            ),
            line("Fri 2027-01-01 09:00", "neighbour.mail", "Ines is back, you stand in no longer"),
            line("Fri 2027-01-01 09:00", "ines.mail", "pages come to you again"),
            line("Fri 2027-01-01 09:00", "ines.mail", "the report, Sun 20 Dec to Fri 01 Jan"),
        ],
        "{}",
        site.story()
    );
    let body = &site.pages(Purpose::Notice)[0].body;
    let hole = "By household nobody can be reached from Sun 2026-12-20 to Thu 2026-12-31, daily 22:00-08:00.";
    assert!(body.contains(hole), "{body}");
    assert!(body.contains("Ada next door stands in for you on every step."), "{body}");
    let over = &site.pages(Purpose::Notice)[2].body;
    assert!(over.contains("slackwater ack CODE") && over.contains("one action a line"), "{over}");
    assert_eq!(site.engine.horizon(), site.engine.next_seq(), "nothing is kept of an absence that is over");
}

#[test]
fn an_absence_without_a_sitter_is_told_of_with_its_hours() {
    let mut site = house("", with_sitter(None), "2026-12-10T12:00:00+01:00");
    site.run(Span::hours(25 * 24));
    let told = notices(&site);
    let [_, (at, to, report)] = &told[..] else { panic!("{}", site.story()) };
    assert_eq!((at.as_str(), to.as_str()), ("Fri 2027-01-01 09:00", "ines.mail"));
    assert!(report.ends_with("the report, Sun 20 Dec to Fri 01 Jan"), "{report}");
    assert!(site.world.sent[0].body.contains("Nobody stands in for you."), "{}", site.world.sent[0].body);
}

#[test]
fn a_notice_that_fails_goes_by_the_next_channel() {
    let mut site = house("", with_sitter(None), "2026-12-17T08:00:00+01:00");
    site.channel("ines.mail", Channel::Fails);
    site.run(Span::hours(2));
    let to: Vec<_> = notices(&site).into_iter().map(|(_, to, _)| to).collect();
    assert_eq!(to, ["ines.mail", "ines.push"], "{}", site.story());
    site.channel("ines.push", Channel::Fails);
    site.run(Span::hours(5 * 24));
    assert_eq!(notices(&site).len(), 2, "and no further");
}

#[test]
fn the_sitter_stands_in_on_every_step_by_a_channel_of_the_same_kind() {
    let people = with_sitter(Some("neighbour"));
    let mut site = Site::with(RULES, people, "2026-12-24T12:00:00+01:00[Europe/Berlin]");
    site.says("room2/mains", "off");
    site.run(Span::seconds(30));
    // No push of hers: all she has. Then mail for mail.
    assert_eq!(site.called(), ["neighbour.mail", "neighbour.text", "siren"], "{}", site.story());
    site.forget();
    site.run(Span::minutes(6));
    assert_eq!(site.called(), ["neighbour.mail"], "{}", site.story());
    let skipped = |body: &Body| matches!(body, Body::Skipped { target, why, .. } if target == "ines.push" && why == "away, Ada next door stands in");
    assert_eq!(site.count(skipped), 1);
    site.answer("neighbour");
    assert_eq!(site.state("power-lost"), "acknowledged");
}

#[test]
fn while_the_date_is_not_sure_both_the_contact_and_the_sitter_are_called() {
    let people = with_sitter(Some("neighbour"));
    let mut site = Site::with(RULES, people, "2026-12-24T12:00:00+01:00[Europe/Berlin]");
    site.now.wall_trusted = false;
    site.says("room2/mains", "off");
    site.run(Span::seconds(30));
    assert_eq!(site.called(), ["ines.push", "neighbour.mail", "neighbour.text", "siren"], "{}", site.story());
}

#[test]
fn a_sitter_is_tested_too_although_no_step_names_them() {
    let mut people = with_sitter(Some("tom"));
    people.contacts.insert("tom".to_owned(), slackwater_rules::plan::Contact::default());
    people.channels.insert(target("tom.mail"), slackwater_rules::plan::ChannelKind::Mail);
    let mut site = house(WEEKLY, people, "2026-12-12T12:00:00+01:00");
    site.run(Span::hours(24));
    assert!(tests(&site).iter().any(|(to, _)| to == "tom.mail"), "{}", site.story());
}

#[test]
fn the_others_are_told_once_that_somebody_guesses_codes() {
    let mut site = house("", directory(), "2026-12-01T12:00:00+01:00");
    let by = By { who: "ines".to_owned(), via: "text".to_owned() };
    site.step(Input::Guessed { by: by.clone() });
    site.step(Input::Guessed { by });
    let told = notices(&site);
    assert!(!told.is_empty() && told.iter().all(|(_, to, _)| !to.starts_with("ines")), "{told:?}");
    assert!(told[0].2.contains("guesses codes, by text in the name of ines"), "{told:?}");
    let people: std::collections::BTreeSet<_> = told.iter().map(|(_, to, _)| to).collect();
    assert_eq!(people.len(), told.len(), "each once");
}
