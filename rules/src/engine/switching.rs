//! Fallbacks: what the agent itself does to buy time, and how it makes sure. A switching is
//! recorded before the command leaves, is repeated while its proof is missing, and ends as
//! proved or not. A restart switches nothing: only an alarm raised by fresh readings, a
//! missing proof or an undoing does.

use super::{DeadlineReason, Effect, Engine};
use crate::condition::Truth;
use crate::fallback::{ATTEMPTS, Proof};
use crate::plan::{AlarmId, Moves, RelayId, SensorId};
use crate::record::{Body, Seq};

impl Engine {
    /// The alarm's fallback, if it has one that is not running already.
    pub(super) fn begin_fallback(&mut self, id: AlarmId, episode: Seq) {
        let Some(fallback) = self.plan.alarm(id).fallback else { return };
        let running = self.runs.get(&fallback.relay).is_some_and(|run| !run.undoing());
        if !running {
            let why = format!("fallback of {}", self.plan.alarm(id).name);
            self.switch(fallback.relay, fallback.on, episode, 1, why);
        }
    }

    /// Undoes the alarm's fallback unless another standing alarm wants it too.
    pub(super) fn end_fallback(&mut self, id: AlarmId, why: &str) {
        let Some(fallback) = self.plan.alarm(id).fallback else { return };
        let wanted = self
            .plan
            .alarms
            .iter()
            .zip(&self.lives)
            .any(|(alarm, life)| life.state.is_standing() && alarm.fallback == Some(fallback));
        let Some(run) = self.runs.get(&fallback.relay).filter(|run| !run.undoing()) else { return };
        if !wanted {
            let episode = run.episode;
            self.undo(fallback.relay, !fallback.on, episode, why.to_owned());
        }
    }

    /// Turns a fallback round, if that adds nothing but air.
    fn undo(&mut self, relay: RelayId, on: bool, episode: Seq, why: String) {
        let it = &self.plan.relays[relay.index()];
        if on && it.moves != Moves::Air {
            self.record(Body::Released { relay: it.name.clone(), episode, why });
            self.arm_relay(relay);
        } else {
            self.switch(relay, on, episode, 1, why);
        }
    }

    fn switch(&mut self, relay: RelayId, on: bool, episode: Seq, attempt: u32, why: String) {
        let it = &self.plan.relays[relay.index()];
        let (name, topic) = (it.name.clone(), it.topic.clone());
        let payload = if on { it.on.clone() } else { it.off.clone() };
        let switching = self.record(Body::Switched { relay: name, on, episode, attempt, why });
        self.turn.effects.push(Effect::Command { switching, topic, payload });
        self.arm_relay(relay);
        // The relay may stand there already, with its proof in view.
        self.see_proof(relay);
    }

    /// The deadlines that follow from a relay's run; and what the relay is commanded to may be
    /// a matter of an alarm, which is asked again in this turn.
    pub(super) fn arm_relay(&mut self, relay: RelayId) {
        for alarm in &self.index.commanded[relay.index()] {
            self.timers.set(DeadlineReason::Recheck(*alarm), Some(self.now.mono));
        }
        let it = &self.plan.relays[relay.index()];
        let run = self.runs.get(&relay);
        let due = run
            .filter(|run| run.proof == Proof::Awaited)
            .and_then(|run| it.proof.as_ref().map(|proof| run.commanded + proof.within));
        let longest = run.filter(|run| !run.undoing()).map(|run| run.began + it.longest);
        self.timers.set(DeadlineReason::Proof(relay), due);
        self.timers.set(DeadlineReason::Longest(relay), longest);
    }

    /// A reading that the relay's proof rests on has come, or the command just went out.
    pub(super) fn see_proof(&mut self, relay: RelayId) {
        let Some(run) = self.runs.get(&relay).filter(|run| run.proof == Proof::Awaited) else { return };
        let Some(proof) = &self.plan.relays[relay.index()].proof else { return };
        // Only a reading newer than the command says anything about it.
        let newer = proof.condition.sensors().iter().all(|sensor| {
            self.senses.tracks[sensor.index()].last_good().is_some_and(|(_, at)| at > run.commanded)
        });
        let truth = self.present(|present| proof.condition.evaluate(present, None).truth);
        if newer && truth == (if run.on { Truth::True } else { Truth::False }) {
            let (switching, after) = (run.switching, self.now.mono - run.commanded);
            let name = self.plan.relays[relay.index()].name.clone();
            self.record(Body::Proved { relay: name, switching, after });
            self.arm_relay(relay);
        }
    }

    /// The time for the proof is over.
    pub(super) fn proof_due(&mut self, relay: RelayId) {
        let Some(run) = self.runs.get(&relay).filter(|run| run.proof == Proof::Awaited) else { return };
        let Some(proof) = &self.plan.relays[relay.index()].proof else { return };
        // Outputs wait for fresh readings: nothing is commanded again by what an earlier life saw.
        let fresh = (0..).map(SensorId).zip(&self.senses.tracks).any(|(id, track)| {
            let concerns = proof.condition.sensors().contains(&id) || self.concerns(run.episode, id);
            concerns && track.last_good().is_some_and(|(_, at)| at >= self.senses.started)
        });
        if !fresh {
            let again = self.now.mono + proof.within;
            return self.timers.set(DeadlineReason::Proof(relay), Some(again));
        }
        let seen = self.present(|present| proof.condition.because(&self.plan, present));
        self.not_proved(relay, run.switching, format!("no proof within {}: {seen}", proof.within));
    }

    /// Whether the episode's alarm rests on the sensor.
    fn concerns(&self, episode: Seq, sensor: SensorId) -> bool {
        let users = &self.index.users[sensor.index()];
        users
            .iter()
            .any(|alarm| self.lives[alarm.index()].episode.as_ref().is_some_and(|open| open.id == episode))
    }

    /// What became of a command on its way to the broker.
    pub(super) fn commanded(&mut self, switching: Seq, failed: Option<String>) {
        let relay = self.runs.iter().find(|(_, run)| run.switching == switching).map(|(relay, _)| *relay);
        if let (Some(relay), Some(why)) = (relay, failed) {
            self.not_proved(relay, switching, why);
        }
    }

    fn not_proved(&mut self, relay: RelayId, switching: Seq, why: String) {
        let Some(run) = self.runs.get(&relay) else { return };
        let (on, episode, attempt) = (run.on, run.episode, run.attempt);
        if attempt < ATTEMPTS {
            return self.switch(relay, on, episode, attempt + 1, why);
        }
        let name = self.plan.relays[relay.index()].name.clone();
        self.record(Body::NotProved { relay: name.clone(), switching, why });
        self.arm_relay(relay);
        let state = if on { "on" } else { "off" };
        self.got_worse(episode, format!("{name} commanded {state}, NOT confirmed: switch it by hand"));
    }

    pub(super) fn longest_reached(&mut self, relay: RelayId) {
        let Some(run) = self.runs.get(&relay).filter(|run| !run.undoing()) else { return };
        let (on, episode) = (run.on, run.episode);
        let it = &self.plan.relays[relay.index()];
        let why = format!("its longest run of {} is over", it.longest);
        let said = format!("the agent gives {} up: {why}", it.name);
        self.undo(relay, !on, episode, why);
        self.got_worse(episode, said);
    }
}
