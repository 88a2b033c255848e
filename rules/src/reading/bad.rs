//! Why a payload is no reading. The texts end up in the journal and in front of a person, and
//! the payload may come from anybody on the network: whatever is quoted from it is cut short
//! and has its control characters escaped, when the error is made.

use crate::units::{Dimension, NearUnit, near_unit};
use std::fmt;

/// Why a payload is no reading. Texts taken from payloads are already short and escaped.
#[derive(Clone, Debug, PartialEq)]
pub enum BadReading {
    /// Longer than anything a sensor has to say.
    TooLong {
        /// In bytes.
        length: usize,
        /// In bytes.
        limit: usize,
    },
    /// Not a text.
    NotUtf8 {
        /// How many bytes at its start are.
        at: usize,
    },
    /// Nothing, or only blanks.
    Empty,
    /// Some other text where a number should be.
    NotANumber(String),
    /// A comma that may part decimals or thousands.
    Ambiguous(String),
    /// `nan`, `inf`, or a number too large to be kept.
    NotFinite(String),
    /// No such unit.
    UnknownUnit {
        /// As sent.
        said: String,
        /// What the sensor measures, once that is known: no other unit is offered.
        wanted: Option<Dimension>,
    },
    /// A unit of another quantity.
    WrongUnit {
        /// As sent.
        said: String,
        /// What it measures.
        found: Dimension,
        /// What the sensor measures.
        wanted: Dimension,
    },
    /// Its sender says that it has nothing to say: `offline`.
    SenderAway(String),
    /// None of the declared words.
    UnknownWord {
        /// As sent.
        said: String,
        /// The spellings that are known, in one text.
        known: String,
    },
    /// Not a JSON document, or one nested too deeply.
    NotJson {
        /// What the parser says, with line and column.
        why: String,
    },
    /// The document has nothing at the sensor's place.
    NoSuchPlace {
        /// As a JSON Pointer.
        pointer: String,
    },
    /// No object of the array is the one that is looked for.
    NoSuchMember {
        /// The member that tells them apart.
        key: String,
        /// What it should say.
        is: String,
    },
    /// Fewer columns than the sensor's.
    NoSuchColumn {
        /// Counted from 1.
        number: usize,
        /// How many there are.
        columns: usize,
    },
    /// No field of this name.
    NoSuchField(String),
    /// A list of named values has a piece without a name.
    NamelessField(String),
    /// Not a time.
    NotATime(String),
    /// What stands there is no single value.
    NotScalar {
        /// As a JSON Pointer.
        pointer: String,
        /// What it is instead.
        found: &'static str,
    },
    /// A fault of a SenML pack.
    Senml(SenmlFault),
    /// A source answered, but gave no value: why, in its words.
    NotGiven(String),
}

impl BadReading {
    /// For what a source said instead of a value.
    pub(crate) fn not_given(why: &str) -> Self {
        Self::NotGiven(cut(why, LONGEST_REASON))
    }
}

/// What is wrong with a SenML pack (RFC 8428).
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SenmlFault {
    /// Not an array of objects.
    NotAPack,
    /// A later version than the one we know.
    Version {
        /// As sent.
        said: String,
        /// The latest that is known.
        limit: u64,
    },
    /// A field that must be understood, and isn't.
    MustUnderstand {
        /// The record, counted from 0.
        record: usize,
        /// The field's name.
        field: String,
    },
    /// A field with a value of the wrong type.
    Field {
        /// The record, counted from 0.
        record: usize,
        /// The field's name.
        field: &'static str,
        /// What it should be.
        wanted: &'static str,
    },
    /// No record has the sensor's name.
    NoRecord {
        /// The name.
        name: String,
    },
    /// The record has no value, or more than one.
    NoValue {
        /// The record, counted from 0.
        record: usize,
    },
}

/// How much is quoted from a payload, in characters.
const SHORT: usize = 40;

/// How long a source's reason may be, in characters: a sentence of ours with a quotation in it.
const LONGEST_REASON: usize = 200;

/// The text, cut short, with everything escaped that a terminal could take as a command.
pub(super) fn short(text: &str) -> String {
    cut(text, SHORT)
}

fn cut(text: &str, limit: usize) -> String {
    let mut out = String::new();
    let mut left = limit;
    for c in text.chars() {
        let shown: String = if matches!(c, '\'' | '"') { c.into() } else { c.escape_debug().collect() };
        let length = shown.chars().count();
        if length > left {
            out.push('…');
            break;
        }
        left -= length;
        out.push_str(&shown);
    }
    out
}

impl fmt::Display for BadReading {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooLong { length, limit } => {
                write!(f, "the payload is {length} bytes long, more than {limit}")
            }
            Self::NotUtf8 { at } => write!(f, "the payload is not UTF-8 text from byte {at} on"),
            Self::Empty => write!(f, "the value is empty"),
            Self::NotANumber(text) => write!(f, "`{text}` is not a number"),
            Self::SenderAway(word) => write!(f, "its sender says `{word}`"),
            Self::Ambiguous(text) => {
                write!(f, "`{text}` may have a decimal comma or parted thousands: send a decimal point")
            }
            Self::NotFinite(text) => write!(f, "`{text}` is not a finite number"),
            Self::UnknownUnit { said, wanted } => {
                write!(f, "`{said}` is not a unit")?;
                let fits =
                    |of: Dimension| wanted.is_none_or(|wanted| of == wanted || of.difference() == wanted);
                match near_unit(said, &fits) {
                    Some(NearUnit::One(near)) => write!(f, "; perhaps `{near}`"),
                    Some(which) => write!(f, "; {}", which.ask(|unit| format!("`{unit}`"))),
                    None => Ok(()),
                }
            }
            Self::WrongUnit { said, found, wanted } => {
                let (found, wanted, hint) = (found.words(), wanted.words(), found.hint(*wanted));
                write!(f, "`{said}` is {found}, but the sensor measures {wanted}{hint}")
            }
            Self::UnknownWord { said, known } => write!(f, "`{said}` is none of the words {known}"),
            Self::NotJson { why } => write!(f, "the payload is not JSON: {why}"),
            Self::NoSuchPlace { pointer } => write!(f, "the document has nothing at `{pointer}`"),
            Self::NoSuchMember { key, is } => write!(f, "no object of the list has `{key}` `{is}`"),
            Self::NoSuchColumn { number, columns } => {
                write!(f, "there is no column {number}: the payload has {columns}")
            }
            Self::NoSuchField(name) => write!(f, "the payload has no field `{name}`"),
            Self::NamelessField(piece) => {
                write!(f, "`{piece}` stands among named values without a name; has a number a decimal comma?")
            }
            Self::NotATime(text) => {
                write!(f, "`{text}` is not a time: RFC 3339 with its offset, or seconds since 1970")
            }
            Self::NotScalar { pointer, found } => {
                write!(f, "at `{pointer}` stands {found}, not a single value")
            }
            Self::Senml(fault) => write!(f, "SenML: {fault}"),
            Self::NotGiven(why) => f.write_str(why),
        }
    }
}

impl fmt::Display for SenmlFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotAPack => write!(f, "a pack is an array of objects"),
            Self::Version { said, limit } => write!(f, "version {said} is later than {limit}"),
            Self::MustUnderstand { record, field } => {
                write!(f, "record {record} has `{field}`, which must be understood and isn't")
            }
            Self::Field { record, field, wanted } => {
                write!(f, "`{field}` of record {record} is not {wanted}")
            }
            Self::NoRecord { name } => write!(f, "no record is named `{name}`"),
            Self::NoValue { record } => write!(f, "record {record} has no single value"),
        }
    }
}

impl From<SenmlFault> for BadReading {
    fn from(fault: SenmlFault) -> Self {
        Self::Senml(fault)
    }
}

impl std::error::Error for BadReading {}
impl std::error::Error for SenmlFault {}
