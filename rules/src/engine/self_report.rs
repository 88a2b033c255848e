//! What the watch can say of itself to its witness, beside what `status` shows: whether its own
//! pages reach anybody, and which silence somebody has announced.

use super::{Engine, Silence};
use crate::alarm::Aside;
use crate::callout::{Call, Phase};
use crate::record::{Outcome, Purpose};
use crate::time::Moment;

impl Engine {
    /// Whether somebody is being asked for, and no page of the call-out has been taken over by
    /// any hop on its way to a person, although at least one attempt has ended.
    pub fn reaches_nobody(&self) -> bool {
        let asking = |call: &&Call| {
            call.purpose == Purpose::Call && call.stands() && matches!(call.phase, Phase::Calling { .. })
        };
        self.calls.values().filter(asking).any(|call| {
            let to_people = call.pages.iter().filter(|sent| sent.target.contact.is_some());
            let mut ended = to_people.filter_map(|sent| sent.last.as_ref()).peekable();
            ended.peek().is_some() && !ended.any(|last| matches!(last, Outcome::Accepted { .. }))
        })
    }

    /// The silence that has been announced, if it is not over at `now`.
    pub fn silence_at(&self, now: Moment) -> Option<&Silence> {
        self.silence.as_ref().filter(|silence| silence.until > now)
    }

    /// By whom, why and for how long an alarm is put aside, if it is.
    pub fn aside(&self, alarm: &str) -> Option<&Aside> {
        self.lives[self.alarm(alarm)?.index()].aside.as_ref()
    }
}
