//! The way to the broker, and how the agent's own parts are.

use super::{BROKER, Sensors, Sighted};
use crate::engine::ground::Ground;
use crate::engine::input::{Health, Link};
use crate::engine::task::{Next, Task};
use crate::engine::timers::DeadlineReason;
use crate::ids::SensorId;
use crate::plan::{Part, Sensor};
use crate::time::Moment;

impl Sensors {
    /// The way to the broker changed.
    pub(in crate::engine) fn on_link(&mut self, ground: &Ground<'_>, link: Link, next: &mut Next) {
        let now = ground.mono();
        let since = self.deaf.as_ref().map(|(_, since)| *since);
        match (link, since) {
            (Link::Hears, Some(since)) => {
                self.deaf = None;
                self.hears_since = now;
                self.doubt_losses_since(ground, since, next);
                self.tell_found(BROKER.to_owned(), now, next);
                next.then(Task::TendSirens { again: true });
            }
            (Link::Lost { why }, None) => {
                self.deaf = Some((why.clone(), now));
                self.tell_lost(BROKER.to_owned(), why, next);
            }
            (Link::Lost { why }, Some(since)) => {
                self.deaf = Some((why, since));
                return;
            }
            (Link::Hears, None) => return,
        }
        next.then(Task::JudgeSights);
        next.then(Task::AttendAll);
    }

    /// What was not heard while the broker was away may have been said all the same: it is lost
    /// only if it stays silent.
    fn doubt_losses_since(&mut self, ground: &Ground<'_>, since: Moment, next: &mut Next) {
        let by_broker = |sensor: &Sensor| sensor.feed.topic().is_some();
        for (id, sensor) in (0..).map(SensorId).zip(&ground.plan.sensors) {
            let sighted = self.sighted.get(id.index());
            if by_broker(sensor) && matches!(sighted, Some(Sighted::Lost(lost)) if *lost >= since) {
                self.note_sighted(ground, id, Sighted::Unsure);
                next.wake(DeadlineReason::Stale(id), Some(self.stale_at(ground, id)));
            }
        }
        for gateway in self.gateways.values_mut() {
            let unsure = gateway.silent + gateway.seen < gateway.sensors.len();
            if gateway.lost.is_some_and(|lost| lost >= since) && unsure {
                gateway.lost = None;
            }
        }
    }

    /// The agent says how a part of it is.
    pub(in crate::engine) fn on_health(&mut self, part: Part, health: Health, next: &mut Next) {
        if self.parts.get(&part) == Some(&health) {
            return;
        }
        let opens = health == Health::Well && matches!(part, Part::Channel(_));
        let before = self.parts.insert(part, health);
        if opens && matches!(before, Some(Health::Fails { .. })) {
            next.then(Task::Hurry);
        }
        next.then(Task::JudgeSights);
    }
}
