//! Ways that take no pages, or none now. What a way refuses is lost; what it puts off is tried
//! again after half a minute, and then after twice as long each time, ten minutes at most. Either
//! gives way to the next rung. A way that works again opens them all: whatever was put off is tried
//! then.

use super::Account;
use super::limits::{Waiting, is_call};
use super::telling::asks;
use std::collections::{BTreeMap, BTreeSet};

const FIRST: i64 = 30_000;
const LONGEST: i64 = 600_000;

/// What a way does with pages, if it does not take them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Amiss {
    Refuses,
    PutsOff,
}

#[derive(Clone, Debug, Default)]
pub(super) struct Ways {
    pub(super) amiss: BTreeMap<&'static str, Amiss>,
    /// Those that took no page when they were last tried, in this life of the watch.
    pub(super) failed: BTreeSet<&'static str>,
}

impl Account<'_> {
    pub(super) fn amiss(&self, target: &str) -> Option<Amiss> {
        self.ways.amiss.get(target).copied()
    }

    /// A way does this with a page: whether it took it.
    pub(super) fn tries(&mut self, at: usize, target: &'static str, what: &'static str) -> bool {
        let told = (self.now, self.failures);
        match self.amiss(target) {
            None => {
                self.takes_its_place(at, target);
                if self.ways.failed.remove(target) {
                    self.way_opens();
                }
                return true;
            }
            Some(Amiss::Refuses) => self.takes_its_place(at, target),
            Some(Amiss::PutsOff) => {
                // Pages of one moment are one.
                let same = |it: &Waiting| {
                    it.told == told && is_call(&self.calls[at], it.what) == is_call(&self.calls[at], what)
                };
                if !self.calls[at].waiting.get(target).is_some_and(same) {
                    self.takes_its_place(at, target);
                }
                self.waits(at, target, what, (self.now + FIRST, 1));
            }
        }
        self.ways.failed.insert(target);
        let call = &mut self.calls[at];
        call.failed.push(target);
        call.lost.insert((told, target));
        false
    }

    /// Its time has come to be tried again: what is known of it by then.
    pub(super) fn tries_what_was_put_off(&mut self, at: usize, target: &'static str, waiting: Waiting) {
        // It is a page of its own, also in the moment in which it was planned.
        self.failures += 1;
        let told = (self.now, self.failures);
        let tries = waiting.tries + 1;
        let call = &mut self.calls[at];
        call.out.push((told, target, waiting.what));
        match self.ways.amiss.get(target) {
            None => {
                call.waiting.remove(target);
                call.lost.remove(&(waiting.told, target));
                if asks(waiting.what) {
                    call.reached.insert(target);
                }
                if self.ways.failed.remove(target) {
                    self.way_opens();
                }
                return;
            }
            Some(Amiss::Refuses) => drop(call.waiting.remove(target)),
            Some(Amiss::PutsOff) => {
                let until = self.now + (FIRST << (tries - 1).min(16)).min(LONGEST);
                if let Some(waiting) = call.waiting.get_mut(target) {
                    (waiting.until, waiting.tries, waiting.tried) = (until, tries, self.now);
                }
            }
        }
        self.ways.failed.insert(target);
        self.calls[at].lost.insert((told, target));
    }

    /// What was put off is tried now, whatever its way; but for what was tried in this moment.
    fn way_opens(&mut self) {
        let now = self.now;
        let waiting = self.calls.iter_mut().flat_map(|call| call.waiting.values_mut());
        waiting.filter(|it| it.tries > 0 && it.tried < now).for_each(|it| it.until = now);
    }
}
