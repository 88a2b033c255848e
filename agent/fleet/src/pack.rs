//! How events travel: a site sends a [`Pack`] of them, signed as a whole, and hears by a
//! [`EventReceipt`] how far everything of its epoch is stored. Both are bounded, and both can come
//! twice, late and in another order without harm.
//!
//! A pack says which numbers it covers. What it covers and does not hold was never kept by the
//! site's journal, or has left it: the receiver need not ask for it again. A pack that covers
//! nothing asks for a receipt: so a site begins, and so it asks again when it hears nothing.
//!
//! A receipt is not signed. Nothing harmful can follow from a forged one: what is sent again is
//! stored once, and a site that was told of too much hears the truth with its next pack, whose gap
//! the receiver sees; all of it is in the site's own journal meanwhile.

use crate::VERSION;
use crate::event::{FleetEvent, WrongEvent, is_name};
use serde::{Deserialize, Serialize};
use serde_json::Value;

/// Events of a pack.
pub const MOST_EVENTS: usize = 200;

/// The longest pack, in bytes of its JSON. Signed it is a third longer, which still fits into the
/// 64 KiB that a receiver takes unless it is set up otherwise.
pub const LONGEST_PACK: usize = 44 << 10;

/// The longest event in a pack: a longer record is left out and said to be so.
pub const LONGEST_EVENT: usize = 16 << 10;

/// Digits of a record's digest.
pub const DIGEST: usize = 32;

/// Some consecutive numbers of a site's journal, with the events that they have.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Pack {
    /// Of the form.
    pub version: u32,
    /// Who speaks.
    pub site: String,
    /// The life of its journal.
    pub epoch: String,
    /// The first number of the epoch: those below were told in another one.
    pub begins: u64,
    /// The first number that is covered.
    pub first: u64,
    /// The last one; one less than the first if nothing is covered.
    pub last: u64,
    /// Of the record with the last number, so that a site can tell its own journal from another
    /// one's: empty if nothing is covered.
    pub digest: String,
    /// In order of their numbers.
    pub events: Vec<Value>,
}

/// How far everything is stored.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct EventReceipt {
    /// Of the form.
    pub version: u32,
    /// Whose events.
    pub site: String,
    /// Of which life of its journal.
    pub epoch: String,
    /// Every number up to this one is stored or known to be no event; one less than the first if
    /// there is none.
    pub stored: u64,
    /// Of that record, as the site said it.
    pub digest: String,
    /// Later ones are stored and some between are not: the site is asked to go on behind `stored`.
    pub asks: bool,
}

/// A pack whose every part was looked at.
#[derive(Clone, Debug, PartialEq)]
pub struct ProvedPack {
    /// As it came.
    pub pack: Pack,
    /// Its events, read.
    pub events: Vec<FleetEvent>,
}

impl Pack {
    /// One that covers nothing, and asks for a receipt.
    pub fn asking(site: &str, epoch: &str, begins: u64, next: u64) -> Self {
        Self {
            version: VERSION,
            site: site.to_owned(),
            epoch: epoch.to_owned(),
            begins,
            first: next,
            last: next.saturating_sub(1),
            digest: String::new(),
            events: Vec::new(),
        }
    }

    /// Whether it covers any number.
    pub fn covers(&self) -> bool {
        self.first <= self.last
    }

    /// Reads one that came under the name of this site and was proved to be the site's.
    ///
    /// # Errors
    /// What is wrong with it.
    pub fn read(json: &[u8], site: &str) -> Result<ProvedPack, WrongEvent> {
        let wrong = |why: &str| Err(WrongEvent(why.to_owned()));
        if json.len() > LONGEST_PACK {
            return wrong("it is longer than a pack may be");
        }
        let pack: Self = serde_json::from_slice(json).map_err(|error| WrongEvent(error.to_string()))?;
        if pack.version != VERSION {
            return Err(WrongEvent(format!("its version is {}", pack.version)));
        }
        if pack.site != site {
            return wrong("it is under another site's name");
        }
        if !is_name(&pack.epoch) {
            return wrong("its epoch is no name");
        }
        if pack.events.len() > MOST_EVENTS {
            return wrong("it has more events than a pack may have");
        }
        let covered = pack.first.checked_sub(1).is_some_and(|before| before <= pack.last);
        if !covered || pack.begins == 0 || pack.begins > pack.first || pack.last > i64::MAX.unsigned_abs() - 1
        {
            return wrong("its numbers are out of order");
        }
        let digits = pack.digest.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'));
        if !digits || pack.digest.len() != if pack.covers() { DIGEST } else { 0 } {
            return wrong("its digest is none");
        }
        let mut next = pack.first;
        let mut events = Vec::with_capacity(pack.events.len());
        for json in &pack.events {
            let event = FleetEvent::read(json, &pack.site, &pack.epoch)?;
            if event.data.number < next || event.data.number > pack.last {
                return wrong("its events are out of order");
            }
            next = event.data.number + 1;
            events.push(event);
        }
        Ok(ProvedPack { pack, events })
    }
}

impl EventReceipt {
    /// Reads one.
    ///
    /// # Errors
    /// What is wrong with it.
    pub fn read(json: &[u8]) -> Result<Self, WrongEvent> {
        if json.len() > 1_024 {
            return Err(WrongEvent("it is longer than a receipt may be".to_owned()));
        }
        let receipt: Self = serde_json::from_slice(json).map_err(|error| WrongEvent(error.to_string()))?;
        match receipt.version {
            VERSION => Ok(receipt),
            other => Err(WrongEvent(format!("its version is {other}"))),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::event::ToldRecord;
    use proptest::prelude::*;
    use serde_json::json;

    fn pack(numbers: &[u64]) -> Pack {
        let event = |number: &u64| {
            let record = json!({"kind": "blipped", "alarm": "lagoon-cold"});
            let at = 1_798_078_440_000;
            let told = ToldRecord { site: "halyard", epoch: "a1b2", number: *number, at, sure: true, record };
            serde_json::to_value(FleetEvent::of(told)).expect("JSON")
        };
        Pack {
            first: numbers[0],
            last: *numbers.last().expect("some"),
            digest: "0".repeat(DIGEST),
            events: numbers.iter().map(event).collect(),
            ..Pack::asking("halyard", "a1b2", 1, 1)
        }
    }

    fn read(pack: &Pack) -> Result<ProvedPack, WrongEvent> {
        Pack::read(&serde_json::to_vec(pack).expect("JSON"), "halyard")
    }

    #[test]
    fn a_pack_that_was_written_is_read() {
        let sent = pack(&[3, 4, 9]);
        let got = read(&sent).expect("right");
        assert_eq!(got.pack, sent);
        assert_eq!(got.events.iter().map(|event| event.data.number).collect::<Vec<_>>(), [3, 4, 9]);
        assert!(read(&Pack::asking("halyard", "a1b2", 1, 1)).is_ok(), "one that only asks");
    }

    #[test]
    fn what_contradicts_itself_is_refused() {
        let good = pack(&[3, 4, 9]);
        let wrong = |change: fn(&mut Pack)| {
            let mut other = good.clone();
            change(&mut other);
            read(&other).expect_err("wrong").to_string()
        };
        assert!(wrong(|pack| pack.version = 2).contains("version"));
        assert!(wrong(|pack| pack.site = "lantern".to_owned()).contains("another site"));
        assert!(wrong(|pack| pack.epoch = "A b".to_owned()).contains("epoch"));
        assert!(wrong(|pack| pack.first = 4).contains("order"));
        assert!(wrong(|pack| pack.last = 8).contains("order"));
        assert!(wrong(|pack| pack.last = 1).contains("order"));
        assert!(wrong(|pack| pack.first = 0).contains("order"));
        assert!(wrong(|pack| pack.begins = 4).contains("order"));
        assert!(wrong(|pack| pack.last = u64::MAX).contains("order"));
        assert!(wrong(|pack| pack.events.swap(0, 1)).contains("order"));
        assert!(wrong(|pack| pack.digest.clear()).contains("digest"));
        assert!(wrong(|pack| pack.events = vec![Value::Null; 201]).contains("more events"));
        assert!(
            wrong(|pack| pack.events[1]["data"]["record"] = json!("x".repeat(LONGEST_PACK)))
                .contains("longer")
        );
    }

    proptest! {
        #[test]
        fn no_octets_make_reading_fail_otherwise_than_in_words(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            let _ = Pack::read(&bytes, "halyard");
            let _ = EventReceipt::read(&bytes);
        }
    }
}
