//! One record of a site's journal as an event: CloudEvents 1.0 in structured JSON, so that whoever
//! subscribes can read it with a library of their choice. A record flows in, JSON flows out, and
//! back. The form only gains fields: a reader passes over those that it does not know, and so does
//! [`FleetEvent::read`], which keeps nothing of them; whoever stores an event stores its JSON as it
//! came.
//!
//! What identifies an event is its site, the epoch of the site's journal and its number there. An
//! epoch is one life of one journal: a journal that was begun anew, or that was found to have gone
//! back in time with an old card, goes on under another one.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::fmt;

/// Of CloudEvents.
const SPEC_VERSION: &str = "1.0";

/// Types begin so, and end with the kind of the record. A domain that nobody can own (RFC 2606),
/// since the form belongs to no domain.
const TYPE: &str = "example.slackwater.record.v1.";

/// Sources begin so, and end with the site's name.
const SOURCE: &str = "/slackwater/sites/";

/// Where the schema of `data` is named.
const DATA_SCHEMA: &str = "https://slackwater.example/schema/event-1.json#/$defs/data";

/// Longest name of a site, of an epoch and of a kind, in bytes.
const LONGEST_NAME: usize = 64;

/// Longest subject, in characters.
const LONGEST_SUBJECT: usize = 200;

/// One record of a site's journal, as it is told.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FleetEvent {
    /// Of CloudEvents: `1.0`.
    pub specversion: String,
    /// The epoch and the number: with the source it says which event this is.
    pub id: String,
    /// The site.
    pub source: String,
    /// What kind of record it is, and the version of the form.
    #[serde(rename = "type")]
    pub kind: String,
    /// What it is about, where one name says it: an alarm, a tank, a sensor, a relay.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub subject: Option<String>,
    /// When it happened, by the site's clock: RFC 3339, in UTC.
    pub time: String,
    /// Of `data`: `application/json`.
    pub datacontenttype: String,
    /// Where the form of `data` is described.
    pub dataschema: String,
    /// The number in the journal, so that the order of letters is the order of numbers: the
    /// extension "Sequence" of CloudEvents.
    pub sequence: String,
    /// What the record says.
    pub data: Data,
}

/// What a record says.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Data {
    /// Its number in the journal.
    pub number: u64,
    /// Whether the site's clock was known to be right, then or later in the same running.
    pub sure: bool,
    /// The record as the journal has it: `kind`, and what belongs to that kind. None if it was too
    /// large to be sent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub record: Option<Value>,
    /// Of a record that was too large, its length in bytes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub left_out: Option<u64>,
}

/// A record on its way out.
#[derive(Clone, Debug)]
pub struct ToldRecord<'t> {
    /// The site.
    pub site: &'t str,
    /// The life of its journal.
    pub epoch: &'t str,
    /// The record's number.
    pub number: u64,
    /// When it happened: milliseconds since 1970, UTC.
    pub at: i64,
    /// Whether the clock was right.
    pub sure: bool,
    /// The record.
    pub record: Value,
}

/// What is wrong with an event.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WrongEvent(pub String);

impl fmt::Display for WrongEvent {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for WrongEvent {}

impl FleetEvent {
    /// The event of a record.
    pub fn of(told: ToldRecord<'_>) -> Self {
        let ToldRecord { site, epoch, number, at, sure, record } = told;
        let kind = record.get("kind").and_then(Value::as_str).filter(|kind| is_name(kind)).unwrap_or("other");
        let (subject, kind) = (subject(&record), format!("{TYPE}{kind}"));
        Self {
            specversion: SPEC_VERSION.to_owned(),
            id: id(epoch, number),
            source: format!("{SOURCE}{site}"),
            kind,
            subject,
            time: time(at),
            datacontenttype: "application/json".to_owned(),
            dataschema: DATA_SCHEMA.to_owned(),
            sequence: sequence(number),
            data: Data { number, sure, record: Some(record), left_out: None },
        }
    }

    /// The same without its record, of which only the length is told.
    #[must_use]
    pub fn leaving_out(mut self) -> Self {
        let length = self.data.record.take().map(|record| record.to_string().len() as u64);
        self.data.left_out = length;
        self
    }

    /// Reads one that came under the name of this site and epoch.
    ///
    /// # Errors
    /// What it contradicts.
    pub fn read(json: &Value, site: &str, epoch: &str) -> Result<Self, WrongEvent> {
        let event = Self::deserialize(json).map_err(|error| WrongEvent(error.to_string()))?;
        let wrong = |what: &str, is: &str| Err(WrongEvent(format!("its {what} is {is:.80}")));
        if event.specversion != SPEC_VERSION {
            return wrong("specversion", &event.specversion);
        }
        if event.source.strip_prefix(SOURCE) != Some(site) {
            return wrong("source", &event.source);
        }
        if event.id != id(epoch, event.data.number) {
            return wrong("id", &event.id);
        }
        if event.sequence != sequence(event.data.number) {
            return wrong("sequence", &event.sequence);
        }
        if !event.kind.strip_prefix(TYPE).is_some_and(is_name) {
            return wrong("type", &event.kind);
        }
        if event.at().is_none() {
            return wrong("time", &event.time);
        }
        if event.subject.as_ref().is_some_and(|subject| subject.chars().count() > LONGEST_SUBJECT) {
            return wrong("subject", "too long");
        }
        Ok(event)
    }

    /// What kind of record it is: the end of its type.
    pub fn record_kind(&self) -> &str {
        self.kind.strip_prefix(TYPE).unwrap_or(&self.kind)
    }

    /// When it happened, by the site's clock: milliseconds since 1970.
    pub fn at(&self) -> Option<i64> {
        let parsed: Timestamp = self.time.parse().ok()?;
        // PostgreSQL's years and those of RFC 3339 have these in common.
        (0..=LATEST).contains(&parsed.as_millisecond()).then(|| parsed.as_millisecond())
    }
}

/// The last millisecond of the year 9999: RFC 3339 has no year of five digits.
const LATEST: i64 = 253_402_300_799_999;

fn id(epoch: &str, number: u64) -> String {
    format!("{epoch}-{number}")
}

fn sequence(number: u64) -> String {
    format!("{number:020}")
}

fn time(at: i64) -> String {
    let at = Timestamp::from_millisecond(at.clamp(0, LATEST)).unwrap_or_default();
    format!("{at:.3}")
}

/// The one name that a record is about, if it has one.
fn subject(record: &Value) -> Option<String> {
    let named = ["alarm", "tank", "relay", "of", "sensor", "who"];
    let name = named.iter().find_map(|key| record.get(key)?.as_str())?;
    (!name.is_empty()).then(|| name.chars().take(LONGEST_SUBJECT).collect())
}

/// Small letters, digits and hyphens: the name of a site, an epoch or a kind.
pub fn is_name(text: &str) -> bool {
    let good = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-';
    (1..=LONGEST_NAME).contains(&text.len()) && text.bytes().all(good)
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn raised() -> FleetEvent {
        let record = json!({"kind": "raised", "alarm": "lagoon-cold", "episode": 812, "code": "K7"});
        let told = ToldRecord {
            site: "halyard",
            epoch: "a1b2",
            number: 812,
            at: 1_798_078_440_123,
            sure: true,
            record,
        };
        FleetEvent::of(told)
    }

    #[test]
    fn an_event_says_which_record_of_which_site_it_is_and_when_it_happened() {
        let event = serde_json::to_value(raised()).expect("JSON");
        assert_eq!(event["id"], "a1b2-812");
        assert_eq!(event["source"], "/slackwater/sites/halyard");
        assert_eq!(event["type"], "example.slackwater.record.v1.raised");
        assert_eq!(event["subject"], "lagoon-cold");
        assert_eq!(event["time"], "2026-12-24T02:14:00.123Z");
        assert_eq!(event["sequence"], "00000000000000000812");
        assert_eq!(event["data"]["record"]["code"], "K7");
        assert_eq!(FleetEvent::read(&event, "halyard", "a1b2"), Ok(raised()));
    }

    #[test]
    fn another_sites_name_another_epoch_and_another_number_are_refused() {
        let event = serde_json::to_value(raised()).expect("JSON");
        assert!(FleetEvent::read(&event, "lantern", "a1b2").is_err());
        assert!(FleetEvent::read(&event, "halyard", "ffff").is_err());
        for (key, value) in [
            ("specversion", json!("0.3")),
            ("sequence", json!("813")),
            ("time", json!("yesterday")),
            ("time", json!("-000044-03-15T12:00:00Z")),
            ("type", json!("example.slackwater.record.v1.")),
            ("type", json!("raised")),
            ("source", json!("/slackwater/sites/halyard/")),
            ("data", json!({"number": 813, "sure": true})),
            ("data", json!(null)),
            ("subject", json!("x".repeat(201))),
        ] {
            let mut other = event.clone();
            other[key] = value;
            assert!(FleetEvent::read(&other, "halyard", "a1b2").is_err(), "{key}");
        }
        assert!(FleetEvent::read(&json!([]), "halyard", "a1b2").is_err());
    }

    #[test]
    fn fields_that_are_not_known_yet_are_passed_over() {
        let mut event = serde_json::to_value(raised()).expect("JSON");
        event["partitionkey"] = json!("a later version's");
        event["data"]["words"] = json!("another one's");
        assert!(FleetEvent::read(&event, "halyard", "a1b2").is_ok());
    }

    #[test]
    fn a_clock_that_is_years_off_still_makes_a_time() {
        for at in [i64::MIN, -1, 0, 1, LATEST, i64::MAX] {
            let told = ToldRecord { site: "s", epoch: "e", number: 1, at, sure: false, record: json!({}) };
            let event = FleetEvent::of(told);
            assert!(event.at().is_some(), "{at}: {}", event.time);
            assert_eq!(event.record_kind(), "other");
        }
    }

    #[test]
    fn of_a_record_that_is_too_large_the_length_is_told() {
        let event = raised().leaving_out();
        assert_eq!(event.data.record, None);
        assert!(event.data.left_out.is_some_and(|length| length > 50));
    }
}
