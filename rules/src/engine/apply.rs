//! What each record does to the state that lasts. This is the only place that changes it: the
//! running engine comes here with the record it has just made, a restart with those of the
//! journal. A record about something that the plan no longer has changes nothing.

use super::{Engine, Silence, WorkPeriod};
use crate::alarm::{Aside, Episode, Event};
use crate::callout::{Call, Fate, Member, Phase, Sent};
use crate::plan::{AlarmId, RelayId, TankId, Target};
use crate::record::{Body, Outcome, Purpose, Record, Seq};
use crate::stopgap::{Command, Proof, Run, Stage};
use crate::time::{Moment, Span};

impl Engine {
    pub(super) fn apply(&mut self, record: &Record) {
        let (seq, at) = (record.seq, record.at.mono);
        self.ledger.note(&self.plan.directory, seq, at, &record.body);
        match &record.body {
            Body::Raised { alarm, episode, code, place, priority, since, because } => {
                let Some(id) = self.alarm(alarm) else { return };
                let life = &mut self.lives[id.index()];
                let begun = Episode {
                    id: *episode,
                    code: code.clone(),
                    place: place.clone(),
                    priority: *priority,
                    onset: at - *since,
                    because: because.clone(),
                    raised: at,
                    worse: false,
                    blind: false,
                };
                // What comes back unanswered is the same episode, but of now.
                let open = life.episode.get_or_insert(begun);
                (open.raised, open.onset) = (at, at - *since);
                life.note_raise(seq, at);
                life.happen(Event::Raise);
                self.change_members(*episode, at, |member| member.fate = Fate::Stands);
                self.end_hold(id, at);
            }
            Body::Worsened { alarm, episode, because } => {
                self.change_episode(alarm, |episode| {
                    episode.worse = true;
                    episode.because.clone_from(because);
                });
                self.change_members(*episode, at, |member| {
                    member.worse = true;
                    member.because.clone_from(because);
                });
            }
            Body::LostSight { alarm, episode } => self.change_sight(alarm, *episode, at, true),
            Body::FoundSight { alarm, episode } => self.change_sight(alarm, *episode, at, false),
            Body::Returned { alarm, episode, .. } => {
                let Some(id) = self.alarm(alarm) else { return };
                let latching = self.plan.alarm(id).latching;
                self.lives[id.index()].happen(Event::Return { latching });
                self.change_members(*episode, at, |member| member.fate = Fate::Over(at));
            }
            Body::Chattering { alarm, .. } => self.change_life(alarm, |life| life.chattering = Some(seq)),
            Body::Settled { alarm } => self.change_life(alarm, |life| {
                life.chattering = None;
                life.raises.clear();
            }),
            Body::Acknowledged { alarm, .. } => {
                self.change_life(alarm, |life| life.happen(Event::Acknowledge))
            }
            Body::Reset { alarm, .. } => self.change_life(alarm, |life| life.happen(Event::Reset)),
            Body::Shelved { alarm, length, by, why } => {
                let aside = Aside { seq, until: Some(at + *length), by: by.clone(), why: why.clone() };
                self.put_aside(alarm, at, Event::Shelve, Some(aside));
            }
            Body::TakenOut { alarm, by, why } => {
                let aside = Aside { seq, until: None, by: by.clone(), why: why.clone() };
                self.put_aside(alarm, at, Event::TakeOut, Some(aside));
            }
            Body::Suppressed { alarm } => self.put_aside(alarm, at, Event::Suppress, None),
            Body::Unshelved { alarm, .. } => self.put_back(alarm, Event::Unshelve),
            Body::PutBack { alarm, .. } => self.put_back(alarm, Event::PutBack),
            Body::Unsuppressed { alarm } => self.put_back(alarm, Event::Unsuppress),

            Body::CallBegan { policy, purpose, code, hold } => {
                let call = Call {
                    id: seq,
                    policy: policy.clone(),
                    purpose: *purpose,
                    code: code.clone(),
                    begun: at + *hold,
                    phase: self.first_step(policy, at + *hold),
                    quiet_since: None,
                    members: Vec::new(),
                    pages: Vec::new(),
                    answers: Vec::new(),
                    ended: false,
                };
                self.calls.insert(seq, call);
            }
            Body::Joined { call, alarm, .. } => self.join(*call, alarm),
            Body::Stepped { call, step } => {
                let Some(call) = self.calls.get_mut(call) else { return };
                let policy = self.plan.callouts.iter().find(|policy| policy.name == call.policy);
                call.phase = policy.map_or(Phase::Told, |policy| call.after_step(policy, *step as usize, at));
            }
            Body::Paged { call, target, purpose, also, .. } => {
                let Some(call) = self.calls.get_mut(call) else { return };
                let step = match (call.phase, *purpose) {
                    (Phase::Calling { step, .. }, Purpose::Call | Purpose::Drill) => {
                        Some(step.saturating_sub(1) as u32)
                    }
                    _ => None,
                };
                let target = Target::parse(target);
                call.pages.push(Sent {
                    id: seq,
                    target,
                    purpose: *purpose,
                    at,
                    step,
                    deferred: 0,
                    doubts: 0,
                    last: None,
                    also: also.clone(),
                });
            }
            Body::Delivered { page, result } => self.note_delivery(*page, result),
            Body::Answered { call, by, lease } => {
                let Some(call) = self.calls.get_mut(call) else { return };
                call.answers.push((by.clone(), at));
                call.phase = Phase::Answered { until: at + *lease };
            }
            Body::Resumed { call, .. } => {
                let Some(policy) = self.calls.get(call).map(|call| call.policy.clone()) else { return };
                let phase = self.first_step(&policy, at);
                let Some(call) = self.calls.get_mut(call) else { return };
                call.purpose = Purpose::Call;
                call.begun = at;
                call.phase = phase;
            }
            Body::CallEnded { call } => {
                if let Some(call) = self.calls.get_mut(call) {
                    call.ended = true;
                }
                self.forget_if_done(*call);
            }

            Body::WorkBegan { tank, work, length, by } => {
                let Some(tank) = self.tank(tank) else { return };
                let spell = WorkPeriod { seq, work: work.clone(), until: at + *length, by: by.clone() };
                self.works.insert(tank, spell);
            }
            Body::WorkEnded { tank, .. } => {
                let Some(tank) = self.tank(tank) else { return };
                self.works.remove(&tank);
            }

            Body::Learned { tank, numbers, oxygen } => {
                let Some(tank) = self.tank(tank) else { return };
                self.foresight.recall(tank, seq, at, numbers, oxygen);
            }

            Body::Switched { relay, on, episode, attempt, why, undo } => {
                let Some(relay) = self.relay(relay) else { return };
                if *attempt == 1 {
                    self.switched.insert(relay, (seq, at));
                }
                let proof = match &self.plan.relays[relay.index()].proof {
                    Some(_) => Proof::Awaited,
                    None => Proof::Undeclared,
                };
                let order =
                    Command { on: *on, switching: seq, at, attempt: *attempt, why: why.clone(), proof };
                self.note_switching(relay, *episode, order, *undo);
            }
            Body::Withheld { relay, on, episode, why } => {
                let Some(relay) = self.relay(relay) else { return };
                let stage = Stage::Waiting { on: *on, why: why.clone() };
                let run = Run { seq, episode: *episode, began: at, stage, disobeyed: false };
                self.runs.insert(relay, run);
            }
            Body::Held { relay, why, .. } => self.change_run(relay, |run| {
                if let Some(order) = run.order().cloned() {
                    run.stage = Stage::Held { order, since: at, why: why.clone() };
                }
            }),
            Body::ByHand { relay, shows, .. } => {
                self.change_run(relay, |run| run.stage = Stage::LeftAlone { shows: *shows });
            }
            Body::Released { relay, .. } => {
                let Some(relay) = self.relay(relay) else { return };
                self.runs.remove(&relay);
            }
            Body::Proved { switching, after, .. } => self.note_proof(*switching, Proof::Confirmed(*after)),
            Body::NotProved { switching, why, unknown: true, .. } => {
                self.note_proof(*switching, Proof::Unknown(why.clone()));
            }
            Body::NotProved { switching, why, unknown: false, .. } => {
                self.note_proof(*switching, Proof::Failed(why.clone()));
            }

            Body::Drill(drilled) => self.apply_drill(seq, at, drilled),
            Body::SilencePlanned { length, why, by } => {
                let (why, by) = (why.clone(), by.clone());
                self.silence = Some(Silence { seq, until: at + *length, why, by });
            }
            Body::SilenceEnded { .. } => self.silence = None,

            // Kept for people; nothing follows from them.
            Body::Foretold { .. }
            | Body::Started { .. }
            | Body::Stopped { .. }
            | Body::Reloaded { .. }
            | Body::ClockSet { .. }
            | Body::SightLost { .. }
            | Body::SightRegained { .. }
            | Body::Skipped { .. }
            | Body::Marked { .. }
            | Body::CommandKept { .. }
            | Body::Refused { .. } => {}
        }
    }

    pub(super) fn alarm(&self, name: &str) -> Option<AlarmId> {
        self.index.names.get(name).copied()
    }

    pub(super) fn tank(&self, name: &str) -> Option<TankId> {
        self.plan.tanks.iter().position(|tank| tank.name == name).map(|at| TankId(at as u32))
    }

    pub(super) fn relay(&self, name: &str) -> Option<RelayId> {
        self.plan.relays.iter().position(|relay| relay.name == name).map(|at| RelayId(at as u32))
    }

    fn first_step(&self, policy: &str, begun: Moment) -> Phase {
        let policy = self.plan.callouts.iter().find(|known| known.name == policy);
        match policy.and_then(|policy| policy.steps.first()) {
            Some(first) => Phase::Calling { step: 0, due: begun + first.after },
            None => Phase::Told,
        }
    }

    fn change_life(&mut self, alarm: &str, change: impl FnOnce(&mut crate::alarm::AlarmState)) {
        if let Some(id) = self.alarm(alarm) {
            change(&mut self.lives[id.index()]);
        }
    }

    fn change_episode(&mut self, alarm: &str, change: impl FnOnce(&mut Episode)) {
        self.change_life(alarm, |life| {
            if let Some(episode) = &mut life.episode {
                change(episode);
            }
        });
    }

    fn change_sight(&mut self, alarm: &str, episode: Seq, at: Moment, blind: bool) {
        self.change_episode(alarm, |episode| episode.blind = blind);
        self.change_members(episode, at, |member| member.blind = blind);
    }

    /// Changes the episode's part in its call-out, and notes when nothing there stands.
    fn change_members(&mut self, episode: Seq, at: Moment, change: impl Fn(&mut Member)) {
        for call in self.calls.values_mut().filter(|call| !call.ended) {
            let mut touched = false;
            for member in call.members.iter_mut().filter(|member| member.episode == episode) {
                change(member);
                touched = true;
            }
            if touched {
                call.quiet_since = if call.stands() { None } else { call.quiet_since.or(Some(at)) };
            }
        }
    }

    fn put_aside(&mut self, alarm: &str, at: Moment, event: Event, aside: Option<Aside>) {
        let Some(id) = self.alarm(alarm) else { return };
        let life = &mut self.lives[id.index()];
        let episode = life.episode.as_ref().map(|episode| episode.id);
        life.happen(event);
        life.aside = aside;
        let Some(episode) = episode else { return };
        self.change_members(episode, at, |member| {
            if member.fate == Fate::Stands {
                member.fate = Fate::PutAside;
            }
        });
    }

    fn put_back(&mut self, alarm: &str, event: Event) {
        self.change_life(alarm, |life| {
            life.happen(event);
            if !life.state.is_aside() {
                life.aside = None;
            }
        });
    }

    fn join(&mut self, call: Seq, alarm: &str) {
        let Some(id) = self.alarm(alarm) else { return };
        let Some(episode) = &self.lives[id.index()].episode else { return };
        let Some(call) = self.calls.get_mut(&call) else { return };
        call.quiet_since = None;
        call.members.push(Member {
            alarm: alarm.to_owned(),
            episode: episode.id,
            place: episode.place.clone(),
            priority: episode.priority,
            onset: episode.onset,
            because: episode.because.clone(),
            fate: Fate::Stands,
            worse: episode.worse,
            blind: episode.blind,
        });
    }

    fn note_delivery(&mut self, page: Seq, result: &Outcome) {
        let mut pages =
            self.calls.values_mut().flat_map(|call| call.pages.iter_mut().map(|sent| (call.id, sent)));
        match pages.find(|(_, sent)| sent.id == page) {
            Some((call, sent)) => {
                sent.deferred += u32::from(matches!(result, Outcome::Deferred { .. }));
                sent.doubts += u32::from(result.is_doubtful());
                sent.last = Some(result.clone());
                let told_of = sent.also.clone();
                self.forget_if_done(call);
                told_of.into_iter().for_each(|call| self.forget_if_done(call));
            }
            None => self.slips.note_delivery(page, result),
        }
    }

    /// A call-out that is over is kept only while its last pages are on their way, or one that
    /// tells of it too.
    fn forget_if_done(&mut self, id: Seq) {
        let pending = |call: &Call| call.pages.iter().any(Sent::is_pending);
        let told_of = |page: &Sent| page.is_pending() && page.also.contains(&id);
        if self.calls.get(&id).is_some_and(|call| call.ended && !pending(call))
            && !self.calls.values().flat_map(|call| &call.pages).any(told_of)
        {
            self.calls.remove(&id);
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

    fn change_run(&mut self, relay: &str, change: impl FnOnce(&mut Run)) {
        if let Some(run) = self.relay(relay).and_then(|relay| self.runs.get_mut(&relay)) {
            change(run);
        }
    }

    /// What only held is wanted again by the alarm.
    fn end_hold(&mut self, alarm: AlarmId, at: Moment) {
        let Some(stopgap) = self.plan.alarm(alarm).stopgap else { return };
        let safe = self.plan.relays[stopgap.relay.index()].safe;
        let Some(run) = self.runs.get_mut(&stopgap.relay) else { return };
        if let Stage::Held { order, .. } = &run.stage
            && order.on == stopgap.on
        {
            // A longest run bounds what has to be undone, over all holds; what is left as it is
            // begins anew.
            if order.on == safe {
                run.began = at;
            }
            run.stage = Stage::Commanded(order.clone());
        }
    }

    /// How long work may go on that was begun without a length.
    pub(super) fn longest_work(&self, work: &str) -> Option<Span> {
        self.plan.works.get(work).map(|work| work.longest)
    }
}
