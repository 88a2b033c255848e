use crate::alarm::State;
use crate::engine::rig::{TestRig, ines, kinds};
use crate::engine::task::Task;
use crate::ids::TankId;
use crate::time::Span;

fn begin(rig: &mut TestRig, tank: &str, work: &str, minutes: i64) -> Vec<String> {
    let asked = (tank.to_owned(), work.to_owned());
    let next = rig.act(|cx, next| cx.work.on_begin(cx, asked, Some(Span::minutes(minutes)), ines(), next));
    kinds(&next)
}

#[test]
fn work_suppresses_what_it_disturbs_and_nothing_else() {
    let mut rig = TestRig::new();
    assert_eq!(
        begin(&mut rig, "lagoon", "feeding", 10),
        ["feeding on lagoon began, for 10 min, by ines (by socket)"]
    );
    let next = rig.act(|cx, next| cx.work.on_suppress(cx, true, next));
    assert_eq!(kinds(&next), ["still suppressed by work", "leak suppressed by work"]);
    assert_eq!(rig.parts.alarms.state(rig.alarm("power-lost")).state, State::Normal);
    let next = rig.act(|cx, next| cx.work.on_end(cx, TankId(0), None, next));
    assert_eq!(
        (kinds(&next), next.tasks),
        (vec!["feeding on lagoon ended by itself".to_owned()], vec![Task::Release])
    );
    let next = rig.act(|cx, next| cx.work.on_release(cx, next));
    assert_eq!(kinds(&next).len(), 2, "{:?}", kinds(&next));
}

#[test]
fn what_can_t_be_begun_is_refused_with_what_there_is() {
    let mut rig = TestRig::new();
    assert!(begin(&mut rig, "pond", "feeding", 10)[0].contains("there is no tank `pond`"));
    assert!(begin(&mut rig, "lagoon", "cleaning", 10)[0].contains("there is: feeding"));
    assert!(begin(&mut rig, "lagoon", "feeding", 31)[0].contains("at most 30 min"));
    begin(&mut rig, "lagoon", "feeding", 10);
    assert!(begin(&mut rig, "lagoon", "feeding", 10)[0].contains("end it first"));
}
