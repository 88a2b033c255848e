//! What is turned away, said once a cause: whoever floods the receiver with forged packs fills no
//! log with them. A site and a cause flow in, and how many there were when it is time to speak.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

/// The same is said again after this, with how often it was.
const AGAIN: Duration = Duration::from_secs(3_600);

/// Causes that are remembered. Names of sites come from outside.
const MOST: usize = 1_000;

/// Why a pack is not believed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum EventRefusal {
    /// No site of this name is watched.
    Unknown,
    /// It is not in the signed form.
    Garbled,
    /// The signature is not by the site's key.
    Forged,
    /// It is signed, and contradicts itself.
    Wrong,
    /// The database can't take what it holds.
    Unstorable,
}

impl EventRefusal {
    pub(super) fn words(self) -> &'static str {
        match self {
            Self::Unknown => "no site of that name is watched",
            Self::Garbled => "they are not in the signed form",
            Self::Forged => "they are not signed by its key",
            Self::Wrong => "they are signed, and contradict themselves",
            Self::Unstorable => "the database can't take what they say",
        }
    }
}

/// What was turned away lately.
#[derive(Debug, Default)]
pub(super) struct EventRefusals(BTreeMap<(String, EventRefusal), (Instant, u64)>);

impl EventRefusals {
    /// Another one: how many there were since it was last spoken of, if it is time to speak.
    pub(super) fn note(&mut self, site: &str, refusal: EventRefusal, now: Instant) -> Option<u64> {
        if self.0.len() >= MOST {
            self.0.retain(|_, (said, _)| now.duration_since(*said) < AGAIN);
        }
        if let Some((said, count)) = self.0.get_mut(&(site.to_owned(), refusal)) {
            *count += 1;
            if now.duration_since(*said) < AGAIN {
                return None;
            }
            *said = now;
            return Some(std::mem::take(count));
        }
        if self.0.len() >= MOST {
            return None;
        }
        self.0.insert((site.to_owned(), refusal), (now, 0));
        Some(1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cause_is_said_once_an_hour_with_how_often_it_was() {
        let (mut refusals, begun) = (EventRefusals::default(), Instant::now());
        assert_eq!(refusals.note("halyard", EventRefusal::Forged, begun), Some(1));
        for second in 1..100 {
            let now = begun + Duration::from_secs(second);
            assert_eq!(refusals.note("halyard", EventRefusal::Forged, now), None);
        }
        assert_eq!(refusals.note("halyard", EventRefusal::Garbled, begun), Some(1), "another cause");
        assert_eq!(refusals.note("halyard", EventRefusal::Forged, begun + AGAIN), Some(100));
    }

    #[test]
    fn names_without_number_take_no_memory() {
        let (mut refusals, begun) = (EventRefusals::default(), Instant::now());
        let said =
            (0..10_000).filter_map(|n| refusals.note(&format!("s{n}"), EventRefusal::Unknown, begun)).count();
        assert_eq!((said, refusals.0.len()), (MOST, MOST));
    }
}
