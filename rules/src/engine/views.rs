//! What anybody may ask of the engine between two steps. Nothing here changes it.

use super::*;
use crate::answer::Open;
use crate::callout::Call;
use crate::condition::told_for;
use crate::ids::SensorId;
use crate::page::{Page, PageLine};
use std::collections::BTreeMap;
use std::sync::Arc;

impl Engine {
    /// When [`Engine::step`] wants to be called at the latest, and why.
    pub fn next_deadline(&self) -> Option<(Moment, DeadlineReason)> {
        let Some(due) = self.queue.due() else { return self.timers.iter().next() };
        // What is due already is a part of what is left.
        let ahead = self.timers.iter().find(|(at, _)| *at > self.now.mono);
        ahead.into_iter().chain([(due, DeadlineReason::Unfinished)]).min()
    }

    /// The oldest record that still matters: what a restart has to read from.
    pub fn horizon(&self) -> Seq {
        self.parts.rests_on(&self.context().ground).unwrap_or(self.next_seq)
    }

    /// The number that the next record will have.
    pub fn next_seq(&self) -> Seq {
        self.next_seq
    }

    /// The plan in force.
    pub fn plan(&self) -> &Arc<Plan> {
        &self.plan
    }

    /// Everything, at `now`.
    pub fn status(&self, now: Now) -> Status {
        self.context().status(now)
    }

    /// Why the alarm rings or doesn't, and what would change it.
    pub fn explain(&self, alarm: &str, now: Now) -> Option<Explanation> {
        self.context().explain(alarm, now)
    }

    /// What an outage drill of this alarm, or of the one that power loss raises, has to wait for.
    ///
    /// # Errors
    /// If none can begin now; with words for a person.
    pub fn outage_course(&self, alarm: Option<&str>) -> Result<Course, String> {
        self.parts.outage.course(&self.context(), alarm)
    }

    /// Whether somebody is being asked for, and no page of the call-out has been taken over by
    /// any hop on its way to a person, although at least one attempt has ended.
    pub fn reaches_nobody(&self) -> bool {
        self.context().reaches_nobody()
    }

    /// The silence that has been announced, if it is not over at `now`.
    pub fn silence_at(&self, now: Moment) -> Option<&Silence> {
        self.parts.operator.silence_at(now)
    }

    /// By whom, why and for how long an alarm is put aside, if it is.
    pub fn aside(&self, alarm: &str) -> Option<&Aside> {
        let id = self.index.named(&self.plan, alarm)?;
        self.parts.alarms.state(id).aside.as_deref()
    }

    /// Alarms that stand or wait for an answer, and that this plan does not have.
    pub fn dropped_by(&self, plan: &Plan) -> Vec<String> {
        let open = (0..).map(AlarmId).zip(&self.plan.alarms);
        let open = open.filter(|(id, _)| self.parts.alarms.episode(*id).is_some());
        let gone = open.filter(|(_, alarm)| plan.alarm_named(&alarm.name).is_none());
        gone.map(|(_, alarm)| alarm.name.clone()).collect()
    }

    /// What people can answer now.
    pub fn answerable(&self) -> Answerable<'_> {
        Answerable(self)
    }

    /// What the windows that know nothing yet have to be told: of which sensors, and for how long
    /// up to now, with what they said last before that.
    pub fn past_wanted(&self) -> BTreeMap<SensorId, Span> {
        let mut wanted: BTreeMap<SensorId, Span> = BTreeMap::new();
        for alarm in self.parts.alarms.unremembered().map(|id| self.plan.alarm(id)) {
            for condition in [Some(&alarm.condition), alarm.worse.as_deref()].into_iter().flatten() {
                let Some(reach) = condition.windows_reach() else { continue };
                for id in condition.sensors() {
                    let span = told_for(reach) + self.plan.sensor(id).stale_after;
                    let known = wanted.entry(id).or_default();
                    *known = span.max(*known);
                }
            }
        }
        wanted
    }

    /// How far back the windows reach that know nothing yet: all of them after a start, and those
    /// of changed conditions after another plan was adopted. None if there are none.
    pub fn wants_past(&self) -> Option<Span> {
        let unremembered = self.parts.alarms.unremembered();
        unremembered.filter_map(|id| self.plan.alarm(id).windows_reach()).max()
    }
}

/// What people can answer at a moment.
#[derive(Clone, Copy, Debug)]
pub struct Answerable<'e>(&'e Engine);

impl Answerable<'_> {
    /// Whether somebody could answer with this code now: that of an open episode, a call-out or a
    /// test page.
    pub fn has_code(&self, code: &str) -> bool {
        let code = code.trim().to_ascii_uppercase();
        let parts = &self.0.parts;
        let call = parts.callouts.running().any(|call| call.code() == code);
        parts.alarms.has_code(&code) || call || parts.drills.has_code(&code)
    }

    /// What this person can answer now: call-outs, those that ask somebody first, and the test
    /// pages that wait for them.
    pub fn by(&self, contact: &str) -> Vec<Open> {
        let (parts, cx) = (&self.0.parts, self.0.context());
        let about = |call: &Call| match call.core.members.first() {
            Some(first) => cx.matter(first).heading(),
            None => format!("drill of {}", call.policy),
        };
        let open = |call: &Call| Open { code: call.code().to_owned(), about: about(call) };
        let asking = parts.callouts.running().filter(|call| call.is_asking()).map(open);
        let quiet = parts.callouts.running().filter(|call| !call.is_asking()).map(open);
        let tests = parts.drills.tests_of(contact);
        let tests = tests.map(|code| Open { code: code.to_owned(), about: "test page".to_owned() });
        asking.chain(quiet).chain(tests).collect()
    }
}

impl HouseView {
    /// What the page in the house shows, at the last turn's moment.
    pub fn of(engine: &Engine) -> Self {
        engine.context().house()
    }
}

impl Page {
    /// A running call-out in the words of a page to this contact; none if it runs no more.
    pub fn read_by(engine: &Engine, call: Seq, who: &str) -> Option<Self> {
        engine.context().read_by(call, who)
    }

    /// Whether it has this step, by the card's own words.
    pub fn has_step(&self, step: &str) -> bool {
        self.said.parts.iter().flat_map(|part| &part.lines).any(|line| match line {
            PageLine::First(known) | PageLine::Step(_, known) => known.own == step,
            PageLine::Plain(_) | PageLine::Done(_) | PageLine::At(..) | PageLine::Link { .. } => false,
        })
    }
}
