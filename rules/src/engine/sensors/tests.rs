use crate::condition::Truth;
use crate::engine::input::{Health, Link};
use crate::engine::rig::{TestRig, kinds};
use crate::engine::task::{Next, Task};
use crate::engine::timers::DeadlineReason;
use crate::ids::SensorId;
use crate::plan::{Part, Sight};
use crate::quality::Quality;
use crate::reading::{Arrival, Reading, Value};
use crate::time::Span;

const FLOW: SensorId = SensorId(1);

fn reads(rig: &mut TestRig, value: f64) -> (Next, Quality) {
    let mut next = rig.next();
    let (ground, parts) = rig.split();
    let reading = Ok(Reading { value: Value::Number(value), measured: None });
    let sample = parts.sensors.on_reading(&ground, FLOW, Arrival::Live, reading);
    let (sample, look) = sample.expect("a sensor of the plan");
    if look {
        parts.sensors.look(&ground, FLOW, &mut next);
    }
    (next, sample.quality)
}

#[test]
fn a_good_reading_brings_the_sensor_into_sight_and_sets_its_deadline() {
    let mut rig = TestRig::new();
    let (next, quality) = reads(&mut rig, 0.001);
    let asked = vec![Task::JudgeGatewayOf(FLOW), Task::JudgeSightOf(FLOW)];
    assert_eq!((quality, next.tasks), (Quality::Good, asked), "the first behind its gateway");
    assert!(matches!(next.at_first[..], [(DeadlineReason::Stale(FLOW), _)]));
    let (next, _) = reads(&mut rig, 0.001);
    assert!(next.records.is_empty() && next.tasks.is_empty(), "nothing new");
}

#[test]
fn silence_is_noticed_once_and_said_with_its_gateway() {
    let mut rig = TestRig::new();
    reads(&mut rig, 0.001);
    rig.later(Span::minutes(5));
    let mut next = rig.next();
    let (ground, parts) = rig.split();
    assert!(parts.sensors.look(&ground, FLOW, &mut next), "it is lost just now");
    assert!(!parts.sensors.look(&ground, FLOW, &mut next), "and not again");
    assert!(kinds(&next)[0].starts_with("sight lost of flow: silent for 5 min"), "{:?}", kinds(&next));
    let mut next = rig.next();
    let (ground, parts) = rig.split();
    parts.sensors.look(&ground, SensorId(0), &mut next);
    assert!(kinds(&next)[0].starts_with("sight lost of gateway board"), "{:?}", kinds(&next));
    let (ground, parts) = rig.split();
    assert_eq!(parts.sensors.sees(ground.plan, &Sight::Sensor(FLOW)), Truth::Unknown, "one cause at a time");
}

#[test]
fn a_broker_that_is_lost_again_and_again_is_said_once() {
    let mut rig = TestRig::new();
    let mut next = rig.next();
    let (ground, parts) = rig.split();
    for why in ["refused", "no route"] {
        parts.sensors.on_link(&ground, Link::Lost { why: why.to_owned() }, &mut next);
    }
    assert_eq!(next.records.len(), 1, "{:?}", kinds(&next));
    assert_eq!(next.tasks, [Task::JudgeSights, Task::AttendAll]);
    assert_eq!(parts.sensors.deaf().map(|(why, _)| why.as_str()), Some("no route"));
}

#[test]
fn a_channel_that_works_again_hurries_what_waits() {
    let mut rig = TestRig::new();
    let part = Part::Channel(crate::plan::Target::parse("ines.mail"));
    let mut next = rig.next();
    let (_, parts) = rig.split();
    parts.sensors.on_health(part.clone(), Health::Fails { why: "refused".to_owned() }, &mut next);
    parts.sensors.on_health(part, Health::Well, &mut next);
    assert_eq!(next.tasks, [Task::JudgeSights, Task::Hurry, Task::JudgeSights]);
}
