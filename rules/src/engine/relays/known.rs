//! What a relay's next move depends on: which alarms want it, what stands against switching it,
//! what its proof shows. Looking changes nothing.

use crate::condition::{Condition, Truth, in_words};
use crate::engine::context::Context;
use crate::ids::{AlarmId, RelayId, SensorId, Seq};
use crate::plan::{Adds, Relay};
use crate::stopgap::{Command, Proof, REPEAT, Run, Stage};
use crate::time::{Moment, Span};

/// For so long after a start, outputs wait for fresh readings. Who hears nothing for longer has
/// sensors that are dead, and keeps its bounds all the same.
pub(super) const READINGS_WITHIN: Span = Span::minutes(5);

/// How long a proof may take.
pub(super) fn within(relay: &Relay) -> Span {
    relay.proof.as_ref().map_or(REPEAT, |proof| proof.within)
}

impl Context<'_> {
    /// What the highest ranking of them wants.
    pub(super) fn wish(&self, relay: RelayId) -> Option<(AlarmId, Seq, bool)> {
        // The first of those that rank alike.
        self.wishers(relay).max_by_key(|(id, ..)| (self.plan.alarm(*id).priority, std::cmp::Reverse(*id)))
    }

    /// What stands against switching a relay now: nobody would hear it, nothing has been seen
    /// since the start, it was switched just now, or what the keeper asks for is not so.
    pub(super) fn obstacle(&self, relay: RelayId, on: bool) -> Option<String> {
        let it = &self.plan.relays[relay.index()];
        if let Some((why, _)) = self.sensors.deaf() {
            return Some(format!("the broker can't be heard: {why}"));
        }
        let episode = self.wish(relay).map(|(_, episode, _)| episode);
        let episode = episode.or(self.relays.run(relay).map(|run| run.episode));
        if !episode.is_some_and(|episode| self.is_awake(relay, episode)) {
            return Some("nothing has been heard since the start".to_owned());
        }
        if self.pause_ends(relay).is_some_and(|end| end > self.mono()) {
            return Some(format!("it pauses for {} between two switchings", it.pause));
        }
        self.leave(it).filter(|_| on)
    }

    /// Why the keeper's own condition doesn't let it be switched on.
    pub(super) fn leave(&self, relay: &Relay) -> Option<String> {
        let only_if = relay.only_if.as_ref()?;
        let world = self.world();
        let met = world.truth_of(only_if) == Truth::True;
        (!met).then(|| {
            let seen = world.present(|present| only_if.because(self.plan, present));
            format!("only if {}: {seen}", in_words(&only_if.to_string(), self.plan))
        })
    }

    pub(super) fn pause_ends(&self, relay: RelayId) -> Option<Moment> {
        Some(self.relays.switched_at(relay)? + self.plan.relays[relay.index()].pause)
    }

    /// Whether what the relay and its episode rest on has been heard in this life.
    pub(super) fn is_awake(&self, relay: RelayId, episode: Seq) -> bool {
        let own = self.plan.relays[relay.index()].conditions().flat_map(Condition::sensors);
        let alarms = self.alarms().filter(|id| self.alarms.episode(*id) == Some(episode));
        self.has_heard(own.chain(alarms.flat_map(|id| self.plan.alarm(id).condition.sensors())))
    }

    /// Whether air that an alarm had switched on stays on although that alarm was put aside:
    /// putting it aside changes nothing in the water, and the air is needed until what it rang for
    /// is known to be over.
    pub(super) fn is_kept_for(&self, relay: RelayId, on: bool) -> bool {
        let is_air = self.plan.relays[relay.index()].moves == Adds::Air;
        on && is_air
            && self.alarms().any(|id| {
                let stopgap = self.plan.alarm(id).stopgap;
                let wants = stopgap.is_some_and(|stopgap| stopgap.relay == relay && stopgap.on);
                wants && self.alarms.state(id).state.is_aside() && self.alarms.truth(id) != Truth::False
            })
    }

    /// Whether the alarm's stopgap has cut a heater, seen to be off, that only a person switches
    /// back.
    pub(in crate::engine) fn awaits_hand(&self, alarm: &str) -> bool {
        let stopgap = self.alarm(alarm).and_then(|id| self.plan.alarm(id).stopgap);
        stopgap.is_some_and(|stopgap| {
            let cuts = !stopgap.on && self.plan.relays[stopgap.relay.index()].moves == Adds::Heat;
            let run = self.relays.run(stopgap.relay).filter(|_| cuts);
            run.is_some_and(|run| match &run.stage {
                Stage::Commanded(order) | Stage::Held { order, .. } => {
                    !order.on && matches!(order.proof, Proof::Confirmed(_))
                }
                Stage::Waiting { .. } | Stage::Undoing(_) | Stage::LeftAlone { .. } => false,
            })
        })
    }

    /// The same, if it was cut for this episode.
    pub(in crate::engine) fn is_cut_for(&self, alarm: &str, episode: Seq) -> bool {
        self.relays.runs().any(|(_, run)| run.episode == episode) && self.awaits_hand(alarm)
    }

    /// Whether a call-out is about an alarm whose stopgap this relay is, whichever of its spells.
    pub(super) fn is_spoken_of(&self, relay: RelayId) -> bool {
        let mut wants = self.alarms().map(|id| self.plan.alarm(id));
        wants.any(|alarm| {
            let switches = alarm.stopgap.is_some_and(|stopgap| stopgap.relay == relay);
            switches && self.callouts.is_about(&alarm.name)
        })
    }

    fn has_heard(&self, sensors: impl Iterator<Item = SensorId>) -> bool {
        self.sensors.any_heard(sensors) || self.mono() >= self.sensors.started() + READINGS_WITHIN
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
        match self.sensors.all_newer(&condition.sensors(), since) {
            true => self.world().truth_of(condition),
            false => Truth::Unknown,
        }
    }

    /// When the time for a command's proof is over: who has just started gives it its time again.
    pub(super) fn proof_ends(&self, relay: &Relay, order: &Command) -> Moment {
        order.at.max(self.sensors.started()) + within(relay)
    }

    /// Whether it is over. What an earlier life commanded is judged by readings of this one.
    pub(super) fn proof_is_due(&self, relay: &Relay, order: &Command) -> bool {
        let sensors = relay.proof.iter().flat_map(|proof| proof.condition.sensors());
        let may_judge = order.at >= self.sensors.started() || self.has_heard(sensors);
        may_judge && self.mono() >= self.proof_ends(relay, order)
    }

    pub(super) fn seen_of(&self, relay: &Relay) -> String {
        let proof = relay.proof.as_ref().map(|proof| &proof.condition);
        let world = self.world();
        let seen = proof.map(|it| world.present(|present| it.because(self.plan, present)));
        seen.unwrap_or_else(|| "no proof is declared".to_owned())
    }

    /// Whether a relay that nobody has wanted since then may be given back.
    pub(super) fn hold_is_over(&self, relay: &Relay, run: &Run, since: Moment) -> bool {
        let Some(hold) = &relay.hold else { return true };
        let bound = hold.at_most.map(|at_most| since + at_most);
        let out_of_time = bound.into_iter().chain([run.began + relay.longest]).any(|at| self.mono() >= at);
        let proved = hold.until.as_ref().is_some_and(|until| self.newer_truth(until, since) == Truth::True);
        out_of_time || proved
    }
}
