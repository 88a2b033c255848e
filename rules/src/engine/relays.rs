//! Stopgaps: what the agent itself does to buy time, and how it makes sure. Raised alarms, readings
//! and time flow in; commands flow out once their record is safe, and news for call-outs when one
//! has not gone as it should. A run begins only when an alarm is raised, so by fresh readings: a
//! restart or another plan begins nothing.
//!
//! Several alarms may want one relay: the highest priority decides, and the plan has none that
//! rank alike and want opposite things.

mod known;
mod moves;

use super::ground::Ground;
use super::task::Next;
use crate::ids::{RelayId, Seq};
use crate::plan::Plan;
use crate::record::{Body, Record};
use crate::stopgap::{Command, Proof, Run, Stage};
use crate::time::Moment;
use std::collections::BTreeMap;

/// More of a kept command is not shown.
const LONGEST_KEPT: usize = 64;

/// What is known of all relays.
#[derive(Debug, Default)]
pub(super) struct Relays {
    /// Those under the agent's hand. Lasts.
    runs: BTreeMap<RelayId, Run>,
    /// When each relay was last switched, and by which record: for the pause between two. Lasts.
    switched: BTreeMap<RelayId, (Seq, Moment)>,
    /// Since when a relay that had obeyed shows another state. Comes from readings.
    other_hands: BTreeMap<RelayId, Moment>,
    /// Commands that the broker keeps. Comes from messages.
    kept: BTreeMap<RelayId, String>,
}

impl Relays {
    /// What a record does to what lasts.
    pub(super) fn apply(&mut self, ground: &Ground<'_>, record: &Record) {
        let (seq, at) = (record.seq, record.at.mono);
        match &record.body {
            Body::Raised { alarm, .. } => self.end_hold(ground, alarm, seq, at),
            Body::Switched { relay, on, episode, attempt, why, undo } => {
                let Some(relay) = ground.relay(relay) else { return };
                if *attempt == 1 {
                    self.switched.insert(relay, (seq, at));
                }
                let proof = match &ground.plan.relays[relay.index()].proof {
                    Some(_) => Proof::Awaited,
                    None => Proof::Undeclared,
                };
                let order =
                    Command { on: *on, switching: seq, at, attempt: *attempt, why: why.clone(), proof };
                self.note_switching(relay, *episode, order, *undo);
            }
            Body::Withheld { relay, on, episode, why } => {
                let Some(relay) = ground.relay(relay) else { return };
                let stage = Stage::Waiting { on: *on, why: why.clone() };
                let run = Run { seq, episode: *episode, began: at, stage, disobeyed: false };
                self.runs.insert(relay, run);
            }
            Body::Held { relay, why, .. } => self.change(ground, relay, |run| {
                if let Some(order) = run.order().cloned() {
                    run.stage = Stage::Held { order, since: at, why: why.clone() };
                }
            }),
            Body::ByHand { relay, shows, .. } => {
                self.change(ground, relay, |run| run.stage = Stage::LeftAlone { shows: *shows });
            }
            Body::Released { relay, .. } => {
                let Some(relay) = ground.relay(relay) else { return };
                self.runs.remove(&relay);
            }
            Body::Proved { switching, after, .. } => self.note_proof(*switching, Proof::Confirmed(*after)),
            Body::NotProved { switching, why, unknown: true, .. } => {
                self.note_proof(*switching, Proof::Unknown(why.clone()));
            }
            Body::NotProved { switching, why, unknown: false, .. } => {
                self.note_proof(*switching, Proof::Failed(why.clone()));
            }
            _ => {}
        }
    }

    fn change(&mut self, ground: &Ground<'_>, relay: &str, change: impl FnOnce(&mut Run)) {
        if let Some(run) = ground.relay(relay).and_then(|relay| self.runs.get_mut(&relay)) {
            change(run);
        }
    }

    /// A restart may find the repeat or the undoing of a run whose beginning lies before its
    /// horizon: that is no run of its own.
    fn note_switching(&mut self, relay: RelayId, episode: Seq, order: Command, undo: bool) {
        let known = self.runs.get_mut(&relay);
        match (undo, order.attempt) {
            (false, 1) => {
                let (seq, began) = (order.switching, order.at);
                let run = Run { seq, episode, began, stage: Stage::Commanded(order), disobeyed: false };
                self.runs.insert(relay, run);
            }
            (true, 1) if order.proof == Proof::Undeclared => drop(self.runs.remove(&relay)),
            (true, 1) => {
                if let Some(run) = known {
                    run.disobeyed = false;
                    run.stage = Stage::Undoing(order);
                }
            }
            (_, _) => {
                if let Some(repeated) = known.and_then(Run::order_mut) {
                    *repeated = order;
                }
            }
        }
    }

    /// Settles the latest switching; an undoing that is confirmed ends the run.
    fn note_proof(&mut self, switching: Seq, proof: Proof) {
        let of = |run: &Run| run.order().is_some_and(|order| order.switching == switching);
        let Some((&relay, run)) = self.runs.iter_mut().find(|(_, run)| of(run)) else { return };
        run.disobeyed = match proof {
            Proof::Failed(_) => true,
            Proof::Confirmed(_) => false,
            Proof::Undeclared | Proof::Awaited | Proof::Unknown(_) => run.disobeyed,
        };
        let confirmed = matches!(proof, Proof::Confirmed(_));
        let Some(order) = run.order_mut() else { return };
        order.proof = proof;
        if confirmed && matches!(run.stage, Stage::Undoing(_)) {
            self.runs.remove(&relay);
        }
    }

    /// What only held is wanted again by the alarm.
    fn end_hold(&mut self, ground: &Ground<'_>, alarm: &str, episode: Seq, at: Moment) {
        let stopgap = ground.alarm(alarm).and_then(|id| ground.plan.alarm(id).stopgap);
        let Some(stopgap) = stopgap else { return };
        let safe = ground.plan.relays[stopgap.relay.index()].safe;
        let Some(run) = self.runs.get_mut(&stopgap.relay) else { return };
        if let Stage::Held { order, .. } = &run.stage
            && order.on == stopgap.on
        {
            // A longest run bounds what has to be undone, over all holds; what is left as it is
            // begins anew.
            if order.on == safe {
                run.began = at;
            }
            run.episode = episode;
            run.stage = Stage::Commanded(order.clone());
        }
    }

    /// Takes over under another plan what bears the same name, and of kept commands what has the
    /// same topic.
    pub(super) fn carry_over(&mut self, old: &Plan, new: &Plan) {
        let renumbered = |id: RelayId| {
            let name = &old.relays[id.index()].name;
            new.relays.iter().position(|relay| relay.name == *name).map(|at| RelayId(at as u32))
        };
        let same_topic = |before: RelayId| {
            let after = renumbered(before)?;
            (new.relays[after.index()].topic == old.relays[before.index()].topic).then_some(after)
        };
        let Self { runs, switched, kept, .. } = std::mem::take(self);
        self.runs = runs.into_iter().filter_map(|(id, run)| Some((renumbered(id)?, run))).collect();
        self.switched = switched.into_iter().filter_map(|(id, last)| Some((renumbered(id)?, last))).collect();
        self.kept = kept.into_iter().filter_map(|(id, said)| Some((same_topic(id)?, said))).collect();
    }

    /// The broker has handed out a command that it keeps, or somebody has cleared it.
    pub(super) fn on_kept(
        &mut self,
        ground: &Ground<'_>,
        relay: RelayId,
        payload: &[u8],
        retained: bool,
        next: &mut Next,
    ) {
        if payload.is_empty() {
            self.kept.remove(&relay);
            return;
        }
        let text: String = String::from_utf8_lossy(payload).chars().take(LONGEST_KEPT).collect();
        if retained && self.kept.get(&relay) != Some(&text) {
            self.kept.insert(relay, text.clone());
            let it = &ground.plan.relays[relay.index()];
            let (relay, topic) = (it.name.clone(), it.topic.clone());
            next.record(Body::CommandKept { relay, topic, payload: text });
        }
    }

    /// A relay that had obeyed shows another state, or does not.
    pub(super) fn on_hand(&mut self, relay: RelayId, turned: bool, now: Moment) {
        if turned {
            self.other_hands.entry(relay).or_insert(now);
        } else {
            self.other_hands.remove(&relay);
        }
    }

    /// Whether the relay is under the agent's hand.
    pub(super) fn has_run(&self, relay: RelayId) -> bool {
        self.runs.contains_key(&relay)
    }

    /// Its stopgap in progress.
    pub(super) fn run(&self, relay: RelayId) -> Option<&Run> {
        self.runs.get(&relay)
    }

    /// All stopgaps in progress.
    pub(super) fn runs(&self) -> impl Iterator<Item = (RelayId, &Run)> {
        self.runs.iter().map(|(relay, run)| (*relay, run))
    }

    /// When it was last switched.
    pub(super) fn switched_at(&self, relay: RelayId) -> Option<Moment> {
        self.switched.get(&relay).map(|(_, at)| *at)
    }

    /// Since when it shows another state than it was proved to be in.
    pub(super) fn other_hand(&self, relay: RelayId) -> Option<Moment> {
        self.other_hands.get(&relay).copied()
    }

    /// The command that the broker keeps for it.
    pub(super) fn kept(&self, relay: RelayId) -> Option<&String> {
        self.kept.get(&relay)
    }

    /// The records that it rests on.
    pub(super) fn rests_on<'a>(&'a self, plan: &'a Plan, now: Moment) -> impl Iterator<Item = Seq> + 'a {
        let runs = self.runs.values().flat_map(|run| [run.seq, run.episode]);
        let pausing =
            self.switched.iter().filter(move |(relay, (_, at))| *at + plan.relays[relay.index()].pause > now);
        runs.chain(pausing.map(|(_, (seq, _))| *seq))
    }
}

#[cfg(test)]
mod tests;
