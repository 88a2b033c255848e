use crate::engine::input::Link;
use crate::engine::rig::{TestRig, kinds};
use crate::engine::task::{Next, Task};
use crate::engine::turn::Effect;
use crate::ids::{RelayId, SensorId};
use crate::reading::{Arrival, Reading, Value};
use crate::record::Body;
use crate::time::Span;

const AIR: RelayId = RelayId(0);

fn flow(rig: &mut TestRig, litres: f64) {
    let (ground, parts) = rig.split();
    let reading = Ok(Reading { value: Value::Number(litres / 3_600_000.0), measured: None });
    parts.sensors.on_reading(&ground, SensorId(1), Arrival::Live, reading);
}

fn mains(rig: &mut TestRig) {
    let (ground, parts) = rig.split();
    let reading = Ok(Reading { value: Value::Word(1), measured: None });
    parts.sensors.on_reading(&ground, SensorId(0), Arrival::Live, reading);
}

fn raised(rig: &mut TestRig) -> Next {
    let id = rig.alarm("power-lost");
    rig.raise("power-lost");
    rig.act(|cx, next| cx.relays.on_raised(cx, id, next))
}

fn attend(rig: &mut TestRig) -> Next {
    rig.act(|cx, next| cx.relays.on_attend(cx, AIR, next))
}

#[test]
fn a_stopgap_begins_with_its_alarm_and_is_proved_by_newer_readings() {
    let mut rig = TestRig::new();
    flow(&mut rig, 500.0);
    let next = raised(&mut rig);
    assert_eq!(kinds(&next), ["air switched on, attempt 1: stopgap of power-lost"]);
    assert!(matches!(&next.effects[..], [Effect::Command { payload, .. }] if payload == "on"));
    assert!(attend(&mut rig).records.is_empty(), "what was seen before proves nothing");
    rig.later(Span::seconds(5));
    flow(&mut rig, 500.0);
    assert_eq!(kinds(&attend(&mut rig)), ["air proved after 5 s"]);
}

#[test]
fn without_the_broker_nothing_is_switched_and_it_is_said() {
    let mut rig = TestRig::new();
    mains(&mut rig);
    let mut next = rig.next();
    let (ground, parts) = rig.split();
    parts.sensors.on_link(&ground, Link::Lost { why: "refused".to_owned() }, &mut next);
    let next = raised(&mut rig);
    assert_eq!(kinds(&next), ["air wanted on, NOT switched: the broker can't be heard: refused"]);
    assert!(next.effects.is_empty());
}

#[test]
fn a_command_without_proof_is_repeated_and_then_told() {
    let mut rig = TestRig::new();
    flow(&mut rig, 0.0);
    raised(&mut rig);
    let mut told = Vec::new();
    for _ in 0..3 {
        for _ in 0..2 {
            rig.later(Span::seconds(11));
            flow(&mut rig, 0.0);
        }
        let failed = attend(&mut rig);
        assert!(kinds(&failed)[0].starts_with("air NOT proved"), "{:?}", kinds(&failed));
        told.extend(failed.tasks.into_iter().filter(|task| matches!(task, Task::StopgapNews(_))));
        attend(&mut rig);
    }
    let [Task::StopgapNews(news)] = &told[..] else { panic!("{told:?}") };
    assert!(!news.everyone && news.why.contains("start it by hand"), "{news:?}");
}

#[test]
fn what_a_run_comes_to_is_told_by_records() {
    let mut rig = TestRig::new();
    let episode = rig.raise("power-lost");
    let switched = |undo: bool, attempt| Body::Switched {
        relay: "air".to_owned(),
        on: !undo,
        episode,
        attempt,
        why: String::new(),
        undo,
    };
    rig.tell(switched(false, 1));
    let undone = rig.tell(switched(true, 1));
    assert!(rig.parts.relays.has_run(AIR));
    rig.tell(Body::Proved { relay: "air".to_owned(), switching: undone, after: Span::seconds(1) });
    assert!(!rig.parts.relays.has_run(AIR), "a proved undoing ends it");
}
