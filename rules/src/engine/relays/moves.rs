//! What comes next for a stopgap. [`Context::next_move`] looks at one relay and says it;
//! [`Relays::on_attend`] does it and looks again, as a piece of work of its own, until nothing is
//! left to be done.

use super::Relays;
use super::known::{READINGS_WITHIN, within};
use crate::condition::in_words;
use crate::engine::context::Context;
use crate::engine::task::{Next, StopgapNews, Task};
use crate::engine::timers::DeadlineReason;
use crate::engine::turn::Effect;
use crate::ids::{AlarmId, RelayId, Seq};
use crate::plan::{Adds, Relay};
use crate::record::Body;
use crate::stopgap::{ATTEMPTS, Command, Proof, Run, Stage, by_hand, on_off, seen};
use crate::time::{Moment, Span};
use crate::words;

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
enum RelayMove {
    Switch(NextCommand),
    Hold { why: String },
    Release { why: String },
    Prove { switching: Seq, after: Span },
    Fail { switching: Seq, why: String, unknown: bool },
    LeaveAlone { shows: bool, why: String },
}

impl Relays {
    /// An alarm was raised: its stopgap begins, if no run of its relay is on the way already.
    pub(in crate::engine) fn on_raised(&self, cx: &Context<'_>, id: AlarmId, next: &mut Next) {
        let Some(stopgap) = cx.plan.alarm(id).stopgap else { return };
        let relay = stopgap.relay;
        let idle = match self.run(relay).map(|run| &run.stage) {
            None | Some(Stage::Undoing(_)) => true,
            Some(
                Stage::Waiting { .. } | Stage::Commanded(_) | Stage::Held { .. } | Stage::LeftAlone { .. },
            ) => false,
        };
        // One that ranks higher and wants the opposite has been seen to already.
        if let Some((wisher, episode, on)) = cx.wish(relay).filter(|(.., on)| idle && *on == stopgap.on) {
            match cx.obstacle(relay, on) {
                None => {
                    let why = format!("stopgap of {}", cx.name(wisher));
                    switch(cx, relay, NextCommand { on, episode, attempt: 1, why, undo: false }, next);
                }
                Some(why) => {
                    next.record(Body::Withheld { relay: name(cx, relay), on, episode, why });
                }
            }
        }
        next.then(Task::Attend(relay));
    }

    /// Something that the relay's run may depend on has changed, or its time has come.
    pub(in crate::engine) fn on_attend(&self, cx: &Context<'_>, relay: RelayId, next: &mut Next) {
        match self.run(relay).and_then(|run| Some((run, cx.next_move(relay, run)?))) {
            Some((run, what)) => {
                self.make(cx, (relay, run), what, next);
                next.then(Task::Attend(relay));
            }
            None => self.arm(cx, relay, next),
        }
    }

    /// All that are under the agent's hand may be concerned.
    pub(in crate::engine) fn on_attend_all(&self, next: &mut Next) {
        next.tasks.extend(self.runs.keys().map(|relay| Task::Attend(*relay)));
    }

    /// What became of a command on its way to the broker.
    pub(in crate::engine) fn on_commanded(
        &self,
        cx: &Context<'_>,
        switching: Seq,
        failed: Option<String>,
        next: &mut Next,
    ) {
        let Some(why) = failed else { return };
        let of = |run: &Run| {
            let open = |order: &Command| matches!(order.proof, Proof::Awaited | Proof::Undeclared);
            run.order().is_some_and(|order| order.switching == switching && open(order))
        };
        let Some((relay, run)) = self.runs().find(|(_, run)| of(run)) else { return };
        next.record(Body::NotProved { relay: name(cx, relay), switching, why, unknown: true });
        tell_of_failure(cx, (relay, run), true, true, next);
        next.then(Task::Attend(relay));
    }

    /// Whether the proof of a command that was obeyed shows another state now.
    pub(in crate::engine) fn is_turned(&self, cx: &Context<'_>, relay: RelayId) -> bool {
        let order = self.run(relay).and_then(Run::order);
        order.is_some_and(|order| {
            let shows = || cx.shows(&cx.plan.relays[relay.index()], order.at);
            matches!(order.proof, Proof::Confirmed(_)) && shows() == Some(!order.on)
        })
    }

    /// The plan that comes has no such relay: it is left as it stands.
    pub(in crate::engine) fn on_plan_without(&self, cx: &Context<'_>, gone: &[RelayId], next: &mut Next) {
        for (relay, run) in self.runs().filter(|(relay, _)| gone.contains(relay)) {
            let why = "the new rule file has no such relay".to_owned();
            next.record(Body::Released { relay: name(cx, relay), episode: run.episode, why });
        }
    }

    fn make(&self, cx: &Context<'_>, (relay, run): (RelayId, &Run), what: RelayMove, next: &mut Next) {
        let (relay_name, episode) = (name(cx, relay), run.episode);
        let title = words::capital(&cx.plan.relays[relay.index()].title);
        let news = |everyone, why| Task::StopgapNews(StopgapNews { relay, episode, everyone, why });
        match what {
            RelayMove::Switch(command) => {
                let longest = command.undo && command.attempt == 1 && cx.wish(relay).is_some();
                switch(cx, relay, command, next);
                if longest {
                    next.then(news(false, format!("{title} has run for its longest")));
                }
            }
            RelayMove::Hold { why } => {
                if cx.wish(relay).is_some() {
                    next.then(news(false, format!("{title}: {why}")));
                }
                next.record(Body::Held { relay: relay_name, episode, why });
            }
            RelayMove::Release { why } => {
                next.record(Body::Released { relay: relay_name, episode, why });
                recheck_commanded(cx, relay, next);
                next.then(Task::LookAtHands);
            }
            RelayMove::Prove { switching, after } => {
                next.record(Body::Proved { relay: relay_name, switching, after });
                recheck_commanded(cx, relay, next);
                next.then(Task::LookAtHands);
            }
            RelayMove::Fail { switching, why, unknown } => {
                next.record(Body::NotProved { relay: relay_name, switching, why, unknown });
                tell_of_failure(cx, (relay, run), unknown, false, next);
            }
            RelayMove::LeaveAlone { shows, why } => {
                let dangerous = shows && cx.plan.relays[relay.index()].moves != Adds::Air;
                next.then(news(dangerous, format!("{title} shows {}", on_off(shows))));
                next.record(Body::ByHand { relay: relay_name, episode, shows, why });
                next.then(Task::LookAtHands);
            }
        }
    }

    /// When the relay has to be looked at again. What is past waits for a reading or the broker.
    fn arm(&self, cx: &Context<'_>, relay: RelayId, next: &mut Next) {
        let it = &cx.plan.relays[relay.index()];
        let now = cx.mono();
        let ahead = |at: &Moment| *at > now;
        let run = self.run(relay);
        let within = within(it);
        let proof = run.and_then(Run::order).and_then(|order| match order.proof {
            Proof::Awaited | Proof::Unknown(_) => Some(cx.proof_ends(it, order)),
            Proof::Failed(_) => (order.attempt < ATTEMPTS).then(|| cx.proof_ends(it, order)),
            Proof::Confirmed(_) => self.other_hand(relay).map(|since| since + within),
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
            let world = cx.world();
            let by_time = alone.filter_map(|it| world.present(|present| it.evaluate(present, None).until));
            let readings = Some(cx.sensors.started() + READINGS_WITHIN);
            bound.into_iter().chain(by_time).chain(cx.pause_ends(relay)).chain(readings).filter(ahead).min()
        });
        next.wake(DeadlineReason::Proof(relay), proof.filter(ahead));
        next.wake(DeadlineReason::Longest(relay), longest.filter(ahead));
        next.wake(DeadlineReason::Wait(relay), wait);
    }
}

fn name(cx: &Context<'_>, relay: RelayId) -> String {
    cx.plan.relays[relay.index()].name.clone()
}

fn switch(cx: &Context<'_>, relay: RelayId, command: NextCommand, next: &mut Next) {
    let NextCommand { on, episode, attempt, why, undo } = command;
    let it = &cx.plan.relays[relay.index()];
    let topic = it.topic.clone();
    let payload = if on { it.on.clone() } else { it.off.clone() };
    let relay_name = it.name.clone();
    let switched = Body::Switched { relay: relay_name.clone(), on, episode, attempt, why, undo };
    let switching = next.record(switched);
    next.effects.push(Effect::Command { switching, relay: relay_name, topic, payload });
    recheck_commanded(cx, relay, next);
}

/// What a relay is commanded to may be a matter of an alarm, which is asked again in this turn.
fn recheck_commanded(cx: &Context<'_>, relay: RelayId, next: &mut Next) {
    for alarm in cx.index.commanded.list(relay.index()) {
        next.wake(DeadlineReason::Recheck(*alarm), Some(cx.mono()));
    }
}

/// A command is not known to be obeyed; `run` is as it was before. A relay that is seen not to
/// cut heat, water or light is said to everyone at once; anything else when nothing more will
/// be tried soon.
fn tell_of_failure(
    cx: &Context<'_>,
    (relay, run): (RelayId, &Run),
    unknown: bool,
    unsent: bool,
    next: &mut Next,
) {
    let Some(order) = run.order() else { return };
    let moves = cx.plan.relays[relay.index()].moves;
    let hand = by_hand(order.on, moves);
    let title = words::capital(&cx.plan.relays[relay.index()].title);
    let why = format!("{title} switched {}, NOT {}: {hand}", on_off(order.on), seen(order.on));
    let undoing = matches!(run.stage, Stage::Undoing(_));
    let welded = !order.on && moves != Adds::Air && (!unknown || run.disobeyed);
    let last = order.attempt >= ATTEMPTS || (unsent && order.attempt == 1);
    let everyone = welded && !run.disobeyed;
    if everyone || (!welded && !undoing && last) {
        next.then(Task::StopgapNews(StopgapNews { relay, episode: run.episode, everyone, why }));
    }
}

impl Context<'_> {
    /// What comes next for a run, if anything does at this moment.
    fn next_move(&self, relay: RelayId, run: &Run) -> Option<RelayMove> {
        let it = &self.plan.relays[relay.index()];
        let wish = self.wish(relay);
        match &run.stage {
            Stage::Waiting { .. } => match wish {
                None => Some(released("no alarm asks for it any more; it was never switched")),
                Some((_, episode, on)) => self.obstacle(relay, on).is_none().then(|| {
                    let why = "nothing stands against it any more".to_owned();
                    RelayMove::Switch(NextCommand { on, episode, attempt: 1, why, undo: false })
                }),
            },
            Stage::Commanded(order) => self.next_of_order(relay, run, order).or_else(|| match wish {
                Some((.., on)) if on != order.on => self.turn_round(relay, order),
                Some(_) if self.mono() >= run.began + it.longest && self.is_awake(relay, run.episode) => {
                    self.give_back(relay, run, order, format!("its longest run of {} is over", it.longest))
                }
                Some(_) => None,
                None if self.is_kept_for(relay, order.on) && self.mono() < run.began + it.longest => None,
                None => match (&it.hold, order.on == it.safe) {
                    (Some(_), false) if !self.hold_is_over(it, run, self.mono()) => {
                        Some(RelayMove::Hold { why: format!("held {}", self.hold_words(it)) })
                    }
                    (Some(_) | None, false) | (_, true) => {
                        self.give_back(relay, run, order, "no alarm asks for it any more".to_owned())
                    }
                },
            }),
            Stage::Held { order, since, .. } => {
                self.next_of_order(relay, run, order).or_else(|| match wish {
                    Some((.., on)) if on != order.on => self.turn_round(relay, order),
                    Some(_) => None,
                    None if order.on == it.safe => (!self.is_spoken_of(relay))
                        .then(|| released(&format!("{}, for a person to switch back", on_off(order.on)))),
                    None if self.hold_is_over(it, run, *since) => {
                        self.give_back(relay, run, order, "no alarm asks for it any more".to_owned())
                    }
                    None => None,
                })
            }
            Stage::Undoing(order) => self.next_of_order(relay, run, order).or_else(|| {
                let told = wish.is_none() && self.callouts.of_episode(run.episode).is_none();
                let given_up = order.attempt >= ATTEMPTS && order.proof != Proof::Awaited;
                (given_up && told).then(|| released(&format!("not seen to go {}", on_off(order.on))))
            }),
            Stage::LeftAlone { .. } => wish
                .is_none()
                .then(|| released("switched by another hand, and no alarm asks for it any more")),
        }
    }

    /// What follows from what is seen of a command.
    fn next_of_order(&self, relay: RelayId, run: &Run, order: &Command) -> Option<RelayMove> {
        let it = &self.plan.relays[relay.index()];
        let within = within(it);
        let due = self.proof_is_due(it, order);
        let shows = self.shows(it, order.at);
        let switching = order.switching;
        match &order.proof {
            Proof::Awaited | Proof::Failed(_) | Proof::Unknown(_) if shows == Some(order.on) => {
                Some(RelayMove::Prove { switching, after: self.mono() - order.at })
            }
            // What can only be seen later is said then, if it is dangerous.
            Proof::Unknown(_) if due && shows.is_some() && self.is_dangerous(relay, run, order) => {
                let why = format!("not shown after {}: {}", self.mono() - order.at, self.seen_of(it));
                Some(RelayMove::Fail { switching, why, unknown: false })
            }
            Proof::Awaited if due => {
                let lacks = if shows.is_none() { "nothing seen" } else { "not shown" };
                let why = format!("{lacks} within {within}: {}", self.seen_of(it));
                Some(RelayMove::Fail { switching, why, unknown: shows.is_none() })
            }
            Proof::Failed(why) | Proof::Unknown(why) if due && order.attempt < ATTEMPTS => {
                let undo = matches!(run.stage, Stage::Undoing(_));
                let wanted = undo || self.wish(relay).is_some_and(|(.., on)| on == order.on);
                let may = self.sensors.deaf().is_none() && (!order.on || self.leave(it).is_none());
                let (on, attempt, why) = (order.on, order.attempt + 1, why.clone());
                let again = NextCommand { on, episode: run.episode, attempt, why, undo };
                (wanted && may).then_some(RelayMove::Switch(again))
            }
            Proof::Confirmed(_) if shows == Some(!order.on) => {
                let since = self.relays.other_hand(relay).filter(|since| self.mono() >= *since + within)?;
                let why = format!("for {}: {}", self.mono() - since, self.seen_of(it));
                Some(match run.stage {
                    // Nobody wants it any more: whoever switched it back was right to.
                    Stage::Held { .. } => released(&format!("switched by another hand, {why}")),
                    Stage::Waiting { .. }
                    | Stage::Commanded(_)
                    | Stage::Undoing(_)
                    | Stage::LeftAlone { .. } => RelayMove::LeaveAlone { shows: !order.on, why },
                })
            }
            Proof::Undeclared
            | Proof::Awaited
            | Proof::Failed(_)
            | Proof::Unknown(_)
            | Proof::Confirmed(_) => None,
        }
    }

    /// Whether it must be said to everyone, and was not yet, if heat, water or light is seen to go
    /// on.
    fn is_dangerous(&self, relay: RelayId, run: &Run, order: &Command) -> bool {
        let cut = self.wish(relay).is_some_and(|(.., on)| !on && !order.on);
        cut && self.plan.relays[relay.index()].moves != Adds::Air && !run.disobeyed
    }

    /// Another alarm outranks the one that it was switched for.
    fn turn_round(&self, relay: RelayId, order: &Command) -> Option<RelayMove> {
        let (wisher, episode, on) = self.wish(relay)?;
        let why = format!("{} outranks what wanted it {}", self.plan.alarm(wisher).name, on_off(order.on));
        let turned = RelayMove::Switch(NextCommand { on, episode, attempt: 1, why, undo: false });
        self.obstacle(relay, on).is_none().then_some(turned)
    }

    /// Back to the safe state. Where it is in that already, it stays for a person to switch: the
    /// plan leaves nothing that adds heat, water or light in any state but off.
    fn give_back(&self, relay: RelayId, run: &Run, order: &Command, why: String) -> Option<RelayMove> {
        let safe = self.plan.relays[relay.index()].safe;
        if order.on == safe {
            let why =
                format!("{why}: it stays {} until a person switches it {}", on_off(safe), on_off(!safe));
            return Some(RelayMove::Hold { why });
        }
        match self.obstacle(relay, safe) {
            None => {
                let episode = run.episode;
                Some(RelayMove::Switch(NextCommand { on: safe, episode, attempt: 1, why, undo: true }))
            }
            Some(_) if matches!(run.stage, Stage::Held { .. }) || self.wish(relay).is_some() => None,
            Some(obstacle) => Some(RelayMove::Hold { why: format!("{why}, but {obstacle}") }),
        }
    }
}

fn released(why: &str) -> RelayMove {
    RelayMove::Release { why: why.to_owned() }
}

impl Context<'_> {
    /// `until lagoon return flow > 200 L/h, for 2 h at most`
    fn hold_words(&self, relay: &Relay) -> String {
        let Some(hold) = &relay.hold else { return String::new() };
        let until = hold.until.as_ref().map(|until| in_words(&until.to_string(), self.plan));
        match (until, hold.at_most) {
            (Some(until), Some(at_most)) => format!("until {until}, for {at_most} at most"),
            (Some(until), None) => format!("until {until}"),
            (None, Some(at_most)) => format!("for {at_most}"),
            (None, None) => String::new(),
        }
    }
}
