//! What the engine knows, for people: everything `status` shows, and the reasons that
//! `explain` gives. Looking changes nothing.

use super::test_pages::DrillsView;
use super::{DeadlineReason, Engine};
use crate::alarm::Priority;
use crate::callout::{Fate, Phase};
use crate::condition::{Condition, Present};
use crate::plan::{AlarmId, RelayId, SensorId};
use crate::reading::{Content, Mapping, Value};
use crate::record::{Estimated, Outcome, Purpose, Seq};
use crate::stopgap::on_off;
use crate::time::{Now, Span, Wall};
use serde::Serialize;

/// All of it, at one moment. A versioned form of its own, made to be printed and sent.
#[derive(Clone, Debug, Serialize)]
pub struct Status {
    /// The site.
    pub site: String,
    /// When.
    pub at: Now,
    /// Why the broker can't be heard, if so.
    pub deaf: Option<String>,
    /// In the order of the plan.
    pub sensors: Vec<SensorView>,
    /// In the order of the plan.
    pub alarms: Vec<AlarmView>,
    /// The oldest first.
    pub calls: Vec<CallView>,
    /// Those under the agent's hand, and those for which the broker keeps a command.
    pub relays: Vec<RelayView>,
    /// Work going on: tank, kind, and how long it still may.
    pub works: Vec<(String, String, Span)>,
    /// What is foretold of tanks and batteries.
    pub estimates: Vec<Estimated>,
    /// The earliest first.
    pub deadlines: Vec<DeadlineView>,
    /// What test pages and outage drills have shown; none if there are none.
    pub drills: Option<DrillsView>,
}

/// A sensor.
#[derive(Clone, Debug, Serialize)]
pub struct SensorView {
    /// Its name.
    pub name: String,
    /// Its tank or the site.
    pub place: String,
    /// The last believed value with its unit, or the word.
    pub value: Option<String>,
    /// `good`, `suspect`, `stale`, `old`, `absent`.
    pub quality: String,
    /// What speaks against it.
    pub why: Option<String>,
    /// Since the last live message.
    pub age: Option<Span>,
    /// Readings that were not believed, since the start.
    pub rejected: u64,
}

/// An alarm.
#[derive(Clone, Debug, Serialize)]
pub struct AlarmView {
    /// Its name.
    pub name: String,
    /// Its tank or the site.
    pub place: String,
    /// How much it matters.
    pub priority: Priority,
    /// In the words of the standard.
    pub state: String,
    /// `true`, `false`, `unknown`.
    pub truth: &'static str,
    /// The open episode's code.
    pub code: Option<String>,
    /// How long it has stood.
    pub stood: Option<Span>,
    /// It keeps coming and going.
    pub chattering: bool,
    /// Who put it aside, why, and for how long still.
    pub aside: Option<String>,
}

/// A call-out.
#[derive(Clone, Debug, Serialize)]
pub struct CallView {
    /// Its number.
    pub id: Seq,
    /// The policy.
    pub policy: String,
    /// Why it runs.
    pub purpose: Purpose,
    /// What answers it.
    pub code: String,
    /// Alarms in it, each with what became of it.
    pub about: Vec<String>,
    /// What comes next, in words.
    pub next: String,
    /// In how long.
    pub due: Option<Span>,
    /// Who was told, how, and what came of it.
    pub told: Vec<String>,
}

/// A relay under the agent's hand, or of which there is something to say.
#[derive(Clone, Debug, Serialize)]
pub struct RelayView {
    /// Its name.
    pub name: String,
    /// What was commanded, and whether it is proved; nothing if the agent has no hand in it.
    pub state: Option<String>,
    /// The command that the broker keeps for it, if it does: a device that connects obeys it.
    pub kept: Option<String>,
}

/// A deadline.
#[derive(Clone, Debug, Serialize)]
pub struct DeadlineView {
    /// In how long.
    pub due: Span,
    /// Why, in words.
    pub reason: String,
}

/// Why an alarm rings or doesn't.
#[derive(Clone, Debug, Serialize)]
pub struct Explanation {
    /// The alarm as `status` shows it.
    pub alarm: AlarmView,
    /// As the keeper wrote it.
    pub written: String,
    /// The condition's parts with their values: depth, words, truth.
    pub reasons: Vec<(usize, String, &'static str)>,
    /// The same of what makes it worse, and breaks through an answer; empty if nothing does.
    pub worse: Vec<(usize, String, &'static str)>,
    /// What would change it, and when.
    pub change: Vec<String>,
}

fn truth_word(truth: crate::condition::Truth) -> &'static str {
    match truth {
        crate::condition::Truth::True => "true",
        crate::condition::Truth::False => "false",
        crate::condition::Truth::Unknown => "unknown",
    }
}

impl Engine {
    /// Everything, at `now`.
    pub fn status(&self, now: Now) -> Status {
        let place = |tank| self.plan.place(tank).to_owned();
        Status {
            site: self.plan.site.clone(),
            at: now,
            deaf: self.senses.deaf.as_ref().map(|(why, since)| format!("{why}, for {}", now.mono - *since)),
            sensors: (0..)
                .map(SensorId)
                .take(self.plan.sensors.len())
                .map(|id| self.sensor_view(id, now))
                .collect(),
            alarms: (0..)
                .map(AlarmId)
                .take(self.plan.alarms.len())
                .map(|id| self.alarm_view(id, now))
                .collect(),
            calls: self.calls.keys().filter_map(|id| self.call_view(*id, now)).collect(),
            relays: (0..)
                .map(RelayId)
                .take(self.plan.relays.len())
                .filter_map(|id| self.relay_view(id))
                .collect(),
            works: self
                .works
                .iter()
                .map(|(tank, spell)| (place(Some(*tank)), spell.work.clone(), spell.until - now.mono))
                .collect(),
            estimates: self.estimates(),
            deadlines: self
                .timers
                .iter()
                .map(|(at, reason)| DeadlineView { due: at - now.mono, reason: self.reason_words(reason) })
                .collect(),
            drills: self.drills_view(now),
        }
    }

    /// Why the alarm rings or doesn't, and what would change it.
    pub fn explain(&self, alarm: &str, now: Now) -> Option<Explanation> {
        let id = self.alarm(alarm)?;
        let plan = self.plan.alarm(id);
        let life = &self.lives[id.index()];
        let hold = plan.deadband.filter(|_| life.state.is_standing());
        let world = super::sensors::Sensed { now, ..self.world() };
        let recall = &self.recalls[id.index()];
        let tree = |condition: &Condition, memory, hold| {
            let reasons =
                condition.explain(&self.plan, &Present { world: &world, memory, now: now.mono }, hold);
            reasons
                .into_iter()
                .map(|reason| (reason.depth, reason.text, truth_word(reason.truth)))
                .collect::<Vec<_>>()
        };
        Some(Explanation {
            alarm: self.alarm_view(id, now),
            written: plan.written.clone(),
            reasons: tree(&plan.condition, &recall.when, hold),
            worse: plan.worse.as_ref().map(|worse| tree(worse, &recall.worse, None)).unwrap_or_default(),
            change: self.what_would_change(id, now),
        })
    }

    fn what_would_change(&self, id: AlarmId, now: Now) -> Vec<String> {
        let plan = self.plan.alarm(id);
        let life = &self.lives[id.index()];
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
        for cause in &self.index.causes[id.index()] {
            if self.lives[cause.index()].state.is_standing() {
                lines.push(format!(
                    "{} stands: what rings here joins its call-out",
                    self.plan.alarm(*cause).name
                ));
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
            let run = self.runs.get(&stopgap.relay);
            let state = run.map_or_else(
                || format!("switched {} when the alarm is raised", on_off(stopgap.on)),
                |run| run.words(relay),
            );
            lines.push(format!("stopgap {}: {state}", relay.name));
        }
        lines
    }

    fn relay_view(&self, id: RelayId) -> Option<RelayView> {
        let relay = &self.plan.relays[id.index()];
        let state = self.runs.get(&id).map(|run| run.words(relay));
        let kept = self.kept.get(&id).cloned();
        (state.is_some() || kept.is_some()).then(|| RelayView { name: relay.name.clone(), state, kept })
    }

    fn sensor_view(&self, id: SensorId, now: Now) -> SensorView {
        let sensor = self.plan.sensor(id);
        let track = &self.senses.tracks[id.index()];
        let (quality, doubt) = track.quality(sensor, now.mono);
        SensorView {
            name: sensor.name.clone(),
            place: self.plan.place(sensor.tank).to_owned(),
            value: track.last_good().map(|(value, _)| show(&sensor.mapping, value)),
            quality: quality.to_string(),
            why: doubt.map(|doubt| doubt.words(&sensor.scale)),
            age: track.heard().map(|heard| now.mono - heard),
            rejected: track.counts().rejected,
        }
    }

    fn alarm_view(&self, id: AlarmId, now: Now) -> AlarmView {
        let alarm = self.plan.alarm(id);
        let life = &self.lives[id.index()];
        let aside = life.aside.as_ref().map(|aside| {
            let left = aside.until.map_or(String::new(), |until| format!(", for {} more", until - now.mono));
            let why = if aside.why.is_empty() { String::new() } else { format!(": {}", aside.why) };
            format!("by {}{left}{why}", aside.by.who)
        });
        let standing = life.episode.as_ref().filter(|_| life.state.is_standing());
        AlarmView {
            name: alarm.name.clone(),
            place: self.plan.place_of(alarm).to_owned(),
            priority: alarm.priority,
            state: life.state.to_string(),
            truth: truth_word(self.watches[id.index()].truth),
            code: life.episode.as_ref().map(|episode| episode.code.clone()),
            stood: standing.map(|episode| now.mono - episode.onset),
            chattering: life.chattering.is_some(),
            aside,
        }
    }

    fn call_view(&self, id: Seq, now: Now) -> Option<CallView> {
        let call = self.calls.get(&id)?;
        let about = call.members.iter().map(|member| match member.fate {
            Fate::Stands => member.alarm.clone(),
            Fate::PutAside => format!("{} (put aside)", member.alarm),
            Fate::Over(_) => format!("{} (over)", member.alarm),
        });
        let wall = |moment| -> Wall { now.wall_at(moment) };
        let clock = |moment| wall(moment).civil(&self.plan.zone).strftime("%H:%M").to_string();
        let told = call.pages.iter().map(|sent| {
            let fate = match &sent.last {
                None => "on its way".to_owned(),
                Some(Outcome::Accepted { note }) => format!("accepted: {note}"),
                Some(Outcome::Deferred { why }) => format!("deferred: {why}"),
                Some(Outcome::Failed { why }) => format!("failed: {why}"),
            };
            format!("{} {} {fate}", clock(sent.at), sent.target)
        });
        let (next, due) = match (call.ended, call.quiet_since, call.phase) {
            (true, ..) => ("its last pages are on their way".to_owned(), None),
            (_, Some(_), _) => ("the all-clear".to_owned(), self.timers.get(DeadlineReason::Settle(id))),
            (_, None, Phase::Calling { step, due }) => (format!("step {}", step + 1), Some(due)),
            (_, None, Phase::Answered { until }) => ("the answer runs out".to_owned(), Some(until)),
            (_, None, Phase::Told) => ("nothing: it has been told".to_owned(), None),
        };
        Some(CallView {
            id,
            policy: call.policy.clone(),
            purpose: call.purpose,
            code: call.code.clone(),
            about: about.collect(),
            next,
            due: due.map(|due| due - now.mono),
            told: told.collect(),
        })
    }

    fn reason_words(&self, reason: DeadlineReason) -> String {
        let alarm = |id: AlarmId| &self.plan.alarm(id).name;
        let relay = |id: RelayId| &self.plan.relays[id.index()].name;
        match reason {
            DeadlineReason::Stale(id) => format!("{} may have fallen silent", self.plan.sensor(id).name),
            DeadlineReason::Recheck(id) => format!("{} may change by time alone", alarm(id)),
            DeadlineReason::OnDelay(id) => format!("{}: the on-delay ends", alarm(id)),
            DeadlineReason::OffDelay(id) => format!("{}: the off-delay ends", alarm(id)),
            DeadlineReason::Shelf(id) => format!("{}: the shelf ends", alarm(id)),
            DeadlineReason::Work(id) => format!("work on {} ends", self.plan.place(Some(id))),
            DeadlineReason::Proof(id) => format!("{}: the proof is due", relay(id)),
            DeadlineReason::Longest(id) => format!("{}: the longest run is over", relay(id)),
            DeadlineReason::Wait(id) => format!("{}: what it waits for may have come", relay(id)),
            DeadlineReason::Step(call) => format!("call-out {call}: the next step"),
            DeadlineReason::Lease(call) => format!("call-out {call}: the answer runs out"),
            DeadlineReason::Settle(call) => format!("call-out {call}: the all-clear"),
            DeadlineReason::Retry(page) => format!("page {page} is tried again"),
            DeadlineReason::Drills => "test pages and notices are looked after".to_owned(),
        }
    }

    /// A deadline's reason in words, for the log.
    pub fn describe(&self, reason: DeadlineReason) -> String {
        self.reason_words(reason)
    }
}

/// A value as its sensor's keeper would say it.
pub(crate) fn show(mapping: &Mapping, value: Value) -> String {
    let (Mapping::Plain(content) | Mapping::Pointer(_, content) | Mapping::Senml(_, content)) = mapping;
    match (content, value) {
        (Content::Number(scale), Value::Number(base)) => scale.show(base),
        (Content::Words(words), Value::Word(at)) => {
            words.get(usize::from(at)).map_or_else(|| format!("word {at}"), |word| word.name.clone())
        }
        (Content::Number(_), Value::Word(at)) => format!("word {at}"),
        (Content::Words(_), Value::Number(base)) => format!("{base}"),
    }
}
