//! From one payload to the values in it: a number, perhaps with its unit; a word; the leaves of a
//! JSON document, each with its pointer (RFC 6901), or by the name of the object of a list that it
//! stands in; columns, named values; the records of a SenML pack (RFC 8428). Each place is said as
//! a rule file says it.

use crate::plain_text::is_deceptive;
use serde_json::{Map, Value as Json};
use slackwater_rules::reading::{columns, is_time, named_values};
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
    /// In this column, counted from 1.
    Column(usize),
    /// Behind this name.
    Field(String),
    /// In an object of a JSON list, which one of its members tells from the others.
    Member {
        /// The list's pointer.
        list: String,
        /// The member that tells the objects apart.
        key: String,
        /// What it says.
        is: String,
        /// The member that holds the value.
        value: String,
    },
}

impl PayloadPlace {
    /// The key that says it in a rule file, and what stands behind that; none for the whole.
    pub(super) fn key(&self) -> Option<(&'static str, String)> {
        Some(match self {
            Self::Whole => return None,
            Self::Pointer(pointer) => ("pointer", quoted(pointer)),
            Self::Senml(name) => ("senml", quoted(name)),
            Self::Column(number) => ("field", number.to_string()),
            Self::Field(name) => ("field", quoted(name)),
            Self::Member { list, key, is, value } => {
                let list = if list.is_empty() { String::new() } else { format!("in = {}, ", quoted(list)) };
                let (key, is, value) = (quoted(key), quoted(is), quoted(value));
                ("field", format!("{{ {list}key = {key}, is = {is}, value = {value} }}"))
            }
        })
    }

    /// What of it may name the value.
    pub(super) fn names(&self) -> String {
        match self {
            Self::Whole | Self::Column(_) => String::new(),
            Self::Pointer(name) | Self::Senml(name) | Self::Field(name) => name.clone(),
            Self::Member { list, is, value, .. } => format!("{list}/{is}/{value}"),
        }
    }
}

/// A text between quotes, as TOML and JSON have it.
pub(super) fn quoted(text: &str) -> String {
    serde_json::to_string(text).unwrap_or_default()
}

/// One value of a payload.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct PayloadValue {
    pub(super) place: PayloadPlace,
    pub(super) said: PayloadSaid,
    /// What stands beside it.
    pub(super) beside: Beside,
}

/// Where the unit and the time of a value stand, each as a rule file says it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Beside {
    pub(super) unit_at: Option<String>,
    pub(super) measured_at: Option<String>,
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
    /// Columns.
    Columns,
    /// Named values.
    Named,
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
            Self::Columns => "columns",
            Self::Named => "named",
            Self::Json => "JSON",
            Self::Senml => "SenML",
            Self::Unread => "not read",
        })
    }
}

/// The message's form and its values.
pub(super) fn read(payload: &[u8]) -> (Form, Vec<PayloadValue>) {
    let Ok(text) = std::str::from_utf8(payload) else { return (Form::Unread, Vec::new()) };
    let text = text.trim();
    if let Some(number) = number(text) {
        return (Form::Number, vec![alone(PayloadPlace::Whole, number)]);
    }
    if text.starts_with(['{', '[', '"']) {
        return match serde_json::from_str(text) {
            Ok(json) => document(&json),
            Err(_) => (Form::Unread, Vec::new()),
        };
    }
    if let Some(values) = fields(text) {
        return (Form::Named, values);
    }
    if let Some(values) = in_columns(text) {
        return (Form::Columns, values);
    }
    match is_word(text) {
        true => (Form::Words, vec![alone(PayloadPlace::Whole, PayloadSaid::Word(text.to_owned()))]),
        false => (Form::Unread, Vec::new()),
    }
}

fn alone(place: PayloadPlace, said: PayloadSaid) -> PayloadValue {
    PayloadValue { place, said, beside: Beside::default() }
}

/// `temp=25.4 ph=8.2`: every piece has a name, and one of them is a number.
fn fields(text: &str) -> Option<Vec<PayloadValue>> {
    let pieces: Vec<(&str, &str)> = named_values(text).into_iter().collect::<Result<_, _>>().ok()?;
    let is_name = |name: &str| name.starts_with(char::is_alphabetic) && is_word(name);
    let good = pieces.len() <= MOST_VALUES && pieces.iter().all(|(name, _)| is_name(name));
    let time = pieces.iter().find(|(name, value)| is_named_time(name) && is_time(value));
    let beside = Beside { unit_at: None, measured_at: time.map(|(name, _)| quoted(name)) };
    let measured = pieces.iter().filter(|piece| time != Some(*piece));
    let values = measured.filter_map(|(name, value)| {
        let place = PayloadPlace::Field((*name).to_owned());
        Some(PayloadValue { place, said: scalar(value)?, beside: beside.clone() })
    });
    let values: Vec<PayloadValue> = values.collect();
    (good && has_number(&values)).then_some(values)
}

/// `1763800000;25,4;8.2`: several, of which one is a number; all of them where only blanks part
/// them, or it would be text for people.
fn in_columns(text: &str) -> Option<Vec<PayloadValue>> {
    let columns = columns(text);
    let by_blanks = !text.contains(['\t', ';', ',']);
    let all_numbers = columns.iter().all(|column| number(column).is_some());
    if !(2..=MOST_VALUES).contains(&columns.len()) || (by_blanks && !all_numbers) {
        return None;
    }
    let time = columns.iter().position(|column| is_time(column));
    let beside = Beside { unit_at: None, measured_at: time.map(|at| (at + 1).to_string()) };
    let values: Option<Vec<PayloadValue>> = (1..)
        .zip(&columns)
        .filter(|(number, column)| time != Some(number - 1) && !column.is_empty())
        .map(|(number, column)| {
            let (place, said) = (PayloadPlace::Column(number), scalar(column)?);
            Some(PayloadValue { place, said, beside: beside.clone() })
        })
        .collect();
    values.filter(|values| has_number(values))
}

fn has_number(values: &[PayloadValue]) -> bool {
    values.iter().any(|value| matches!(value.said, PayloadSaid::Number(..)))
}

fn scalar(text: &str) -> Option<PayloadSaid> {
    let word = || is_word(text).then(|| PayloadSaid::Word(text.to_owned()));
    number(text).or_else(word)
}

/// How devices name the time at which they measured.
fn is_named_time(name: &str) -> bool {
    const NAMES: [&str; 11] = [
        "time",
        "timestamp",
        "ts",
        "at",
        "epoch",
        "date",
        "datetime",
        "measured_at",
        "measuredat",
        "measured-at",
        "t",
    ];
    NAMES.iter().any(|known| name.eq_ignore_ascii_case(known))
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

fn document(json: &Json) -> (Form, Vec<PayloadValue>) {
    if let Some(records) = json.as_array().and_then(|records| senml(records)) {
        return (Form::Senml, records);
    }
    let mut found = Vec::new();
    leaves(json, None, "", 0, &mut found);
    (Form::Json, found)
}

/// The document's leaves; `within` is the object that the value stands in, and its pointer.
fn leaves(
    json: &Json,
    within: Option<(&Map<String, Json>, &str)>,
    at: &str,
    deep: usize,
    found: &mut Vec<PayloadValue>,
) {
    if deep > DEEPEST || found.len() >= MOST_VALUES {
        return;
    }
    match json {
        Json::Number(_) | Json::Bool(_) | Json::String(_) => {
            let own = at.rsplit('/').next().unwrap_or_default();
            let (unit, unit_at) = within.and_then(|(fields, _)| unit_beside(fields, own)).unzip();
            let pointer = |name: &str| {
                let inside = within.map_or("", |(_, inside)| inside);
                quoted(&format!("{inside}/{}", token(name)))
            };
            let time = within.and_then(|(fields, _)| time_beside(fields, own));
            let beside = Beside {
                unit_at: unit_at.as_deref().map(pointer),
                measured_at: time.as_deref().map(pointer),
            };
            if let Some(said) = leaf(json, unit) {
                found.push(PayloadValue { place: PayloadPlace::Pointer(at.to_owned()), said, beside });
            }
        }
        Json::Array(items) => {
            if members(items, at, found).is_none() {
                for (number, item) in items.iter().enumerate() {
                    leaves(item, None, &format!("{at}/{number}"), deep + 1, found);
                }
            }
        }
        Json::Object(fields) => {
            for (name, value) in fields.iter().filter(|(name, _)| !name.contains(is_deceptive)) {
                leaves(value, Some((fields, at)), &format!("{at}/{}", token(name)), deep + 1, found);
            }
        }
        Json::Null => {}
    }
}

/// A name within a pointer: RFC 6901, section 3.
fn token(name: &str) -> String {
    name.replace('~', "~0").replace('/', "~1")
}

/// What one leaf says, with the unit that stands beside it.
fn leaf(json: &Json, unit: Option<String>) -> Option<PayloadSaid> {
    match json {
        Json::Number(number) => Some(PayloadSaid::Number(number.as_f64()?, unit)),
        Json::Bool(flag) => Some(PayloadSaid::Word(flag.to_string())),
        Json::String(text) => scalar(text.trim()).map(|said| match said {
            PayloadSaid::Number(value, None) => PayloadSaid::Number(value, unit),
            said @ (PayloadSaid::Number(..) | PayloadSaid::Word(_)) => said,
        }),
        Json::Null | Json::Array(_) | Json::Object(_) => None,
    }
}

/// A list of objects that each say which one they are: their place in it may change. None if it is
/// no such list.
fn members(items: &[Json], at: &str, found: &mut Vec<PayloadValue>) -> Option<()> {
    const KEYS: [&str; 7] = ["id", "name", "sensor", "probe", "address", "addr", "channel"];
    let objects: Vec<&Map<String, Json>> = items.iter().map(Json::as_object).collect::<Option<_>>()?;
    let says = |object: &Map<String, Json>, key: &str| match object.get(key)? {
        Json::String(text) if is_word(text) => Some(text.clone()),
        Json::Number(number) => Some(number.to_string()),
        _ => None,
    };
    let (key, ids) = KEYS.iter().find_map(|key| {
        let ids: Vec<String> = objects.iter().map(|object| says(object, key)).collect::<Option<_>>()?;
        let apart = ids.iter().enumerate().all(|(nth, id)| !ids.iter().take(nth).any(|before| before == id));
        (apart && !ids.is_empty()).then_some((*key, ids))
    })?;
    for (object, is) in objects.into_iter().zip(ids) {
        for (name, value) in object.iter().filter(|(name, _)| *name != key && !name.contains(is_deceptive)) {
            let (unit, unit_at) = unit_beside(object, name).unzip();
            let Some(said) = leaf(value, unit).filter(|_| found.len() < MOST_VALUES) else { continue };
            let beside = Beside {
                unit_at: unit_at.as_deref().map(quoted),
                measured_at: time_beside(object, name).as_deref().map(quoted),
            };
            let (list, key, is, value) = (at.to_owned(), key.to_owned(), is.clone(), name.clone());
            found.push(PayloadValue { place: PayloadPlace::Member { list, key, is, value }, said, beside });
        }
    }
    Some(())
}

/// `{"value": 25.4, "unit": "C"}`, `{"temp": 25.4, "temp_unit": "C"}`: the unit, and where it
/// stands.
fn unit_beside(fields: &Map<String, Json>, own: &str) -> Option<(String, String)> {
    let names = [format!("{own}_unit"), format!("{own}Unit"), "unit".to_owned(), "units".to_owned()];
    names.into_iter().find_map(|name| Some((known_unit(fields.get(&name)?.as_str()?)?, name)))
}

/// Which member says when it was measured.
fn time_beside(fields: &Map<String, Json>, own: &str) -> Option<String> {
    let says = |value: &Json| match value {
        Json::String(text) => is_time(text),
        Json::Number(number) => is_time(&number.to_string()),
        Json::Null | Json::Bool(_) | Json::Array(_) | Json::Object(_) => false,
    };
    let mut times = fields.iter().filter(|(name, value)| *name != own && is_named_time(name) && says(value));
    times.next().map(|(name, _)| name.clone())
}

/// The records of a pack by their resolved names; nothing if it is none.
fn senml(records: &[Json]) -> Option<Vec<PayloadValue>> {
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
            .then(|| found.push(alone(PayloadPlace::Senml(name), said)))?;
    }
    (!found.is_empty()).then_some(found)
}
