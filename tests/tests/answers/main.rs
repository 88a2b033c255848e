//! Answers by mail and by MQTT to the whole agent: a real mailbox, a real broker with rights, and
//! messages as people's programs make them.

#![cfg(test)]

mod hostile;
mod letters;
mod mail;
mod topic;

use slackwater_rules::record::{Body, Record};
use slackwater_rules::time::Span;
use slackwater_tests::house::House;

const SLACKWATER: &str = env!("CARGO_BIN_EXE_slackwater-under-test");

/// The code of this alarm's episode.
fn code_of(house: &House, alarm: &str) -> String {
    let code = |record: &Record| match &record.body {
        Body::Raised { alarm: raised, code, .. } if raised == alarm => Some(code.clone()),
        _ => None,
    };
    house.home.until(alarm, |records| records.iter().find_map(code))
}

/// Who answered, by what way, for how long.
fn answers(house: &House) -> Vec<(String, String, Span)> {
    let answer = |record: Record| match record.body {
        Body::Answered { by, lease, .. } => Some((by.who, by.via, lease)),
        _ => None,
    };
    house.home.records().into_iter().filter_map(answer).collect()
}

/// What was not taken, and why.
fn refusals(house: &House) -> Vec<String> {
    let said = |record: Record| match record.body {
        Body::Refused { what, why, by } => Some(format!("{} by {}: {what}: {why}", by.who, by.via)),
        _ => None,
    };
    house.home.records().into_iter().filter_map(said).collect()
}
