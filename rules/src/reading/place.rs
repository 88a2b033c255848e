//! Where in a payload something stands: the value, the unit beside it, the time at which it was
//! measured. One payload may be asked for several places; what it is read as (JSON, columns, named
//! fields) is found out once.

use super::bad::{BadReading, short};
use super::{Said, json, pointer, said};
use serde_json::Value as Json;
use std::cell::OnceCell;

/// A place in a payload.
#[derive(Clone, Debug, PartialEq)]
pub enum FieldPlace {
    /// All of it.
    Whole,
    /// In a JSON document: RFC 6901, parsed into its tokens. No token means the document itself.
    Pointer(Vec<String>),
    /// In a JSON array of objects, which stands at the first place: `value` of the object whose
    /// `key` says `is`.
    Member {
        /// The array's place.
        list: Vec<String>,
        /// The member that tells the objects apart: `id`.
        key: String,
        /// What it says: `probe-2`.
        is: String,
        /// The member that holds what is looked for: `celsius`.
        value: String,
    },
    /// One of several columns, counted from 1, which are parted by tabs, semicolons, commas or
    /// blanks: by the first of these that the payload has.
    Column(usize),
    /// What follows this name and `=` or `:` in a list of named values.
    Field(String),
}

/// A payload that is looked into.
pub(super) struct PayloadParts<'p> {
    text: &'p str,
    json: OnceCell<Result<Json, BadReading>>,
}

/// What parts columns, the strongest first: who parts by tabs or semicolons may have commas in
/// numbers.
const SEPARATORS: [char; 3] = ['\t', ';', ','];

impl<'p> PayloadParts<'p> {
    pub(super) fn new(text: &'p str) -> Self {
        Self { text, json: OnceCell::new() }
    }

    /// The payload as JSON.
    pub(super) fn json(&self) -> Result<&Json, BadReading> {
        self.json.get_or_init(|| json(self.text)).as_ref().map_err(Clone::clone)
    }

    /// What stands at the place.
    pub(super) fn at(&self, place: &FieldPlace) -> Result<Said<'_>, BadReading> {
        match place {
            FieldPlace::Whole => Ok(Said::Text(self.text)),
            FieldPlace::Pointer(tokens) => {
                let found = pointer::resolve(self.json()?, tokens).ok_or_else(|| nothing_at(tokens))?;
                single(found, tokens)
            }
            FieldPlace::Member { list, key, is, value } => {
                let found = pointer::resolve(self.json()?, list).ok_or_else(|| nothing_at(list))?;
                let named = |object: &&Json| object.get(key).is_some_and(|id| says(id, is));
                let object = found.as_array().into_iter().flatten().find(named);
                let missing = || BadReading::NoSuchMember { key: short(key), is: short(is) };
                let place = [list.as_slice(), std::slice::from_ref(value)].concat();
                single(object.ok_or_else(missing)?.get(value).ok_or_else(|| nothing_at(&place))?, &place)
            }
            FieldPlace::Column(number) => {
                let columns = columns(self.text);
                let missing = || BadReading::NoSuchColumn { number: *number, columns: columns.len() };
                columns.get(number.saturating_sub(1)).copied().map(Said::Text).ok_or_else(missing)
            }
            FieldPlace::Field(name) => self.field(name).map(Said::Text),
        }
    }

    /// Every piece has a name, or the list can't be trusted: a decimal comma in one that is parted
    /// by commas makes two pieces of a number.
    fn field(&self, name: &str) -> Result<&'p str, BadReading> {
        let mut found = None;
        for piece in named_values(self.text) {
            let (key, value) = piece.map_err(|piece| BadReading::NamelessField(short(piece)))?;
            if key == name {
                found = found.or(Some(value));
            }
        }
        found.ok_or_else(|| BadReading::NoSuchField(short(name)))
    }
}

/// The columns of a payload, as [`FieldPlace::Column`] counts them.
pub fn columns(text: &str) -> Vec<&str> {
    let text = text.trim();
    match SEPARATORS.iter().find(|separator| text.contains(**separator)) {
        Some(separator) => text.split(*separator).map(bare).collect(),
        None => text.split_whitespace().map(bare).collect(),
    }
}

/// The named values of a payload, as [`FieldPlace::Field`] finds them: name and value; a piece that
/// has no name as it is.
pub fn named_values(text: &str) -> Vec<Result<(&str, &str), &str>> {
    let text = text.trim();
    let strong = [';', '&', '\n', '\t'];
    let pieces: Vec<&str> = if text.contains(strong) {
        text.split(strong).collect()
    } else if text.contains(',') {
        text.split(',').collect()
    } else {
        text.split_whitespace().collect()
    };
    let pieces = pieces.into_iter().map(str::trim).filter(|piece| !piece.is_empty());
    pieces
        .map(|piece| {
            let (key, value) = piece.split_once(['=', ':']).ok_or(piece)?;
            Ok((bare(key), bare(value)))
        })
        .collect()
}

/// Without blanks and quotes around it.
fn bare(text: &str) -> &str {
    text.trim().trim_matches('"').trim()
}

fn says(id: &Json, is: &str) -> bool {
    match id {
        Json::String(text) => text == is,
        Json::Number(number) => number.to_string() == is,
        Json::Bool(_) | Json::Null | Json::Array(_) | Json::Object(_) => false,
    }
}

fn nothing_at(tokens: &[String]) -> BadReading {
    BadReading::NoSuchPlace { pointer: pointer::written(tokens) }
}

fn single<'j>(found: &'j Json, tokens: &[String]) -> Result<Said<'j>, BadReading> {
    said(found).map_err(|found| BadReading::NotScalar { pointer: pointer::written(tokens), found })
}
