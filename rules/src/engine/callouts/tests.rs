use crate::callout::state::Phase;
use crate::engine::rig::{TestRig, ines, kinds};
use crate::engine::task::{StopgapNews, Task};
use crate::engine::timers::DeadlineReason;
use crate::ids::Seq;
use crate::plan::Target;
use crate::record::{Body, Outcome, Purpose};
use crate::time::{Moment, Span};

/// What stands, and the call-out of it with its first rung taken.
fn called(rig: &mut TestRig, alarm: &str) -> (Seq, Seq) {
    let (episode, call) = rig.call(alarm);
    rig.act(|cx, next| cx.callouts.on_time(cx, call, next));
    (episode, call)
}

fn due(rig: &TestRig, reason: DeadlineReason) -> Option<Moment> {
    let (DeadlineReason::Step(call) | DeadlineReason::Lease(call) | DeadlineReason::Settle(call)) = reason
    else {
        return None;
    };
    let deadlines = rig.parts.callouts.deadlines(&rig.context(), call);
    deadlines.into_iter().find(|(of, _)| *of == reason).and_then(|(_, at)| at)
}

fn pages(tasks: &[Task]) -> Vec<String> {
    let page = |task: &Task| match task {
        Task::Page { target, .. } => Some(target.to_string()),
        _ => None,
    };
    tasks.iter().filter_map(page).collect()
}

fn returned(rig: &mut TestRig, alarm: &str, episode: Seq) {
    let (alarm, because) = (alarm.to_owned(), String::new());
    rig.tell(Body::Returned { alarm, episode, stood: Span::minutes(1), because, farthest: None });
}

#[test]
fn a_consequence_joins_the_call_out_of_its_cause_and_anything_else_begins_its_own() {
    let mut rig = TestRig::new();
    let (_, call) = rig.call("power-lost");
    let (still, _) = rig.call("still");
    let (_, other) = rig.call("leak");
    let callouts = &rig.parts.callouts;
    assert_eq!(callouts.of_episode(still).map(|of| of.id()), Some(call));
    assert!(other != call && callouts.running().count() == 2);
}

#[test]
fn a_step_plans_pages_and_the_next_follows_if_they_are_lost() {
    let mut rig = TestRig::new();
    let (_, call) = rig.call("leak");
    let next = rig.act(|cx, next| cx.callouts.on_time(cx, call, next));
    assert!(kinds(&next).contains(&format!("call-out {call}: step 1")), "{:?}", kinds(&next));
    let page = Task::Page { call, target: Target::parse("ines.push"), purpose: Purpose::Call };
    assert_eq!(next.tasks, [page, Task::DropUnwanted(call)]);
    let push = Target::parse("ines.push");
    let planned = rig.act(|cx, next| cx.delivery.on_page(cx, (call, &push), Purpose::Call, next));
    let result = Outcome::Failed { why: "no such box".to_owned() };
    rig.tell(Body::Delivered { page: planned.records[0].seq, result });
    let next = rig.act(|cx, next| cx.callouts.on_page_ended(cx, call, next));
    assert_eq!(pages(&next.tasks), ["ines.mail", "tom.mail"], "{:?}", kinds(&next));
    assert_eq!(due(&rig, DeadlineReason::Step(call)), Some(rig.now.mono + Span::minutes(15)));
}

#[test]
fn an_answer_quiets_it_for_its_lease_and_what_is_worse_breaks_through() {
    let mut rig = TestRig::new();
    let (episode, call) = called(&mut rig, "leak");
    rig.act(|cx, next| cx.callouts.on_answer(cx, (call, None), (None, &ines()), next));
    assert_eq!(due(&rig, DeadlineReason::Step(call)), None);
    assert_eq!(due(&rig, DeadlineReason::Lease(call)), Some(rig.now.mono + Span::minutes(60)));
    let worse = rig.act(|cx, next| cx.callouts.on_got_worse(cx, episode, next));
    assert!(
        kinds(&worse).contains(&format!("call-out {call} goes on: leak got worse")),
        "{:?}",
        kinds(&worse)
    );
    assert_eq!(pages(&worse.tasks), ["ines.mail", "ines.push"], "by all the ways of whoever answered");
    assert_eq!(due(&rig, DeadlineReason::Step(call)), Some(rig.now.mono), "and the climb begins anew, now");
}

#[test]
fn a_relay_that_does_not_obey_takes_all_rungs_at_once() {
    let mut rig = TestRig::new();
    let (episode, _) = called(&mut rig, "power-lost");
    let relay = rig.plan.alarm(rig.alarm("power-lost")).stopgap.map(|stopgap| stopgap.relay);
    let why = "it was seen on".to_owned();
    let news = StopgapNews { relay: relay.expect("it has one"), episode, everyone: true, why };
    let next = rig.act(|cx, next| cx.callouts.on_stopgap_news(cx, &news, next));
    assert_eq!(pages(&next.tasks), ["ines.push", "ines.mail", "tom.mail"], "{:?}", kinds(&next));
}

#[test]
fn what_is_put_aside_ends_it_without_an_all_clear_however_many_members_say_so() {
    let mut rig = TestRig::new();
    let (first, call) = called(&mut rig, "power-lost");
    let (second, _) = rig.call("still");
    for alarm in ["power-lost", "still"] {
        rig.tell(Body::Suppressed { alarm: alarm.to_owned() });
    }
    let next = rig.act(|cx, next| cx.callouts.on_fell(cx, first, next));
    assert!(!next.tasks.contains(&Task::End(call)), "one of them still stands");
    let next = rig.act(|cx, next| cx.callouts.on_fell(cx, second, next));
    let page = Task::Page { call, target: Target::parse("ines.push"), purpose: Purpose::Taken };
    assert_eq!(next.tasks, [page, Task::DropUnwanted(call), Task::End(call)]);
    rig.act(|cx, next| cx.callouts.on_end(cx, call, next));
    let again = rig.decide(|cx, next| cx.callouts.on_end(cx, call, next));
    assert!(again.records.is_empty(), "it ends once");
}

#[test]
fn what_comes_back_before_the_end_keeps_it_going() {
    let mut rig = TestRig::new();
    let (episode, call) = called(&mut rig, "leak");
    returned(&mut rig, "leak", episode);
    rig.act(|cx, next| cx.callouts.on_fell(cx, episode, next));
    assert!(due(&rig, DeadlineReason::Settle(call)).is_some());
    // Nobody has answered: it is the same episode.
    rig.raise("leak");
    let id = rig.alarm("leak");
    assert_eq!(rig.parts.alarms.standing(id), Some(episode));
    let back = rig.act(|cx, next| cx.callouts.on_raised(cx, id, episode, next));
    assert!(pages(&back.tasks).is_empty(), "it goes on where it was\n{:?}", kinds(&back));
    let end = rig.decide(|cx, next| cx.callouts.on_end(cx, call, next));
    assert!(end.records.is_empty(), "{:?}", kinds(&end));
    let joins = rig.decide(|cx, next| cx.callouts.on_raised(cx, id, episode, next));
    assert!(joins.records.is_empty(), "it is in it already");
    assert_eq!(rig.parts.callouts.get(call).map(|of| of.core.phase.clone()), Some(Phase::Climbing));
}

#[test]
fn whoever_hands_on_has_the_next_person_called_and_at_the_last_rung_all_again_and_hears_it() {
    let mut rig = TestRig::new();
    let (_, call) = called(&mut rig, "leak");
    let next = rig.act(|cx, next| cx.callouts.on_hand_on(cx, call, &ines(), next));
    assert_eq!(pages(&next.tasks), ["ines.mail", "tom.mail"], "{:?}", kinds(&next));
    let next = rig.act(|cx, next| cx.callouts.on_hand_on(cx, call, &ines(), next));
    assert_eq!(pages(&next.tasks), ["ines.push", "ines.mail", "tom.mail"], "{:?}", kinds(&next));
    assert!(kinds(&next)[0].contains("there is nobody else"), "{:?}", kinds(&next));
    rig.later(Span::minutes(10));
    let next = rig.act(|cx, next| cx.callouts.on_time(cx, call, next));
    assert_eq!(pages(&next.tasks), ["ines.mail", "ines.push"], "by all the ways of whoever asked");
}

#[test]
fn an_answer_that_names_a_time_past_its_bounds_holds_as_long_as_they_allow_and_says_why() {
    let mut rig = TestRig::new();
    let (_, call) = called(&mut rig, "leak");
    let next =
        rig.act(|cx, next| cx.callouts.on_answer(cx, (call, None), (Some(Span::hours(20)), &ines()), next));
    assert!(kinds(&next)[0].contains("it holds for 12 h: no answer holds longer here"), "{:?}", kinds(&next));
    assert_eq!(due(&rig, DeadlineReason::Lease(call)), Some(rig.now.mono + Span::hours(12)));
    let next =
        rig.act(|cx, next| cx.callouts.on_answer(cx, (call, None), (Some(Span::hours(2)), &ines()), next));
    assert!(!kinds(&next)[0].contains("refused"), "{:?}", kinds(&next));
    assert_eq!(due(&rig, DeadlineReason::Lease(call)), Some(rig.now.mono + Span::hours(2)));
}

#[test]
fn a_call_out_in_a_journal_of_before_goes_on_where_it_was() {
    let mut rig = TestRig::new();
    let episode = rig.raise("leak");
    let (policy, code) = ("household".to_owned(), "OLD1".to_owned());
    let call = rig.tell(Body::CallBegan { policy, purpose: Purpose::Call, code, hold: Span::ZERO });
    rig.tell(Body::Joined { call, alarm: "leak".to_owned(), episode });
    rig.tell(Body::Stepped { call, step: 0 });
    let (target, headline) = ("ines.push".to_owned(), String::new());
    rig.tell(Body::Paged { call, target, purpose: Purpose::Call, headline, also: Vec::new() });
    let begun = rig.now.mono;
    assert_eq!(due(&rig, DeadlineReason::Step(call)), Some(begun + Span::minutes(5)));
    rig.later(Span::minutes(5));
    let next = rig.act(|cx, next| cx.callouts.on_time(cx, call, next));
    assert_eq!(pages(&next.tasks), ["ines.mail", "tom.mail"], "{:?}", kinds(&next));
    assert_eq!(rig.parts.callouts.get(call).map(|of| of.code()), Some("OLD1"));
}

#[test]
fn an_answer_in_a_journal_of_before_still_holds_and_what_is_worse_breaks_through_it() {
    let mut rig = TestRig::new();
    let episode = rig.raise("leak");
    let (policy, code) = ("household".to_owned(), "OLD1".to_owned());
    let call = rig.tell(Body::CallBegan { policy, purpose: Purpose::Call, code, hold: Span::ZERO });
    rig.tell(Body::Joined { call, alarm: "leak".to_owned(), episode });
    rig.tell(Body::Stepped { call, step: 0 });
    rig.tell(Body::Answered { call, by: ines(), lease: Span::minutes(60) });
    assert_eq!(due(&rig, DeadlineReason::Lease(call)), Some(rig.now.mono + Span::minutes(60)));
    let worse = rig.act(|cx, next| cx.callouts.on_got_worse(cx, episode, next));
    assert_eq!(pages(&worse.tasks), ["ines.mail", "ines.push"], "{:?}", kinds(&worse));
    returned(&mut rig, "leak", episode);
    rig.act(|cx, next| cx.callouts.on_fell(cx, episode, next));
    assert!(due(&rig, DeadlineReason::Settle(call)).is_some());
}
