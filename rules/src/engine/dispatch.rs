//! Who does what: each input and each task is handed to the component that it belongs to. Nothing
//! is decided here but the order in which one piece's own looks are taken.

// What is new has to be handled here.
#![warn(clippy::wildcard_enum_match_arm)]

mod hearing;

use super::Engine;
use super::components::Components;
use super::forecasts::feed::ModelFeed;
use super::ground::Ground;
use super::input::{Health, Input};
use super::sensors::Note;
use super::task::{Next, Task};
use super::timers::DeadlineReason;
use super::turn::{Asked, Sample};
use crate::ids::{AlarmId, RelayId, SensorId};
use crate::plan::Part;
use crate::quality::Quality;
use crate::reading::{Arrival, BadReading, Reading, Value};
use crate::record::Body;

impl Engine {
    /// Takes one input.
    pub(super) fn take(&mut self, input: Input) {
        match input {
            Input::Tick => {}
            Input::Message { topic, payload, delivery } => hearing::hear(self, &topic, &payload, delivery),
            Input::Measured { sensor, value, delivery } => {
                self.take_in(sensor, delivery, Ok(Reading { value, measured: None }));
            }
            Input::Noted { sensor, words, likely } => {
                self.parts.sensors.on_note(sensor, Note { words, likely });
            }
            Input::Missed { sensor, why } => {
                self.take_in(sensor, Arrival::Live, Err(BadReading::not_given(&why)));
            }
            Input::Link(link) => {
                change(self, |ground, parts, next| parts.sensors.on_link(ground, link, next));
            }
            Input::Health { part, health } => {
                change(self, |_, parts, next| parts.sensors.on_health(part, health, next));
            }
            Input::Ways(ways) => std::sync::Arc::make_mut(&mut self.plan).directory.ways = ways,
            Input::Returned { page, why } => {
                self.decide(|cx, next| cx.delivery.on_returned(cx, page, &why, next));
            }
            Input::Delivered { page, outcome } => {
                self.decide(|cx, next| cx.delivery.on_delivered(cx, page, outcome, next));
            }
            Input::Commanded { switching, failed } => {
                self.decide(|cx, next| cx.relays.on_commanded(cx, switching, failed, next));
            }
            Input::Said { command, by } => {
                self.turn.asked = Some(Asked { by: by.clone(), from: self.turn.records.len() });
                self.decide(|cx, next| cx.operator.on_command(cx, command, by, next));
            }
            Input::TurnedAway { what, why, by } | Input::Unheeded { what, why, by } => {
                self.decide(|_, next| next.refuse(what, why, &by));
            }
            Input::SiteChanged { site, change, by } => {
                self.decide(|_, next| {
                    next.record(Body::SiteChanged { site, change, by });
                });
            }
            Input::Guessed { by } => self.decide(|cx, next| cx.drills.on_guessing(cx, &by, next)),
            Input::Started { version, gap } => {
                let started = self.next_seq;
                let overdue = gap.is_none();
                self.decide(|_, next| {
                    next.record(Body::Started { version, gap });
                });
                self.parts.drills.on_start(self.now.mono);
                change(self, |_, parts, next| parts.sensors.on_health(Part::Rules, Health::Well, next));
                self.set_out();
                self.queue.push(Task::WakeCalls { overdue });
                self.resuming = Some(started);
            }
            Input::Stopping { why } => {
                self.decide(|cx, next| cx.alarms.on_stop(cx, next));
                change(self, |ground, parts, next| {
                    parts.forecasts.on_stop(ground, next);
                    next.record(Body::Stopped { why });
                });
            }
        }
    }

    /// Does one piece of work.
    pub(super) fn run(&mut self, task: Task) {
        match task {
            Task::Due(reason) => self.meet(reason),
            Task::LookAtSensors => (0..self.plan.sensors.len()).for_each(|at| self.look(SensorId(at as u32))),
            Task::Judge(id) => self.judge(id),
            Task::JudgeAll => (0..).map(AlarmId).take(self.plan.alarms.len()).for_each(|id| self.judge(id)),
            Task::JudgeSights => self.judge_those(|engine| &engine.index.sights),
            Task::JudgeSightOf(id) => self.judge_those(|engine| engine.index.sights_of.list(id.index())),
            Task::JudgeGatewayOf(id) => self.judge_those(|it| it.index.sights_near(it.plan.sensor(id))),
            Task::Foretell { alarm, episode: of } => {
                self.decide(|cx, next| cx.note_prospects(alarm, of, next))
            }
            Task::BeginStopgap(id) => self.decide(|cx, next| cx.relays.on_raised(cx, id, next)),
            Task::Attend(relay) => self.attend(relay),
            Task::AttendAll => self.decide(|cx, next| cx.relays.on_attend_all(next)),
            Task::CallFor { alarm, episode } => {
                self.decide(|cx, next| cx.callouts.on_raised(cx, alarm, episode, next));
            }
            Task::CallForTheForgotten => self.decide(|cx, next| cx.callouts.on_another_plan(cx, next)),
            Task::GotWorse(of) => self.decide(|cx, next| cx.callouts.on_got_worse(cx, of, next)),
            Task::Fell(episode) => self.decide(|cx, next| cx.callouts.on_fell(cx, episode, next)),
            Task::StopgapNews(news) => self.decide(|cx, next| cx.callouts.on_stopgap_news(cx, &news, next)),
            Task::End(call) => self.decide(|cx, next| cx.callouts.on_end(cx, call, next)),
            Task::PageEnded(call) => self.decide(|cx, next| cx.callouts.on_page_ended(cx, call, next)),
            Task::SayDark(episode) => self.decide(|cx, next| cx.callouts.on_dark(cx, episode, next)),
            Task::TestMissed { target, delivered } => {
                self.decide(|cx, next| cx.drills.on_unanswered(cx, (&target, delivered), next));
            }
            Task::LookAtHands => self.decide(|cx, next| cx.callouts.on_hands(cx, next)),
            Task::TendSirens { again } => self.decide(|cx, next| cx.callouts.on_sirens(cx, again, next)),
            Task::Hush { siren, by } => self.decide(|cx, next| cx.callouts.on_hush(cx, &siren, by, next)),
            Task::HandOn { call, by } => self.decide(|cx, next| cx.callouts.on_hand_on(cx, call, &by, next)),
            Task::Answer { call, only, named, by } => {
                self.decide(|cx, next| cx.callouts.on_answer(cx, (call, only), (named, &by), next));
            }
            Task::MindDrills => self.decide(|cx, next| cx.callouts.on_drills(cx, None, next)),
            Task::Drill(policy) => self.decide(|cx, next| cx.callouts.on_drill(cx, policy, next)),
            Task::EndOrphans => self.decide(|cx, next| cx.callouts.on_plan_without(cx, next)),
            Task::WakeCalls { overdue } => self.decide(|cx, next| cx.callouts.on_start(cx, overdue, next)),
            Task::Page { call, target, purpose } => {
                self.decide(|cx, next| cx.delivery.on_page(cx, (call, &target), purpose, next));
            }
            Task::Send(page) => self.decide(|cx, next| cx.delivery.on_send(cx, page, next)),
            Task::AwaitRoom { page, urgent } => {
                change(self, |_, parts, next| parts.delivery.on_wait(page, urgent, next));
            }
            Task::SendWaiting(to) => self.decide(|cx, next| cx.delivery.on_send_waiting(cx, &to, next)),
            Task::DropUnwanted(call) => self.decide(|cx, next| cx.delivery.on_unwanted(cx, call, next)),
            Task::Hurry => self.decide(|cx, next| cx.delivery.on_way_open(cx, next)),
            Task::ArmRetries => self.decide(|cx, next| cx.delivery.on_another_plan(cx, next)),
            Task::BeginWork { tank, work, length, by } => {
                self.decide(|cx, next| cx.work.on_begin(cx, (tank, work), length, by, next));
            }
            Task::EndWork { tank, by } => self.decide(|cx, next| cx.work.on_end_asked(cx, &tank, by, next)),
            Task::Suppress { standing } => self.decide(|cx, next| cx.work.on_suppress(cx, standing, next)),
            Task::SuppressIfDisturbed(id) => self.decide(|cx, next| cx.work.on_back(cx, id, next)),
            Task::Release => self.decide(|cx, next| cx.work.on_release(cx, next)),
            Task::ArmWork => self.decide(|cx, next| cx.work.on_set_out(next)),
            Task::TendDrills => self.decide(|cx, next| cx.drills.on_tend(cx, next)),
            Task::TestPages(by) => self.decide(|cx, next| cx.drills.on_asked(cx, &by, next)),
            Task::TestAnswered { test, by } => {
                self.decide(|cx, next| cx.drills.on_answered(cx, test, &by, next));
            }
            Task::RoundWaits(why) => self.parts.drills.on_waits(why),
            Task::TestReachable => self.decide(|cx, next| cx.drills.on_test_reachable(cx, next)),
            Task::Test(target) => self.decide(|cx, next| cx.drills.on_test(cx, &target, next)),
            Task::SendNotices => self.decide(|cx, next| cx.drills.on_notices(cx, next)),
            Task::ArmDrills => self.decide(|cx, next| cx.drills.on_arm(cx, next)),
            Task::BeginOutage { alarm, by } => {
                self.decide(|cx, next| cx.outage.on_begin(cx, alarm.as_deref(), by, next));
            }
            Task::PlugOut(by) => self.decide(|cx, next| cx.outage.on_out(cx, by, next)),
            Task::PlugBack(by) => self.decide(|cx, next| cx.outage.on_back(cx, by, next)),
            Task::PageLost { page, target, why } => {
                self.decide(|cx, next| cx.drills.on_page_lost(page, &why, next));
                self.decide(|cx, next| cx.drills.on_notice_lost(cx, page, &target, next));
            }
        }
    }

    /// A deadline has come.
    fn meet(&mut self, reason: DeadlineReason) {
        match reason {
            DeadlineReason::Stale(sensor) => self.look(sensor),
            DeadlineReason::Recheck(alarm)
            | DeadlineReason::OnDelay(alarm)
            | DeadlineReason::Blips(alarm)
            | DeadlineReason::OffDelay(alarm) => self.judge(alarm),
            DeadlineReason::Shelf(alarm) => {
                self.decide(|cx, next| cx.operator.on_shelf_over(cx, alarm, next));
            }
            DeadlineReason::Work(tank) => self.decide(|cx, next| cx.work.on_end(cx, tank, None, next)),
            DeadlineReason::Proof(relay) | DeadlineReason::Longest(relay) | DeadlineReason::Wait(relay) => {
                self.attend(relay);
            }
            DeadlineReason::Step(call) | DeadlineReason::Lease(call) | DeadlineReason::Settle(call) => {
                self.decide(|cx, next| cx.callouts.on_time(cx, call, next));
            }
            DeadlineReason::Retry(page) => self.decide(|cx, next| cx.delivery.on_retry(cx, page, next)),
            DeadlineReason::Sirens => self.queue.push(Task::TendSirens { again: false }),
            DeadlineReason::Drills => self.queue.push(Task::TendDrills),
            DeadlineReason::Outage => self.decide(|cx, next| cx.outage.on_look(cx, next)),
            DeadlineReason::Unfinished => {}
        }
    }

    /// Sets every deadline from the state there is, and looks at everything once: at a start,
    /// and under a new plan.
    pub(super) fn set_out(&mut self) {
        self.decide(|cx, next| {
            next.then(Task::LookAtSensors);
            cx.operator.on_set_out(cx, next);
            cx.outage.on_set_out(cx, next);
            next.then(Task::Suppress { standing: false });
            next.then(Task::JudgeAll);
            next.then(Task::Release);
            next.then(Task::ArmWork);
            next.then(Task::AttendAll);
            next.then(Task::EndOrphans);
            next.then(Task::ArmRetries);
            next.then(Task::CallForTheForgotten);
            next.then(Task::TendSirens { again: false });
            next.then(Task::TendDrills);
        });
    }

    /// A reading is judged and kept for the history, and whoever uses the sensor looks again.
    fn take_in(&mut self, id: SensorId, delivery: Arrival, reading: Result<Reading, BadReading>) {
        let (ground, parts) = self.split();
        let Some((sample, look)) = parts.sensors.on_reading(&ground, id, delivery, reading) else { return };
        if look {
            change(self, |ground, parts, next| parts.sensors.look(ground, id, next));
        }
        let believed = sample.quality == Quality::Good;
        self.keep(id, Some(sample));
        if believed {
            self.teach(id);
        }
        self.judge_those(|engine| engine.index.users.list(id.index()));
        for at in 0..self.index.relays.list(id.index()).len() {
            let relay = self.index.relays.list(id.index())[at];
            if self.parts.relays.has_run(relay) {
                self.attend(relay);
            }
        }
    }

    /// A sample is kept for the history. Windows have to be told of one from a time of which they
    /// know nothing.
    fn keep(&mut self, id: SensorId, sample: Option<Sample>) {
        let Some(sample) = sample else { return };
        if sample.quality == Quality::Late {
            if self.now.mono - sample.at > self.plan.sensor(id).stale_after {
                self.parts.alarms.on_late(&self.plan, self.index.users.list(id.index()));
            }
            if let Some(Value::Number(number)) = sample.value {
                for (tank, feed) in self.index.feeds.list(id.index()) {
                    self.parts.forecasts.on_late(*tank, *feed, sample.at, number);
                }
            }
        }
        self.turn.samples.push(sample);
    }

    /// A sensor may have gone stale, or be believed no more.
    fn look(&mut self, id: SensorId) {
        if change(self, |ground, parts, next| parts.sensors.look(ground, id, next)) {
            self.teach(id);
            self.judge_those(|engine| engine.index.users.list(id.index()));
        }
    }

    /// Asks one list of the index, one alarm after the other.
    fn judge_those(&mut self, list: impl Fn(&Self) -> &[AlarmId]) {
        for at in 0..list(self).len() {
            if let Some(id) = list(self).get(at).copied() {
                self.judge(id);
            }
        }
    }

    /// An alarm's condition is asked, and the alarm moves on if its time has come.
    fn judge(&mut self, id: AlarmId) {
        let told_elsewhere = self.plan.alarm(id).channel().is_some() && self.context().is_told_elsewhere(id);
        let (ground, parts) = self.split();
        let now = ground.mono();
        let disturbed = parts.work.paused(ground.plan, id);
        let world = super::sensed::Sensed {
            plan: ground.plan,
            now: ground.now,
            sensors: &parts.sensors,
            relays: &parts.relays,
            forecasts: &parts.forecasts,
        };
        let Some(seen) = parts.alarms.on_look(id, &world, &disturbed) else { return };
        let state = parts.alarms.state(id).state;
        if told_elsewhere && !state.is_standing() && !state.is_aside() {
            parts.alarms.on_told_elsewhere(id, now);
        }
        self.decide(|cx, next| cx.alarms.on_seen(cx, id, seen, told_elsewhere, next));
    }

    /// Something that the relay's run may depend on has changed.
    fn attend(&mut self, relay: RelayId) {
        let turned = self.parts.relays.is_turned(&self.context(), relay);
        self.parts.relays.on_hand(relay, turned, self.now.mono);
        self.decide(|cx, next| cx.relays.on_attend(cx, relay, next));
    }

    /// A sensor said something good, or fell silent: the models that rest on it are told.
    fn teach(&mut self, id: SensorId) {
        if self.plan.mains == Some(id) {
            let on = self.parts.world(&self.plan, self.now).mains();
            self.parts.forecasts.on_mains(on, self.now.mono);
        }
        let now = self.now.mono;
        for at in 0..self.index.feeds.list(id.index()).len() {
            let (tank, feed) = self.index.feeds.list(id.index())[at];
            let at_work = self.parts.work.goes_on(tank);
            let value = self.parts.world(&self.plan, self.now).level(&self.plan.tanks[tank.index()], feed);
            let changed = self.parts.forecasts.on_level((tank, feed), value, at_work, now);
            let declined = feed == ModelFeed::Oxygen && {
                let reading = self.parts.world(&self.plan, self.now).decline(tank).filter(|_| !at_work);
                self.parts.forecasts.on_oxygen(tank, reading, now)
            };
            if declined || changed {
                change(self, |ground, parts, next| parts.forecasts.on_learned(ground, tank, declined, next));
            }
            if changed {
                let (water, out) =
                    (self.plan.tanks[tank.index()].gear.water, self.parts.forecasts.is_beached(tank));
                if let Some(water) = water.filter(|water| self.parts.sensors.on_beached(*water, out)) {
                    self.look(water);
                }
                self.judge_those(|engine| engine.index.foretold.list(tank.index()));
            }
        }
    }
}

/// One piece of work that changes its component itself, besides what it records.
fn change<T>(engine: &mut Engine, change: impl FnOnce(&Ground<'_>, &mut Components, &mut Next) -> T) -> T {
    let mut next = engine.spare.take(engine.next_seq, engine.now);
    let (ground, parts) = engine.split();
    let found = change(&ground, parts, &mut next);
    engine.settle(next);
    found
}
