//! Night: what quiet hours hold, and who sleeps.

use super::Account;
use super::call::Member;
use super::house::{DAY, MINUTE, person};

impl Account<'_> {
    pub(super) fn time_of_day(&self) -> i64 {
        (self.house.begins + self.now).rem_euclid(DAY)
    }

    /// When quiet ends, while it lasts.
    pub(super) fn quiet_until(&self, ladder: usize) -> Option<i64> {
        let (time, seven) = (self.time_of_day(), 7 * 60 * MINUTE);
        let left = if time < seven { seven - time } else { seven + DAY - time };
        let is_quiet = time < seven || time >= 22 * 60 * MINUTE;
        (self.house.ladders[ladder].quiet && is_quiet).then_some(self.now + left)
    }

    pub(super) fn is_held(&self, alarm: usize, raised: i64) -> Option<i64> {
        let alarm = &self.house.alarms[alarm];
        let until = self.quiet_until(alarm.ladder)?;
        let waits = match alarm.rank {
            0 => true,
            1 => alarm.respond.is_some_and(|hours| raised + hours * 60 * MINUTE > until + 60 * MINUTE),
            _ => false,
        };
        waits.then_some(until)
    }

    /// It is quiet for something that calls, and quiet does not hold it.
    pub(super) fn cant_wait(&self, at: usize) -> bool {
        let mut calling = self.calls[at].members.iter().filter(|it| it.calls(self.now));
        calling.any(|it| {
            self.quiet_until(self.house.alarms[it.alarm].ladder).is_some()
                && self.is_held(it.alarm, it.raised).is_none()
        })
    }

    /// If quiet holds all that calls.
    pub(super) fn held_until(&self, at: usize) -> Option<i64> {
        let calling: Vec<&Member> = self.calls[at].members.iter().filter(|it| it.calls(self.now)).collect();
        let held: Option<Vec<i64>> = calling.iter().map(|it| self.is_held(it.alarm, it.raised)).collect();
        held?.into_iter().min()
    }

    pub(super) fn sleeps(&self, target: &str) -> bool {
        let time = self.time_of_day() / MINUTE;
        self.house.sleepers.contains(&person(target)) && !(8 * 60..22 * 60).contains(&time)
    }
}
