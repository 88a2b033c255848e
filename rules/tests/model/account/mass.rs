//! Many at once: from the sixth call-out of a ladder begun within five seconds on, they join one
//! mass of that ladder. Those of one moment are counted before anything is said of them, by
//! carrying the moment out on a copy of everything.

use super::{Account, Thing};
use std::collections::BTreeSet;

const WITHIN: i64 = 5_000;
const FEW: usize = 5;

#[derive(Clone, Debug, Default)]
pub(super) struct Bursts {
    /// When a call-out of a ladder began, or something joined its mass instead.
    begun: Vec<(i64, usize)>,
    /// The moment that was last looked at, and the ladders on which many begin in it.
    seen: Option<i64>,
    many: BTreeSet<usize>,
}

impl Account<'_> {
    /// Something is raised: how many are there in this moment?
    pub(super) fn see_to_bursts(&mut self) {
        let now = self.now;
        if self.bursts.seen == Some(now) {
            return;
        }
        self.bursts.seen = Some(now);
        self.bursts.many.clear();
        self.bursts.begun.retain(|(at, _)| now - at <= WITHIN);
        let mut tried = self.clone();
        while let Some((_, _, what @ Thing::Raise(_))) = tried.next_thing().filter(|(at, ..)| *at <= now) {
            tried.happen(what);
        }
        for ladder in 0..self.house.ladders.len() {
            if tried.bursts.begun.iter().filter(|(_, of)| *of == ladder).count() > FEW {
                self.bursts.many.insert(ladder);
            }
        }
    }

    /// A call-out of this ladder would begin: the mass that it joins instead, if there is one, and
    /// whether it begins one.
    pub(super) fn mass_for(&mut self, ladder: usize) -> (bool, Option<usize>) {
        self.bursts.begun.push((self.now, ladder));
        if !self.bursts.many.contains(&ladder) {
            return (false, None);
        }
        let open = |call: &super::Call| call.mass == Some(ladder) && call.phase != super::Phase::Over;
        (true, self.calls.iter().rposition(open))
    }
}
