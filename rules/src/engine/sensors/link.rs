//! The way to the broker, and how the agent's own parts are.

use super::Sensors;
use crate::engine::ground::Ground;
use crate::engine::input::{Health, Link};
use crate::engine::task::{Next, Task};
use crate::plan::Part;
use crate::record::Body;

impl Sensors {
    /// The way to the broker changed.
    pub(in crate::engine) fn on_link(&mut self, ground: &Ground<'_>, link: Link, next: &mut Next) {
        let now = ground.mono();
        let since = self.deaf.as_ref().map(|(_, since)| *since);
        match (link, since) {
            (Link::Hears, Some(since)) => {
                self.deaf = None;
                // The first connection after a start regains nothing.
                if since != self.started {
                    next.record(Body::SightRegained { of: "broker".to_owned(), after: now - since });
                }
            }
            (Link::Lost { why }, None) => {
                self.deaf = Some((why.clone(), now));
                next.record(Body::SightLost { of: "broker".to_owned(), why });
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
