use crate::engine::rig::{TestRig, ines, kinds};
use crate::record::Body;
use crate::time::Span;

#[test]
fn a_drill_follows_what_comes_of_the_plug_and_keeps_it() {
    let mut rig = TestRig::new();
    let next = rig.act(|cx, next| cx.outage.on_begin(cx, Some("power-lost"), ines(), next));
    assert_eq!(kinds(&next), ["outage drill of power-lost began, by ines"]);
    rig.later(Span::seconds(50));
    let next = rig.act(|cx, next| cx.outage.on_out(cx, ines(), next));
    assert_eq!(kinds(&next), ["the plug is out, says ines"]);
    rig.later(Span::seconds(25));
    let (episode, call) = rig.call("power-lost");
    rig.tell(Body::Answered { call, by: ines(), lease: Span::hours(1) });
    let seen = rig.parts.outage.view(rig.now.mono).expect("it goes on");
    let took = |what: &str, steps: &[crate::record::Measured]| {
        steps.iter().find(|step| step.what == what).and_then(|step| step.took)
    };
    assert_eq!(took("raised", &seen.steps), Some(Span::seconds(25)));
    assert!(!seen.back && !seen.done);
    rig.act(|cx, next| cx.outage.on_back(cx, ines(), next));
    rig.later(Span::seconds(40));
    rig.tell(Body::Returned {
        alarm: "power-lost".to_owned(),
        episode,
        stood: Span::seconds(40),
        because: String::new(),
        farthest: None,
    });
    rig.tell(Body::CallEnded { call });
    let next = rig.act(|cx, next| cx.outage.on_look(cx, next));
    assert!(kinds(&next)[0].starts_with("outage drill of power-lost by ines"), "{:?}", kinds(&next));
    assert!(rig.parts.outage.view(rig.now.mono).is_some_and(|view| view.done && view.over));
    assert_eq!(rig.parts.outage.rests_on(), None);
}

#[test]
fn no_drill_begins_while_something_is_wrong_or_another_goes_on() {
    let mut rig = TestRig::new();
    rig.raise("leak");
    let next = rig.decide(|cx, next| cx.outage.on_begin(cx, None, ines(), next));
    assert!(kinds(&next)[0].contains("alarms are open: leak"), "{:?}", kinds(&next));
    let mut rig = TestRig::new();
    rig.act(|cx, next| cx.outage.on_begin(cx, None, ines(), next));
    let next = rig.decide(|cx, next| cx.outage.on_begin(cx, None, ines(), next));
    assert!(kinds(&next)[0].contains("goes on already"), "{:?}", kinds(&next));
    let next = rig.decide(|cx, next| cx.outage.on_begin(cx, Some("nothing"), ines(), next));
    assert!(kinds(&next)[0].contains("refused"), "{:?}", kinds(&next));
}

#[test]
fn a_drill_that_nobody_ends_is_broken_off() {
    let mut rig = TestRig::new();
    rig.act(|cx, next| cx.outage.on_begin(cx, None, ines(), next));
    rig.act(|cx, next| cx.outage.on_out(cx, ines(), next));
    rig.later(Span::minutes(10));
    assert!(rig.parts.outage.view(rig.now.mono).is_some_and(|view| view.over), "the plug goes back");
    rig.later(Span::minutes(31));
    let next = rig.act(|cx, next| cx.outage.on_look(cx, next));
    assert!(kinds(&next)[0].contains("broken off"), "{:?}", kinds(&next));
    assert_eq!(rig.parts.outage.view(rig.now.mono), None);
    let next = rig.decide(|cx, next| cx.outage.on_back(cx, ines(), next));
    assert!(kinds(&next)[0].contains("no outage drill waits for it"), "{:?}", kinds(&next));
}
