//! Why an alarm rings or doesn't, and what would change that.

use super::Explanation;
use super::look::truth_word;
use crate::condition::{self, Condition, Present};
use crate::engine::context::Context;
use crate::engine::sensed::Sensed;
use crate::engine::timers::DeadlineReason;
use crate::ids::AlarmId;
use crate::stopgap::on_off;
use crate::time::Now;

impl Context<'_> {
    /// Why the alarm rings or doesn't, and what would change it.
    pub(in crate::engine) fn explain(&self, alarm: &str, now: Now) -> Option<Explanation> {
        let id = self.alarm(alarm)?;
        let plan = self.plan.alarm(id);
        let life = self.alarms.state(id);
        let hold = plan.deadband.filter(|_| life.state.is_standing());
        let world = Sensed { now, ..self.world() };
        let tree = |condition: &Condition, memory, hold| {
            let reasons =
                condition.explain(self.plan, &Present { world: &world, memory, now: now.mono }, hold);
            reasons
                .into_iter()
                .map(|reason| (reason.depth, reason.text, truth_word(reason.truth)))
                .collect::<Vec<_>>()
        };
        Some(Explanation {
            alarm: self.alarm_view(id, now),
            written: plan.written.clone(),
            in_words: condition::in_words(&plan.written, self.plan),
            reasons: tree(&plan.condition, self.alarms.memory(id), hold),
            worse: plan
                .worse
                .as_ref()
                .map(|worse| tree(worse, self.alarms.memory_of_worse(id), None))
                .unwrap_or_default(),
            change: self.what_would_change(id, now),
        })
    }

    fn what_would_change(&self, id: AlarmId, now: Now) -> Vec<String> {
        let plan = self.plan.alarm(id);
        let life = self.alarms.state(id);
        let mut lines = Vec::new();
        let left = |reason| self.timers.get(reason).map(|at| at - now.mono);
        if let Some(left) = left(DeadlineReason::OnDelay(id)) {
            lines.push(format!(
                "it is true and is raised in {left} if it stays so (on-delay {})",
                plan.on_delay
            ));
        }
        if let Some(left) = left(DeadlineReason::OffDelay(id)).filter(|_| life.state.is_standing()) {
            lines.push(format!(
                "it is false and returns to normal in {left} if it stays so (off-delay {})",
                plan.off_delay
            ));
        }
        if life.chattering.is_some() {
            lines.push("it keeps coming and going, and returns only after a long quiet".to_owned());
        }
        if life.state.is_aside() {
            lines.push(format!("it is {} and can't be raised", life.state));
        }
        for cause in self.index.causes.list(id.index()) {
            if self.alarms.standing(*cause).is_some() {
                let cause = self.alarm_title(self.plan.alarm(*cause));
                lines.push(format!("{cause} stands: what rings here joins its call-out"));
            }
        }
        if lines.is_empty() {
            lines.push(match life.state.is_standing() {
                true => {
                    format!("it returns to normal once the condition has been false for {}", plan.off_delay)
                }
                false => format!("it is raised once the condition has been true for {}", plan.on_delay),
            });
        }
        if let Some(stopgap) = plan.stopgap {
            let relay = &self.plan.relays[stopgap.relay.index()];
            let run = self.relays.run(stopgap.relay);
            let state = run.map_or_else(
                || format!("switched {} when the alarm is raised", on_off(stopgap.on)),
                |run| run.words(relay),
            );
            lines.push(format!("stopgap {}: {state}", relay.title));
        }
        lines
    }
}
