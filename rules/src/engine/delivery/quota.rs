//! What each limited channel has carried lately, and what it has held back: built from the
//! records of pages, so that a restart neither forgets a page that was paid for nor one that
//! was never sent. A page that finds no room waits for it; a newer one to the same person takes its
//! place and says what it stands for. Every page counts, whatever it is for.

use crate::ids::Seq;
use crate::plan::{self, Directory, Target};
use crate::record::{Body, Drilled, Outcome, Record};
use crate::time::{Moment, Span};
use std::collections::BTreeMap;

/// Nothing older matters to any limit.
const KEPT: Span = Span::hours(24);

/// The pages of limited channels.
#[derive(Clone, Debug, Default)]
pub(in crate::engine) struct QuotaLedger {
    entries: BTreeMap<Target, Vec<Sending>>,
}

#[derive(Clone, Copy, Debug)]
struct Sending {
    page: Seq,
    at: Moment,
    fate: Fate,
}

/// What has become of a page, as far as a limit cares.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Fate {
    /// It counts: it is there, or on its way.
    Carried,
    /// It waits: for room, or for its way to work.
    Waits,
    /// It waits for room, and no page has told of that yet.
    HeldBack,
    /// It was held back, never left, and no page has told of that yet.
    Dropped,
}

impl QuotaLedger {
    /// Takes in what a record says of pages.
    pub(super) fn apply(&mut self, directory: &Directory, record: &Record) {
        let (seq, at) = (record.seq, record.at.mono);
        match &record.body {
            Body::Paged { target, .. }
            | Body::Drill(Drilled::Tested { target, .. } | Drilled::Noticed { target, .. }) => {
                let target = Target::parse(target);
                if directory.quota(&target).is_some() {
                    let entries = self.entries.entry(target).or_default();
                    entries.retain(|entry| at - entry.at < KEPT);
                    entries.push(Sending { page: seq, at, fate: Fate::Carried });
                }
            }
            Body::Delivered { page, result } => self.settle(*page, at, result),
            _ => {}
        }
    }

    fn settle(&mut self, page: Seq, at: Moment, result: &Outcome) {
        let of = |entries: &Vec<Sending>| entries.iter().any(|entry| entry.page == page);
        let Some(entries) = self.entries.values_mut().find(|entries| of(entries)) else { return };
        match result {
            Outcome::Accepted { .. } => {
                // Whoever has this page has been told of those before it.
                entries.retain(|entry| entry.fate != Fate::Dropped && entry.page != page);
                let held_back = entries.iter_mut().filter(|entry| entry.fate == Fate::HeldBack);
                held_back.for_each(|entry| entry.fate = Fate::Waits);
                entries.push(Sending { page, at, fate: Fate::Carried });
            }
            Outcome::HeldUntil { .. } => change(entries, page, |_| Some(Fate::HeldBack)),
            // Nothing went out, so there is as much room as before; what was held back stays so.
            Outcome::Deferred { .. } => change(entries, page, |fate| match fate {
                Fate::Carried | Fate::Waits => Some(Fate::Waits),
                Fate::HeldBack | Fate::Dropped => Some(fate),
            }),
            Outcome::Failed { .. } | Outcome::Withdrawn | Outcome::GivenUp { .. } => {
                change(entries, page, |fate| match fate {
                    Fate::Carried | Fate::Waits => None,
                    Fate::HeldBack | Fate::Dropped => Some(Fate::Dropped),
                });
            }
        }
    }

    /// When the channel has room for this page, `urgent` or not; none if it has. A part of every
    /// limit is kept for what is critical. What waited and `leaves` counts already.
    pub(super) fn room_at(
        &self,
        page: Seq,
        (target, quota): (&Target, &plan::Quota),
        urgent: bool,
        leaves: impl Fn(Seq) -> bool,
        now: Moment,
    ) -> Option<Moment> {
        let others = self.of(target).filter(|entry| entry.page != page);
        let carried = others.filter_map(|entry| match entry.fate {
            Fate::Carried => Some(entry.at),
            Fate::Waits | Fate::HeldBack | Fate::Dropped => leaves(entry.page).then_some(now),
        });
        let mut carried: Vec<Moment> = carried.collect();
        carried.sort();
        let full_until = |(most, within): (usize, Span)| {
            let most = if urgent { most } else { most.saturating_sub(quota.reserve as usize) }.max(1);
            let recent: Vec<Moment> = carried.iter().copied().filter(|at| now - *at < within).collect();
            let oldest = recent.len().checked_sub(most)?;
            recent.get(oldest).map(|at| *at + within)
        };
        quota.limits().filter_map(full_until).max()
    }

    fn of(&self, target: &Target) -> impl Iterator<Item = &Sending> {
        self.entries.get(target).into_iter().flatten()
    }

    /// Pages that were held back on this way and that no page has told of since: how many,
    /// since when.
    pub(in crate::engine) fn held(
        &self,
        target: &Target,
        but: Option<Seq>,
        now: Moment,
    ) -> Option<(usize, Moment)> {
        let untold = |entry: &&Sending| match entry.fate {
            Fate::HeldBack | Fate::Dropped => Some(entry.page) != but && now - entry.at < KEPT,
            Fate::Carried | Fate::Waits => false,
        };
        let held = || self.of(target).filter(untold);
        Some((held().count(), held().map(|entry| entry.at).min()?))
    }

    /// The oldest record that it rests on.
    pub(super) fn rests_on(&self, now: Moment) -> Option<Seq> {
        let entries = self.entries.values().flatten().filter(|entry| now - entry.at < KEPT);
        entries.map(|entry| entry.page).min()
    }
}

/// Changes the fate of a page, or forgets it.
fn change(entries: &mut Vec<Sending>, page: Seq, change: impl Fn(Fate) -> Option<Fate>) {
    entries.retain_mut(|entry| {
        let fate = if entry.page == page { change(entry.fate) } else { Some(entry.fate) };
        fate.is_some_and(|fate| {
            entry.fate = fate;
            true
        })
    });
}
