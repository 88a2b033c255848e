//! From a payload to a reading. A sensor declares how its messages are to be understood (a plain
//! number, a number with a unit, a place in a JSON document, words, a SenML pack); here bytes
//! become a [`Value`] in base units, or a [`BadReading`] that says why not. Nothing that a
//! network can send makes this fail otherwise.

use crate::units::Scale;

/// What a sensor can say.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Value {
    /// A finite number in base units.
    Number(f64),
    /// One of the sensor's declared words, by its place in [`Mapping::Words`].
    Word(u16),
}

/// How a sensor's payloads are to be understood.
#[derive(Clone, Debug, PartialEq)]
pub enum Mapping {
    /// The whole payload is the value.
    Plain(Content),
    /// The value stands at this place of a JSON document: RFC 6901, parsed into its tokens.
    Pointer(Vec<String>, Content),
    /// The value is the record of this name in a SenML pack: RFC 8428.
    Senml(String, Content),
}

/// What stands where the value stands.
#[derive(Clone, Debug, PartialEq)]
pub enum Content {
    /// A number in this unit unless the text names its own; a decimal comma is understood.
    Number(Scale),
    /// One of these words.
    Words(Vec<Word>),
}

/// A declared word and how it is spelled on the wire.
#[derive(Clone, Debug, PartialEq)]
pub struct Word {
    /// As rule files say it: `on`.
    pub name: String,
    /// As payloads say it: `on`, `1`, `true`.
    pub spellings: Vec<String>,
}
