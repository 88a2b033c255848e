//! Every command there is, how it goes over the control socket, and what it does.

use super::Operator;
use crate::alarm::{AlarmEvent, Priority, State};
use crate::callout::Call;
use crate::callout::codes::{self, Answers};
use crate::engine::context::Context;
use crate::engine::task::{Next, Task};
use crate::engine::timers::DeadlineReason;
use crate::ids::{AlarmId, By, CalloutId, Seq};
use crate::plan::LONGEST_SHELF;
use crate::record::{Body, Verdict};
use crate::time::Span;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// What a person can say. Answers acknowledge; they never switch anything. It is sent as JSON,
/// lengths in milliseconds.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "say", rename_all = "kebab-case")]
pub enum OperatorCommand {
    /// Answers the call-out that this episode code belongs to.
    Acknowledge {
        /// The code on the page.
        code: String,
        /// How long the answer is to hold, if that was said: no longer than its bounds allow.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        length: Option<Span>,
    },
    /// Has the next person called now.
    HandOn {
        /// The code on the page.
        code: String,
    },
    /// Says that a step of the card is done, or not after all. It answers nothing.
    Tick {
        /// The code of the call-out.
        code: String,
        /// The step's words, as the page shows them.
        step: String,
        /// It is done.
        done: bool,
    },
    /// Silences a siren for ten minutes, by somebody who stands beside it. It answers nothing.
    Hush {
        /// Its channel: `siren`.
        siren: String,
    },
    /// Resets a latched alarm.
    Reset {
        /// Its name.
        alarm: String,
    },
    /// Puts an alarm aside for a time.
    Shelve {
        /// Its name.
        alarm: String,
        /// At most what [`Plan::longest_shelf`](crate::plan::Plan::longest_shelf) says.
        length: Span,
        /// The reason.
        why: String,
    },
    /// Takes it off the shelf.
    Unshelve {
        /// Its name.
        alarm: String,
    },
    /// Takes an alarm out of service.
    TakeOut {
        /// Its name.
        alarm: String,
        /// The reason.
        why: String,
    },
    /// Puts it back.
    PutBack {
        /// Its name.
        alarm: String,
    },
    /// Begins work on a tank.
    BeginWork {
        /// The tank.
        tank: String,
        /// The kind of work.
        work: String,
        /// The kind's longest if none.
        length: Option<Span>,
    },
    /// Ends it.
    EndWork {
        /// The tank.
        tank: String,
    },
    /// Says of an episode, over or not, whether it was right to ring.
    Mark {
        /// The episode.
        episode: Seq,
        /// What was found.
        verdict: Verdict,
        /// Why; may be empty.
        note: String,
    },
    /// Says beforehand that this site will be silent, so that its witness waits.
    PlanSilence {
        /// At most a day.
        length: Span,
        /// The reason.
        why: String,
    },
    /// Takes it back.
    EndSilence,
    /// Tests a call-out from end to end.
    Drill {
        /// The policy's name.
        callout: String,
    },
    /// Sends a test page to everyone, by every channel.
    TestPages,
    /// Says that the plug is about to be pulled, on purpose.
    BeginOutage {
        /// The alarm that it is about; the one that power loss raises if none.
        alarm: Option<String>,
    },
    /// Says that the plug has just been pulled.
    PlugOut,
    /// Says that the plug has just been put back.
    PlugBack,
}

impl Operator {
    /// A person says something.
    pub(in crate::engine) fn on_command(
        &self,
        cx: &Context<'_>,
        command: OperatorCommand,
        by: By,
        next: &mut Next,
    ) {
        match command {
            OperatorCommand::Acknowledge { code, length } => acknowledge(cx, &code, length, &by, next),
            OperatorCommand::Hush { siren } => next.then(Task::Hush { siren, by }),
            OperatorCommand::HandOn { code } => hand_on(cx, &code, by, next),
            OperatorCommand::Tick { code, step, done } => tick(cx, &code, (step, done), by, next),
            OperatorCommand::Reset { alarm } => reset(cx, alarm, by, next),
            OperatorCommand::Shelve { alarm, length, why } => shelve(cx, (alarm, length, why), by, next),
            OperatorCommand::Unshelve { alarm } => {
                let Some(id) = find(cx, &alarm, "unshelve", &by, next) else { return };
                if cx.alarms.state(id).state == State::Shelved {
                    unshelve(cx, id, Some(by), next);
                } else {
                    next.refuse(format!("unshelve {alarm}"), "it is not shelved", &by);
                }
            }
            OperatorCommand::TakeOut { alarm, why } => take_out(cx, alarm, why, by, next),
            OperatorCommand::PutBack { alarm } => {
                let Some(id) = find(cx, &alarm, "put back", &by, next) else { return };
                if cx.alarms.state(id).state == State::OutOfService {
                    next.record(Body::PutBack { alarm, by });
                    next.then(Task::SuppressIfDisturbed(id));
                    next.then(Task::Judge(id));
                } else {
                    next.refuse(format!("put {alarm} back"), "it is not out of service", &by);
                }
            }
            OperatorCommand::BeginWork { tank, work, length } => {
                next.then(Task::BeginWork { tank, work, length, by });
            }
            OperatorCommand::EndWork { tank } => next.then(Task::EndWork { tank, by }),
            OperatorCommand::Mark { episode, verdict, note } if episode < next.next_seq() => {
                next.record(Body::Marked { episode, verdict, note, by });
            }
            OperatorCommand::Mark { episode, verdict, .. } => {
                let why = format!("there has been no episode {episode} yet");
                next.refuse(format!("mark episode {episode} as {verdict}"), why, &by);
            }
            OperatorCommand::PlanSilence { length, why }
                if length > Span::ZERO && length <= LONGEST_SHELF =>
            {
                next.record(Body::SilencePlanned { length, why, by });
            }
            OperatorCommand::PlanSilence { length, .. } => {
                // The witness shelves its alarm for as long.
                let why = format!("a planned silence lasts more than 0 s and at most {LONGEST_SHELF}");
                next.refuse(format!("a planned silence of {length}"), why, &by);
            }
            OperatorCommand::EndSilence if self.silence_at(cx.mono()).is_some() => {
                next.record(Body::SilenceEnded { by });
            }
            OperatorCommand::EndSilence => next.refuse("end the planned silence", "none is planned", &by),
            OperatorCommand::Drill { callout } => drill(cx, &callout, &by, next),
            OperatorCommand::TestPages => next.then(Task::TestPages(by)),
            OperatorCommand::BeginOutage { alarm } => next.then(Task::BeginOutage { alarm, by }),
            OperatorCommand::PlugOut => next.then(Task::PlugOut(by)),
            OperatorCommand::PlugBack => next.then(Task::PlugBack(by)),
        }
    }

    /// A shelf ends by itself.
    pub(in crate::engine) fn on_shelf_over(&self, cx: &Context<'_>, id: AlarmId, next: &mut Next) {
        if cx.alarms.state(id).state == State::Shelved {
            unshelve(cx, id, None, next);
        }
    }

    /// The watch begins, or another plan: shelves get their deadlines.
    pub(in crate::engine) fn on_set_out(&self, cx: &Context<'_>, next: &mut Next) {
        for id in cx.alarms() {
            let until = cx.alarms.state(id).aside.as_ref().and_then(|aside| aside.until);
            next.wake(DeadlineReason::Shelf(id), until);
        }
    }

    /// Alarms with something open that the plan which comes doesn't have leave by a record.
    pub(in crate::engine) fn on_plan_without(&self, cx: &Context<'_>, gone: &[AlarmId], next: &mut Next) {
        for id in gone.iter().copied() {
            let state = cx.alarms.state(id);
            if state.episode.is_some() || state.aside.is_some() {
                let by = By { who: "the keeper".to_owned(), via: "reload".to_owned() };
                let why = "the new rule file has no such alarm".to_owned();
                next.record(Body::TakenOut { alarm: cx.name(id), by, why });
                after_aside(cx, id, next);
            }
        }
    }
}

fn acknowledge(cx: &Context<'_>, code: &str, named: Option<Span>, by: &By, next: &mut Next) {
    let code = code.trim().to_ascii_uppercase();
    if let Some(test) = cx.drills.test_by_code(&code) {
        return next.then(Task::TestAnswered { test, by: by.clone() });
    }
    let episode = cx.alarms.episode_by_code(&code);
    let (call, only) = match answered_by(cx, &code) {
        Answers::Nothing => (None, None),
        Answers::Call(call) => (cx.callouts.get(call), None),
        Answers::Member { call, episode } => (cx.callouts.get(call), Some(episode)),
    };
    if episode.is_none() && call.is_none() {
        let why = "no open episode and no test page has this code";
        return next.refuse(format!("acknowledge {code}"), why, by);
    }
    // What was over there and stands in another call-out is answered with that.
    let is_in = |call: &Call, of: Seq| cx.callouts.of_episode(of).is_some_and(|its| its.id() == call.id());
    let members: BTreeSet<Seq> = match (call, only) {
        (Some(call), None) => {
            let episodes = call.core.members.iter().map(|member| member.episode);
            episodes.filter(|episode| is_in(call, *episode)).collect()
        }
        (_, Some(only)) => [only].into(),
        (None, None) => episode.into_iter().collect(),
    };
    for id in cx.alarms() {
        let Some(open) = cx.alarms.episode(id).filter(|open| members.contains(open)) else { continue };
        if cx.alarms.may(id, AlarmEvent::Acknowledge) {
            next.record(Body::Acknowledged { alarm: cx.name(id), episode: open, by: by.clone() });
        }
    }
    next.tasks.extend(call.map(|call| Task::Answer { call: call.id(), only, named, by: by.clone() }));
}

/// What the code answers: that of a call-out, or of an episode in one.
fn answered_by(cx: &Context<'_>, code: &str) -> Answers {
    let open = cx.alarms.episode_by_code(code);
    let code_of = |of: Seq| open.filter(|open| *open == of).map(|_| code.to_owned());
    codes::answered_by(code, cx.callouts.running().map(|call| &call.core), code_of)
}

fn hand_on(cx: &Context<'_>, code: &str, by: By, next: &mut Next) {
    let code = code.trim().to_ascii_uppercase();
    match answered_by(cx, &code) {
        Answers::Call(call) | Answers::Member { call, .. } => next.then(Task::HandOn { call, by }),
        Answers::Nothing => next.refuse(format!("hand {code} on"), "no open call-out has this code", &by),
    }
}

/// A tick is seen by the others and kept.
fn tick(cx: &Context<'_>, code: &str, (step, done): (String, bool), by: By, next: &mut Next) {
    let code = code.trim().to_ascii_uppercase();
    match answered_by(cx, &code) {
        Answers::Call(call) | Answers::Member { call, .. } => {
            next.record(Body::Ticked { call, step, done, by });
        }
        Answers::Nothing => {
            next.refuse(format!("tick a step of {code}"), "no open call-out has this code", &by);
        }
    }
}

fn reset(cx: &Context<'_>, alarm: String, by: By, next: &mut Next) {
    let Some(id) = find(cx, &alarm, "reset", &by, next) else { return };
    match cx.alarms.state(id).state {
        State::LatchedAcknowledged => {
            next.record(Body::Reset { alarm, by });
            next.then(Task::SuppressIfDisturbed(id));
            next.then(Task::Judge(id));
        }
        State::LatchedUnacknowledged => {
            next.refuse(format!("reset {alarm}"), "acknowledge it first", &by);
        }
        state @ (State::Normal
        | State::Unacknowledged
        | State::Acknowledged
        | State::ReturnedUnacknowledged
        | State::Shelved
        | State::SuppressedByDesign
        | State::OutOfService) => {
            let why = format!("it is {state}; only a latched alarm is reset");
            next.refuse(format!("reset {alarm}"), why, &by);
        }
    }
}

fn shelve(cx: &Context<'_>, (alarm, length, why): (String, Span, String), by: By, next: &mut Next) {
    let what = format!("shelve {alarm} for {length}");
    let Some(id) = find(cx, &alarm, "shelve", &by, next) else { return };
    let longest = match cx.plan.longest_shelf(id) {
        Ok(longest) => longest,
        Err(why) => return next.refuse(what, why, &by),
    };
    if length <= Span::ZERO || length > longest {
        let critical = cx.plan.alarm(id).priority == Priority::Critical;
        let whose = if critical { "a shelf of anything critical" } else { "a shelf" };
        return next.refuse(what, format!("{whose} lasts more than 0 s and at most {longest}"), &by);
    }
    if !cx.alarms.may(id, AlarmEvent::Shelve) {
        return next.refuse(what, format!("it is {}", cx.alarms.state(id).state), &by);
    }
    next.record(Body::Shelved { alarm, length, by, why });
    next.wake(DeadlineReason::Shelf(id), Some(cx.mono() + length));
    after_aside(cx, id, next);
}

fn take_out(cx: &Context<'_>, alarm: String, why: String, by: By, next: &mut Next) {
    let Some(id) = find(cx, &alarm, "take out of service", &by, next) else { return };
    if why.trim().is_empty() {
        return next.refuse(format!("take {alarm} out of service"), "a reason is needed", &by);
    }
    next.record(Body::TakenOut { alarm, by, why });
    next.wake(DeadlineReason::Shelf(id), None);
    after_aside(cx, id, next);
}

fn unshelve(cx: &Context<'_>, id: AlarmId, by: Option<By>, next: &mut Next) {
    next.record(Body::Unshelved { alarm: cx.name(id), by });
    next.wake(DeadlineReason::Shelf(id), None);
    next.then(Task::SuppressIfDisturbed(id));
    next.then(Task::Judge(id));
}

fn drill(cx: &Context<'_>, callout: &str, by: &By, next: &mut Next) {
    match cx.plan.callouts.iter().position(|policy| policy.name == callout) {
        Some(at) => next.then(Task::Drill(CalloutId(at as u32))),
        None => {
            let known: Vec<_> = cx.plan.callouts.iter().map(|policy| policy.name.as_str()).collect();
            let why = format!("there is no call-out of this name; there are: {}", known.join(", "));
            next.refuse(format!("drill {callout}"), why, by);
        }
    }
}

fn find(cx: &Context<'_>, alarm: &str, what: &str, by: &By, next: &mut Next) -> Option<AlarmId> {
    let found = cx.alarm(alarm);
    if found.is_none() {
        next.refuse(format!("{what} {alarm}"), cx.plan.no_alarm(alarm), by);
    }
    found
}

/// An alarm was put aside: what it rang for is quiet, what it switched is undone.
fn after_aside(cx: &Context<'_>, id: AlarmId, next: &mut Next) {
    next.then(Task::Judge(id));
    if let Some(episode) = cx.alarms.episode(id) {
        next.tasks.extend(cx.plan.alarm(id).stopgap.map(|stopgap| Task::Attend(stopgap.relay)));
        next.then(Task::Fell(episode));
    }
}
