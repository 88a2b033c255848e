use crate::alarm::State;
use crate::engine::rig::{TestRig, ines, kinds};
use crate::engine::task::{Next, Task};
use crate::engine::timers::DeadlineReason;
use crate::ids::SensorId;
use crate::reading::{Arrival, Reading, Value};
use crate::record::Body;
use crate::time::Span;

const OFF: u16 = 1;

fn mains(rig: &mut TestRig, word: u16) {
    let (ground, parts) = rig.split();
    let reading = Ok(Reading { value: Value::Word(word), measured: None });
    parts.sensors.on_reading(&ground, SensorId(0), Arrival::Live, reading);
}

fn judged(rig: &mut TestRig) -> Next {
    let id = rig.alarm("power-lost");
    let (ground, parts) = rig.split();
    let world = crate::engine::sensed::Sensed {
        plan: ground.plan,
        now: ground.now,
        sensors: &parts.sensors,
        relays: &parts.relays,
        forecasts: &parts.forecasts,
    };
    let seen = parts.alarms.on_look(id, &world, &[]).expect("an alarm of the plan");
    rig.act(|cx, next| cx.alarms.on_seen(cx, id, seen, false, next))
}

#[test]
fn what_is_true_for_its_on_delay_is_raised_and_its_stopgap_comes_first() {
    let mut rig = TestRig::new();
    mains(&mut rig, OFF);
    let next = judged(&mut rig);
    let due = rig.now.mono + Span::seconds(20);
    assert!(
        next.records.is_empty()
            && next.timers.contains(&(DeadlineReason::OnDelay(rig.alarm("power-lost")), Some(due)))
    );
    rig.later(Span::seconds(20));
    mains(&mut rig, OFF);
    let next = judged(&mut rig);
    assert!(
        kinds(&next)[0].starts_with("RAISED lagoon: power-lost, critical, true for 20 s"),
        "{:?}",
        kinds(&next)
    );
    let id = rig.alarm("power-lost");
    let episode = next.records[0].seq;
    let follows = [
        Task::BeginStopgap(id),
        Task::Foretell { alarm: id, episode },
        Task::CallFor { alarm: id, episode },
        Task::Judge(id),
    ];
    assert_eq!(next.tasks, follows);
    assert_eq!(rig.parts.alarms.standing(id), Some(episode));
}

#[test]
fn it_returns_after_its_off_delay_and_not_while_nothing_is_seen() {
    let mut rig = TestRig::new();
    rig.raise("power-lost");
    let id = rig.alarm("power-lost");
    assert_eq!(kinds(&judged(&mut rig)), ["power-lost stands, but is no longer measured"]);
    rig.later(Span::hours(1));
    assert!(kinds(&judged(&mut rig)).is_empty(), "unknown is not false");
    mains(&mut rig, 0);
    assert_eq!(kinds(&judged(&mut rig)), ["power-lost can be seen again"]);
    rig.later(Span::seconds(30));
    mains(&mut rig, 0);
    let next = judged(&mut rig);
    assert!(kinds(&next)[0].starts_with("returned to normal: power-lost"), "{:?}", kinds(&next));
    assert_eq!(rig.parts.alarms.state(id).state, State::ReturnedUnacknowledged);
}

#[test]
fn records_alone_move_what_lasts() {
    let mut rig = TestRig::new();
    let (id, episode) = (rig.alarm("power-lost"), rig.raise("power-lost"));
    let alarm = || "power-lost".to_owned();
    rig.tell(Body::Acknowledged { alarm: alarm(), episode, by: ines() });
    assert_eq!(rig.parts.alarms.state(id).state, State::Acknowledged);
    rig.tell(Body::Shelved { alarm: alarm(), length: Span::hours(1), by: ines(), why: "known".to_owned() });
    assert_eq!((rig.parts.alarms.state(id).state, rig.parts.alarms.episode(id)), (State::Shelved, None));
    rig.tell(Body::Unshelved { alarm: alarm(), by: None });
    assert_eq!(rig.parts.alarms.state(id).aside, None);
    rig.tell(Body::Reset { alarm: "an alarm of another plan".to_owned(), by: ines() });
}
