//! How often something may happen by each way on which people speak. A person mistypes a code now
//! and then; a script with an old code, a machine that answers every text, or somebody who guesses
//! sends many. What comes beyond the pace is not looked at, not kept or not replied to: it would
//! wear the card, cost money and bury in the journal what counts.

use slackwater_rules::time::{Moment, Span};
use std::collections::{BTreeMap, VecDeque};

/// Ways that are remembered: the socket, and each contact's text, mail and topic.
const MOST_WAYS: usize = 256;

/// A pace, and when it happened lately by each way.
#[derive(Debug)]
pub(super) struct WayPace {
    most: usize,
    within: Span,
    lately: BTreeMap<String, VecDeque<Moment>>,
}

impl WayPace {
    /// `most` times `within` a time.
    pub(super) fn new(most: usize, within: Span) -> Self {
        Self { most, within, lately: BTreeMap::new() }
    }

    /// It happened once more. Whether that was the last time for now.
    pub(super) fn note(&mut self, way: &str, now: Moment) -> bool {
        if self.lately.len() >= MOST_WAYS {
            self.lately.retain(|_, lately| lately.back().is_some_and(|last| now - *last < self.within));
        }
        if self.lately.len() < MOST_WAYS || self.lately.contains_key(way) {
            let lately = self.lately.entry(way.to_owned()).or_default();
            lately.push_back(now);
            if lately.len() > self.most {
                lately.pop_front();
            }
        }
        self.wait(way, now).is_some()
    }

    /// How long it takes until it may happen once more; none if it may now.
    pub(super) fn wait(&self, way: &str, now: Moment) -> Option<Span> {
        let lately = self.lately.get(way)?;
        let oldest = *lately.front()?;
        let over = lately.len() >= self.most && now - oldest < self.within;
        over.then(|| self.within - (now - oldest))
    }

    /// Whether it may happen now; if so it does.
    pub(super) fn may(&mut self, way: &str, now: Moment) -> bool {
        let may = self.wait(way, now).is_none();
        if may {
            self.note(way, now);
        }
        may
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ten_within_ten_minutes_are_enough_by_one_way() {
        let mut codes = WayPace::new(10, Span::minutes(10));
        let at = |second: i64| Moment(second * 1_000);
        for second in 0..10 {
            assert_eq!(codes.wait("socket", at(second)), None, "{second}");
            assert_eq!(codes.note("socket", at(second)), second == 9, "{second}");
        }
        assert_eq!(codes.wait("socket", at(10)), Some(Span::seconds(590)));
        assert_eq!(codes.wait("ines", at(10)), None, "others still may");
        assert!(!codes.may("socket", at(10)) && codes.may("ines", at(10)));
        assert_eq!(codes.wait("socket", at(600)), None);
        codes.note("socket", at(600));
        assert_eq!(codes.wait("socket", at(600)), Some(Span::seconds(1)), "the second one's time");
    }

    #[test]
    fn ways_without_number_take_no_memory() {
        let mut codes = WayPace::new(10, Span::minutes(10));
        for n in 0..10_000 {
            codes.note(&format!("way {n}"), Moment(n));
        }
        assert!(codes.lately.len() <= MOST_WAYS);
    }
}
