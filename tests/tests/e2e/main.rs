//! From a sensor's message to a person's answer to the log: the real program on a real mosquitto
//! with TLS, passwords and the shipped rights, on a mail server with STARTTLS and a login, and on
//! a push gateway over HTTPS. Where mosquitto is missing these tests say so and look at nothing.

#![cfg(test)]

mod answering;
mod borders;
mod broker;
mod channels;
mod doors;
mod drills;
mod faults;
mod full_disk;
mod listening;
mod live_check;
mod many_alarms;
mod outputs;
mod payloads;
mod process;
mod read_only;
mod relays;
mod rights;
mod sound;
mod telling;
mod verbs;

use slackwater_rules::record::{Body, Purpose, Record};
use slackwater_tests::house::House;

/// The program.
const SLACKWATER: &str = env!("CARGO_BIN_EXE_slackwater-under-test");

/// The house with everything in it; nothing where there is no real broker.
async fn house() -> Option<House> {
    if !slackwater_tests::mosquitto::available() {
        return None;
    }
    Some(House::build(SLACKWATER).await.expect("the house can be set up"))
}

/// Where pages of this kind went, in order.
fn paged(records: &[Record], kind: Purpose) -> Vec<&str> {
    let target = |record| match record {
        &Record { body: Body::Paged { ref target, purpose, .. }, .. } if purpose == kind => {
            Some(target.as_str())
        }
        _ => None,
    };
    records.iter().filter_map(target).collect()
}

/// The names of the alarms that were raised, in order.
fn raised(records: &[Record]) -> Vec<&str> {
    let name = |record| match record {
        &Record { body: Body::Raised { ref alarm, .. }, .. } => Some(alarm.as_str()),
        _ => None,
    };
    records.iter().filter_map(name).collect()
}

fn is_raised(body: &Body, name: &str) -> bool {
    matches!(body, Body::Raised { alarm, .. } if alarm == name)
}

fn is_returned(body: &Body, name: &str) -> bool {
    matches!(body, Body::Returned { alarm, .. } if alarm == name)
}
