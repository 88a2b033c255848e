//! From one payload to the values in it: a number, perhaps with its unit; a word; the leaves of a
//! JSON document, each with its pointer (RFC 6901); the records of a SenML pack (RFC 8428).

use crate::plain_text::is_deceptive;
use serde_json::{Map, Value as Json};
use slackwater_rules::units::{Unit, near_unit};
use std::fmt;

/// So many values of one message are looked at, and so deep.
const MOST_VALUES: usize = 64;
const DEEPEST: usize = 6;

/// A word is no longer than this: what is longer is text for people.
const LONGEST_WORD: usize = 32;

/// Where in its topic's messages a value stands.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum PayloadPlace {
    /// The payload is the value.
    Whole,
    /// At this pointer of a JSON document.
    Pointer(String),
    /// The record of this name in a SenML pack.
    Senml(String),
}

/// What stands there.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum PayloadSaid {
    /// A number, with its unit if that was said beside it.
    Number(f64, Option<String>),
    /// A word.
    Word(String),
}

/// What kind of message it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Form {
    /// One number.
    Number,
    /// One word.
    Words,
    /// A JSON document.
    Json,
    /// A SenML pack.
    Senml,
    /// Nothing that a sensor can be fed by: empty, binary, long text.
    Unread,
}

impl fmt::Display for Form {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Number => "number",
            Self::Words => "words",
            Self::Json => "JSON",
            Self::Senml => "SenML",
            Self::Unread => "not read",
        })
    }
}

/// The message's form and its values.
pub(super) fn read(payload: &[u8]) -> (Form, Vec<(PayloadPlace, PayloadSaid)>) {
    let Ok(text) = std::str::from_utf8(payload) else { return (Form::Unread, Vec::new()) };
    let text = text.trim();
    if let Some(number) = number(text) {
        return (Form::Number, vec![(PayloadPlace::Whole, number)]);
    }
    if text.starts_with(['{', '[']) {
        return match serde_json::from_str(text) {
            Ok(json) => document(&json),
            Err(_) => (Form::Unread, Vec::new()),
        };
    }
    match is_word(text) {
        true => (Form::Words, vec![(PayloadPlace::Whole, PayloadSaid::Word(text.to_owned()))]),
        false => (Form::Unread, Vec::new()),
    }
}

fn is_word(text: &str) -> bool {
    !text.is_empty() && text.len() <= LONGEST_WORD && !text.contains(is_deceptive)
}

/// `25.4`, `25,4`, `25.4 °C`.
fn number(text: &str) -> Option<PayloadSaid> {
    let ends = text.find(|c: char| !(c.is_ascii_digit() || "+-.,eE".contains(c))).unwrap_or(text.len());
    let (figures, unit) = text.split_at_checked(ends)?;
    let value: f64 = figures.trim().replace(',', ".").parse().ok().filter(|value: &f64| value.is_finite())?;
    let unit = unit.trim();
    match unit.is_empty() {
        true => Some(PayloadSaid::Number(value, None)),
        false => Some(PayloadSaid::Number(value, Some(known_unit(unit)?))),
    }
}

/// A unit by its name here, from whatever devices call it.
pub(super) fn known_unit(name: &str) -> Option<String> {
    let name = name.trim();
    match Unit::named(name) {
        Some(_) => Some(name.to_owned()),
        // What has several meanings is asked of the keeper, not guessed.
        None => near_unit(name, &|_| true)?.only(),
    }
}

fn document(json: &Json) -> (Form, Vec<(PayloadPlace, PayloadSaid)>) {
    if let Some(records) = json.as_array().and_then(|records| senml(records)) {
        return (Form::Senml, records);
    }
    let mut found = Vec::new();
    leaves(json, None, "", 0, &mut found);
    (Form::Json, found)
}

fn leaves(
    json: &Json,
    within: Option<&Map<String, Json>>,
    at: &str,
    deep: usize,
    found: &mut Vec<(PayloadPlace, PayloadSaid)>,
) {
    if deep > DEEPEST || found.len() >= MOST_VALUES {
        return;
    }
    let mut take = |said| found.push((PayloadPlace::Pointer(at.to_owned()), said));
    match json {
        Json::Number(number) => {
            if let Some(value) = number.as_f64() {
                take(PayloadSaid::Number(value, unit_beside(within, at)));
            }
        }
        Json::Bool(flag) => take(PayloadSaid::Word(flag.to_string())),
        Json::String(text) => match number(text.trim()) {
            Some(number) => take(number),
            None if is_word(text) => take(PayloadSaid::Word(text.clone())),
            None => {}
        },
        Json::Array(items) => {
            for (number, item) in items.iter().enumerate() {
                leaves(item, None, &format!("{at}/{number}"), deep + 1, found);
            }
        }
        Json::Object(fields) => {
            for (name, value) in fields {
                if name.contains(is_deceptive) {
                    continue;
                }
                let token = name.replace('~', "~0").replace('/', "~1");
                leaves(value, Some(fields), &format!("{at}/{token}"), deep + 1, found);
            }
        }
        Json::Null => {}
    }
}

/// `{"value": 25.4, "unit": "C"}`, `{"temp": 25.4, "temp_unit": "C"}`.
fn unit_beside(within: Option<&Map<String, Json>>, at: &str) -> Option<String> {
    let fields = within?;
    let own = at.rsplit('/').next().unwrap_or_default();
    let names = [format!("{own}_unit"), format!("{own}Unit"), "unit".to_owned(), "units".to_owned()];
    let unit = names.iter().find_map(|name| fields.get(name))?;
    known_unit(unit.as_str()?)
}

/// The records of a pack by their resolved names; nothing if it is none.
fn senml(records: &[Json]) -> Option<Vec<(PayloadPlace, PayloadSaid)>> {
    let (mut base, mut base_unit) = (String::new(), None);
    let mut found = Vec::new();
    for record in records.iter().take(MOST_VALUES) {
        let record = record.as_object()?;
        let text = |key: &str| record.get(key).and_then(Json::as_str);
        if let Some(name) = text("bn") {
            name.clone_into(&mut base);
        }
        base_unit = text("bu").map(str::to_owned).or(base_unit);
        let name = format!("{base}{}", text("n").unwrap_or_default());
        let unit = text("u").map(str::to_owned).or_else(|| base_unit.clone());
        let said = match (record.get("v"), record.get("vb"), text("vs")) {
            (Some(value), _, _) => PayloadSaid::Number(value.as_f64()?, unit.as_deref().and_then(known_unit)),
            (_, Some(flag), _) => PayloadSaid::Word(flag.as_bool()?.to_string()),
            (_, _, Some(word)) => PayloadSaid::Word(word.to_owned()),
            (None, None, None) => continue,
        };
        (!name.is_empty() && !name.contains(is_deceptive))
            .then(|| found.push((PayloadPlace::Senml(name), said)))?;
    }
    (!found.is_empty()).then_some(found)
}
