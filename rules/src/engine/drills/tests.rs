use crate::engine::rig::{TestRig, ines, kinds};
use crate::engine::task::Task;
use crate::plan::Target;
use crate::time::Span;

#[test]
fn a_round_asks_every_channel_and_an_answer_proves_one() {
    let mut rig = TestRig::new();
    let next = rig.act(|cx, next| cx.drills.on_asked(cx, &ines(), next));
    assert_eq!(kinds(&next), ["test pages began for 3 channels: asked for by ines"]);
    let next = rig.act(|cx, next| cx.drills.on_test_reachable(cx, next));
    let tests: Vec<&Task> = next.tasks.iter().filter(|task| matches!(task, Task::Test(_))).collect();
    assert_eq!(tests.len(), 3, "{tests:?}");
    let target = Target::parse("ines.mail");
    let next = rig.act(|cx, next| cx.drills.on_test(cx, &target, next));
    let page = next.records[0].seq;
    assert_eq!(next.tasks, [Task::Send(page)]);
    assert!(rig.decide(|cx, next| cx.drills.on_test(cx, &target, next)).records.is_empty(), "once");
    let next = rig.act(|cx, next| cx.drills.on_answered(cx, page, &ines(), next));
    assert!(kinds(&next)[0].starts_with("ines.mail is proved"), "{:?}", kinds(&next));
}

#[test]
fn a_test_page_that_is_lost_or_waits_too_long_proves_nothing() {
    let mut rig = TestRig::new();
    rig.act(|cx, next| cx.drills.on_asked(cx, &ines(), next));
    let tests = ["ines.mail", "tom.mail"]
        .map(|target| rig.act(|cx, next| cx.drills.on_test(cx, &Target::parse(target), next)).records[0].seq);
    let next = rig.act(|cx, next| cx.drills.on_page_lost(tests[0], "550 no such mailbox", next));
    assert!(kinds(&next)[0].contains("could not be delivered: 550"), "{:?}", kinds(&next));
    rig.later(Span::hours(24 * 8));
    let next = rig.act(|cx, next| cx.drills.on_tend(cx, next));
    assert!(
        kinds(&next)[0].starts_with("tom.mail is NOT proved: test page not answered within"),
        "{:?}",
        kinds(&next)
    );
}

#[test]
fn while_a_call_out_stands_no_test_goes_out() {
    let mut rig = TestRig::new();
    rig.act(|cx, next| cx.drills.on_asked(cx, &ines(), next));
    rig.call("leak");
    let next = rig.decide(|cx, next| cx.drills.on_test_reachable(cx, next));
    assert_eq!(next.tasks, [Task::RoundWaits(Some("a call-out stands"))]);
}
