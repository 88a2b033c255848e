//! Another plan takes over while the watch goes on. What bears the same name goes on as it
//! was: alarms with their episodes, call-outs, work, stopgaps, and what sensors have said if
//! they are still fed and read in the same way. What the new plan drops is put aside, by a
//! record like anything else.

use super::alarms::{Recall, Watch};
use super::forecasts::Foresight;
use super::sensors::Senses;
use super::timers::Timers;
use super::{DeadlineReason, Engine, Index, Turn};
use crate::alarm::{AlarmState, State};
use crate::plan::{AlarmId, Plan, RelayId, Sensor, SensorId};
use crate::record::{Body, By};
use crate::time::Now;
use std::collections::BTreeMap;

impl Engine {
    /// Alarms that stand or wait for an answer, and that this plan does not have.
    pub fn dropped_by(&self, plan: &Plan) -> Vec<String> {
        let open = self.plan.alarms.iter().zip(&self.lives).filter(|(_, life)| life.episode.is_some());
        let gone = open.filter(|(alarm, _)| plan.alarm_named(&alarm.name).is_none());
        gone.map(|(alarm, _)| alarm.name.clone()).collect()
    }

    /// Goes on with another plan. Nothing that stands is forgotten.
    pub fn adopt(&mut self, now: Now, plan: Plan) -> Turn {
        self.now = Now { mono: now.mono.max(self.now.mono), ..now };
        let changes = changes(&self.plan, &plan);
        self.take_out_what_goes(&plan);

        let old = std::mem::replace(&mut self.plan, plan);
        self.index = Index::of(&self.plan);
        if old.drill.pages != self.plan.drill.pages {
            self.drills.count_from(self.now.mono);
        }
        self.timers = Timers::default();

        let recalls = std::mem::take(&mut self.recalls);
        let watches = std::mem::take(&mut self.watches).into_iter().zip(recalls);
        let known = old.alarms.iter().zip(std::mem::take(&mut self.lives)).zip(watches);
        let mut known: BTreeMap<_, _> =
            known.map(|((alarm, life), watch)| (&alarm.name, (alarm, life, watch))).collect();
        self.unremembered.clear();
        for (id, alarm) in (0..).map(AlarmId).zip(&self.plan.alarms) {
            let mut afresh = |life| {
                self.unremembered.insert(id);
                (life, (Watch::new(self.now.mono), Recall::of(alarm, self.now.mono)))
            };
            let (life, (watch, recall)) = match known.remove(&alarm.name) {
                // What was remembered for one condition would be nonsense for another.
                Some((before, life, (watch, recall))) if before.asks_alike(alarm) => (life, (watch, recall)),
                Some((_, life, _)) => afresh(life),
                None => afresh(AlarmState::default()),
            };
            self.lives.push(life);
            self.watches.push(watch);
            self.recalls.push(recall);
        }

        let before = std::mem::replace(&mut self.senses, Senses::new(&self.plan, self.now.mono));
        self.senses.deaf = before.deaf;
        self.senses.clock_was_right = before.clock_was_right;
        self.senses.parts = before.parts;
        let notes = before.notes.into_iter().filter_map(|(id, note)| {
            let name = &old.sensors[id.index()].name;
            let place = self.plan.sensors.iter().position(|sensor| sensor.name == *name)?;
            Some((SensorId(place as u32), note))
        });
        self.senses.notes = notes.collect();
        let mut known: BTreeMap<_, _> = old
            .sensors
            .iter()
            .zip(before.tracks)
            .map(|(sensor, track)| (&sensor.name, (sensor, track)))
            .collect();
        for (sensor, track) in self.plan.sensors.iter().zip(&mut self.senses.tracks) {
            if let Some((_, heard)) =
                known.remove(&sensor.name).filter(|(before, _)| reads_alike(before, sensor))
            {
                *track = heard;
            }
        }

        let before = std::mem::replace(&mut self.foresight, Foresight::new(&self.plan, self.now.mono));
        self.foresight.carry_over(&old, before, &self.plan);

        self.works = std::mem::take(&mut self.works)
            .into_iter()
            .filter_map(|(id, spell)| Some((self.tank(&old.tanks[id.index()].name)?, spell)))
            .collect();
        let renumbered = |id: RelayId| self.relay(&old.relays[id.index()].name);
        let (runs, switched, kept) = (&self.runs, &self.switched, &self.kept);
        let runs = runs.iter().filter_map(|(id, run)| Some((renumbered(*id)?, run.clone()))).collect();
        let switched = switched.iter().filter_map(|(id, last)| Some((renumbered(*id)?, *last))).collect();
        let same_topic = |before: RelayId| {
            let after = renumbered(before)?;
            (self.plan.relays[after.index()].topic == old.relays[before.index()].topic).then_some(after)
        };
        let kept = kept.iter().filter_map(|(id, said)| Some((same_topic(*id)?, said.clone()))).collect();
        (self.runs, self.switched, self.kept) = (runs, switched, kept);
        self.other_hands.clear();

        self.record(Body::Reloaded { changes });
        self.set_out();
        self.meet_deadlines();
        std::mem::take(&mut self.turn)
    }

    /// Relays under the agent's hand, and alarms with something open, that the new plan doesn't
    /// have leave by a record.
    fn take_out_what_goes(&mut self, plan: &Plan) {
        for (relay, run) in self.runs.clone() {
            let name = self.plan.relays[relay.index()].name.clone();
            if !plan.relays.iter().any(|relay| relay.name == name) {
                let why = "the new rule file has no such relay".to_owned();
                self.record(Body::Released { relay: name, episode: run.episode, why });
            }
        }
        for id in (0..).map(AlarmId).take(self.plan.alarms.len()) {
            let name = self.plan.alarm(id).name.clone();
            let life = &self.lives[id.index()];
            if plan.alarm_named(&name).is_none() && (life.episode.is_some() || life.aside.is_some()) {
                let by = By { who: "the keeper".to_owned(), via: "reload".to_owned() };
                let episode = self.episode_of(id);
                self.record(Body::TakenOut {
                    alarm: name,
                    by,
                    why: "the new rule file has no such alarm".to_owned(),
                });
                self.after_aside(id, episode);
            }
        }
    }

    /// Sets every deadline from the state there is, and looks at everything once: at a start,
    /// and under a new plan.
    pub(super) fn set_out(&mut self) {
        for id in (0..).map(SensorId).take(self.plan.sensors.len()) {
            self.check_stale(id);
        }
        for id in (0..).map(AlarmId).take(self.plan.alarms.len()) {
            self.wake_for_shelf(id);
            if self.lives[id.index()].state == State::Normal {
                self.suppress_for_work(id);
            }
            self.judge(id);
        }
        self.release_from_work();
        for (tank, until) in self.works.iter().map(|(tank, spell)| (*tank, spell.until)).collect::<Vec<_>>() {
            self.timers.set(DeadlineReason::Work(tank), Some(until));
        }
        self.attend_all();
        let gone = self.calls.values().filter(|call| !call.ended && self.policy(call).is_none());
        for call in gone.map(|call| call.id).collect::<Vec<_>>() {
            self.end_call(call);
        }
        for call in self.calls.keys().copied().collect::<Vec<_>>() {
            self.wake_for_call(call);
            for page in self.calls[&call].pages.iter().map(|sent| sent.id).collect::<Vec<_>>() {
                self.arm_retry(page);
            }
        }
        self.call_for_the_forgotten();
        self.arm_slips();
        self.tend_drills();
    }

    /// What stands is always in a call-out, if its alarm calls anybody: also when another plan
    /// has renamed the policy, or has given it its first.
    fn call_for_the_forgotten(&mut self) {
        for id in (0..).map(AlarmId).take(self.plan.alarms.len()) {
            let episode = self.episode_of(id).filter(|_| self.lives[id.index()].state.is_standing());
            if let Some(episode) = episode {
                self.call_for(id, episode);
            }
        }
    }
}

/// Whether what was heard before means the same now.
fn reads_alike(before: &Sensor, after: &Sensor) -> bool {
    before.feed == after.feed && before.mapping == after.mapping && before.measure == after.measure
}

/// What differs between two plans, a line each.
fn changes(old: &Plan, new: &Plan) -> Vec<String> {
    let mut lines = Vec::new();
    let mut compare = |kind: &str, old: BTreeMap<&String, String>, new: BTreeMap<&String, String>| {
        lines.extend(
            old.keys().filter(|name| !new.contains_key(*name)).map(|name| format!("{kind} {name} is gone")),
        );
        for (name, text) in &new {
            match old.get(name) {
                None => lines.push(format!("{kind} {name} is new")),
                Some(before) if before != text => lines.push(format!("{kind} {name} has changed")),
                Some(_) => {}
            }
        }
    };
    // Alarms for lost sight follow from the others.
    let alarms =
        |plan: &Plan| plan.alarms.iter().filter(|alarm| alarm.sight.is_none()).cloned().collect::<Vec<_>>();
    let (old_alarms, new_alarms) = (alarms(old), alarms(new));
    compare("tank", texts(&old.tanks, |it| &it.name), texts(&new.tanks, |it| &it.name));
    compare("sensor", texts(&old.sensors, |it| &it.name), texts(&new.sensors, |it| &it.name));
    compare("relay", texts(&old.relays, |it| &it.name), texts(&new.relays, |it| &it.name));
    compare("alarm", texts(&old_alarms, |it| &it.name), texts(&new_alarms, |it| &it.name));
    compare("call-out", texts(&old.callouts, |it| &it.name), texts(&new.callouts, |it| &it.name));
    if old.drill != new.drill {
        lines.push("when drills are due has changed".to_owned());
    }
    if old.directory != new.directory {
        lines.push("contacts or channels have changed".to_owned());
    }
    lines
}

fn texts<T: std::fmt::Debug>(list: &[T], name: impl Fn(&T) -> &String) -> BTreeMap<&String, String> {
    list.iter().map(|it| (name(it), format!("{it:?}"))).collect()
}
