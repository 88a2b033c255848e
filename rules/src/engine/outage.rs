//! A drill of the outage itself: a person pulls the plug on purpose, and says before and when; the
//! watch waits for what has to come of it, says when the plug goes back, and keeps how long each
//! step took. Whoever stands at the terminal only follows. What a drill has seen is rebuilt from
//! the records of its time, so that it goes on over a restart of the watch, which may hang on that
//! very outlet.

mod course;
mod tracker;

pub use course::Course;

use super::context::Context;
use super::ground::Ground;
use super::task::{Next, Task};
use super::timers::DeadlineReason;
use crate::ids::{By, Seq};
use crate::record::{Body, Drilled, Measured, Record};
use crate::time::{Moment, Span};
use course::LONGEST;
use serde::{Deserialize, Serialize};
use tracker::Tracker;

/// A drill is looked at this often while it goes on: what has not come is noticed by time alone.
const LOOK: Span = Span::seconds(1);

/// Nobody has said for so long after its time that the plug is back: the drill is broken off.
const BACK_WITHIN: Span = Span::minutes(30);

/// The drill that goes on, or the last one of this life.
#[derive(Debug, Default)]
pub(super) struct OutageDrills {
    drill: Option<OutageDrill>,
}

#[derive(Debug)]
struct OutageDrill {
    /// The record that began it.
    seq: Seq,
    by: By,
    tracker: Tracker,
    begun: Moment,
    out: Option<Moment>,
    back: Option<Moment>,
    /// Its result is kept.
    done: bool,
}

/// How a drill stands, for whoever follows it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OutageView {
    /// The record that began it.
    pub drill: Seq,
    /// The alarm that it is about.
    pub alarm: String,
    /// The plug is out, or was.
    pub out: bool,
    /// The plug is back.
    pub back: bool,
    /// Nothing more is waited for: the plug goes back, or the drill is over.
    pub over: bool,
    /// Its result is kept.
    pub done: bool,
    /// What was and is waited for, in order.
    pub steps: Vec<Measured>,
}

impl OutageDrills {
    /// What a record does to what lasts. A drill looks at most of them.
    pub(super) fn apply(&mut self, ground: &Ground<'_>, record: &Record) {
        let at = record.at.mono;
        if let Body::Drill(Drilled::OutageBegan { alarm, by }) = &record.body {
            let course = Course::of(ground.plan, Some(alarm)).ok();
            self.drill = course.map(|course| OutageDrill {
                seq: record.seq,
                by: by.clone(),
                tracker: Tracker::new(course, at),
                begun: at,
                out: None,
                back: None,
                done: false,
            });
            return;
        }
        let Some(drill) = self.drill.as_mut().filter(|drill| !drill.done) else { return };
        match &record.body {
            Body::Drill(Drilled::PlugOut { .. }) => {
                drill.out = Some(at);
                drill.tracker.put_out(at);
            }
            Body::Drill(Drilled::PlugBack { .. }) => {
                drill.back = Some(at);
                drill.tracker.put_back(at);
            }
            Body::Drill(Drilled::OutageDrilled { .. }) => drill.done = true,
            Body::Drill(Drilled::OutageBrokenOff { .. }) => self.drill = None,
            _ => drill.tracker.take(record),
        }
    }

    /// A person is about to pull the plug. Not while something is wrong: nobody could tell the two
    /// apart.
    pub(super) fn on_begin(&self, cx: &Context<'_>, alarm: Option<&str>, by: By, next: &mut Next) {
        match self.course(cx, alarm) {
            Ok(course) => {
                next.record(Body::Drill(Drilled::OutageBegan { alarm: course.alarm, by }));
                next.wake(DeadlineReason::Outage, Some(cx.mono() + LOOK));
            }
            Err(why) => next.refuse("an outage drill", why, &by),
        }
    }

    /// The plug is out.
    pub(super) fn on_out(&self, cx: &Context<'_>, by: By, next: &mut Next) {
        if self.drill.as_ref().is_some_and(|drill| !drill.done && drill.out.is_none()) {
            next.record(Body::Drill(Drilled::PlugOut { by }));
            next.wake(DeadlineReason::Outage, Some(cx.mono() + LOOK));
        } else {
            next.refuse("the plug is out", "no outage drill waits for it", &by);
        }
    }

    /// The plug is back.
    pub(super) fn on_back(&self, cx: &Context<'_>, by: By, next: &mut Next) {
        let waits = |drill: &OutageDrill| !drill.done && drill.out.is_some() && drill.back.is_none();
        if self.drill.as_ref().is_some_and(waits) {
            next.record(Body::Drill(Drilled::PlugBack { by }));
            next.wake(DeadlineReason::Outage, Some(cx.mono() + LOOK));
        } else {
            next.refuse("the plug is back", "no outage drill waits for it", &by);
        }
    }

    /// Time has passed.
    pub(super) fn on_look(&self, cx: &Context<'_>, next: &mut Next) {
        let Some(drill) = self.drill.as_ref().filter(|drill| !drill.done) else { return };
        let now = cx.mono();
        if drill.back.is_some() && drill.is_over(now) {
            let (alarm, steps) = (drill.tracker.alarm().to_owned(), drill.steps());
            next.record(Body::Drill(Drilled::OutageDrilled { alarm, steps, by: drill.by.clone() }));
            next.then(Task::TendDrills);
        } else if drill.back.is_none() && now - drill.out.unwrap_or(drill.begun) > LONGEST + BACK_WITHIN {
            let what = if drill.out.is_some() { "back" } else { "out" };
            let why = format!("nobody has said within {} that the plug is {what}", LONGEST + BACK_WITHIN);
            next.record(Body::Drill(Drilled::OutageBrokenOff { why }));
        } else {
            next.wake(DeadlineReason::Outage, Some(now + LOOK));
        }
    }

    /// The watch begins, or another plan.
    pub(super) fn on_set_out(&self, cx: &Context<'_>, next: &mut Next) {
        let goes_on = self.drill.as_ref().is_some_and(|drill| !drill.done);
        next.wake(DeadlineReason::Outage, goes_on.then(|| cx.mono() + LOOK));
    }

    /// What a drill of this alarm would wait for, or why none can begin now.
    pub(super) fn course(&self, cx: &Context<'_>, alarm: Option<&str>) -> Result<Course, String> {
        if let Some(drill) = self.drill.as_ref().filter(|drill| !drill.done) {
            return Err(format!("no drill now, one of {} goes on already", drill.tracker.alarm()));
        }
        let course = Course::of(cx.plan, alarm)?;
        if let Some((why, _)) = cx.sensors.deaf() {
            return Err(format!("no drill now, the broker can't be heard: {why}"));
        }
        let open: Vec<String> =
            cx.alarms().filter(|id| cx.alarms.episode(*id).is_some()).map(|id| cx.name(id)).collect();
        match open.is_empty() {
            true => Ok(course),
            false => Err(format!("no drill now, alarms are open: {}", open.join(", "))),
        }
    }

    /// How it stands.
    pub(super) fn view(&self, now: Moment) -> Option<OutageView> {
        let drill = self.drill.as_ref()?;
        Some(OutageView {
            drill: drill.seq,
            alarm: drill.tracker.alarm().to_owned(),
            out: drill.out.is_some(),
            back: drill.back.is_some(),
            over: drill.done || drill.is_over(now),
            done: drill.done,
            steps: drill.steps(),
        })
    }

    /// The record that it rests on, while it goes on.
    pub(super) fn rests_on(&self) -> Option<Seq> {
        self.drill.as_ref().filter(|drill| !drill.done).map(|drill| drill.seq)
    }
}

impl OutageDrill {
    /// What was and is waited for, in order.
    fn steps(&self) -> Vec<Measured> {
        let back = self.back.map(|_| self.tracker.in_again());
        self.tracker.out().into_iter().chain(back.into_iter().flatten()).collect()
    }

    /// Whether all has come that is waited for now, or is overdue; the plug stays out for
    /// [`LONGEST`] at most.
    fn is_over(&self, now: Moment) -> bool {
        match (self.out, self.back) {
            (_, Some(back)) => self.tracker.is_over(&self.tracker.in_again(), back, now),
            (Some(out), None) => now - out >= LONGEST || self.tracker.is_over(&self.tracker.out(), out, now),
            (None, None) => false,
        }
    }
}

#[cfg(test)]
mod tests;
