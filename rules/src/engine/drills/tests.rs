use crate::engine::rig::{TestRig, ines, kinds};
use crate::engine::task::Task;
use crate::plan::Target;
use crate::record::{Body, Drilled, Outcome};
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
fn a_round_that_is_asked_for_says_what_it_waits_for() {
    let mut rig = TestRig::new();
    rig.now.wall_trusted = false;
    let next = rig.act(|cx, next| cx.drills.on_asked(cx, &ines(), next));
    assert_eq!(
        kinds(&next),
        ["test pages began for 3 channels: asked for by ines, and wait: the clock is not trusted"]
    );
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
        kinds(&next)[0].starts_with("tom.mail is NOT proved: test page not delivered within"),
        "{:?}",
        kinds(&next)
    );
    let tom = Target::parse("tom.mail");
    assert!(next.tasks.contains(&Task::TestMissed { target: tom, delivered: false }), "{:?}", next.tasks);
}

#[test]
fn while_a_call_out_stands_no_test_goes_out() {
    let mut rig = TestRig::new();
    rig.act(|cx, next| cx.drills.on_asked(cx, &ines(), next));
    rig.call("leak");
    let next = rig.decide(|cx, next| cx.drills.on_test_reachable(cx, next));
    assert_eq!(next.tasks, [Task::RoundWaits(Some("a call-out stands"))]);
}

#[test]
fn the_others_are_told_once_of_somebody_who_has_not_answered_a_test_page() {
    let mut rig = TestRig::new();
    rig.act(|cx, next| cx.drills.on_asked(cx, &ines(), next));
    let tom = Target::parse("tom.mail");
    let page = rig.act(|cx, next| cx.drills.on_test(cx, &tom, next)).records[0].seq;
    rig.tell(Body::Delivered { page, result: Outcome::Accepted { note: "taken".to_owned() } });
    rig.later(Span::hours(24 * 8));
    let next = rig.act(|cx, next| cx.drills.on_tend(cx, next));
    assert!(kinds(&next)[0].contains("delivered, and not answered within"), "{:?}", kinds(&next));
    let next = rig.act(|cx, next| cx.drills.on_unanswered(cx, (&tom, true), next));
    assert_eq!(next.records.len(), 1, "{:?}", kinds(&next));
    let Body::Drill(Drilled::Noticed { target, headline, lines, .. }) = &next.records[0].body else {
        panic!("{:?}", kinds(&next));
    };
    assert_eq!(target, "ines.mail");
    assert!(headline.ends_with("has not answered a test page"), "{headline}");
    assert!(lines[0].starts_with("It was delivered to tom.mail"), "{lines:?}");
    let again = rig.decide(|cx, next| cx.drills.on_unanswered(cx, (&tom, true), next));
    assert!(again.records.is_empty(), "once in some days: {:?}", kinds(&again));
}
