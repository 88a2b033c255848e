//! A site and a receiver that count, with a way between them that loses, repeats and reorders.

use super::*;
use crate::stretches::NumberStretches;
use proptest::prelude::*;

/// A journal with every number up to the last one; `life` stands for what is written in them.
#[derive(Clone)]
struct Numbers {
    records: Vec<u64>,
}

impl Numbers {
    fn new(count: u64, life: u64) -> Self {
        Self { records: vec![life; usize::try_from(count).expect("small")] }
    }

    fn grow(&mut self, count: u64, life: u64) {
        self.records.extend(std::iter::repeat_n(life, usize::try_from(count).expect("small")));
    }
}

impl Records for Numbers {
    fn newest(&self) -> u64 {
        self.records.len() as u64
    }

    fn digest(&self, number: u64) -> Option<String> {
        let at = usize::try_from(number.checked_sub(1)?).ok()?;
        self.records.get(at).map(|life| format!("{number}/{life}"))
    }
}

/// Five records a pack.
fn pack(journal: &Numbers, first: u64) -> (u64, u64, String) {
    let last = (first + 4).min(journal.newest());
    (first, last, journal.digest(last).expect("there"))
}

fn receipt(epoch: &str, begins: u64, all: &NumberStretches) -> EventReceipt {
    let (stored, digest) = all.stored(begins);
    let asks = all.missing(begins).is_some();
    EventReceipt {
        version: 1,
        site: "halyard".to_owned(),
        epoch: epoch.to_owned(),
        stored,
        digest: digest.to_owned(),
        asks,
    }
}

fn fresh() -> EventSending {
    EventSending::new(EventProgress::new(7, "one".to_owned(), 1), 0)
}

#[test]
fn nothing_but_a_question_is_sent_to_a_receiver_that_is_not_there() {
    let mut sending = fresh();
    let mut questions = Vec::new();
    for now in (0..600_000).step_by(1_000) {
        match sending.next(1_000_000, now) {
            SendNext::Ask => questions.push(now / 1_000),
            SendNext::Wait { until } => assert!(until.is_some()),
            SendNext::Pack { first } => panic!("{first} is sent"),
        }
    }
    assert_eq!(questions, [0, 5, 15, 35, 75, 135, 195, 255, 315, 375, 435, 495, 555]);
}

#[test]
fn a_window_of_packs_is_sent_and_goes_on_with_each_receipt() {
    let journal = Numbers::new(1_000, 1);
    let (mut sending, mut all) = (fresh(), NumberStretches::default());
    assert_eq!(sending.next(1_000, 0), SendNext::Ask);
    sending.hear(&receipt("one", 1, &all), &journal, 10);
    for nth in 0..8 {
        assert_eq!(sending.next(1_000, 10), SendNext::Pack { first: nth * 5 + 1 });
        sending.sent(nth * 5 + 5, 10);
    }
    assert_eq!(sending.next(1_000, 10), SendNext::Wait { until: Some(20_010) });
    all.insert(1, 5, &journal.digest(5).expect("there"));
    assert_eq!(sending.hear(&receipt("one", 1, &all), &journal, 20), Heard::Stored);
    assert_eq!(sending.next(1_000, 20), SendNext::Pack { first: 41 });
    assert_eq!(sending.progress().stored, 5);
}

#[test]
fn a_lost_pack_is_asked_for_and_sent_again_once() {
    let journal = Numbers::new(15, 1);
    let (mut sending, mut all) = (fresh(), NumberStretches::default());
    sending.next(15, 0);
    sending.hear(&receipt("one", 1, &all), &journal, 0);
    for last in [5, 10, 15] {
        sending.sent(last, 0);
    }
    all.insert(6, 10, &journal.digest(10).expect("there"));
    sending.hear(&receipt("one", 1, &all), &journal, 100);
    assert_eq!(sending.next(15, 100), SendNext::Pack { first: 1 });
    sending.sent(5, 100);
    all.insert(11, 15, &journal.digest(15).expect("there"));
    sending.hear(&receipt("one", 1, &all), &journal, 200);
    assert_eq!(sending.next(15, 200), SendNext::Pack { first: 6 }, "what was asked for is on its way");
}

#[test]
fn a_journal_from_an_old_card_goes_on_under_another_epoch_behind_what_it_knows_to_be_stored() {
    // Record 500 was the card's last; the receiver has 800 of the life that went on without it.
    let mut journal = Numbers::new(800, 1);
    let mut all = NumberStretches::default();
    all.insert(1, 800, &journal.digest(800).expect("there"));
    journal.records.truncate(500);
    let kept = EventProgress {
        stored: 480,
        digest: "480/1".to_owned(),
        ..EventProgress::new(7, "one".to_owned(), 1)
    };
    for since in [10, 900] {
        let mut journal = journal.clone();
        journal.grow(since, 2);
        let mut sending = EventSending::new(kept.clone(), 0);
        assert_eq!(sending.next(journal.newest(), 0), SendNext::Ask);
        assert_eq!(sending.hear(&receipt("one", 1, &all), &journal, 0), Heard::WentBack, "{since} later");
        assert_eq!(sending.progress().diverges(&journal), 481);
        sending.begin(EventProgress::new(7, "two".to_owned(), 481), 0);
        assert_eq!(sending.next(journal.newest(), 0), SendNext::Ask);
        assert_eq!(
            sending.hear(&receipt("two", 481, &NumberStretches::default()), &journal, 0),
            Heard::Stored
        );
        assert_eq!(sending.next(journal.newest(), 0), SendNext::Pack { first: 481 });
    }
}

#[test]
fn progress_that_is_newer_than_its_journal_holds_nothing() {
    let journal = Numbers::new(500, 1);
    let kept = EventProgress {
        stored: 800,
        digest: "800/1".to_owned(),
        ..EventProgress::new(7, "one".to_owned(), 1)
    };
    assert!(!kept.holds_in(&journal));
    assert_eq!(kept.diverges(&journal), 1);
}

#[test]
fn a_forged_receipt_is_put_right_by_the_next_pack() {
    let mut journal = Numbers::new(100, 1);
    let (mut sending, mut all) = (fresh(), NumberStretches::default());
    sending.next(100, 0);
    let mut forged = receipt("one", 1, &all);
    (forged.stored, forged.digest) = (90, "90/1".to_owned());
    assert_eq!(sending.hear(&forged, &journal, 0), Heard::Stored);
    journal.grow(1, 1);
    let SendNext::Pack { first } = sending.next(101, 1_000) else { panic!("a pack") };
    let (first, last, digest) = pack(&journal, first);
    sending.sent(last, 1_000);
    all.insert(first, last, &digest);
    sending.hear(&receipt("one", 1, &all), &journal, 1_100);
    assert_eq!(sending.next(101, 1_100), SendNext::Pack { first: 1 });
}

#[test]
fn a_receiver_that_has_lost_its_database_is_told_again() {
    let journal = Numbers::new(100, 1);
    let kept = EventProgress {
        stored: 100,
        digest: "100/1".to_owned(),
        ..EventProgress::new(7, "one".to_owned(), 1)
    };
    let mut sending = EventSending::new(kept, 0);
    assert_eq!(sending.next(100, 0), SendNext::Ask);
    assert_eq!(sending.hear(&receipt("one", 1, &NumberStretches::default()), &journal, 0), Heard::Stored);
    assert_eq!(sending.next(100, 0), SendNext::Pack { first: 1 });
}

proptest! {
    /// Whatever the way does, everything is stored in the end, and nothing is thought to be that is
    /// not.
    #[test]
    fn everything_arrives_however_the_way_is(
        count in 1u64..120,
        fates in proptest::collection::vec(0u8..10, 0..200),
    ) {
        let mut journal = Numbers::new(count, 1);
        let (mut sending, mut all) = (fresh(), NumberStretches::default());
        let mut fates = fates.into_iter();
        let mut late: Vec<Option<(u64, u64, String)>> = Vec::new();
        let mut now = 0;
        for _ in 0..5_000 {
            let message = match sending.next(journal.newest(), now) {
                SendNext::Ask => None,
                SendNext::Pack { first } => {
                    let made = pack(&journal, first);
                    sending.sent(made.1, now);
                    Some(made)
                }
                SendNext::Wait { until: Some(until) } => {
                    now = until;
                    continue;
                }
                SendNext::Wait { until: None } => break,
            };
            let mut arrived = vec![message];
            match fates.next() {
                Some(0 | 1) => arrived.clear(),
                Some(2) => late.append(&mut arrived),
                Some(3) => arrived.extend_from_within(..),
                Some(4) => arrived.append(&mut late),
                Some(5) => journal.grow(3, 1),
                _ => {}
            }
            for message in arrived {
                if let Some((first, last, digest)) = message {
                    all.insert(first, last, &digest);
                }
                now += 10;
                if fates.next() != Some(6) {
                    sending.hear(&receipt("one", 1, &all), &journal, now);
                }
                prop_assert!(sending.progress().stored <= all.stored(1).0);
            }
        }
        prop_assert_eq!(all.stored(1).0, journal.newest());
        prop_assert_eq!(sending.progress().stored, journal.newest());
    }
}
