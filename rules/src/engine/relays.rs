//! Stopgaps: what the agent itself does to buy time, and how it makes sure. [`Engine::next_move`]
//! looks at one relay and says what comes next; [`Engine::attend`] does that until nothing does.
//! A run begins only when an alarm is raised, so by fresh readings: a restart or another plan
//! begins nothing. The command leaves once its record is safe.
//!
//! Several alarms may want one relay: the highest priority decides, and the plan has none that
//! rank alike and want opposite things.

mod known;

use super::{DeadlineReason, Effect, Engine};
use crate::plan::{Adds, AlarmId, Relay, RelayId};
use crate::record::{Body, Seq};
use crate::stopgap::{ATTEMPTS, Command, Proof, REPEAT, Run, Stage, by_hand, on_off};
use crate::time::{Moment, Span};
use known::READINGS_WITHIN;
use std::collections::BTreeSet;

/// No relay makes more moves than this in a turn; a bound for the case that should not exist.
const MOVES_PER_TURN: usize = 8;

/// A command to be given.
#[derive(Debug)]
struct NextCommand {
    on: bool,
    episode: Seq,
    attempt: u32,
    why: String,
    /// Back to the safe state.
    undo: bool,
}

/// The next thing to be done about a relay.
#[derive(Debug)]
enum Move {
    Switch(NextCommand),
    Hold { why: String },
    Release { why: String },
    Prove { switching: Seq, after: Span },
    Fail { switching: Seq, why: String, unknown: bool },
    LeaveAlone { shows: bool, why: String },
}

impl Engine {
    /// An alarm was raised: its stopgap begins, if no run of its relay is on the way already.
    pub(super) fn begin_stopgap(&mut self, id: AlarmId) {
        let Some(stopgap) = self.plan.alarm(id).stopgap else { return };
        let relay = stopgap.relay;
        let idle = match self.runs.get(&relay).map(|run| &run.stage) {
            None | Some(Stage::Undoing(_)) => true,
            Some(
                Stage::Waiting { .. } | Stage::Commanded(_) | Stage::Held { .. } | Stage::LeftAlone { .. },
            ) => false,
        };
        // One that ranks higher and wants the opposite has been seen to already.
        if let Some((wisher, episode, on)) = self.wish(relay).filter(|(.., on)| idle && *on == stopgap.on) {
            match self.obstacle(relay, on) {
                None => {
                    let why = format!("stopgap of {}", self.plan.alarm(wisher).name);
                    self.switch(relay, NextCommand { on, episode, attempt: 1, why, undo: false });
                }
                Some(why) => {
                    let name = self.relay_name(relay);
                    self.record(Body::Withheld { relay: name, on, episode, why });
                }
            }
        }
        self.attend(relay);
    }

    /// The alarm does not stand any more: its stopgap goes on only for others, or is undone.
    pub(super) fn end_stopgap(&mut self, id: AlarmId) {
        if let Some(stopgap) = self.plan.alarm(id).stopgap {
            self.attend(stopgap.relay);
        }
    }

    /// Something that the relay's run may depend on has changed, or its time has come.
    pub(super) fn attend(&mut self, relay: RelayId) {
        if !self.runs.contains_key(&relay) {
            return;
        }
        for _ in 0..MOVES_PER_TURN {
            self.watch_hand(relay);
            let Some(next) = self.runs.get(&relay).and_then(|run| self.next_move(relay, run)) else { break };
            self.make(relay, next);
        }
        self.arm_relay(relay);
    }

    /// All that are under the agent's hand.
    pub(super) fn attend_all(&mut self) {
        for relay in self.runs.keys().copied().collect::<Vec<_>>() {
            self.attend(relay);
        }
    }

    /// What comes next for a run, if anything does at this moment.
    fn next_move(&self, relay: RelayId, run: &Run) -> Option<Move> {
        let it = &self.plan.relays[relay.index()];
        let wish = self.wish(relay);
        match &run.stage {
            Stage::Waiting { .. } => match wish {
                None => Some(released("no alarm wants it any more; it was never switched")),
                Some((_, episode, on)) => self.obstacle(relay, on).is_none().then(|| {
                    let why = "nothing stands against it any more".to_owned();
                    Move::Switch(NextCommand { on, episode, attempt: 1, why, undo: false })
                }),
            },
            Stage::Commanded(order) => self.next_of_order(relay, run, order).or_else(|| match wish {
                Some((.., on)) if on != order.on => self.turn_round(relay, order),
                Some(_) if self.now.mono >= run.began + it.longest && self.is_awake(relay, run.episode) => {
                    self.give_back(relay, run, order, format!("its longest run of {} is over", it.longest))
                }
                Some(_) => None,
                None => match (&it.hold, order.on == it.safe) {
                    (Some(_), false) if !self.hold_is_over(it, run, self.now.mono) => {
                        Some(Move::Hold { why: format!("held {}", hold_words(it)) })
                    }
                    (Some(_) | None, false) | (_, true) => {
                        self.give_back(relay, run, order, "no alarm wants it any more".to_owned())
                    }
                },
            }),
            Stage::Held { order, since, .. } => {
                self.next_of_order(relay, run, order).or_else(|| match wish {
                    Some((.., on)) if on != order.on => self.turn_round(relay, order),
                    Some(_) => None,
                    None if order.on == it.safe => self
                        .call_of_episode(run.episode)
                        .is_none()
                        .then(|| released(&format!("{}, for a person to switch back", on_off(order.on)))),
                    None if self.hold_is_over(it, run, *since) => {
                        self.give_back(relay, run, order, "no alarm wants it any more".to_owned())
                    }
                    None => None,
                })
            }
            Stage::Undoing(order) => self.next_of_order(relay, run, order).or_else(|| {
                let told = wish.is_none() && self.call_of_episode(run.episode).is_none();
                let given_up = order.attempt >= ATTEMPTS && order.proof != Proof::Awaited;
                (given_up && told).then(|| released(&format!("not seen to go {}", on_off(order.on))))
            }),
            Stage::LeftAlone { .. } => {
                wish.is_none().then(|| released("switched by another hand, and no alarm wants it any more"))
            }
        }
    }

    /// What follows from what is seen of a command.
    fn next_of_order(&self, relay: RelayId, run: &Run, order: &Command) -> Option<Move> {
        let it = &self.plan.relays[relay.index()];
        let within = within(it);
        let due = self.proof_is_due(it, order);
        let shows = self.shows(it, order.at);
        let switching = order.switching;
        match &order.proof {
            Proof::Awaited | Proof::Failed(_) | Proof::Unknown(_) if shows == Some(order.on) => {
                Some(Move::Prove { switching, after: self.now.mono - order.at })
            }
            Proof::Awaited if due => {
                let lacks = if shows.is_none() { "nothing seen" } else { "no proof" };
                let why = format!("{lacks} within {within}: {}", self.seen_of(it));
                Some(Move::Fail { switching, why, unknown: shows.is_none() })
            }
            Proof::Failed(why) | Proof::Unknown(why) if due && order.attempt < ATTEMPTS => {
                let undo = matches!(run.stage, Stage::Undoing(_));
                let wanted = undo || self.wish(relay).is_some_and(|(.., on)| on == order.on);
                let may = self.senses.deaf.is_none() && (!order.on || self.leave(it).is_none());
                let (on, attempt, why) = (order.on, order.attempt + 1, why.clone());
                let again = NextCommand { on, episode: run.episode, attempt, why, undo };
                (wanted && may).then_some(Move::Switch(again))
            }
            Proof::Confirmed(_) if shows == Some(!order.on) => {
                let since = self.other_hands.get(&relay).filter(|since| self.now.mono >= **since + within)?;
                let why = format!("for {}: {}", self.now.mono - *since, self.seen_of(it));
                Some(match run.stage {
                    // Nobody wants it any more: whoever switched it back was right to.
                    Stage::Held { .. } => released(&format!("switched by another hand, {why}")),
                    Stage::Waiting { .. }
                    | Stage::Commanded(_)
                    | Stage::Undoing(_)
                    | Stage::LeftAlone { .. } => Move::LeaveAlone { shows: !order.on, why },
                })
            }
            Proof::Undeclared
            | Proof::Awaited
            | Proof::Failed(_)
            | Proof::Unknown(_)
            | Proof::Confirmed(_) => None,
        }
    }

    /// Another alarm outranks the one that it was switched for.
    fn turn_round(&self, relay: RelayId, order: &Command) -> Option<Move> {
        let (wisher, episode, on) = self.wish(relay)?;
        let why = format!("{} outranks what wanted it {}", self.plan.alarm(wisher).name, on_off(order.on));
        let turned = Move::Switch(NextCommand { on, episode, attempt: 1, why, undo: false });
        self.obstacle(relay, on).is_none().then_some(turned)
    }

    /// Back to the safe state. Where it is in that already, it stays for a person to switch: the
    /// plan leaves nothing that adds heat, water or light in any state but off.
    fn give_back(&self, relay: RelayId, run: &Run, order: &Command, why: String) -> Option<Move> {
        let safe = self.plan.relays[relay.index()].safe;
        if order.on == safe {
            let why = format!("{why}: left {}, a person switches it back", on_off(safe));
            return Some(Move::Hold { why });
        }
        match self.obstacle(relay, safe) {
            None => {
                let episode = run.episode;
                Some(Move::Switch(NextCommand { on: safe, episode, attempt: 1, why, undo: true }))
            }
            Some(_) if matches!(run.stage, Stage::Held { .. }) || self.wish(relay).is_some() => None,
            Some(obstacle) => Some(Move::Hold { why: format!("{why}, but {obstacle}") }),
        }
    }

    fn make(&mut self, relay: RelayId, next: Move) {
        let name = self.relay_name(relay);
        let Some(run) = self.runs.get(&relay).cloned() else { return };
        let episode = run.episode;
        match next {
            Move::Switch(command) => {
                let longest = command.undo && command.attempt == 1 && self.wish(relay).is_some();
                self.switch(relay, command);
                if longest {
                    self.tell(relay, episode, false, format!("{name} has run for its longest"));
                }
            }
            Move::Hold { why } => {
                let longest = self.wish(relay).is_some();
                self.record(Body::Held { relay: name.clone(), episode, why: why.clone() });
                if longest {
                    self.tell(relay, episode, false, format!("{name}: {why}"));
                }
            }
            Move::Release { why } => {
                self.record(Body::Released { relay: name, episode, why });
                self.recheck_commanded(relay);
            }
            Move::Prove { switching, after } => {
                self.record(Body::Proved { relay: name, switching, after });
                self.recheck_commanded(relay);
            }
            Move::Fail { switching, why, unknown } => {
                self.record(Body::NotProved { relay: name, switching, why, unknown });
                self.tell_of_failure(relay, &run, unknown, false);
            }
            Move::LeaveAlone { shows, why } => {
                self.record(Body::ByHand { relay: name.clone(), episode, shows, why });
                let dangerous = shows && self.plan.relays[relay.index()].moves != Adds::Air;
                self.tell(relay, episode, dangerous, format!("{name} shows {}", on_off(shows)));
            }
        }
    }

    fn switch(&mut self, relay: RelayId, command: NextCommand) {
        let NextCommand { on, episode, attempt, why, undo } = command;
        let it = &self.plan.relays[relay.index()];
        let (name, topic) = (it.name.clone(), it.topic.clone());
        let payload = if on { it.on.clone() } else { it.off.clone() };
        let switching = self.record(Body::Switched { relay: name.clone(), on, episode, attempt, why, undo });
        self.turn.effects.push(Effect::Command { switching, relay: name, topic, payload });
        self.recheck_commanded(relay);
    }

    /// What a relay is commanded to may be a matter of an alarm, which is asked again in this turn.
    fn recheck_commanded(&mut self, relay: RelayId) {
        for alarm in &self.index.commanded[relay.index()] {
            self.timers.set(DeadlineReason::Recheck(*alarm), Some(self.now.mono));
        }
    }

    /// What became of a command on its way to the broker.
    pub(super) fn commanded(&mut self, switching: Seq, failed: Option<String>) {
        let Some(why) = failed else { return };
        let of = |run: &Run| {
            let open = |order: &Command| matches!(order.proof, Proof::Awaited | Proof::Undeclared);
            run.order().is_some_and(|order| order.switching == switching && open(order))
        };
        if let Some(relay) = self.runs.iter().find(|(_, run)| of(run)).map(|(relay, _)| *relay) {
            let (name, run) = (self.relay_name(relay), self.runs.get(&relay).cloned());
            self.record(Body::NotProved { relay: name, switching, why, unknown: true });
            if let Some(run) = run {
                self.tell_of_failure(relay, &run, true, true);
            }
            self.attend(relay);
            self.arm_relay(relay);
        }
    }

    /// A command is not known to be obeyed; `run` is as it was before. A relay that is seen not to
    /// cut heat, water or light is said to everyone at once; anything else when nothing more will
    /// be tried soon.
    fn tell_of_failure(&mut self, relay: RelayId, run: &Run, unknown: bool, unsent: bool) {
        let Some(order) = run.order() else { return };
        let (name, moves) = (self.relay_name(relay), self.plan.relays[relay.index()].moves);
        let hand = by_hand(order.on, moves);
        let said = format!("{name} commanded {}, NOT confirmed: {hand}", on_off(order.on));
        let undoing = matches!(run.stage, Stage::Undoing(_));
        let welded = !order.on && moves != Adds::Air && (!unknown || run.disobeyed);
        let last = order.attempt >= ATTEMPTS || (unsent && order.attempt == 1);
        if welded && !run.disobeyed {
            self.tell(relay, run.episode, true, said);
        } else if !welded && !undoing && last {
            self.tell(relay, run.episode, false, said);
        }
    }

    /// Says that a stopgap has not gone as it should, in each call-out that it matters to.
    fn tell(&mut self, relay: RelayId, episode: Seq, everyone: bool, why: String) {
        let wishers = self.wishers(relay).map(|(_, episode, _)| episode);
        let episodes: BTreeSet<Seq> = wishers.chain([episode]).collect();
        let calls = episodes.iter().filter_map(|episode| self.call_of_episode(*episode));
        let calls: BTreeSet<Seq> = calls.filter(|call| self.calls[call].stands()).collect();
        for call in calls {
            match everyone {
                true => self.call_everyone(call, why.clone()),
                false => self.break_through(call, why.clone()),
            }
        }
    }

    /// Notes since when a relay that had obeyed has shown another state.
    fn watch_hand(&mut self, relay: RelayId) {
        let order = self.runs.get(&relay).and_then(Run::order);
        let turned = order.is_some_and(|order| {
            let shows = self.shows(&self.plan.relays[relay.index()], order.at);
            matches!(order.proof, Proof::Confirmed(_)) && shows == Some(!order.on)
        });
        match turned {
            true => drop(self.other_hands.entry(relay).or_insert(self.now.mono)),
            false => drop(self.other_hands.remove(&relay)),
        }
    }

    fn relay_name(&self, relay: RelayId) -> String {
        self.plan.relays[relay.index()].name.clone()
    }

    /// When the relay has to be looked at again. What is past waits for a reading or the broker.
    fn arm_relay(&mut self, relay: RelayId) {
        let it = &self.plan.relays[relay.index()];
        let now = self.now.mono;
        let ahead = |at: &Moment| *at > now;
        let run = self.runs.get(&relay);
        let within = within(it);
        let proof = run.and_then(Run::order).and_then(|order| match order.proof {
            Proof::Awaited => Some(self.proof_ends(it, order)),
            Proof::Failed(_) | Proof::Unknown(_) => {
                (order.attempt < ATTEMPTS).then(|| self.proof_ends(it, order))
            }
            Proof::Confirmed(_) => self.other_hands.get(&relay).map(|since| *since + within),
            Proof::Undeclared => None,
        });
        let longest = run.and_then(|run| match run.stage {
            Stage::Commanded(_) | Stage::Held { .. } => Some(run.began + it.longest),
            Stage::Waiting { .. } | Stage::Undoing(_) | Stage::LeftAlone { .. } => None,
        });
        let wait = run.and_then(|run| {
            let bound = match (&run.stage, &it.hold) {
                (Stage::Held { since, .. }, Some(hold)) => hold.at_most.map(|at_most| *since + at_most),
                (_, Some(_) | None) => None,
            };
            let alone = it.only_if.iter().chain(it.hold.as_ref().and_then(|hold| hold.until.as_ref()));
            let by_time = alone.filter_map(|it| self.present(|present| it.evaluate(present, None).until));
            let readings = Some(self.senses.started + READINGS_WITHIN);
            bound.into_iter().chain(by_time).chain(self.pause_ends(relay)).chain(readings).filter(ahead).min()
        });
        self.timers.set(DeadlineReason::Proof(relay), proof.filter(ahead));
        self.timers.set(DeadlineReason::Longest(relay), longest.filter(ahead));
        self.timers.set(DeadlineReason::Wait(relay), wait);
    }
}

/// How long a proof may take.
fn within(relay: &Relay) -> Span {
    relay.proof.as_ref().map_or(REPEAT, |proof| proof.within)
}

fn released(why: &str) -> Move {
    Move::Release { why: why.to_owned() }
}

/// `until return-flow > 200 L/h, for 2 h at most`
fn hold_words(relay: &Relay) -> String {
    let Some(hold) = &relay.hold else { return String::new() };
    match (&hold.until, hold.at_most) {
        (Some(until), Some(at_most)) => format!("until {until}, for {at_most} at most"),
        (Some(until), None) => format!("until {until}"),
        (None, Some(at_most)) => format!("for {at_most}"),
        (None, None) => String::new(),
    }
}
