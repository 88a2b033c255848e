//! What must hold always: at every step, after a restart at any moment, and of the whole story.

use crate::family::{AGAIN, LEASE};
use crate::world::{When, World};
use slackwater_rules::alarm::Priority;
use slackwater_rules::engine::{CallView, Engine};
use slackwater_rules::record::{Body, CallChange, Outcome, Purpose, Seq};
use slackwater_rules::time::Span;
use std::collections::{BTreeMap, BTreeSet};

/// Runs, and is no test.
fn is_real(call: &CallView) -> bool {
    call.purpose != Purpose::Drill && call.next != "its last pages are on their way"
}

pub(crate) fn at_every_step(world: &World) {
    let status = world.sim.engine.status(world.sim.now);
    let calls: Vec<_> = status.calls.iter().filter(|call| is_real(call)).collect();
    let calling: BTreeSet<_> =
        world.plan.alarms.iter().filter(|alarm| alarm.callout.is_some()).map(|alarm| &alarm.name).collect();

    for alarm in status.alarms.iter().filter(|alarm| calling.contains(&alarm.name)) {
        let with = calls.iter().filter(|call| call.about.contains(&alarm.name)).count();
        let stands = matches!(alarm.state.as_str(), "unacknowledged" | "acknowledged");
        assert_eq!(with, usize::from(stands), "{} in call-outs\n{}", alarm.name, world.told());
        let listed = calls.iter().flat_map(|call| &call.about).filter(|about| **about == alarm.name).count();
        assert_eq!(listed, with, "{} is listed more than once\n{}", alarm.name, world.told());
    }

    let mut codes = BTreeSet::new();
    for alarm in &status.alarms {
        if let Some(code) = &alarm.code {
            assert!(codes.insert(code), "{code} is the code of two episodes\n{}", world.told());
        }
    }
    let codes: BTreeSet<_> = calls.iter().map(|call| &call.code).collect();
    assert_eq!(codes.len(), calls.len(), "call-outs share a code\n{}", world.told());

    // Work silences what it disturbs, as long as it goes on and no longer. A latch is no part
    // of that.
    for (at, (alarm, of)) in status.alarms.iter().zip(&world.plan.alarms).enumerate() {
        let when = world.family.alarms.get(at).map(|alarm| &alarm.when);
        let paused = status.works.iter().any(|(_, work, _)| {
            let pauses = &world.plan.works[work].pauses;
            of.condition.sensors().iter().any(|id| {
                let measure = world.plan.sensor(*id).measure.name;
                let at = id.0 as usize;
                let by_work = || measure != "temperature" || when.is_none_or(|it| it.falls(at, true));
                pauses.iter().any(|it| *it == measure) && by_work()
            })
        });
        let state = alarm.state.as_str();
        let aside = matches!(state, "shelved" | "suppressed by design" | "out of service");
        if paused && !aside && !of.latching {
            panic!("{} is {state} while work goes on\n{}", alarm.name, world.told());
        }
        if state == "suppressed by design" && !paused {
            panic!("{} is suppressed although no work goes on\n{}", alarm.name, world.told());
        }
    }

    // Somebody is always about to be called while something stands that nobody answered for, and
    // that the quiet hours don't hold: those never hold what is high or critical.
    let unanswered = |call: &&&CallView| {
        let rests = call.next == "the end of the quiet hours";
        call.purpose == Purpose::Call
            && status.alarms.iter().any(|alarm| {
                // A loss that another sensor sees past is low in its call-out, whatever its alarm
                // says.
                let is_loss = alarm.name.starts_with("sight-");
                let may_rest = rests && (alarm.priority < Priority::High || is_loss);
                alarm.state == "unacknowledged" && call.about.contains(&alarm.name) && !may_rest
            })
    };
    let steps: i64 = world.family.steps.iter().map(|(gap, _)| *gap).sum();
    for call in calls.iter().filter(unanswered) {
        let longest = AGAIN.max(LEASE).max(steps) * 60_000 + 300_000;
        let due = call.due.map(|due| due.0);
        assert!(due.is_some_and(|due| due > 0 && due <= longest), "{call:?}\n{}", world.told());
    }
}

/// So long a watch that has started listens before it says more to anybody.
const LISTENS: Span = Span::seconds(60);

/// What lasts of an engine, in a form that can be compared.
fn lasting(engine: &Engine, world: &World) -> Vec<String> {
    let status = engine.status(world.sim.now);
    let mut lines = vec![format!("horizon {}", engine.horizon())];
    let mut starts = world.sim.records.iter().rev().filter(|it| matches!(it.body, Body::Started { .. }));
    let listens = starts.next().is_some_and(|it| world.sim.now.mono - it.at.mono <= LISTENS);
    for alarm in status.alarms {
        lines.push(format!(
            "{}: {}, code {:?}, stood {:?}, chattering {}, aside {:?}",
            alarm.name, alarm.state, alarm.code, alarm.stood, alarm.chattering, alarm.aside
        ));
    }
    for call in status.calls {
        // The all-clear's time is a deadline and set at the start; and right after a start the next
        // time rests on what has been heard since, which no record tells.
        let due = call.due.filter(|_| call.next != "the all-clear" && !listens);
        lines.push(format!(
            "call {} {:?} {}: {:?}, next {} in {due:?}, told {:?}",
            call.id, call.purpose, call.code, call.about, call.next, call.told
        ));
    }
    // What the broker keeps comes from messages, and is heard again.
    let held = status.relays.iter().filter_map(|relay| Some((&relay.name, relay.state.as_ref()?)));
    lines.extend(held.map(|(name, state)| format!("{name}: {state}")));
    lines.extend(status.works.iter().map(|work| format!("{work:?}")));
    lines
}

pub(crate) fn restored_is_the_same(world: &World, reborn: &Engine) {
    let (running, reborn) = (lasting(&world.sim.engine, world), lasting(reborn, world));
    assert!(running == reborn, "running:  {running:#?}\nrestored: {reborn:#?}\n{}", world.told());
}

/// A call-out as its pages and answers tell it.
#[derive(Default)]
struct Told {
    asked: BTreeSet<String>,
    cleared: BTreeSet<String>,
    /// An answer holds until then.
    answered: Option<i64>,
    ended: bool,
    drill: bool,
}

pub(crate) fn hold(world: &World) {
    calls_keep_their_word(world);
    pages_go_once(world);
    shelves_end(world);
    latches_wait(world);
}

/// What may end an answer before its time.
fn breaks_through(body: &Body) -> bool {
    match body {
        Body::Worsened { .. } | Body::NotProved { .. } | Body::Joined { .. } | Body::ByHand { .. } => true,
        Body::CallChanged { change: CallChange::RaisedAnew { .. }, .. } => true,
        Body::Switched { why, .. } | Body::Held { why, .. } => why.contains("longest run"),
        _ => false,
    }
}

fn calls_keep_their_word(world: &World) {
    let mut calls: BTreeMap<Seq, Told> = BTreeMap::new();
    let worse_at: BTreeSet<When> = world
        .story
        .iter()
        .filter(|(_, record)| breaks_through(&record.body))
        .map(|(when, _)| *when)
        .collect();
    for (when, record) in &world.story {
        let fail = |what: &str| panic!("#{}: {what}\n{}", record.seq, world.told());
        match &record.body {
            Body::CallBegan { purpose, .. } => {
                let drill = *purpose == Purpose::Drill;
                calls.insert(record.seq, Told { drill, ..Told::default() });
            }
            Body::Answered { call, lease, .. } => {
                if let Some(call) = calls.get_mut(call) {
                    call.answered = Some(when.0 + lease.0);
                }
            }
            Body::Resumed { call, .. } => {
                let Some(call) = calls.get_mut(call) else { fail("resumes what never began") };
                let over = call.answered.is_none_or(|until| until <= when.0);
                if !over && !worse_at.contains(when) {
                    fail("an answer's lease runs and nothing got worse");
                }
                call.answered = None;
            }
            Body::CallChanged { call, change: CallChange::Asks { .. } } => {
                let Some(call) = calls.get_mut(call) else { fail("asks in what never began") };
                if call.answered.is_none_or(|until| until > when.0) {
                    fail("whoever answered is asked before the lease is over");
                }
                call.answered = None;
            }
            Body::CallEnded { call } => {
                let Some(call) = calls.get_mut(call) else { fail("ends what never began") };
                if call.ended {
                    fail("ends twice");
                }
                call.ended = true;
            }
            Body::Paged { call, target, purpose, .. } => {
                let Some(call) = calls.get_mut(call) else { fail("pages for what never began") };
                // A siren is silenced though what it sounded for is over.
                let hushes = target == "siren" && *purpose == Purpose::Taken;
                if call.ended && !hushes {
                    fail("pages for what is over");
                }
                match purpose {
                    Purpose::Call | Purpose::Digest | Purpose::Drill => {
                        if call.answered.is_some() {
                            fail("asks although somebody answered");
                        }
                        if (*purpose == Purpose::Drill) != call.drill {
                            fail("mixes a drill with the real thing");
                        }
                        call.asked.insert(target.clone());
                    }
                    Purpose::Notice => fail("a notice is no part of a call-out"),
                    Purpose::Taken => {
                        // A siren that another call-out bade may be silenced by the last that
                        // wanted it.
                        if !call.asked.contains(target) && target != "siren" {
                            fail("tells somebody who was never asked that it is taken");
                        }
                    }
                    Purpose::AllClear => {
                        if call.drill || !call.asked.contains(target) {
                            fail("an all-clear for somebody who was never asked");
                        }
                        if !call.cleared.insert(target.clone()) {
                            fail("a second all-clear");
                        }
                    }
                }
            }
            _ => {}
        }
    }
}

/// The same page leaves again only after it was deferred, or once after a restart; then it says
/// so. None leaves that was not planned, or whose fate is known for good.
fn pages_go_once(world: &World) {
    for (at, sent) in world.sent.iter().enumerate() {
        let fail = |what: &str| panic!("page {}: {what}\n{}", sent.id, world.told());
        let before = |when: &When| *when <= sent.when;
        let planned = world.story.iter().find(|(_, record)| record.seq == sent.id);
        let Some((_, planned)) = planned.filter(|(when, _)| before(when)) else { fail("was never planned") };
        let Body::Paged { call, purpose, .. } = &planned.body else { fail("is no page") };
        let earlier = world.sent[..at].iter().rev().find(|other| other.id == sent.id);
        let Some(earlier) = earlier else {
            if sent.maybe_repeat {
                fail("says that it may be a repeat, and is none");
            }
            continue;
        };
        let since = world.story.iter().filter(|(when, _)| *when > earlier.when && before(when));
        let mut fate = since.filter_map(|(_, record)| match &record.body {
            Body::Delivered { page, result } if *page == sent.id => Some(result),
            _ => None,
        });
        let restarted = world.starts.iter().any(|start| *start > earlier.when && before(start));
        match (fate.next_back(), restarted) {
            // A doubt that an earlier attempt has left is not undone by a refusal that leaves none.
            (Some(Outcome::Deferred { may_have_arrived, .. }), false)
                if sent.maybe_repeat == (*may_have_arrived || earlier.maybe_repeat) => {}
            (Some(Outcome::Deferred { .. }) | None, true) if sent.maybe_repeat => {}
            (fate, _) => fail(&format!("leaves again after {fate:?}, repeat {}", sent.maybe_repeat)),
        }
        // Nobody is asked again by an old page while an answer holds.
        if matches!(purpose, Purpose::Call | Purpose::Drill) {
            let of_call = world.story.iter().filter(|(when, _)| before(when));
            let answered = of_call.fold(false, |answered, (_, record)| match &record.body {
                Body::Answered { call: of, .. } if of == call => true,
                Body::Resumed { call: of, .. } if of == call => false,
                Body::CallChanged { call: of, change: CallChange::Asks { .. } } if of == call => false,
                _ => answered,
            });
            if answered {
                fail("asks again although somebody answered");
            }
        }
    }
}

/// A shelf ends when it said it would, if nothing ended it before.
fn shelves_end(world: &World) {
    for (at, ((begun, _), record)) in world.story.iter().enumerate() {
        let Body::Shelved { alarm: name, length, .. } = &record.body else { continue };
        let end = world.story[at + 1..].iter().find_map(|((at, _), record)| match &record.body {
            Body::Unshelved { alarm, by } if alarm == name => Some((*at, by.is_none())),
            Body::TakenOut { alarm, .. } if alarm == name => Some((*at, false)),
            _ => None,
        });
        let due = begun + length.0;
        // A watch that was away ends it as soon as it is back.
        let due = world.starts.iter().map(|start| start.0).filter(|start| *start >= due).min().map_or(
            due,
            |back| {
                let seen = world.story.iter().any(|((at, _), _)| *at >= due && *at < back);
                if seen { due } else { back }
            },
        );
        match end {
            Some((at, by_itself)) if by_itself => {
                assert_eq!(at, due, "the shelf of {name}\n{}", world.told());
            }
            Some((at, _)) => assert!(at <= due, "the shelf of {name} lasted on\n{}", world.told()),
            None => assert!(world.end < due, "the shelf of {name} never ends\n{}", world.told()),
        }
    }
}

/// What has returned and is latched is neither shelved nor suppressed before a person resets it.
fn latches_wait(world: &World) {
    let mut latched: BTreeSet<&String> = BTreeSet::new();
    for (_, record) in &world.story {
        match &record.body {
            Body::Returned { alarm, .. } => {
                let of = world.plan.alarm_named(alarm).map(|id| world.plan.alarm(id));
                if of.is_some_and(|of| of.latching) {
                    latched.insert(alarm);
                }
            }
            Body::Raised { alarm, .. } | Body::Reset { alarm, .. } | Body::TakenOut { alarm, .. } => {
                latched.remove(alarm);
            }
            Body::Shelved { alarm, .. } | Body::Suppressed { alarm } => {
                assert!(!latched.contains(alarm), "#{} ends a latch\n{}", record.seq, world.told());
            }
            _ => {}
        }
    }
}
