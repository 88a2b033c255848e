//! What a relay's next move depends on: which alarms want it, what stands against switching it,
//! what its proof shows, and what the broker keeps for it. Looking changes nothing but what was
//! heard of kept commands.

use super::within;
use crate::alarm::AlarmState;
use crate::condition::{Condition, Truth};
use crate::engine::Engine;
use crate::plan::{AlarmId, Relay, RelayId, SensorId};
use crate::record::{Body, Seq};
use crate::stopgap::{Command, Run};
use crate::time::{Moment, Span};

/// For so long after a start, outputs wait for fresh readings. Who hears nothing for longer has
/// sensors that are dead, and keeps its bounds all the same.
pub(super) const READINGS_WITHIN: Span = Span::minutes(5);

/// More of a kept command is not shown.
const LONGEST_KEPT: usize = 64;

impl Engine {
    /// The standing alarms that want the relay, each with its episode and the state it wants.
    pub(super) fn wishers(&self, relay: RelayId) -> impl Iterator<Item = (AlarmId, Seq, bool)> + '_ {
        let alarms = (0..).map(AlarmId).zip(self.plan.alarms.iter().zip(&self.lives));
        alarms.filter_map(move |(id, (alarm, life))| {
            let stopgap = alarm.stopgap.filter(|stopgap| stopgap.relay == relay)?;
            let episode = life.episode.as_ref().filter(|_| life.state.is_standing())?;
            Some((id, episode.id, stopgap.on))
        })
    }

    /// What the highest ranking of them wants.
    pub(super) fn wish(&self, relay: RelayId) -> Option<(AlarmId, Seq, bool)> {
        // The first of those that rank alike.
        self.wishers(relay).max_by_key(|(id, ..)| (self.plan.alarm(*id).priority, std::cmp::Reverse(*id)))
    }

    /// What stands against switching a relay now: nobody would hear it, nothing has been seen
    /// since the start, it was switched just now, or what the keeper asks for is not so.
    pub(super) fn obstacle(&self, relay: RelayId, on: bool) -> Option<String> {
        let it = &self.plan.relays[relay.index()];
        if let Some((why, _)) = &self.senses.deaf {
            return Some(format!("the broker can't be heard: {why}"));
        }
        let episode = self.wish(relay).map(|(_, episode, _)| episode);
        let episode = episode.or(self.runs.get(&relay).map(|run| run.episode));
        if !episode.is_some_and(|episode| self.is_awake(relay, episode)) {
            return Some("nothing has been heard since the start".to_owned());
        }
        if self.pause_ends(relay).is_some_and(|end| end > self.now.mono) {
            return Some(format!("it pauses for {} between two switchings", it.pause));
        }
        self.leave(it).filter(|_| on)
    }

    /// Why the keeper's own condition doesn't let it be switched on.
    pub(super) fn leave(&self, relay: &Relay) -> Option<String> {
        let only_if = relay.only_if.as_ref()?;
        let met = self.present(|present| only_if.evaluate(present, None).truth) == Truth::True;
        (!met).then(|| {
            format!("only if {only_if}: {}", self.present(|present| only_if.because(&self.plan, present)))
        })
    }

    pub(super) fn pause_ends(&self, relay: RelayId) -> Option<Moment> {
        let (_, at) = self.switched.get(&relay)?;
        Some(*at + self.plan.relays[relay.index()].pause)
    }

    /// Whether what the relay and its episode rest on has been heard in this life.
    pub(super) fn is_awake(&self, relay: RelayId, episode: Seq) -> bool {
        let own = self.plan.relays[relay.index()].conditions().flat_map(Condition::sensors);
        let of_episode = |life: &AlarmState| life.episode.as_ref().is_some_and(|open| open.id == episode);
        let alarms = (0..).map(AlarmId).zip(&self.lives).filter(|(_, life)| of_episode(life));
        self.has_heard(own.chain(alarms.flat_map(|(id, _)| self.sensors_of(id))))
    }

    fn has_heard(&self, mut sensors: impl Iterator<Item = SensorId>) -> bool {
        let started = self.senses.started;
        let fresh =
            |id: SensorId| self.senses.tracks[id.index()].last_good().is_some_and(|(_, at)| at >= started);
        sensors.any(fresh) || self.now.mono >= started + READINGS_WITHIN
    }

    /// What the proof says of the relay, from nothing but readings newer than `since`.
    pub(super) fn shows(&self, relay: &Relay, since: Moment) -> Option<bool> {
        match self.newer_truth(&relay.proof.as_ref()?.condition, since) {
            Truth::True => Some(true),
            Truth::False => Some(false),
            Truth::Unknown => None,
        }
    }

    fn newer_truth(&self, condition: &Condition, since: Moment) -> Truth {
        let newer = condition
            .sensors()
            .iter()
            .all(|sensor| self.senses.tracks[sensor.index()].last_good().is_some_and(|(_, at)| at > since));
        match newer {
            true => self.present(|present| condition.evaluate(present, None).truth),
            false => Truth::Unknown,
        }
    }

    /// When the time for a command's proof is over: who has just started gives it its time again.
    pub(super) fn proof_ends(&self, relay: &Relay, order: &Command) -> Moment {
        order.at.max(self.senses.started) + within(relay)
    }

    /// Whether it is over. What an earlier life commanded is judged by readings of this one.
    pub(super) fn proof_is_due(&self, relay: &Relay, order: &Command) -> bool {
        let sensors = relay.proof.iter().flat_map(|proof| proof.condition.sensors());
        let may_judge = order.at >= self.senses.started || self.has_heard(sensors);
        may_judge && self.now.mono >= self.proof_ends(relay, order)
    }

    pub(super) fn seen_of(&self, relay: &Relay) -> String {
        let proof = relay.proof.as_ref().map(|proof| &proof.condition);
        let seen = proof.map(|it| self.present(|present| it.because(&self.plan, present)));
        seen.unwrap_or_else(|| "no proof is declared".to_owned())
    }

    /// Whether a relay that nobody has wanted since then may be given back.
    pub(super) fn hold_is_over(&self, relay: &Relay, run: &Run, since: Moment) -> bool {
        let Some(hold) = &relay.hold else { return true };
        let bound = hold.at_most.map(|at_most| since + at_most);
        let out_of_time = bound.into_iter().chain([run.began + relay.longest]).any(|at| self.now.mono >= at);
        let proved = hold.until.as_ref().is_some_and(|until| self.newer_truth(until, since) == Truth::True);
        out_of_time || proved
    }

    /// The broker has handed out a command that it keeps, or somebody has cleared it.
    pub(in crate::engine) fn command_kept(&mut self, relay: RelayId, payload: &[u8], retained: bool) {
        if payload.is_empty() {
            self.kept.remove(&relay);
            return;
        }
        let text: String = String::from_utf8_lossy(payload).chars().take(LONGEST_KEPT).collect();
        if retained && self.kept.get(&relay) != Some(&text) {
            self.kept.insert(relay, text.clone());
            let it = &self.plan.relays[relay.index()];
            let (name, topic) = (it.name.clone(), it.topic.clone());
            self.record(Body::CommandKept { relay: name, topic, payload: text });
        }
    }
}
