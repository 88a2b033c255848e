//! Files of a size that no site has. What these tests hold is not time but that it ends at all:
//! each of them takes minutes where the work grows with the square of the file.

use crate::site::{check, surroundings};
use slackwater_rules::plan::Plan;
use std::fmt::Write as _;

/// So many sensors on topics of their own, or all on `topic`.
fn sensors(count: usize, topic: Option<&str>) -> String {
    let mut text =
        String::from("[callout.household]\nsteps = [{ after = \"0 min\", to = [\"ines.text\"] }]\n");
    for n in 0..count {
        let own = format!("hall/{n}");
        let topic = topic.unwrap_or(&own);
        let _ = write!(
            text,
            "[sensor.s{n}]\ntopic = \"{topic}\"\nmeasures = \"temperature\"\nunit = \"degC\"\nevery = \"30 s\"\n"
        );
    }
    text
}

fn alarm(text: &mut String, n: usize, when: &str, more: &str) {
    let said = "consequence = \"corals die\"\nresponse = \"Look at the tank.\"";
    let _ = write!(text, "[alarm.a{n}]\nwhen = \"{when}\"\npriority = \"low\"\n{said}\n{more}\n");
}

#[test]
fn ten_thousand_alarms_are_checked() {
    let mut text = sensors(100, None);
    (0..10_000)
        .for_each(|n| alarm(&mut text, n, &format!("s{} > {}.{:02} degC", n % 100, 20 + n % 7, n / 100), ""));
    let checked = check(&text);
    let own = checked.plan.map(|plan| plan.alarms.iter().filter(|alarm| alarm.sight.is_none()).count());
    assert_eq!(own, Some(10_000), "{}", checked.report);
}

#[test]
fn ten_thousand_alarms_that_say_the_same_are_told_a_hundred_times_and_counted() {
    let mut text = sensors(1, None);
    (0..10_000).for_each(|n| alarm(&mut text, n, "s0 > 29 degC", ""));
    let checked = check(&text);
    assert_eq!(checked.findings.len(), 100);
    assert!(checked.report.ends_with("and 9899 more warnings\n"), "{}", &checked.report[..2_000]);
    assert!(checked.report.len() < 100_000, "{}", checked.report.len());
}

#[test]
fn ten_thousand_wrong_names_among_five_thousand_are_told_a_hundred_times_and_counted() {
    let mut text = sensors(5_000, None);
    (0..10_000).for_each(|n| alarm(&mut text, n, &format!("s{}x > 29 degC", n % 5_000), ""));
    let checked = check(&text);
    assert_eq!(checked.findings.len(), 100);
    assert!(
        checked.findings.iter().all(|finding| finding.help.is_some()),
        "those that are shown have a remedy"
    );
    assert_eq!(checked.view().more, 9_900);
}

#[test]
fn five_thousand_sensors_on_one_topic_are_told_a_hundred_times_and_counted() {
    let checked = check(&sensors(5_000, Some("hall")));
    assert!(checked.report.contains("more warnings"), "{}", checked.report);
    assert!(checked.findings.len() <= 100);
}

#[test]
fn a_chain_of_ten_thousand_causes_is_followed_and_a_ring_of_them_is_told_shortly() {
    let mut text = sensors(1, None);
    for n in 0..10_000 {
        alarm(
            &mut text,
            n,
            &format!("s0 > 2{}.{:04} degC", n % 8, n),
            &format!("consequence-of = [\"a{}\"]", (n + 1) % 10_000),
        );
    }
    let checked = check(&text);
    let rings: Vec<_> =
        checked.findings.iter().filter(|finding| finding.title.contains("in a circle")).collect();
    assert_eq!(rings.len(), 1);
    assert!(rings[0].title.contains("more) …") && rings[0].title.len() < 300, "{}", rings[0].title);
}

#[test]
fn relays_that_thousands_of_alarms_want_switched_both_ways_are_found() {
    let mut text = sensors(1, None);
    text += "[relay.air]\ncommand = { topic = \"air/set\", on = \"on\", off = \"off\" }\nmoves = \"air\"\nlongest = \"2 h\"\n";
    for n in 0..4_000 {
        let state = if n % 2 == 0 { "on" } else { "off" };
        let stopgap = format!("stopgap = {{ relay = \"air\", state = \"{state}\" }}");
        alarm(&mut text, n, &format!("s0 > 2{}.{:04} degC", n % 8, n), &stopgap);
    }
    let view = check(&text).view();
    assert!(
        view.more > 3_000
            && view.findings.iter().any(|finding| finding.title.contains("opposite directions"))
    );
}

#[test]
fn what_can_be_no_rule_file_is_refused_at_the_door() {
    let first = |text: &str| {
        let checked = Plan::check("rules.toml", text, &surroundings());
        assert!(checked.plan.is_none() && checked.findings.len() == 1, "{}", checked.report);
        checked.report
    };
    let told = [
        first(&"\0".repeat(20 << 20)),
        first(&"\0".repeat(1_000)),
        first(&"a=[".repeat(300_000)),
        first(&"=\n".repeat(140_000)),
    ];
    insta::assert_snapshot!(told.join("\n"));
}
