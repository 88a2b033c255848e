//! What a siren should do is a state, not a message: on while a call-out that told it climbs at the
//! rank for which it was told, no longer than its limits, and not while somebody has hushed it. The
//! engine sends the wish when it changes and when the broker is back; nothing else starts or stops
//! one.

use super::state::{CallOut, Phase};
use crate::ids::Seq;
use crate::plan::{SirenLimits, Target};
use crate::record::CallKind;
use crate::time::{Moment, Span};

/// A button beside it may hush it for this long; it answers nothing.
pub const HUSH: Span = Span::minutes(10);
/// It does not begin for less than this of its share of the hour.
const LEAST: Span = Span::seconds(10);
/// What sounds may have begun up to an hour before the hour that counts.
const MATTERS: Span = Span::minutes(121);
/// Its share is counted over this.
const HOUR: Span = Span::hours(1);

/// What is remembered of a siren.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Siren {
    /// It sounds since then.
    pub since: Option<Moment>,
    /// When it sounded within the last hour: from, until.
    pub sounded: Vec<(Moment, Moment)>,
    /// It is hushed until then.
    pub hushed: Option<Moment>,
    /// The record of that hush.
    hushed_by: Option<Seq>,
    /// Records of what it was bidden, as long as they tell what sounded within the hour.
    bidden: Vec<(Seq, Moment)>,
}

/// A change of the wish, or a hush.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SirenChange {
    /// It is to sound, or to be silent.
    Wish {
        /// Sound.
        on: bool,
    },
    /// Somebody pressed the button beside it.
    Hushed {
        /// For how long.
        length: Span,
    },
}

/// Whether it should sound now, and when that may change by itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Wish {
    /// It should sound.
    pub on: bool,
    /// Look again then.
    pub again: Option<Moment>,
}

impl Siren {
    /// Takes a change with its record, of `at`.
    pub fn apply(&mut self, change: SirenChange, record: Seq, at: Moment) {
        let on = match change {
            SirenChange::Hushed { length } => {
                (self.hushed, self.hushed_by) = (Some(at + length), Some(record));
                return;
            }
            SirenChange::Wish { on } => on,
        };
        self.bidden.retain(|(_, bidden)| at - *bidden < MATTERS);
        self.bidden.push((record, at));
        if on {
            self.since = self.since.or(Some(at));
        } else {
            self.sounded.extend(self.since.take().map(|since| (since, at)));
            self.sounded.retain(|(_, until)| at - *until < HOUR);
        }
    }

    /// The oldest record that a restart at `now` has to read for it.
    pub fn rests_on(&self, now: Moment) -> Option<Seq> {
        let hush = self.hushed_by.filter(|_| self.hushed.is_some_and(|until| until > now));
        let bidden = self.bidden.iter().find(|(_, at)| now - *at < MATTERS).map(|(record, _)| *record);
        hush.into_iter().chain(bidden).min()
    }

    /// What it should do at `now`.
    pub fn wish<'a>(
        &self,
        target: &Target,
        limits: SirenLimits,
        calls: impl IntoIterator<Item = &'a CallOut>,
        now: Moment,
    ) -> Wish {
        let silent = Wish { on: false, again: None };
        let ends = calls.into_iter().filter_map(|call| told_until(call, target, limits, now)).max();
        let Some(ends) = ends.filter(|ends| *ends > now) else { return silent };
        if let Some(hushed) = self.hushed.filter(|hushed| *hushed > now) {
            return Wish { on: false, again: Some(hushed) };
        }
        let left = limits.an_hour - self.sounded_within_the_hour(now);
        let enough = if self.since.is_some() { Span::millis(1) } else { LEAST.min(limits.an_hour) };
        if left < enough {
            // The oldest part of the hour falls out of it, and no faster than time passes.
            let oldest = self.spells(now).map(|(from, _)| from.max(now - HOUR)).min();
            let again = oldest.map(|from| from + HOUR + (LEAST.min(limits.an_hour) - left));
            return Wish { on: false, again };
        }
        Wish { on: true, again: Some(ends.min(now + left)) }
    }

    fn spells(&self, now: Moment) -> impl Iterator<Item = (Moment, Moment)> + '_ {
        let current = self.since.map(|since| (since, now));
        self.sounded.iter().copied().chain(current).filter(move |(_, until)| now - *until < HOUR)
    }

    fn sounded_within_the_hour(&self, now: Moment) -> Span {
        let from = now - HOUR;
        self.spells(now).fold(Span::ZERO, |sum, (since, until)| sum + (until - since.max(from)))
    }
}

/// Until when a call-out wants the siren: it told it, and climbs at the rank for which it did.
pub fn told_until(call: &CallOut, target: &Target, limits: SirenLimits, now: Moment) -> Option<Moment> {
    let told = call.told.get(target).filter(|told| told.message.asks())?;
    let waits = call.settling.is_some() || call.waits.is_some();
    let climbs = match call.kind {
        CallKind::Drill => true,
        CallKind::Cause | CallKind::Mass | CallKind::Digest => {
            told.rank >= limits.from && call.sounding_rank(now).is_some_and(|rank| rank >= told.rank)
        }
    };
    (call.phase == Phase::Climbing && !waits && climbs).then_some(told.last + limits.a_rung)
}
