use crate::callout::Phase;
use crate::engine::rig::{TestRig, ines, kinds};
use crate::engine::task::Task;
use crate::plan::Target;
use crate::record::{Body, Purpose};
use crate::time::Span;

#[test]
fn a_consequence_joins_the_call_out_of_its_cause_and_anything_else_begins_its_own() {
    let mut rig = TestRig::new();
    let (_, call) = rig.call("power-lost");
    let (still, _) = rig.call("still");
    let (_, other) = rig.call("leak");
    let callouts = &rig.parts.callouts;
    assert_eq!(callouts.of_episode(still).map(|of| of.id), Some(call));
    assert!(other != call && callouts.running().count() == 2);
}

#[test]
fn a_step_plans_pages_and_the_next_follows_if_they_reach_nobody() {
    let mut rig = TestRig::new();
    let (_, call) = rig.call("leak");
    let next = rig.act(|cx, next| cx.callouts.on_climb(cx, call, next));
    assert_eq!(kinds(&next), [format!("call-out {call}: step 1")]);
    let page = Task::Page { call, target: Target::parse("ines.push"), purpose: Purpose::Call };
    assert_eq!(next.tasks, [page, Task::StepTaken { call, step: 0 }]);
    // No page was planned: it reached nobody.
    let next = rig.act(|cx, next| cx.callouts.on_step_taken(cx, call, 0, next));
    assert_eq!(kinds(&next), [format!("call-out {call}: step 2")]);
    assert!(matches!(rig.parts.callouts.get(call).map(|of| of.phase), Some(Phase::Calling { step: 2, .. })));
}

#[test]
fn an_answer_quiets_it_for_its_lease_and_what_is_worse_breaks_through() {
    let mut rig = TestRig::new();
    let (episode, call) = rig.call("leak");
    rig.act(|cx, next| cx.callouts.on_answer(cx, call, None, &ines(), next));
    let waits = rig.parts.callouts.waits(&rig.context().ground, call);
    assert_eq!((waits.step, waits.lease), (None, Some(rig.now.mono + Span::minutes(60))));
    let worse = rig.decide(|cx, next| cx.callouts.on_got_worse(cx, episode, "it got worse".to_owned(), next));
    assert_eq!(kinds(&worse), [format!("call-out {call} goes on: it got worse")]);
}

#[test]
fn what_is_put_aside_ends_it_without_an_all_clear_however_many_members_say_so() {
    let mut rig = TestRig::new();
    let (first, call) = rig.call("power-lost");
    let (second, _) = rig.call("still");
    for alarm in ["power-lost", "still"] {
        rig.tell(Body::Suppressed { alarm: alarm.to_owned() });
    }
    for episode in [first, second] {
        let next = rig.decide(|cx, next| cx.callouts.on_fell(episode, next));
        assert_eq!(next.tasks, [Task::Dismiss(call)]);
    }
    let next = rig.act(|cx, next| cx.callouts.on_dismissed(cx, call, next));
    assert_eq!(next.tasks, [Task::DropUnwanted(call), Task::End(call)]);
    rig.act(|cx, next| cx.callouts.on_end(cx, call, next));
    let again = rig.decide(|cx, next| cx.callouts.on_end(cx, call, next));
    assert!(again.records.is_empty(), "it ends once");
}

#[test]
fn what_comes_back_before_the_end_keeps_it_going() {
    let mut rig = TestRig::new();
    let (episode, call) = rig.call("leak");
    let returned = || Body::Returned {
        alarm: "leak".to_owned(),
        episode,
        stood: Span::minutes(1),
        because: String::new(),
    };
    rig.tell(returned());
    assert!(rig.parts.callouts.waits(&rig.context().ground, call).settle.is_some());
    rig.tell(Body::Raised {
        alarm: "leak".to_owned(),
        episode,
        code: "C1".to_owned(),
        place: "lagoon".to_owned(),
        priority: crate::alarm::Priority::High,
        since: Span::ZERO,
        because: String::new(),
        after_work: None,
    });
    let end = rig.decide(|cx, next| cx.callouts.on_end(cx, call, next));
    assert!(end.records.is_empty(), "{:?}", kinds(&end));
    let id = rig.alarm("leak");
    let joins = rig.decide(|cx, next| cx.callouts.on_raised(cx, id, episode, next));
    assert!(joins.records.is_empty(), "it is in it already");
}
