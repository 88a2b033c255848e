use crate::engine::rig::{TestRig, kinds};
use crate::engine::task::{Next, Task};
use crate::engine::timers::DeadlineReason;
use crate::engine::turn::Effect;
use crate::ids::Seq;
use crate::plan::Target;
use crate::record::{Body, Drilled, NoMore, Outcome, Purpose};
use crate::time::Span;

fn page(rig: &mut TestRig, call: Seq, to: &str) -> (Seq, Next) {
    let target = Target::parse(to);
    let next = rig.act(|cx, next| cx.delivery.on_page(cx, (call, &target), Purpose::Call, next));
    (next.records[0].seq, next)
}

fn ends(rig: &mut TestRig, page: Seq, outcome: Outcome) -> Next {
    rig.act(|cx, next| cx.delivery.on_delivered(cx, page, outcome, next))
}

#[test]
fn a_page_is_planned_by_a_record_and_leaves_when_the_queue_is_empty() {
    let mut rig = TestRig::new();
    let (_, call) = rig.call("leak");
    let (id, next) = page(&mut rig, call, "ines.mail");
    assert_eq!((next.pages, next.effects), (vec![id], vec![]));
    assert_eq!(next.tasks, [Task::DropUnwanted(call)]);
    let cx = rig.context();
    let worded = cx.worded(cx.delivery.get(id).expect("planned")).expect("its call-out is there");
    assert!(worded.headline.contains("leak") && !worded.maybe_repeat, "{}", worded.headline);
}

#[test]
fn every_page_counts_in_the_limit_and_what_finds_no_room_waits_for_it() {
    let mut rig = TestRig::new();
    let test = rig.tell(Body::Drill(Drilled::Tested {
        target: "ines.push".to_owned(),
        code: "T1".to_owned(),
        within: Span::hours(24),
        headline: "TEST".to_owned(),
        lines: Vec::new(),
    }));
    ends(&mut rig, test, Outcome::Accepted { note: String::new() });
    let (_, call) = rig.call("leak");
    let (id, next) = page(&mut rig, call, "ines.push");
    assert!(next.pages.is_empty(), "{:?}", kinds(&next));
    let room = rig.now.mono + Span::hours(1);
    assert!(next.timers.contains(&(DeadlineReason::Retry(id), Some(room))), "{:?}", next.timers);
    // The reserve is for what is critical.
    let (_, critical) = rig.call("power-lost");
    assert_eq!(page(&mut rig, critical, "ines.push").1.pages.len(), 1);
}

#[test]
fn tries_are_spaced_out_and_end_after_two_that_may_have_arrived() {
    let mut rig = TestRig::new();
    let (_, call) = rig.call("leak");
    let (id, _) = page(&mut rig, call, "ines.mail");
    let retry = |next: &Next, rig: &TestRig| {
        let at = next.timers.iter().rev().find(|(reason, _)| *reason == DeadlineReason::Retry(id));
        at.and_then(|(_, at)| *at).map(|at| at - rig.now.mono)
    };
    let doubtful =
        || Outcome::Deferred { why: "the line broke".to_owned(), may_have_arrived: true, again_in: None };
    let next = ends(&mut rig, id, Outcome::deferred("no route"));
    assert_eq!(retry(&next, &rig), Some(Span::seconds(30)));
    let next = ends(&mut rig, id, doubtful());
    assert_eq!(retry(&next, &rig), Some(Span::seconds(60)));
    let next = ends(&mut rig, id, doubtful());
    assert!(kinds(&next)[1].contains("perhaps delivered more than once"), "{:?}", kinds(&next));
    let late = ends(&mut rig, id, Outcome::Accepted { note: String::new() });
    assert!(late.records.is_empty(), "late news changes nothing");
}

#[test]
fn a_server_that_asks_for_patience_gets_it_within_bounds_and_no_open_way_shortens_it() {
    let mut rig = TestRig::new();
    let (_, call) = rig.call("leak");
    let (id, _) = page(&mut rig, call, "ines.mail");
    let asks = |seconds| Outcome::Deferred {
        why: "busy".to_owned(),
        may_have_arrived: false,
        again_in: Some(Span::seconds(seconds)),
    };
    let retry = |next: &Next, rig: &TestRig| {
        let at = next.timers.iter().rev().find(|(reason, _)| *reason == DeadlineReason::Retry(id));
        at.and_then(|(_, at)| *at).map(|at| at - rig.now.mono)
    };
    for (asked, waited) in [(90, 90), (5, 60), (86_400, 600)] {
        let next = ends(&mut rig, id, asks(asked));
        assert_eq!(retry(&next, &rig), Some(Span::seconds(waited)), "asked for {asked} s");
    }
    let next = rig.act(|cx, next| cx.delivery.on_way_open(cx, next));
    assert!(next.timers.is_empty(), "{:?}", next.timers);
}

/// A mail server says yes first, and finds out later.
#[test]
fn a_page_that_comes_back_is_lost_after_all_and_its_call_out_goes_on() {
    let mut rig = TestRig::new();
    let (_, call) = rig.call("leak");
    let (id, _) = page(&mut rig, call, "ines.mail");
    let back =
        |rig: &mut TestRig, id| rig.act(|cx, next| cx.delivery.on_returned(cx, id, "no such user", next));
    assert!(back(&mut rig, id).records.is_empty(), "it has not left yet");
    ends(&mut rig, id, Outcome::Accepted { note: String::new() });
    let next = back(&mut rig, id);
    assert!(kinds(&next)[0].contains("it came back: no such user"), "{:?}", kinds(&next));
    assert!(next.tasks.contains(&Task::PageEnded(call)), "{:?}", next.tasks);
    assert!(back(&mut rig, id).records.is_empty(), "once");
    assert!(back(&mut rig, 999).records.is_empty(), "nobody knows it");
}

#[test]
fn a_test_page_that_comes_back_was_not_delivered() {
    let mut rig = TestRig::new();
    let test = rig.tell(Body::Drill(Drilled::Tested {
        target: "ines.mail".to_owned(),
        code: "T1".to_owned(),
        within: Span::hours(24),
        headline: "TEST".to_owned(),
        lines: Vec::new(),
    }));
    ends(&mut rig, test, Outcome::Accepted { note: String::new() });
    let next = rig.act(|cx, next| cx.delivery.on_returned(cx, test, "no such user", next));
    let lost = |task: &Task| matches!(task, Task::PageLost { page, why, .. } if *page == test && why.contains("came back"));
    assert!(next.tasks.iter().any(lost), "{:?}", next.tasks);
}

#[test]
fn a_newer_page_takes_the_older_one_s_place_in_each_of_its_states() {
    let mut rig = TestRig::new();
    let (_, call) = rig.call("leak");
    let unwanted = |rig: &mut TestRig| rig.act(|cx, next| cx.delivery.on_unwanted(cx, call, next));
    // Not left yet: it never leaves.
    let (first, _) = page(&mut rig, call, "ines.mail");
    let (second, _) = page(&mut rig, call, "ines.mail");
    unwanted(&mut rig);
    assert_eq!(rig.parts.delivery.get(first).and_then(|sent| sent.last.clone()), Some(Outcome::Withdrawn));
    // In its channel's hands: called back, and its fate awaited.
    rig.leave();
    let (third, _) = page(&mut rig, call, "ines.mail");
    assert_eq!(unwanted(&mut rig).effects, [Effect::Withdraw { page: second }]);
    // Waiting to be tried again: given up.
    ends(&mut rig, third, Outcome::deferred("no route"));
    page(&mut rig, call, "ines.mail");
    unwanted(&mut rig);
    let given_up = Outcome::GivenUp { why: NoMore::NotNeeded };
    assert_eq!(rig.parts.delivery.get(third).and_then(|sent| sent.last.clone()), Some(given_up));
}

#[test]
fn after_a_start_only_what_may_have_left_is_marked_as_a_repeat() {
    let mut rig = TestRig::new();
    let (_, call) = rig.call("leak");
    let (sent, _) = page(&mut rig, call, "tom.mail");
    let (held, _) = page(&mut rig, call, "ines.push");
    let (waits, _) = page(&mut rig, call, "ines.push");
    rig.tell(Body::Started { version: String::new(), gap: None });
    let repeats = |id: Seq| rig.parts.delivery.get(id).map(crate::page::Sent::may_be_a_repeat);
    assert_eq!(repeats(sent), Some(true));
    assert_eq!((repeats(held), repeats(waits)), (Some(true), Some(false)), "the second found no room");
}

#[test]
fn a_call_out_that_nobody_answers_keeps_few_pages_and_forgets_nobody_it_has_told() {
    let mut rig = TestRig::new();
    let (_, call) = rig.call("leak");
    let (first, _) = page(&mut rig, call, "ines.mail");
    ends(&mut rig, first, Outcome::Accepted { note: String::new() });
    for _ in 0..500 {
        let (id, _) = page(&mut rig, call, "ines.mail");
        ends(&mut rig, id, Outcome::Failed { why: "no such mailbox".to_owned() });
        let (id, _) = page(&mut rig, call, "tom.mail");
        ends(&mut rig, id, Outcome::Failed { why: "no such mailbox".to_owned() });
    }
    let cx = rig.context();
    let pages = cx.pages(call);
    assert!(pages.known.len() <= 12, "{} are known", pages.known.len());
    assert_eq!(pages.before() + pages.known.len(), 1_001, "every page is known or counted");
    assert_eq!(pages.told(), [Target::parse("ines.mail")].into(), "the first page told somebody");
    assert_eq!(pages.known[0].id, first);
    let (id, _) = page(&mut rig, call, "ines.mail");
    let cx = rig.context();
    let worded = cx.worded(cx.delivery.get(id).expect("planned")).expect("its call-out is there");
    assert!(worded.body.contains("message 502 to you this way"), "{}", worded.body);
    assert!(worded.after.len() <= 6 && worded.body.lines().count() < 60, "{}", worded.body);
}
