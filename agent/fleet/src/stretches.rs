//! Which numbers of one epoch of a site's journal are accounted for: stored, or known to be no
//! event. Stretches of numbers flow in, in any order and as often as they like; what of them is
//! new, how far everything is there, and what is missing between flow out.

use std::collections::BTreeMap;

/// So many stretches with gaps between are remembered. A site goes on behind the first gap, so that
/// more of them come only from one that has lost its way.
pub const MOST: usize = 64;

/// Numbers that are accounted for, as stretches that neither touch nor overlap.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct NumberStretches(BTreeMap<u64, NumberStretch>);

/// The end of a stretch.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NumberStretch {
    /// Its last number.
    pub last: u64,
    /// Of that record.
    pub digest: String,
}

impl NumberStretches {
    /// As they were kept: first number, last number, digest of the last one.
    pub fn of(kept: impl IntoIterator<Item = (u64, u64, String)>) -> Self {
        let mut all = Self::default();
        for (first, last, digest) in kept {
            all.insert(first, last, &digest);
        }
        all
    }

    /// Each of them, in order.
    pub fn iter(&self) -> impl Iterator<Item = (u64, &NumberStretch)> {
        self.0.iter().map(|(first, stretch)| (*first, stretch))
    }

    /// Whether this number is accounted for.
    pub fn has(&self, number: u64) -> bool {
        self.0.range(..=number).next_back().is_some_and(|(_, stretch)| number <= stretch.last)
    }

    /// These numbers are accounted for. False if there are too many gaps already: then nothing has
    /// changed.
    pub fn insert(&mut self, first: u64, last: u64, digest: &str) -> bool {
        if last < first {
            return true;
        }
        let (mut from, mut end) = (first, NumberStretch { last, digest: digest.to_owned() });
        // Those that touch or overlap end at the earliest one before the first number.
        let touching: Vec<u64> = self
            .0
            .range(..=last.saturating_add(1))
            .rev()
            .take_while(|(_, stretch)| stretch.last.saturating_add(1) >= first)
            .map(|(begin, _)| *begin)
            .collect();
        if touching.is_empty() && self.0.len() >= MOST {
            return false;
        }
        for begin in touching {
            if let Some(other) = self.0.remove(&begin) {
                from = from.min(begin);
                // Of the same last number, what was said first holds.
                if other.last >= end.last {
                    end = other;
                }
            }
        }
        self.0.insert(from, end);
        true
    }

    /// How far everything from `begins` on is there, with the digest of that record: one less than
    /// `begins` if nothing is.
    pub fn stored(&self, begins: u64) -> (u64, &str) {
        let unbroken = self.0.range(..=begins).next_back().filter(|(_, stretch)| stretch.last >= begins);
        unbroken
            .map_or((begins.saturating_sub(1), ""), |(_, stretch)| (stretch.last, stretch.digest.as_str()))
    }

    /// The first numbers that are missing while later ones are there.
    pub fn missing(&self, begins: u64) -> Option<(u64, u64)> {
        let next = self.stored(begins).0 + 1;
        let (later, _) = self.0.range(next..).next()?;
        Some((next, later - 1))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::BTreeSet;

    #[test]
    fn what_comes_in_order_is_one_stretch() {
        let mut all = NumberStretches::default();
        assert_eq!((all.stored(1), all.missing(1)), ((0, ""), None));
        assert!(all.insert(1, 5, "e"));
        assert!(all.insert(6, 6, "f"));
        assert!(all.insert(2, 3, "c"), "once more");
        assert_eq!((all.stored(1), all.missing(1)), ((6, "f"), None));
        assert_eq!(all.iter().count(), 1);
    }

    #[test]
    fn a_gap_is_seen_and_filled() {
        let mut all = NumberStretches::default();
        all.insert(1, 5, "e");
        all.insert(9, 12, "l");
        assert_eq!((all.stored(1), all.missing(1)), ((5, "e"), Some((6, 8))));
        all.insert(6, 7, "g");
        assert_eq!((all.stored(1), all.missing(1)), ((7, "g"), Some((8, 8))));
        all.insert(4, 9, "i");
        assert_eq!((all.stored(1), all.missing(1)), ((12, "l"), None));
    }

    #[test]
    fn an_epoch_that_begins_later_is_whole_from_there() {
        let mut all = NumberStretches::default();
        all.insert(481, 510, "x");
        assert_eq!((all.stored(481), all.missing(481)), ((510, "x"), None));
        assert_eq!((all.stored(400), all.missing(400)), ((399, ""), Some((400, 480))));
    }

    #[test]
    fn gaps_without_number_take_no_memory() {
        let mut all = NumberStretches::default();
        for n in 0..10_000 {
            let taken = all.insert(n * 3 + 1, n * 3 + 1, "");
            assert_eq!(taken, n < 64, "{n}");
        }
        assert_eq!(all.iter().count(), MOST);
        assert!(all.insert(2, 2, ""), "what fills a gap is always taken");
    }

    proptest! {
        /// Held against a set of numbers.
        #[test]
        fn any_order_comes_to_the_same(packs in proptest::collection::vec((1u64..60, 0u64..9), 0..40)) {
            let (mut all, mut each) = (NumberStretches::default(), BTreeSet::new());
            for (first, more) in packs {
                let digest = (first + more).to_string();
                prop_assert!(all.insert(first, first + more, &digest));
                each.extend(first..=first + more);
            }
            for number in 0..80 {
                prop_assert_eq!(all.has(number), each.contains(&number));
            }
            let stored = (1..).take_while(|number| each.contains(number)).last().unwrap_or(0);
            prop_assert_eq!(all.stored(1).0, stored);
            let later = each.range(stored + 1..).next();
            prop_assert_eq!(all.missing(1), later.map(|later| (stored + 1, later - 1)));
            for (_, stretch) in all.iter() {
                prop_assert_eq!(&stretch.digest, &stretch.last.to_string(), "the digest is the last one's");
            }
            let again = NumberStretches::of(all.iter().map(|(first, end)| (first, end.last, end.digest.clone())));
            prop_assert_eq!(again, all);
        }
    }
}
