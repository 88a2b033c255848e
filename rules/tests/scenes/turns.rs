//! How much one turn takes on: rules that provoke each other come to rest, and what one turn leaves
//! the next takes up at once, so that nothing is lost and nothing waits.

use crate::harness::{RULES, Site, directory};
use slackwater_rules::engine::{DeadlineReason, Input};
use slackwater_rules::record::{Body, Purpose};
use slackwater_rules::time::{Moment, Span};

const NOON: &str = "2026-03-02T12:00:00+01:00[Europe/Berlin]";

/// Three ways in which rules can chase each other, all without a delay or a pause: two alarms that
/// want one relay otherwise, and one of them because of the other; an alarm that its own relay's
/// proof raises; consequences in a chain that ends where it began but for one link.
const CHASE: &str = r#"
[relay.fan]
command = { topic = "room2/fan/set", on = "on", off = "off" }
moves = "air"
proof = "air-current > 0.05 A within 20 s"
longest = "12 h"
pause = "0 s"

[alarm.still]
tank = "lagoon"
when = "return-flow < 200 L/h"
priority = "medium"
stopgap = { relay = "fan", state = "on" }

[alarm.draught]
tank = "lagoon"
when = "fan is commanded on"
priority = "high"
stopgap = { relay = "fan", state = "off" }
consequence-of = ["still"]

[alarm.hum]
tank = "lagoon"
when = "fan is commanded off or air-current > 0.05 A"
priority = "critical"
consequence-of = ["draught"]
"#;

fn chasing() -> Site {
    let rules = RULES.replace("[callout.household]", &format!("{CHASE}\n[callout.household]"));
    Site::with(&rules, directory(), NOON)
}

#[test]
fn rules_that_chase_each_other_come_to_rest_within_the_moment() {
    let mut site = chasing();
    let before = site.records.len();
    site.says("room2/lagoon/flow", "0");
    let (calm, due) = (site.now.mono, site.engine.next_deadline().expect("something is due").0);
    assert!(due > calm, "nothing is left over: {:?}\n{}", site.engine.next_deadline(), site.story());
    let made = site.records.len() - before;
    assert!((5..200).contains(&made), "{made}\n{}", site.story());
    // An alarm that comes and goes is held by its chattering, and so the chase ends.
    assert!(site.count(|body| matches!(body, Body::Chattering { .. })) >= 1, "{}", site.story());
    site.run(Span::hours(3));
    assert!(site.records.len() < 1_000, "{} records\n{}", site.records.len(), site.story());
    assert!(site.called().contains(&"ines.push"), "and people are called");
}

#[test]
fn consequences_in_a_ring_are_refused() {
    let ring = CHASE.replace("priority = \"medium\"", "priority = \"medium\"\nconsequence-of = [\"hum\"]");
    let rules = RULES.replace("[callout.household]", &format!("{ring}\n[callout.household]"));
    let zone = jiff::tz::TimeZone::get(crate::harness::BERLIN).expect("bundled zones");
    let around = slackwater_rules::plan::Surroundings { directory: directory(), zone, today: None };
    let checked = slackwater_rules::plan::Plan::check("rules.toml", &rules, &around);
    let said = slackwater_rules::plan::render("rules.toml", &rules, &checked.findings);
    assert!(checked.plan.is_none() && said.contains("explain each other in a circle"), "{said}");
}

/// Three hundred alarms on one sensor: more than one turn takes on.
fn many() -> Site {
    let alarms: String = (0..300)
        .map(|nth| {
            let limit = 300 + nth;
            format!("[alarm.limit-{nth}]\ntank = \"lagoon\"\nwhen = \"return-flow < {limit} L/h\"\npriority = \"medium\"\n\n")
        })
        .collect();
    let rules = RULES.replace("[callout.household]", &format!("{alarms}\n[callout.household]"));
    Site::with(&rules, directory(), NOON)
}

#[test]
fn what_a_turn_leaves_goes_on_at_once_and_nothing_is_dropped() {
    let mut site = many();
    let topic = "room2/lagoon/flow";
    let message = Input::Message {
        topic: topic.to_owned(),
        payload: b"0".to_vec(),
        delivery: slackwater_rules::engine::Arrival::Live,
    };
    let turn = site.sim.engine.step(site.sim.now, message);
    let joined = |records: &[slackwater_rules::record::Record]| {
        records.iter().filter(|record| matches!(record.body, Body::Joined { .. })).count()
    };
    let mut in_calls = joined(&turn.records);
    let mut pages = turn.effects.len();
    assert!(in_calls < 300, "one turn does not take it all on");
    let left = site.engine.next_deadline();
    assert_eq!(left, Some((site.now.mono, DeadlineReason::Unfinished)), "{:#?}", turn.records);
    let mut turns = 1;
    while let Some((due, _)) = site.engine.next_deadline().filter(|(due, _)| *due <= site.now.mono) {
        assert_eq!(due, site.now.mono, "due at once");
        let turn = site.sim.engine.step(site.sim.now, Input::Tick);
        (in_calls, pages, turns) = (in_calls + joined(&turn.records), pages + turn.effects.len(), turns + 1);
        assert!(turns < 50, "it ends");
    }
    let status = site.engine.status(site.now);
    assert_eq!(in_calls, status.alarms.iter().filter(|alarm| alarm.state == "unacknowledged").count());
    assert!(in_calls >= 300, "{in_calls} in call-outs");
    assert!(pages >= status.calls.len(), "{pages} pages for {} call-outs", status.calls.len());
    assert!(status.calls.iter().all(|call| call.purpose == Purpose::Call), "{:?}", status.calls.len());
    assert!(site.engine.next_deadline().is_some_and(|(due, _): (Moment, _)| due > site.now.mono));
}
