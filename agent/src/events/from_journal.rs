//! What a site's journal gives to be told: a look at how far it is, and the next pack of it. Read
//! afresh each time, so that a journal that was set aside meanwhile is not read on.

use crate::journal::{JournalError, JournalLog};
use ring::digest::{SHA256, digest};
use slackwater_fleet::event::ToldRecord;
use slackwater_fleet::pack::{LONGEST_EVENT, LONGEST_PACK, MOST_EVENTS};
use slackwater_fleet::sending::{EventProgress, Records};
use slackwater_fleet::{FleetEvent, Pack};
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// Of a pack, besides its events.
const AROUND: usize = 1_024;

/// What was seen of the journal.
pub(super) struct JournalLook {
    pub(super) seed: u64,
    pub(super) newest: u64,
    digests: BTreeMap<u64, String>,
}

impl Records for JournalLook {
    fn newest(&self) -> u64 {
        self.newest
    }

    fn digest(&self, number: u64) -> Option<String> {
        self.digests.get(&number).cloned()
    }
}

/// Looks at it, and at the digests of these records.
pub(super) fn look(log: &JournalLog, numbers: &[u64]) -> Result<JournalLook, JournalError> {
    let mut digests = BTreeMap::new();
    for number in numbers {
        digests.extend(log.digest_of(*number)?.map(|digest| (*number, digest)));
    }
    Ok(JournalLook { seed: log.seed()?, newest: log.newest()?, digests })
}

/// What the journal has from this number on, as much as a pack holds; none if nothing.
pub(super) fn pack_from(
    log: &JournalLog,
    site: &str,
    progress: &EventProgress,
    first: u64,
) -> Result<Option<Pack>, JournalError> {
    let mut pack = Pack::asking(site, &progress.epoch, progress.begins, first);
    let mut room = LONGEST_PACK - AROUND;
    for record in log.outgoing(first, MOST_EVENTS)? {
        let number = record.seq;
        let told = ToldRecord {
            site,
            epoch: &progress.epoch,
            number,
            at: record.at.0,
            sure: record.sure,
            record: record.body,
        };
        let mut event = FleetEvent::of(told);
        let length = |event: &FleetEvent| serde_json::to_string(event).map_or(usize::MAX, |text| text.len());
        if length(&event) > LONGEST_EVENT {
            event = event.leaving_out();
        }
        let (length, json) = (length(&event), serde_json::to_value(event));
        let (Some(left), Ok(json)) = (room.checked_sub(length + 1), json) else { break };
        (room, pack.last, pack.digest) = (left, number, record.digest);
        pack.events.push(json);
    }
    Ok(pack.covers().then_some(pack))
}

/// The name of one life of a journal: the first of a journal is known by its own number alone.
pub(super) fn epoch(seed: u64, fresh: Option<[u8; 8]>) -> String {
    let seed = [b"slackwater events".as_slice(), &seed.to_be_bytes(), &fresh.unwrap_or_default()].concat();
    let mut name = String::new();
    for byte in digest(&SHA256, &seed).as_ref().iter().take(8) {
        // Writing to a text can't fail.
        let _ = write!(name, "{byte:02x}");
    }
    name
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::{BootId, Journal as Kept, JournalLimits};
    use slackwater_rules::record::{Body, Record, Seq};
    use slackwater_rules::time::{Moment, Now, Wall};
    use std::path::Path;

    fn journal(folder: &Path, bodies: Vec<(Seq, Body)>) -> JournalLog {
        let path = folder.join("journal.sqlite");
        let opened = Kept::open(&path, BootId("one".to_owned()), JournalLimits::default());
        let (mut journal, _) = opened.expect("a journal");
        let at = Now { mono: Moment(1_000), wall: Wall(1_798_078_440_000), wall_trusted: true };
        let records: Vec<_> = bodies.into_iter().map(|(seq, body)| Record { seq, at, body }).collect();
        journal.commit(&records, 1).expect("kept");
        JournalLog::open(&path).expect("opened")
    }

    fn packs(log: &JournalLog) -> Vec<Pack> {
        let progress = EventProgress::new(7, "one".to_owned(), 1);
        let mut packs: Vec<Pack> = Vec::new();
        loop {
            let first = packs.last().map_or(1, |pack| pack.last + 1);
            match pack_from(log, "halyard", &progress, first).expect("read") {
                Some(pack) => packs.push(pack),
                None => return packs,
            }
        }
    }

    #[test]
    fn records_go_out_in_packs_that_are_bounded_and_that_a_receiver_takes() {
        let folder = tempfile::tempdir().expect("a folder");
        let settled = |seq| (seq, Body::Settled { alarm: format!("alarm-{seq}") });
        // Numbers 300 to 499 were never kept; one record is longer than an event may be.
        let mut bodies: Vec<_> = (1..300).chain(500..1_000).map(settled).collect();
        bodies.push((1_000, Body::Reloaded { changes: vec!["a line".repeat(100); 100] }));
        let packs = packs(&journal(folder.path(), bodies));
        assert!(packs.iter().all(|pack| pack.events.len() <= MOST_EVENTS));
        assert_eq!((packs[0].first, packs.last().map(|pack| pack.last)), (1, Some(1_000)));
        let mut numbers = Vec::new();
        for pack in &packs {
            let body = serde_json::to_vec(pack).expect("JSON");
            let read = Pack::read(&body, "halyard").expect("a receiver takes it");
            numbers.extend(read.events.iter().map(|event| event.data.number));
        }
        assert_eq!(numbers, (1..300).chain(500..=1_000).collect::<Vec<_>>());
        let last = &packs.last().expect("some").events.last().expect("some")["data"];
        assert!(last["record"].is_null() && last["left_out"].as_u64() > Some(60_000), "{last}");
    }

    #[test]
    fn a_journal_has_the_same_first_epoch_for_ever_and_another_one_another() {
        assert_eq!(epoch(7, None), epoch(7, None));
        assert_ne!(epoch(7, None), epoch(8, None));
        assert_ne!(epoch(7, None), epoch(7, Some([1; 8])));
        assert!(slackwater_fleet::event::is_name(&epoch(7, None)));
    }
}
