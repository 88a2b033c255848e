//! Wrong codes. A person mistypes one now and then; a script with an old code, a machine that
//! answers every text, or somebody who guesses sends many. Each way by which answers come has so many
//! in a while; what comes beyond that is answered, but no longer kept: it would wear the card and
//! bury in the journal what counts.

use slackwater_rules::time::{Moment, Span};
use std::collections::{BTreeMap, VecDeque};

/// So many wrong codes by one way …
pub(super) const MOST: usize = 10;
/// … within this time.
pub(super) const WITHIN: Span = Span::minutes(10);

/// Ways that are remembered: the socket, and the numbers of people.
const MOST_WAYS: usize = 64;

/// When wrong codes came, by the way they came by.
#[derive(Debug, Default)]
pub(super) struct WrongCodes(BTreeMap<String, VecDeque<Moment>>);

impl WrongCodes {
    /// Another wrong one.
    pub(super) fn note(&mut self, way: &str, now: Moment) {
        if self.0.len() >= MOST_WAYS {
            self.0.retain(|_, lately| lately.back().is_some_and(|last| now - *last < WITHIN));
        }
        if self.0.len() < MOST_WAYS || self.0.contains_key(way) {
            let lately = self.0.entry(way.to_owned()).or_default();
            lately.push_back(now);
            if lately.len() > MOST {
                lately.pop_front();
            }
        }
    }

    /// How long it takes until one more may be kept; none if one may now.
    pub(super) fn wait(&self, way: &str, now: Moment) -> Option<Span> {
        let lately = self.0.get(way)?;
        let oldest = *lately.front()?;
        let over = lately.len() >= MOST && now - oldest < WITHIN;
        over.then(|| WITHIN - (now - oldest))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ten_wrong_codes_within_ten_minutes_are_enough_by_one_way() {
        let mut codes = WrongCodes::default();
        let at = |second: i64| Moment(second * 1_000);
        for second in 0..10 {
            assert_eq!(codes.wait("socket", at(second)), None, "{second}");
            codes.note("socket", at(second));
        }
        assert_eq!(codes.wait("socket", at(10)), Some(Span::seconds(590)));
        assert_eq!(codes.wait("ines", at(10)), None, "others still may");
        assert_eq!(codes.wait("socket", at(600)), None);
        codes.note("socket", at(600));
        assert_eq!(codes.wait("socket", at(600)), Some(Span::seconds(1)), "the second one's time");
    }

    #[test]
    fn ways_without_number_take_no_memory() {
        let mut codes = WrongCodes::default();
        for n in 0..10_000 {
            codes.note(&format!("way {n}"), Moment(n));
        }
        assert!(codes.0.len() <= MOST_WAYS);
    }
}
