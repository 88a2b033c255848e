//! One delivery for every page: what a server says decides nothing, limits count whatever goes out,
//! and what may be a repeat says so. A call-out of a journal of before goes on.

use crate::harness::{Channel, RULES, Sent, Site, directory, plan};
use slackwater_rules::engine::{Engine, Input, Link, OperatorCommand};
use slackwater_rules::plan::Quota;
use slackwater_rules::record::{Body, NoMore, Outcome, Purpose, Record};
use slackwater_rules::time::{Now, Span};

const NOON: &str = "2026-03-02T12:00:00+01:00[Europe/Berlin]";

fn to<'a>(site: &'a Site, target: &str) -> Vec<&'a Sent> {
    site.world.sent.iter().filter(|page| page.to == target).collect()
}

fn ends(site: &mut Site, page: u64, outcome: Outcome) {
    site.step(Input::Delivered { page, outcome });
}

#[test]
fn a_server_that_says_it_may_have_been_delivered_is_tried_again_like_any_other() {
    let mut site = Site::calm();
    site.channel("ines.push", Channel::Hangs);
    site.says("room2/mains", "off");
    site.run(Span::seconds(30));
    let id = to(&site, "ines.push")[0].id;
    for nth in 2..=6 {
        ends(
            &mut site,
            id,
            Outcome::deferred("smtp.test:25 said not now: 451 4.3.0 it may have been delivered"),
        );
        site.run(Span::minutes(10));
        let tries: Vec<_> = site.world.sent.iter().filter(|page| page.id == id).collect();
        assert_eq!(tries.len(), nth, "{}", site.story());
        assert!(tries.iter().all(|page| !page.maybe_repeat), "it was refused, so it is no repeat");
        if nth > 4 {
            return;
        }
    }
}

#[test]
fn what_broke_off_twice_on_its_way_is_given_up() {
    let mut site = Site::calm();
    site.channel("ines.push", Channel::Hangs);
    site.says("room2/mains", "off");
    site.run(Span::seconds(30));
    let id = to(&site, "ines.push")[0].id;
    let broke_off =
        || Outcome::Deferred { why: "the line broke".to_owned(), may_have_arrived: true, again_in: None };
    ends(&mut site, id, broke_off());
    site.run(Span::minutes(1));
    let [_, again] = to(&site, "ines.push")[..] else { panic!("{}", site.story()) };
    assert!(again.maybe_repeat && again.body.contains("\nThis may be a repeat"), "{}", again.body);
    assert!(again.text().starts_with("May be a repeat: ") && again.text().len() <= 160, "{}", again.text());
    ends(&mut site, id, broke_off());
    let twice = Outcome::GivenUp { why: NoMore::PerhapsThereTwice };
    assert_eq!(site.count(|body| matches!(body, Body::Delivered { result, .. } if *result == twice)), 1);
}

#[test]
fn a_test_page_counts_in_its_channels_limit_and_waits_for_room() {
    let mut people = directory();
    let ines = people.contacts.get_mut("ines").expect("she is there");
    ines.quotas.insert("push".to_owned(), Quota { hour: Some(1), day: None, reserve: 0 });
    let mut site = Site::with(RULES, people, NOON);
    site.says_person("ines", OperatorCommand::TestPages);
    assert_eq!(to(&site, "ines.push").len(), 1, "{}", site.story());
    site.says("room2/lagoon/spare-heater", "90");
    site.run(Span::minutes(3));
    let held = |body: &Body| matches!(body, Body::Delivered { result: Outcome::HeldUntil { .. }, .. });
    assert_eq!(site.count(held), 1, "the test page has used it up\n{}", site.story());
    assert_eq!(to(&site, "ines.push").len(), 1, "{}", site.story());

    // And the other way round: a test page waits for room, and is not lost.
    let mut people = directory();
    let ines = people.contacts.get_mut("ines").expect("she is there");
    ines.quotas.insert("push".to_owned(), Quota { hour: Some(1), day: None, reserve: 0 });
    let mut site = Site::with(RULES, people, NOON);
    site.says("room2/lagoon/spare-heater", "90");
    site.run(Span::minutes(3));
    site.answer("ines");
    site.says("room2/lagoon/spare-heater", "0");
    site.run(Span::minutes(17));
    site.forget();
    site.says_person("ines", OperatorCommand::TestPages);
    assert_eq!(to(&site, "ines.push").len(), 0, "{}", site.story());
    assert_eq!(to(&site, "ines.mail").len(), 1);
    site.run(Span::hours(3));
    let tests: Vec<_> = site
        .world
        .sent
        .iter()
        .filter(|page| page.to == "ines.push" && page.purpose == Purpose::Drill)
        .collect();
    assert_eq!(tests.len(), 1, "{}", site.story());
}

#[test]
fn a_repeat_after_a_kill_and_a_refused_connection_is_marked() {
    let mut site = Site::calm();
    site.channel("ines.push", Channel::Hangs);
    site.says("room2/mains", "off");
    site.run(Span::seconds(30));
    let id = to(&site, "ines.push")[0].id;
    // The watch is killed while the page is on its way; then nobody takes the connection at first.
    site.channel("ines.push", Channel::Defers);
    site.restart(Span::seconds(10), Some(Span::seconds(10)));
    site.channel("ines.push", Channel::Works);
    site.run(Span::minutes(2));
    let tries: Vec<bool> =
        site.world.sent.iter().filter(|page| page.id == id).map(|page| page.maybe_repeat).collect();
    assert_eq!(tries, [false, true, true], "{}", site.story());
}

#[test]
fn a_page_that_was_never_handed_out_is_no_repeat_after_a_restart() {
    let mut people = directory();
    let ines = people.contacts.get_mut("ines").expect("she is there");
    ines.quotas.insert("push".to_owned(), Quota { hour: None, day: Some(1), reserve: 0 });
    let mut site = Site::with(RULES, people, NOON);
    site.says_person("ines", OperatorCommand::TestPages);
    site.says("room2/mains", "off");
    site.run(Span::seconds(30));
    site.forget();
    site.restart(Span::minutes(1), Some(Span::minutes(1)));
    site.run(Span::hours(25));
    let late: Vec<_> = to(&site, "ines.push");
    assert!(!late.is_empty() && late.iter().all(|page| !page.maybe_repeat), "{}", site.story());
}

/// Made by the watch as it was before outcomes said by their type what they mean: a call-out about
/// a power cut goes on, one page was held back and given up, one called back, one broke off on its
/// way.
const BEFORE: &str = include_str!("../data/before/call-out.jsonl");

fn goes_on() -> (Site, Vec<Record>) {
    let records: Vec<Record> =
        BEFORE.lines().map(|line| serde_json::from_str(line).expect("a record of before is read")).collect();
    let drill = "[drill]\npages = \"monday 12:40\"\noutage = \"60 d\"\n\n[callout.household]";
    let rules = RULES.replace("[callout.household]", drill);
    let mut people = directory();
    let ines = people.contacts.get_mut("ines").expect("she is there");
    ines.quotas.insert("push".to_owned(), Quota { hour: None, day: Some(5), reserve: 3 });
    let mut site = Site::with(&rules, people, NOON);
    let last = records.last().expect("some").at;
    site.now =
        Now { mono: last.mono + Span::minutes(1), wall: last.wall + Span::minutes(1), wall_trusted: true };
    let mut engine = Engine::new(plan(&site.rules, &site.directory), 7, 1, site.now);
    engine.restore(&records);
    site.engine = engine;
    site.records = records.clone();
    site.says_later("room2/mains", "off");
    site.says_later("room2/lagoon/flow", "0");
    site.world.sent.clear();
    site.step(Input::Started { version: "test".to_owned(), gap: Some(Span::minutes(1)) });
    site.step(Input::Link(Link::Hears));
    (site, records)
}

#[test]
fn a_call_out_of_a_journal_of_before_goes_on_where_it_was() {
    let (mut site, before) = goes_on();
    let of = |page: u64| {
        let fates = before.iter().filter_map(|record| match &record.body {
            Body::Delivered { page: of, result } if *of == page => Some(result.clone()),
            _ => None,
        });
        fates.collect::<Vec<_>>()
    };
    assert!(matches!(of(35)[..], [Outcome::HeldUntil { .. }, Outcome::GivenUp { why: NoMore::NotNeeded }]));
    assert!(of(46).contains(&Outcome::GivenUp { why: NoMore::ToldWith { page: 66 } }), "{:?}", of(46));
    assert_eq!(of(89), [Outcome::Withdrawn]);
    assert!(of(97)[0].is_doubtful(), "{:?}", of(97));

    let status = site.engine.status(site.now);
    let call = status.calls.iter().find(|call| call.id == 75).expect("it goes on");
    assert_eq!((call.code.as_str(), call.about.len()), ("WVX9", 2));
    // What may have been on its way goes out again, marked; what is through or given up does not.
    let again: Vec<_> = site.world.sent.iter().map(|page| (page.id, page.maybe_repeat)).collect();
    assert!(again.contains(&(86, true)) && again.contains(&(97, true)), "{again:?}\n{}", site.story());
    assert!(!again.iter().any(|(page, _)| [35, 46, 89, 90].contains(page)), "{again:?}");
    site.forget();
    site.run(Span::minutes(16));
    assert!(site.called().contains(&"neighbour.text"), "the last step repeats\n{}", site.story());
    site.says_person("ines", OperatorCommand::Acknowledge { code: "WVX9".to_owned(), length: None });
    assert_eq!(site.state("power-lost"), "acknowledged");
}

#[test]
fn a_page_that_is_tried_again_says_what_is_so_when_it_leaves() {
    let mut site = Site::calm();
    site.channel("ines.push", Channel::Defers);
    site.says("room2/lagoon/spare-heater", "60");
    site.run(Span::minutes(4));
    let first = to(&site, "ines.push").first().map(|page| (page.id, page.body.clone()));
    let (id, body) = first.unwrap_or_else(|| panic!("nobody is told\n{}", site.story()));
    assert!(body.contains("60 W"), "{body}");
    site.says("room2/lagoon/spare-heater", "90");
    site.run(Span::minutes(1));
    site.channel("ines.push", Channel::Works);
    site.run(Span::minutes(10));
    let last = to(&site, "ines.push").into_iter().rfind(|page| page.id == id).expect("it is tried again");
    assert!(last.body.contains("90 W") && !last.body.contains("60 W"), "{}", last.body);
}

/// So many call-outs with a policy each, all to one channel; the first are critical.
fn many(critical: usize, high: usize) -> String {
    let mut rules = "[site]\nname = \"Halyard House\"\n[tank.lagoon]\nvolume = \"420 L\"\n".to_owned();
    for nth in 0..critical + high {
        let priority = if nth < high { "high" } else { "critical" };
        rules.push_str(&format!(
            "\n[callout.own-{nth:02}]\nsteps = [{{ after = \"0 min\", to = [\"ines.mail\"] }}]\nagain = \"12 h\"\n\
             [sensor.drop-{nth:02}]\ntopic = \"house/drop-{nth:02}\"\nmeasures = \"presence\"\non = [\"1\"]\noff = [\"0\"]\nevery = \"30 s\"\n\
             [alarm.drop-{nth:02}]\nwhen = \"drop-{nth:02} is on\"\npriority = \"{priority}\"\ncallout = \"own-{nth:02}\"\n\
             consequence = \"wet floor\"\nresponse = \"Look for the leak.\"\n"
        ));
    }
    rules
}

#[test]
fn a_channel_has_a_few_pages_in_hand_and_the_others_wait_without_being_put_off() {
    let (critical, high) = (10, 30);
    let mut site = Site::with(&many(critical, high), directory(), NOON);
    (0..high + critical).for_each(|nth| site.feed(&format!("house/drop-{nth:02}"), "0", Span::seconds(30)));
    site.run(Span::minutes(1));
    site.forget();
    site.channel("ines.mail", Channel::Hangs);
    // One a second, so that no mass is made of them.
    for nth in 0..high + critical {
        site.says(&format!("house/drop-{nth:02}"), "1");
        site.run(Span::seconds(1));
    }
    let mails = |site: &Site| to(site, "ines.mail").iter().map(|page| page.id).collect::<Vec<_>>();
    let first = mails(&site);
    assert_eq!(first.len(), 24, "16, and 8 places that are kept for what is critical\n{}", site.story());
    site.run(Span::minutes(2));
    assert_eq!(mails(&site).len(), 24, "the channel is busy, and no more is handed to it");
    assert_eq!(site.count(|body| matches!(body, Body::Delivered { .. })), 0, "{}", site.story());

    // It takes one after the other; each time the next one leaves, critical ones first.
    let mut taken = 0;
    while taken < mails(&site).len() {
        let id = mails(&site)[taken];
        ends(&mut site, id, Outcome::Accepted { note: String::new() });
        taken += 1;
    }
    assert_eq!(taken, high + critical, "{}", site.story());
    let later: Vec<_> = to(&site, "ines.mail").iter().skip(24).map(|page| page.priority).collect();
    assert!(later.is_sorted_by(|one, other| one >= other), "{later:?}");
    let all_taken = |body: &Body| matches!(body, Body::Delivered { result: Outcome::Accepted { .. }, .. });
    assert_eq!(site.count(all_taken), high + critical);
    assert_eq!(site.count(|body| matches!(body, Body::Delivered { .. })), high + critical);
}

#[test]
fn a_page_that_waits_for_its_channel_and_is_needed_no_more_never_leaves() {
    let mut site = Site::with(&many(0, 18), directory(), NOON);
    (0..18).for_each(|nth| site.feed(&format!("house/drop-{nth:02}"), "0", Span::seconds(30)));
    site.run(Span::minutes(1));
    site.forget();
    site.channel("ines.mail", Channel::Hangs);
    for nth in 0..18 {
        site.says(&format!("house/drop-{nth:02}"), "1");
        site.run(Span::seconds(1));
    }
    assert_eq!(to(&site, "ines.mail").len(), 16, "{}", site.story());
    let code = site.records.iter().find_map(|record| match &record.body {
        Body::Raised { alarm, code, .. } if alarm == "drop-16" => Some(code.clone()),
        _ => None,
    });
    site.says_person("tom", OperatorCommand::Acknowledge { code: code.expect("raised"), length: None });
    let withdrawn = |body: &Body| matches!(body, Body::Delivered { result: Outcome::Withdrawn, .. });
    assert_eq!(site.count(withdrawn), 1, "{}", site.story());
    // After a restart all that is wanted leaves anew, and again no more than the channel takes.
    site.forget();
    site.restart(Span::seconds(10), Some(Span::seconds(10)));
    site.run(Span::seconds(5));
    let calls = to(&site, "ines.mail").iter().filter(|page| page.purpose == Purpose::Call).count();
    assert_eq!(calls, 16, "{}", site.story());
}
