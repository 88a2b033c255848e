//! Everything at once, for `status`.

use super::{AlarmView, CallView, DeadlineView, RelayView, SensorView, Status};
use crate::callout::Call;
use crate::callout::event::Time;
use crate::callout::member::{Condition, Member};
use crate::callout::state::Phase;
use crate::condition::{Present, Truth};
use crate::engine::context::Context;
use crate::engine::timers::DeadlineReason;
use crate::ids::{AlarmId, RelayId, SensorId, way_in_words};
use crate::plan::{Alarm, Sensor, spoken};
use crate::quality::Quality;
use crate::reading::{Content, Mapping, Value};
use crate::record::{Outcome, Purpose};
use crate::time::{Moment, Now, Wall};
use crate::units::Scale;
use crate::words;

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
        let place = |tank| self.plan.title(tank).to_owned();
        let local = now.wall.civil(&self.plan.zone);
        Status {
            site: self.plan.site.clone(),
            tanks: self.plan.tanks.iter().map(|tank| tank.title.clone()).collect(),
            time: local.strftime("%A %-d %B, %H:%M").to_string(),
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
        (state.is_some() || kept.is_some()).then(|| RelayView {
            name: relay.name.clone(),
            title: relay.title.clone(),
            state,
            kept,
        })
    }

    fn sensor_view(&self, id: SensorId, now: Now) -> SensorView {
        let sensor = self.plan.sensor(id);
        let track = self.sensors.track(id);
        let (quality, doubt) = track.quality(sensor, now.mono);
        let away = self.sensors.said_away(id, now.mono).filter(|_| quality == Quality::Absent);
        SensorView {
            name: sensor.name.clone(),
            place: self.plan.place(sensor.tank).to_owned(),
            title: match sensor.tank.map(|tank| self.plan.title(Some(tank))) {
                Some(tank) => words::without_place(&sensor.title, tank).to_owned(),
                None => sensor.title.clone(),
            },
            tank: sensor.tank.map(|tank| self.plan.title(Some(tank)).to_owned()),
            shown: track.last_good().map(|(value, _)| words::for_people(&show(&sensor.mapping, value))),
            trend: track.per_hour(sensor, now.mono).and_then(|rate| trend(sensor, rate)),
            value: track.last_good().map(|(value, _)| show(&sensor.mapping, value)),
            quality: quality.to_string(),
            why: away.or_else(|| doubt.map(|doubt| words::for_people_in(&doubt.words(&sensor.scale)))),
            age: track.heard().map(|heard| now.mono - heard),
            rejected: track.counts().rejected,
        }
    }

    /// `Lagoon: the water is too cold`
    pub(super) fn alarm_title(&self, alarm: &Alarm) -> String {
        let place = self.plan.title_of_place(alarm);
        format!("{}: {}", words::capital(place), words::without_place(&alarm.title, place))
    }

    /// What an alarm that stands rests on now.
    fn reading_of(&self, id: AlarmId) -> String {
        let alarm = self.plan.alarm(id);
        let world = self.world();
        let present = Present { world: &world, memory: self.alarms.memory(id), now: self.mono() };
        alarm.condition.readings(self.plan, &present, self.plan.title_of_place(alarm))
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
            title: self.alarm_title(alarm),
            reading: standing.map(|_| self.reading_of(id)).unwrap_or_default(),
            cause: alarm.cause.as_ref().map(ToString::to_string),
            priority: alarm.priority,
            state: life.state.to_string(),
            truth: truth_word(self.alarms.truth(id)),
            code: life.episode.as_ref().map(|episode| episode.code.clone()),
            stood: standing.map(|episode| now.mono - episode.onset),
            since: standing.map(|episode| words::clock(&now, episode.onset, &self.plan.zone)),
            chattering: life.chattering.is_some(),
            aside,
        }
    }

    fn call_view(&self, call: &Call, now: Now) -> CallView {
        let id = call.id();
        let named = |name: &dyn Fn(&str) -> String| -> Vec<String> {
            let named = |member: &Member| match member.condition {
                Condition::Raised => name(&member.alarm),
                Condition::PutAside(_) => format!("{} (put aside)", name(&member.alarm)),
                Condition::Returned(_) => format!("{} (over)", name(&member.alarm)),
            };
            call.core.members.iter().map(named).collect()
        };
        let title = |name: &str| {
            self.alarm(name).map_or_else(|| spoken(name), |id| self.alarm_title(self.plan.alarm(id)))
        };
        let person = |who: &str| {
            let known = self.plan.directory.contacts.get(who);
            known.map_or_else(|| who.to_owned(), |contact| contact.name.clone())
        };
        let wall = |moment| -> Wall { now.wall_at(moment) };
        let clock = |moment| wall(moment).civil(&self.plan.zone).strftime("%H:%M").to_string();
        let pages = self.pages(id);
        let before = Some(pages.before()).filter(|before| *before > 0);
        let before = before.map(|before| format!("{before} pages before these")).into_iter();
        let told = pages.iter().map(|sent| {
            let fate = match &sent.last {
                None => "on its way".to_owned(),
                Some(Outcome::Accepted { .. }) => match (&sent.target.contact, sent.purpose) {
                    (Some(_), _) => "sent".to_owned(),
                    (None, Purpose::Taken | Purpose::AllClear) => "switched off".to_owned(),
                    (None, Purpose::Call | Purpose::Digest | Purpose::Drill | Purpose::Notice) => {
                        "switched on".to_owned()
                    }
                },
                Some(last) => {
                    let trouble = last.trouble().unwrap_or_default();
                    if last.is_for_now() {
                        format!("not yet: {trouble}")
                    } else {
                        format!("FAILED: {trouble}")
                    }
                }
            };
            format!("{} {}: {fate}", clock(sent.at), self.plan.way_in_words(&sent.target))
        });
        let answered = call
            .answers
            .iter()
            .map(|(by, at)| format!("{} {} answered {}", clock(*at), person(&by.who), way_in_words(&by.via)));
        let alone = call.core.members.iter().filter_map(|member| {
            let (by, until) = member.own_answer.as_ref()?;
            let who = format!("{} answered {}", person(&by.who), way_in_words(&by.via));
            Some(format!("{}: {who}, until {}", title(&member.alarm), clock(*until)))
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
            about: named(&|name| name.to_owned()),
            titles: named(&title),
            held: answered_until(&call.core.phase).map(|until| {
                let who = call.answers.last().map_or("somebody".to_owned(), |(by, _)| person(&by.who));
                format!("{who} takes care of it until {}", clock(until))
            }),
            next,
            due: due.map(|due| due - now.mono),
            told: before.chain(told).collect(),
            answered: answered.chain(alone).collect(),
        }
    }

    /// A deadline's reason in words.
    pub(in crate::engine) fn reason_words(&self, reason: DeadlineReason) -> String {
        let alarm = |id: AlarmId| self.alarm_title(self.plan.alarm(id));
        let relay = |id: RelayId| &self.plan.relays[id.index()].title;
        match reason {
            DeadlineReason::Stale(id) => {
                let sensor = self.plan.sensor(id);
                let place = self.plan.title(sensor.tank);
                let title = words::without_place(&sensor.title, place);
                format!("{}: {title} may have fallen silent", words::capital(place))
            }
            DeadlineReason::Blips(id) => format!("short spells of {} are told together", alarm(id)),
            DeadlineReason::Recheck(id) => format!("{} may change by time alone", alarm(id)),
            DeadlineReason::OnDelay(id) => format!("{}: the on-delay ends", alarm(id)),
            DeadlineReason::OffDelay(id) => format!("{}: the off-delay ends", alarm(id)),
            DeadlineReason::Shelf(id) => format!("{}: the shelf ends", alarm(id)),
            DeadlineReason::Work(id) => format!("work on {} ends", self.plan.title(Some(id))),
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

/// Until when somebody has it.
fn answered_until(phase: &Phase) -> Option<Moment> {
    match phase {
        Phase::Answered { until } => Some(*until),
        Phase::Held { .. } | Phase::Climbing | Phase::Asking { .. } | Phase::Over => None,
    }
}

/// What a call-out waits for.
fn time_words(time: &Time) -> String {
    match time {
        Time::Rung { ladder, .. } => format!("the next step of {}", spoken(ladder)),
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

/// What of a sensor goes up and down in a way that tells something.
const TRENDS: [&str; 6] = ["temperature", "level", "salinity", "ph", "oxygen", "orp"];

/// Where a number goes, in words; nothing for what is switched, or has no calm of its own.
fn trend(sensor: &Sensor, per_hour: f64) -> Option<String> {
    if !TRENDS.contains(&sensor.measure.name) {
        return None;
    }
    let scale = Scale { unit: sensor.scale.unit.as_difference(), name: sensor.scale.name.clone() };
    let moved = scale.unit.from_base(per_hour.abs());
    if moved < 0.2 {
        return Some("steady".to_owned());
    }
    let way = if per_hour < 0.0 { "falling" } else { "rising" };
    let rounded = scale.unit.to_base((moved * 10.0).round() / 10.0);
    Some(format!("{way} {} an hour", words::value(&scale, rounded)))
}

/// A value as its sensor's keeper would say it.
pub(super) fn show(mapping: &Mapping, value: Value) -> String {
    let content = &mapping.content;
    match (content, value) {
        (Content::Number(scale), Value::Number(base)) => scale.show(base),
        (Content::Words(words), Value::Word(at)) => {
            words.get(usize::from(at)).map_or_else(|| format!("word {at}"), |word| word.name.clone())
        }
        (Content::Number(_), Value::Word(at)) => format!("word {at}"),
        (Content::Words(_), Value::Number(base)) => format!("{base}"),
    }
}
