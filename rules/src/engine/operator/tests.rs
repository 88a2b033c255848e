use super::OperatorCommand;
use crate::engine::rig::{TestRig, ines, kinds};
use crate::engine::task::{Next, Task};
use crate::time::Span;

fn said(rig: &mut TestRig, command: OperatorCommand) -> Next {
    rig.act(|cx, next| cx.operator.on_command(cx, command, ines(), next))
}

#[test]
fn a_code_answers_its_whole_call_out() {
    let mut rig = TestRig::new();
    let (_, call) = rig.call("power-lost");
    rig.call("still");
    let code = rig.parts.callouts.get(call).map(|of| of.code().to_ascii_lowercase()).expect("it is there");
    let next = said(&mut rig, OperatorCommand::Acknowledge { code, length: None });
    assert_eq!(kinds(&next).len(), 2, "{:?}", kinds(&next));
    assert_eq!(next.tasks, [Task::Answer { call, only: None, named: None, by: ines() }]);
    let next = said(&mut rig, OperatorCommand::Acknowledge { code: "XXXX".to_owned(), length: None });
    assert!(kinds(&next)[0].contains("no open episode"), "{:?}", kinds(&next));
}

#[test]
fn a_shelf_has_its_bounds_and_its_deadline() {
    let mut rig = TestRig::new();
    let shelve = |hours| OperatorCommand::Shelve {
        alarm: "leak".to_owned(),
        length: Span::hours(hours),
        why: "known".to_owned(),
    };
    assert!(kinds(&said(&mut rig, shelve(25)))[0].contains("at most 1 d"));
    let next = said(&mut rig, shelve(1));
    assert_eq!(next.timers[0].1, Some(rig.now.mono + Span::hours(1)));
    assert!(kinds(&said(&mut rig, shelve(1)))[0].contains("it is shelved"));
}

#[test]
fn a_name_that_is_none_is_answered_with_the_nearest() {
    let mut rig = TestRig::new();
    let next = said(&mut rig, OperatorCommand::Reset { alarm: "leek".to_owned() });
    assert!(kinds(&next)[0].contains("did you mean `leak`?"), "{:?}", kinds(&next));
}

#[test]
fn a_command_has_one_form_on_the_wire() {
    let json = r#"{"say":"shelve","alarm":"leak","length":3600000,"why":""}"#;
    let command: OperatorCommand = serde_json::from_str(json).expect("read");
    let shelve =
        OperatorCommand::Shelve { alarm: "leak".to_owned(), length: Span::hours(1), why: String::new() };
    assert_eq!(command, shelve);
    assert_eq!(serde_json::to_string(&command).expect("written"), json);
}
