//! What every component may always know: the plan, what follows from it, and the time. Records
//! name things; here the names become places in the plan, and times of day become moments.

use super::index::Index;
use crate::answer::{CODE_LENGTH, CODE_LETTERS, is_a_word};
use crate::ids::{AlarmId, RelayId, Seq, TankId, mix};
use crate::plan::{Callout, Plan, Target};
use crate::time::{Moment, Now, Span};
use jiff::civil::DateTime;

/// The plan, its index, and now.
#[derive(Clone, Copy, Debug)]
pub(super) struct Ground<'a> {
    pub(super) plan: &'a Plan,
    pub(super) index: &'a Index,
    pub(super) now: Now,
}

impl Ground<'_> {
    /// Now, on the clock that delays run on.
    pub(super) fn mono(&self) -> Moment {
        self.now.mono
    }

    pub(super) fn alarm(&self, name: &str) -> Option<AlarmId> {
        self.index.named(self.plan, name)
    }

    /// The alarm's name, for records.
    pub(super) fn name(&self, id: AlarmId) -> String {
        self.plan.alarm(id).name.clone()
    }

    pub(super) fn alarms(&self) -> impl Iterator<Item = AlarmId> + use<> {
        (0..).map(AlarmId).take(self.plan.alarms.len())
    }

    pub(super) fn tank(&self, name: &str) -> Option<TankId> {
        self.plan.tanks.iter().position(|tank| tank.name == name).map(|at| TankId(at as u32))
    }

    pub(super) fn relay(&self, name: &str) -> Option<RelayId> {
        self.plan.relays.iter().position(|relay| relay.name == name).map(|at| RelayId(at as u32))
    }

    pub(super) fn policy(&self, name: &str) -> Option<&Callout> {
        self.plan.callouts.iter().find(|policy| policy.name == name)
    }

    /// The channel that an alarm of this name is about.
    pub(super) fn channel_of(&self, alarm: &str) -> Option<&Target> {
        self.plan.alarm(self.alarm(alarm)?).channel()
    }

    /// The local time.
    pub(super) fn civil(&self) -> DateTime {
        self.now.wall.civil(&self.plan.zone).datetime()
    }

    /// A local time on the clock that delays run on.
    pub(super) fn moment_of(&self, civil: DateTime) -> Option<Moment> {
        let at = civil.to_zoned_datetime(self.plan.zone.clone()).ok()?.timestamp().as_millisecond();
        Some(self.now.mono + Span(at.saturating_sub(self.now.wall.0)))
    }
}

/// A short code for what record `seq` begins: hard to guess without the seed, and unlike every
/// code in use and every word that people answer with.
pub(super) fn code(seed: u64, seq: Seq, taken: impl Fn(&str) -> bool) -> String {
    let mut salt = 0;
    loop {
        let mut bits = mix(seed ^ mix(seq.wrapping_add(salt)));
        let code: String = (0..CODE_LENGTH)
            .map(|_| {
                let letter = CODE_LETTERS[(bits % 24) as usize];
                bits /= 24;
                char::from(letter)
            })
            .collect();
        if !taken(&code) && !is_a_word(&code) {
            return code;
        }
        salt += 1 << 32;
    }
}
