//! The engine from inside: what a rule file can't provoke.

use super::queue::{LOOP, PIECES};
use super::*;
use crate::plan::Surroundings;
use crate::time::Wall;
use jiff::tz::TimeZone;

const RULES: &str = r#"
[site]
name = "Halyard House"

[sensor.mains]
topic = "house/mains"
measures = "presence"
on = ["on"]
off = ["off"]
every = "30 s"

[alarm.power-lost]
when = "mains is off"
priority = "critical"

[callout.household]
steps = [{ after = "0 s", to = ["ines.push"] }]
again = "15 min"
lease = "60 min"
settle = "2 min"
"#;

fn engine() -> (Engine, Now) {
    let mut directory = crate::plan::Directory::default();
    directory.contacts.insert("ines".to_owned(), crate::plan::Contact::default());
    directory.channels.insert(crate::plan::Target::parse("ines.push"), crate::plan::ChannelKind::Push);
    let around = Surroundings { directory, zone: TimeZone::UTC, today: None };
    let checked = Plan::check("rules.toml", RULES, &around);
    let said = crate::plan::render("rules.toml", RULES, &checked.findings);
    let now = Now { mono: Moment(0), wall: Wall(1_785_535_200_000), wall_trusted: true };
    let mut engine = Engine::new(checked.plan.expect(&said), 7, 1, now);
    engine.step(now, Input::Started { version: "test".to_owned(), gap: None });
    (engine, now)
}

#[test]
fn a_loop_is_told_as_trouble_of_the_rules_slows_down_and_loses_nothing() {
    let (mut engine, mut now) = engine();
    let all = PIECES * (LOOP as usize + 3);
    (0..all).for_each(|_| engine.queue.push(Task::Judge(AlarmId(0))));
    let mut turns = 0;
    let mut slow = 0;
    while !engine.queue.is_empty() {
        let (due, _) = engine.next_deadline().unwrap_or((now.mono, DeadlineReason::Unfinished));
        slow += usize::from(due > now.mono);
        now = Now { mono: now.mono.max(due), ..now };
        engine.step(now, Input::Tick);
        turns += 1;
        assert!(turns < 100, "it ends");
        let told = matches!(engine.parts.sensors.part(&Part::Rules), Some(Health::Fails { .. }));
        assert_eq!(told, engine.in_a_loop, "turn {turns}");
    }
    assert!(slow >= 2, "a loop waits between two turns");
    // The last turn did the last piece, and so it is well again.
    assert_eq!(engine.parts.sensors.part(&Part::Rules), Some(&Health::Well));
    assert_eq!(engine.next_deadline().map(|(_, reason)| reason == DeadlineReason::Unfinished), Some(false));
}

#[test]
fn a_loop_that_lasts_calls_people() {
    let (mut engine, mut now) = engine();
    let mut raised = false;
    for _ in 0..LOOP as usize + 150 {
        (0..PIECES + 1).for_each(|_| engine.queue.push(Task::Judge(AlarmId(0))));
        let due = engine.queue.due().unwrap_or(now.mono);
        now = Now { mono: now.mono.max(due), ..now };
        let turn = engine.step(now, Input::Tick);
        raised |= turn
            .records
            .iter()
            .any(|record| matches!(&record.body, Body::Raised { alarm, .. } if alarm == "health-rules"));
    }
    // It is raised within the two minutes of its on-delay, behind what waited before it.
    while !engine.queue.is_empty() && !raised {
        let due = engine.queue.due().unwrap_or(now.mono);
        now = Now { mono: now.mono.max(due), ..now };
        let turn = engine.step(now, Input::Tick);
        raised |= turn
            .records
            .iter()
            .any(|record| matches!(&record.body, Body::Raised { alarm, .. } if alarm == "health-rules"));
    }
    assert!(raised);
}
