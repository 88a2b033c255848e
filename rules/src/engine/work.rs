//! Declared work: feeding and maintenance, begun and ended by people or buttons, and by itself at
//! the latest. While it goes on, alarms of its tank that rest on what it pauses are suppressed,
//! unless the work can't have caused them: it cools water and lays probes bare, and warms nothing.

use super::context::Context;
use super::ground::Ground;
use super::task::{Next, Task};
use super::timers::DeadlineReason;
use crate::alarm::{AlarmEvent, State};
use crate::condition::Condition;
use crate::ids::{AlarmId, By, SensorId, Seq, TankId};
use crate::plan::{Button, Plan};
use crate::record::{Body, Record};
use crate::time::{Moment, Span};
use std::collections::BTreeMap;

/// Work that goes on.
#[derive(Debug, Default)]
pub(super) struct WorkPeriods {
    periods: BTreeMap<TankId, Period>,
    /// The kind of the last work on each tank that has ended.
    ended: BTreeMap<TankId, String>,
}

/// Work going on on a tank.
#[derive(Clone, Debug, PartialEq)]
struct Period {
    seq: Seq,
    work: String,
    until: Moment,
}

impl WorkPeriods {
    /// What a record does to what lasts.
    pub(super) fn apply(&mut self, ground: &Ground<'_>, record: &Record) {
        match &record.body {
            Body::WorkBegan { tank, work, length, .. } => {
                let Some(tank) = ground.tank(tank) else { return };
                let until = record.at.mono + *length;
                self.periods.insert(tank, Period { seq: record.seq, work: work.clone(), until });
            }
            Body::WorkEnded { tank, .. } => {
                let Some(tank) = ground.tank(tank) else { return };
                self.ended.extend(self.periods.remove(&tank).map(|period| (tank, period.work)));
            }
            _ => {}
        }
    }

    /// Takes over under another plan what goes on on tanks of the same name.
    pub(super) fn carry_over(&mut self, old: &Plan, new: &Plan) {
        let renumbered = |id: TankId| {
            let name = &old.tanks[id.index()].name;
            new.tanks.iter().position(|tank| tank.name == *name).map(|at| TankId(at as u32))
        };
        let periods = std::mem::take(&mut self.periods).into_iter();
        self.periods = periods.filter_map(|(id, period)| Some((renumbered(id)?, period))).collect();
        let ended = std::mem::take(&mut self.ended).into_iter();
        self.ended = ended.filter_map(|(id, work)| Some((renumbered(id)?, work))).collect();
    }

    /// A person begins work.
    pub(super) fn on_begin(
        &self,
        cx: &Context<'_>,
        (tank, work): (String, String),
        length: Option<Span>,
        by: By,
        next: &mut Next,
    ) {
        let what = format!("begin {work} on {tank}");
        let Some(id) = cx.tank(&tank) else {
            return next.refuse(what, format!("there is no tank `{tank}`"), &by);
        };
        let Some(longest) = cx.plan.works.get(&work).map(|work| work.longest) else {
            let known: Vec<_> = cx.plan.works.keys().map(String::as_str).collect();
            let why = format!("there is no work `{work}`; there is: {}", known.join(", "));
            return next.refuse(what, why, &by);
        };
        if self.goes_on(id) {
            return next.refuse(what, "work is going on there already: end it first", &by);
        }
        let length = length.unwrap_or(longest);
        if length <= Span::ZERO || length > longest {
            let why = format!("{work} lasts more than 0 s and at most {longest}");
            return next.refuse(what, why, &by);
        }
        next.record(Body::WorkBegan { tank, work, length, by });
        next.wake(DeadlineReason::Work(id), Some(cx.mono() + length));
        next.then(Task::Suppress { standing: true });
    }

    /// A person ends it, or its time is over: everything it paused is looked at again at once.
    pub(super) fn on_end(&self, cx: &Context<'_>, tank: TankId, by: Option<By>, next: &mut Next) {
        let Some(period) = self.periods.get(&tank) else { return };
        next.wake(DeadlineReason::Work(tank), None);
        let (tank, work) = (cx.plan.place(Some(tank)).to_owned(), period.work.clone());
        next.record(Body::WorkEnded { tank, work, by });
        next.then(Task::Release);
    }

    /// A person asks for its end by the tank's name.
    pub(super) fn on_end_asked(&self, cx: &Context<'_>, tank: &str, by: By, next: &mut Next) {
        match cx.tank(tank).filter(|id| self.goes_on(*id)) {
            Some(id) => self.on_end(cx, id, Some(by), next),
            None => next.refuse(format!("end work on {tank}"), "no work is going on there", &by),
        }
    }

    /// A button was pressed, perhaps: it begins its work, or ends it if it is going on.
    pub(super) fn on_press(&self, cx: &Context<'_>, topic: &str, payload: &[u8], next: &mut Next) {
        let pressed = |it: &&Button| it.topic == topic && payload.trim_ascii() == it.press.as_bytes();
        let mut works = cx.plan.works.iter();
        let found = works.find_map(|(name, work)| Some((name, work.buttons.iter().find(pressed)?.tank)));
        let Some((work, tank)) = found else { return };
        let by = By { who: "somebody".to_owned(), via: format!("button {topic}") };
        if self.periods.get(&tank).is_some_and(|period| period.work == *work) {
            self.on_end(cx, tank, Some(by), next);
        } else {
            let tank = cx.plan.place(Some(tank)).to_owned();
            self.on_begin(cx, (tank, work.clone()), None, by, next);
        }
    }

    /// Work goes on, or another plan says what it disturbs: alarms are put aside; those that stand
    /// too if it has just begun.
    pub(super) fn on_suppress(&self, cx: &Context<'_>, standing: bool, next: &mut Next) {
        for alarm in cx.alarms() {
            if standing || cx.alarms.state(alarm).state == State::Normal {
                self.on_back(cx, alarm, next);
            }
        }
    }

    /// An alarm comes back from where it was put aside: if work disturbs it, it is put aside again.
    pub(super) fn on_back(&self, cx: &Context<'_>, alarm: AlarmId, next: &mut Next) {
        if self.disturbs(cx, alarm) && cx.alarms.may(alarm, AlarmEvent::Suppress) {
            next.record(Body::Suppressed { alarm: cx.name(alarm) });
            next.then(Task::Judge(alarm));
            if let Some(episode) = cx.alarms.episode(alarm) {
                next.tasks.extend(cx.plan.alarm(alarm).stopgap.map(|stopgap| Task::Attend(stopgap.relay)));
                next.then(Task::Fell(episode));
            }
        }
    }

    /// Takes back in what no work disturbs any more.
    pub(super) fn on_release(&self, cx: &Context<'_>, next: &mut Next) {
        for alarm in cx.alarms() {
            let suppressed = cx.alarms.state(alarm).state == State::SuppressedByDesign;
            if suppressed && !self.disturbs(cx, alarm) {
                next.record(Body::Unsuppressed { alarm: cx.name(alarm), work: self.ended_before(cx, alarm) });
                next.then(Task::Judge(alarm));
            }
        }
    }

    /// The watch begins, or another plan: what goes on gets its deadlines.
    pub(super) fn on_set_out(&self, next: &mut Next) {
        for (tank, period) in &self.periods {
            next.wake(DeadlineReason::Work(*tank), Some(period.until));
        }
    }

    /// Whether work disturbs what the alarm rests on.
    fn disturbs(&self, cx: &Context<'_>, alarm: AlarmId) -> bool {
        !self.paused(cx.plan, alarm).is_empty()
    }

    /// The sensors of an alarm's condition that work disturbs now. A fall of the temperature may
    /// come from the work, a rise never does: neither too warm water nor a heater that sticks is
    /// paused.
    pub(super) fn paused(&self, plan: &Plan, alarm: AlarmId) -> Vec<SensorId> {
        if self.periods.is_empty() {
            return Vec::new();
        }
        disturbed(plan, &plan.alarm(alarm).condition, |sensor| {
            let period = self.periods.get(&plan.sensor(sensor).tank?)?;
            Some(period.work.as_str())
        })
    }

    /// The kind of work that had paused this alarm, and has ended; empty if nobody knows.
    fn ended_before(&self, cx: &Context<'_>, alarm: AlarmId) -> String {
        let condition = &cx.plan.alarm(alarm).condition;
        let of = |id: SensorId| {
            let work = self.ended.get(&cx.plan.sensor(id).tank?)?;
            may_come_of(cx.plan, work, condition, id).then(|| work.clone())
        };
        condition.sensors().into_iter().find_map(of).unwrap_or_default()
    }

    /// Whether work goes on on this tank.
    pub(super) fn goes_on(&self, tank: TankId) -> bool {
        self.periods.contains_key(&tank)
    }

    /// Tank, kind, and until when at the latest.
    pub(super) fn iter(&self) -> impl Iterator<Item = (TankId, &str, Moment)> {
        self.periods.iter().map(|(tank, period)| (*tank, period.work.as_str(), period.until))
    }

    /// The records that it rests on.
    pub(super) fn rests_on(&self) -> impl Iterator<Item = Seq> + '_ {
        self.periods.values().map(|period| period.seq)
    }
}

/// The sensors of a condition that work disturbs, given which kind goes on around a sensor.
pub(super) fn disturbed<'w>(
    plan: &Plan,
    condition: &Condition,
    goes_on: impl Fn(SensorId) -> Option<&'w str>,
) -> Vec<SensorId> {
    let is_disturbed =
        |id: &SensorId| goes_on(*id).is_some_and(|work| may_come_of(plan, work, condition, *id));
    condition.sensors().into_iter().filter(is_disturbed).collect()
}

/// Whether work of this kind can make the condition true by what it does to this sensor.
fn may_come_of(plan: &Plan, work: &str, condition: &Condition, sensor: SensorId) -> bool {
    let measure = plan.sensor(sensor).measure.name;
    let pauses = plan.works.get(work).is_some_and(|work| work.pauses.iter().any(|it| it == measure));
    pauses && (measure != "temperature" || condition.may_come_by_a_fall(sensor))
}

#[cfg(test)]
mod tests;
