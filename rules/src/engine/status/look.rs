//! Everything at once, for `status`.

use super::{AlarmView, CallView, DeadlineView, RelayView, SensorView, Status};
use crate::callout::Call;
use crate::callout::event::Time;
use crate::callout::member::Condition;
use crate::condition::Truth;
use crate::engine::context::Context;
use crate::engine::timers::DeadlineReason;
use crate::ids::{AlarmId, RelayId, SensorId};
use crate::reading::{Content, Mapping, Value};
use crate::record::Outcome;
use crate::time::{Now, Wall};

pub(super) fn truth_word(truth: Truth) -> &'static str {
    match truth {
        Truth::True => "true",
        Truth::False => "false",
        Truth::Unknown => "unknown",
    }
}

impl Context<'_> {
    /// Everything, at `now`.
    pub(in crate::engine) fn status(&self, now: Now) -> Status {
        let place = |tank| self.plan.place(tank).to_owned();
        Status {
            site: self.plan.site.clone(),
            at: now,
            deaf: self.sensors.deaf().map(|(why, since)| format!("{why}, for {}", now.mono - *since)),
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
            calls: self.callouts.iter().map(|call| self.call_view(call, now)).collect(),
            relays: (0..)
                .map(RelayId)
                .take(self.plan.relays.len())
                .filter_map(|id| self.relay_view(id))
                .collect(),
            works: self
                .work
                .iter()
                .map(|(tank, work, until)| (place(Some(tank)), work.to_owned(), until - now.mono))
                .collect(),
            estimates: self.estimates(),
            deadlines: self
                .timers
                .iter()
                .map(|(at, reason)| DeadlineView { due: at - now.mono, reason: self.reason_words(reason) })
                .collect(),
            drills: self.drills.view(self, &now),
            outage: self.outage.view(now.mono),
        }
    }

    fn relay_view(&self, id: RelayId) -> Option<RelayView> {
        let relay = &self.plan.relays[id.index()];
        let state = self.relays.run(id).map(|run| run.words(relay));
        let kept = self.relays.kept(id).cloned();
        (state.is_some() || kept.is_some()).then(|| RelayView { name: relay.name.clone(), state, kept })
    }

    fn sensor_view(&self, id: SensorId, now: Now) -> SensorView {
        let sensor = self.plan.sensor(id);
        let track = self.sensors.track(id);
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

    pub(super) fn alarm_view(&self, id: AlarmId, now: Now) -> AlarmView {
        let alarm = self.plan.alarm(id);
        let life = self.alarms.state(id);
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
            truth: truth_word(self.alarms.truth(id)),
            code: life.episode.as_ref().map(|episode| episode.code.clone()),
            stood: standing.map(|episode| now.mono - episode.onset),
            chattering: life.chattering.is_some(),
            aside,
        }
    }

    fn call_view(&self, call: &Call, now: Now) -> CallView {
        let id = call.id();
        let about = call.core.members.iter().map(|member| match member.condition {
            Condition::Raised => member.alarm.clone(),
            Condition::PutAside(_) => format!("{} (put aside)", member.alarm),
            Condition::Returned(_) => format!("{} (over)", member.alarm),
        });
        let wall = |moment| -> Wall { now.wall_at(moment) };
        let clock = |moment| wall(moment).civil(&self.plan.zone).strftime("%H:%M").to_string();
        let pages = self.pages(id);
        let before = Some(pages.before()).filter(|before| *before > 0);
        let before = before.map(|before| format!("{before} pages before these")).into_iter();
        let told = pages.iter().map(|sent| {
            let fate = match &sent.last {
                None => "on its way".to_owned(),
                Some(Outcome::Accepted { note }) => format!("accepted: {note}"),
                Some(last) => {
                    let trouble = last.trouble().unwrap_or_default();
                    if last.is_for_now() {
                        format!("deferred: {trouble}")
                    } else {
                        format!("failed: {trouble}")
                    }
                }
            };
            format!("{} {} {fate}", clock(sent.at), sent.target)
        });
        let answered = call.answers.iter().map(|(by, at)| format!("{} answered by {by}", clock(*at)));
        let alone = call.core.members.iter().filter_map(|member| {
            let (by, until) = member.own_answer.as_ref()?;
            Some(format!("{} alone answered by {by}, until {}", member.alarm, clock(*until)))
        });
        let (next, due) = match self.callouts.pending(self, id) {
            None if call.ended() => ("its last pages are on their way".to_owned(), None),
            None => ("nothing: somebody has answered for each".to_owned(), None),
            Some((at, time)) => (time_words(&time), Some(at)),
        };
        CallView {
            id,
            policy: call.policy.clone(),
            purpose: call.purpose,
            code: call.code().to_owned(),
            about: about.collect(),
            next,
            due: due.map(|due| due - now.mono),
            told: before.chain(told).collect(),
            answered: answered.chain(alone).collect(),
        }
    }

    /// A deadline's reason in words.
    pub(in crate::engine) fn reason_words(&self, reason: DeadlineReason) -> String {
        let alarm = |id: AlarmId| &self.plan.alarm(id).name;
        let relay = |id: RelayId| &self.plan.relays[id.index()].name;
        match reason {
            DeadlineReason::Stale(id) => format!("{} may have fallen silent", self.plan.sensor(id).name),
            DeadlineReason::Blips(id) => format!("short spells of {} are told together", alarm(id)),
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
            DeadlineReason::Sirens => "a siren may have to change".to_owned(),
            DeadlineReason::Retry(page) => format!("page {page} is tried again"),
            DeadlineReason::Drills => "test pages and notices are looked after".to_owned(),
            DeadlineReason::Outage => "the outage drill is looked at".to_owned(),
            DeadlineReason::Unfinished => "work that the last turn has left goes on".to_owned(),
        }
    }
}

/// What a call-out waits for.
fn time_words(time: &Time) -> String {
    match time {
        Time::Rung { ladder, .. } => format!("the next step of {ladder}"),
        Time::HoldOver => "its cause, which is about to be raised".to_owned(),
        Time::QuietOver => "the end of the quiet hours".to_owned(),
        Time::LeaseEnded => "the answer runs out".to_owned(),
        Time::Unrenewed => "whoever answered is asked; then others are".to_owned(),
        Time::Settled => "the all-clear".to_owned(),
        Time::Anew(_) => "what is left of it counts as raised anew".to_owned(),
        Time::News => "those told hear what else stands".to_owned(),
        Time::Pressed => "whoever wanted the next person hears that there is none".to_owned(),
        Time::Sirens => "a siren has sounded for long enough".to_owned(),
    }
}

/// A value as its sensor's keeper would say it.
pub(super) fn show(mapping: &Mapping, value: Value) -> String {
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
