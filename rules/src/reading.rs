//! From a payload to a reading. A sensor declares how its messages are to be understood (a plain
//! number, a number with a unit, a place in a JSON document, words, a SenML pack); here bytes
//! become a [`Value`] in base units, or a [`BadReading`] that says why not. Nothing that a
//! network can send makes this fail otherwise.

mod bad;
mod number;
mod place;
mod pointer;
mod senml;
mod time;

#[cfg(test)]
mod tests;

pub use bad::{BadReading, SenmlFault};
pub use place::{FieldPlace, columns, named_values};
pub use pointer::{PointerError, parse_pointer};
pub use time::is_time;

use crate::time::{Moment, Now};
use crate::units::{Quantity, Scale};
use number::Named;
use place::PayloadParts;
use serde_json::Value as Json;
use std::sync::Arc;

/// What a sensor can say.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Value {
    /// A finite number in base units.
    Number(f64),
    /// One of the sensor's declared words, by its place in `Mapping::Words`.
    Word(u16),
}

/// How a sensor's payloads are to be understood.
#[derive(Clone, Debug, PartialEq)]
pub struct Mapping {
    /// Where the value is found.
    pub found: ValuePlace,
    /// What stands there.
    pub content: Content,
}

/// Where a payload has its value.
#[derive(Clone, Debug, PartialEq)]
pub enum ValuePlace {
    /// At a place, and what belongs to it at others.
    At(Arc<PlacedValue>),
    /// It is the record of this name in a SenML pack, which has unit and time by itself: RFC 8428.
    Senml(String),
}

/// A value at a place, and what belongs to it.
#[derive(Clone, Debug, PartialEq)]
pub struct PlacedValue {
    /// Where the value stands.
    pub value: FieldPlace,
    /// Where its unit stands: `degF` in one message, `degC` in the next.
    pub unit: Option<FieldPlace>,
    /// Where the time stands at which it was measured: RFC 3339, or seconds or milliseconds since
    /// 1970.
    pub time: Option<FieldPlace>,
    /// From what is sent to the number in its unit.
    pub line: Linear,
}

/// From what a device sends to a number: 256 is 25.6. `sent * scale + offset`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Linear {
    /// Not nothing.
    pub scale: f64,
    /// In the unit in which the number is then.
    pub offset: f64,
}

impl Linear {
    /// As it is sent.
    pub const AS_SENT: Self = Self { scale: 1.0, offset: 0.0 };
}

/// What stands where the value stands.
#[derive(Clone, Debug, PartialEq)]
pub enum Content {
    /// A number in this unit unless the text names its own; a decimal comma is understood.
    Number(Scale),
    /// One of these words.
    Words(Arc<[Word]>),
}

/// A declared word and how it is spelled on the wire.
#[derive(Clone, Debug, PartialEq)]
pub struct Word {
    /// As rule files say it: `on`.
    pub name: String,
    /// As payloads say it: `on`, `1`, `true`.
    pub spellings: Vec<String>,
}

/// What a payload said.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// The value.
    pub value: Value,
    /// When it was measured, if the payload itself says so; otherwise as it arrived. Never later
    /// than now.
    pub measured: Option<Moment>,
}

/// How fresh a reading is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Arrival {
    /// Sent just now.
    Live,
    /// Kept by the broker as the topic's last value: true once.
    Retained,
    /// Queued for us while we were away.
    Backlog,
}

/// The longest payload that is looked at, in bytes.
pub const LONGEST: usize = 64 * 1024;

/// A single value as it stands in a payload.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Said<'a> {
    Text(&'a str),
    Number(f64),
    Truth(bool),
}

impl Mapping {
    /// A value at a place, with nothing beside it.
    pub fn at(value: FieldPlace, content: Content) -> Self {
        let placed = PlacedValue { value, unit: None, time: None, line: Linear::AS_SENT };
        Self { found: ValuePlace::At(Arc::new(placed)), content }
    }

    /// The whole payload is the value.
    pub fn whole(content: Content) -> Self {
        Self::at(FieldPlace::Whole, content)
    }

    /// It is the record of this name in a SenML pack.
    pub fn senml(name: String, content: Content) -> Self {
        Self { found: ValuePlace::Senml(name), content }
    }

    /// Understands a payload that came in at `now`.
    pub fn read(&self, payload: &[u8], now: &Now) -> Result<Reading, BadReading> {
        if payload.len() > LONGEST {
            return Err(BadReading::TooLong { length: payload.len(), limit: LONGEST });
        }
        let text =
            std::str::from_utf8(payload).map_err(|error| BadReading::NotUtf8 { at: error.valid_up_to() })?;
        if text.trim().is_empty() {
            return Err(BadReading::Empty);
        }
        let read = match &self.found {
            ValuePlace::At(places) => places.read(&PayloadParts::new(text), &self.content, now),
            ValuePlace::Senml(name) => senml::read(name, &self.content, &json(text)?, now),
        };
        read.map_err(|bad| match (bad, &self.content) {
            (BadReading::UnknownUnit { said, .. }, Content::Number(scale)) => {
                BadReading::UnknownUnit { said, wanted: Some(scale.unit.dimension) }
            }
            (bad, _) => bad,
        })
    }
}

impl Mapping {
    /// What a pack says of earlier times, the oldest first, besides the reading that
    /// [`Mapping::read`] gives; nothing for payloads that carry one value.
    pub fn earlier(&self, payload: &[u8], now: &Now) -> Vec<Reading> {
        let ValuePlace::Senml(name) = &self.found else { return Vec::new() };
        let text = std::str::from_utf8(payload).ok().filter(|text| text.len() <= LONGEST);
        let pack = text.and_then(|text| json(text).ok());
        pack.map(|pack| senml::earlier(name, &self.content, &pack, now)).unwrap_or_default()
    }
}

impl PlacedValue {
    fn read(&self, document: &PayloadParts<'_>, content: &Content, now: &Now) -> Result<Reading, BadReading> {
        let said = document.at(&self.value)?;
        let unit = self.unit.as_ref().map(|place| number::unit_of(document.at(place)?)).transpose()?;
        let value = content.understand_on(said, unit, self.line)?;
        let time = self.time.as_ref().map(|place| time::read(document.at(place)?)).transpose()?;
        Ok(Reading { value, measured: time.and_then(|time| senml::measured(time, now)) })
    }
}

impl Content {
    /// The value of what is said, in the unit given with it, or else in the declared one.
    fn understand(&self, said: Said<'_>, unit: Option<Named<'_>>) -> Result<Value, BadReading> {
        self.understand_on(said, unit, Linear::AS_SENT)
    }

    /// The same of a number that is sent otherwise than it is meant.
    fn understand_on(
        &self,
        said: Said<'_>,
        unit: Option<Named<'_>>,
        line: Linear,
    ) -> Result<Value, BadReading> {
        self.literally(said, unit, line).map_err(|bad| match said {
            Said::Text(text) if says_away(text) => BadReading::SenderAway(bad::short(text.trim())),
            Said::Text(_) | Said::Number(_) | Said::Truth(_) => bad,
        })
    }

    fn literally(&self, said: Said<'_>, unit: Option<Named<'_>>, line: Linear) -> Result<Value, BadReading> {
        let meant = |sent: f64| sent * line.scale + line.offset;
        match (self, said) {
            (Self::Number(scale), Said::Number(number)) => in_base(meant(number), unit, scale),
            (Self::Number(scale), Said::Text(text)) => {
                let (number, own) = number::parse(text)?;
                in_base(meant(number), own.or(unit), scale)
            }
            (Self::Number(_), Said::Truth(truth)) => Err(BadReading::NotANumber(truth.to_string())),
            (Self::Words(words), Said::Text(text)) => word(words, text),
            (Self::Words(words), Said::Truth(truth)) => word(words, if truth { "true" } else { "false" }),
            (Self::Words(words), Said::Number(number)) => word(words, &number.to_string()),
        }
    }
}

fn in_base(number: f64, unit: Option<Named<'_>>, scale: &Scale) -> Result<Value, BadReading> {
    let wanted = scale.unit.dimension;
    let (name, unit) = unit.unwrap_or((&scale.name, scale.unit));
    let base = Quantity { number, unit }.base(wanted).map_err(|_| BadReading::WrongUnit {
        said: bad::short(name),
        found: unit.dimension,
        wanted,
    })?;
    if base.is_finite() {
        Ok(Value::Number(base))
    } else {
        Err(BadReading::NotFinite(bad::short(&number.to_string())))
    }
}

fn word(words: &[Word], text: &str) -> Result<Value, BadReading> {
    let text = text.trim();
    words
        .iter()
        .position(|word| word.spellings.iter().any(|spelling| same(spelling, text)))
        .and_then(|place| u16::try_from(place).ok())
        .map(Value::Word)
        .ok_or_else(|| {
            let known: Vec<&str> =
                words.iter().flat_map(|word| &word.spellings).map(String::as_str).collect();
            BadReading::UnknownWord { said: bad::short(text), known: bad::short(&known.join(", ")) }
        })
}

/// Words by which a sender, or the bridge before it, says that nothing comes from the sensor. A
/// sensor that declares such a word means what it declares.
const AWAY: [&str; 3] = ["offline", "unavailable", "disconnected"];

fn says_away(text: &str) -> bool {
    AWAY.iter().any(|word| same(word, text.trim()))
}

/// Whether two texts differ in nothing but capital letters.
fn same(a: &str, b: &str) -> bool {
    a.chars().flat_map(char::to_lowercase).eq(b.chars().flat_map(char::to_lowercase))
}

/// Depth is guarded by the parser, which refuses a document nested deeper than 128.
fn json(text: &str) -> Result<Json, BadReading> {
    serde_json::from_str(text).map_err(|error| BadReading::NotJson { why: bad::short(&error.to_string()) })
}

/// The single value that a JSON value is, or what it is instead.
fn said(json: &Json) -> Result<Said<'_>, &'static str> {
    match json {
        Json::String(text) => Ok(Said::Text(text)),
        Json::Number(number) => number.as_f64().map(Said::Number).ok_or("a number out of range"),
        Json::Bool(truth) => Ok(Said::Truth(*truth)),
        Json::Null => Err("null"),
        Json::Array(_) => Err("an array"),
        Json::Object(_) => Err("an object"),
    }
}
