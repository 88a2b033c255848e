//! What fuzzing began with and what it found, held to the same promises again: `rules/fuzz`
//! makes inputs up, this replays those that are committed.

#![cfg(test)]
#![expect(clippy::disallowed_methods, reason = "a test may read files; the crate may not")]

use std::fs;
use std::path::Path;

#[expect(unreachable_pub, reason = "the fuzz targets reach it")]
#[path = "../fuzz/src/lib.rs"]
mod promises;

/// Replays every input of a target, and says which one it was if a promise breaks.
fn replay(target: &str, promise: fn(&[u8])) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/corpus").join(target);
    let mut entries: Vec<_> =
        fs::read_dir(&folder).expect("a corpus").map(|entry| entry.expect("an entry").path()).collect();
    entries.sort();
    assert!(!entries.is_empty(), "{} is empty", folder.display());
    let mut broken = Vec::new();
    for path in entries {
        let bytes = fs::read(&path).expect("an input");
        if std::panic::catch_unwind(|| promise(&bytes)).is_err() {
            broken.push(path.display().to_string());
        }
    }
    assert!(broken.is_empty(), "a promise is broken by {broken:?}");
}

#[test]
fn every_rule_file_of_the_corpus_is_refused_or_runs() {
    replay("rules", promises::rules);
}

#[test]
fn every_condition_of_the_corpus_is_refused_or_prints_as_itself() {
    replay("condition", promises::condition);
}

#[test]
fn every_payload_of_the_corpus_is_refused_or_a_reading() {
    replay("payload", promises::payload);
}

#[test]
fn a_watch_can_begin_with_every_record_of_the_corpus() {
    replay("record", promises::record);
}

#[test]
fn every_check_in_of_the_corpus_is_believed_once_or_refused() {
    replay("checkin", promises::checkin);
}
