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
        ["test pages began for 3 channels: asked for by ines; they wait: the clock is not trusted"]
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

/// What report went out, and to whom.
fn reported(next: &crate::engine::task::Next) -> Vec<(String, String)> {
    let report = |record: &crate::record::Record| match &record.body {
        Body::Drill(Drilled::Noticed { target, about, headline, .. }) => {
            about.report().map(|_| (target.clone(), headline.clone()))
        }
        _ => None,
    };
    next.records.iter().filter_map(report).collect()
}

#[test]
fn whoever_was_away_gets_the_report_on_the_day_of_return_by_mail_and_once() {
    let date = |text: &str| text.parse().expect("a date");
    for (back, hours_after, due) in [
        // Back on Sunday at noon: then.
        (Some("12:00:00"), 38, true),
        (Some("12:00:00"), 37, false),
        // Away all of Sunday: on Monday in the morning.
        (None, 58, false),
        (None, 59, true),
        // Back late: not at night.
        (Some("23:30:00"), 50, false),
        (Some("23:30:00"), 59, true),
        // Days later it is no news.
        (None, 24 * 5, false),
    ] {
        let mut rig = TestRig::new();
        let absence = crate::plan::Absence {
            first: date("2026-07-25"),
            last: date("2026-08-02"),
            leaves: None,
            back: back.map(|back| back.parse().expect("a time")),
            sitter: None,
        };
        rig.plan.directory.contacts.get_mut("ines").expect("a contact").away = vec![absence];
        rig.later(Span::hours(hours_after));
        let next = rig.act(|cx, next| cx.drills.on_notices(cx, next));
        let expected: &[(String, String)] = &[(
            "ines.mail".to_owned(),
            match back {
                None => "Halyard House: the report, Sat 25 Jul to Mon 03 Aug".to_owned(),
                Some(_) => "Halyard House: the report, Sat 25 Jul to Sun 02 Aug".to_owned(),
            },
        )];
        assert_eq!(reported(&next), if due { expected } else { &[] }, "{back:?} {hours_after}");
        let again = rig.act(|cx, next| cx.drills.on_notices(cx, next));
        assert!(reported(&again).is_empty(), "once: {:?}", kinds(&again));
    }
}

#[test]
fn helpers_and_people_without_mail_get_no_report() {
    for (helper, has_mail) in [(true, true), (false, false)] {
        let mut rig = TestRig::new();
        let directory = &mut rig.plan.directory;
        if !has_mail {
            directory.channels.remove(&Target::parse("ines.mail"));
        }
        let ines = directory.contacts.get_mut("ines").expect("a contact");
        ines.helper = helper;
        ines.report = Some(crate::plan::Weekly {
            day: jiff::civil::Weekday::Friday,
            time: jiff::civil::time(21, 0, 0, 0),
        });
        let next = rig.act(|cx, next| cx.drills.on_notices(cx, next));
        assert!(reported(&next).is_empty(), "{:?}", kinds(&next));
    }
}

#[test]
fn the_weekly_report_comes_at_its_time_each_week() {
    let mut rig = TestRig::new();
    // It is Friday, 22:00.
    let weekly =
        crate::plan::Weekly { day: jiff::civil::Weekday::Sunday, time: jiff::civil::time(18, 0, 0, 0) };
    rig.plan.directory.contacts.get_mut("ines").expect("a contact").report = Some(weekly);
    let mut came = Vec::new();
    for hour in 0..24 * 15 {
        let next = rig.act(|cx, next| cx.drills.on_notices(cx, next));
        came.extend(reported(&next).into_iter().map(|(_, headline)| (hour, headline)));
        rig.later(Span::hours(1));
    }
    assert_eq!(
        came,
        [
            (44, "Halyard House: the report, Sun 26 Jul to Sun 02 Aug".to_owned()),
            (44 + 168, "Halyard House: the report, Sun 02 Aug to Sun 09 Aug".to_owned())
        ]
    );
}
