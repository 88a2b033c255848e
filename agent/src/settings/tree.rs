//! How a section reads its part of the tree. A [`Table`] gives its keys away one by one; what
//! nobody asked for is a mistake when the table is dropped. An [`Item`] is one value with its
//! place; asked for a port, a length of time or a name, it gives that or notes what is wrong.
//! Nothing stops at the first mistake: [`Mistakes`] come out together.

use super::source::Environment;
use crate::plain_text::is_deceptive;
use config::{Map, Value, ValueKind};
use slackwater_rules::time::Span;
use slackwater_rules::units::Quantity;
use std::cell::RefCell;
use std::fmt;
use std::ops::RangeInclusive;
use std::path::Path;

/// One thing that is wrong in the configuration.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mistake {
    /// The file, or the variable.
    pub from: String,
    /// The path of the key, with points between; empty for the file as a whole.
    pub key: String,
    /// The value, the limit and what was expected.
    pub what: String,
}

/// Everything that is wrong in the configuration, never empty.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mistakes(pub Vec<Mistake>);

impl fmt::Display for Mistake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.key.as_str() {
            "" => write!(f, "{}: {}", self.from, self.what),
            key => write!(f, "{}: {key}: {}", self.from, self.what),
        }
    }
}

impl fmt::Display for Mistakes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, mistake) in self.0.iter().enumerate() {
            write!(f, "{}{mistake}", if index == 0 { "" } else { "\n" })?;
        }
        Ok(())
    }
}

impl std::error::Error for Mistakes {}

/// What all items of one reading share.
pub(super) struct Context<'a> {
    pub(super) file: &'a Path,
    pub(super) environment: &'a Environment,
    mistakes: RefCell<Vec<Mistake>>,
}

impl<'a> Context<'a> {
    pub(super) fn new(file: &'a Path, environment: &'a Environment) -> Self {
        Self { file, environment, mistakes: RefCell::default() }
    }

    fn note(&self, from: Option<&str>, key: &str, what: String) {
        let from = from.map_or_else(|| self.file.display().to_string(), str::to_owned);
        self.mistakes.borrow_mut().push(Mistake { from, key: key.to_owned(), what });
    }

    /// The one mistake that leaves nothing to look at.
    pub(super) fn refuse(&self, what: String) -> Mistakes {
        self.note(None, "", what);
        Mistakes(self.mistakes.take())
    }

    pub(super) fn conclude<T>(&self, checked: Option<T>) -> Result<T, Mistakes> {
        match checked {
            Some(checked) if self.mistakes.borrow().is_empty() => Ok(checked),
            _ => Err(Mistakes(self.mistakes.take())),
        }
    }
}

/// Keys and values that have not been asked for yet.
pub(super) struct Table<'a> {
    path: String,
    left: Map<String, Value>,
    known: Vec<&'static str>,
    context: &'a Context<'a>,
}

impl<'a> Table<'a> {
    fn key(&self, key: &str) -> String {
        if self.path.is_empty() { key.to_owned() } else { format!("{}.{key}", self.path) }
    }

    /// What this key comes to. The outer nothing means that a mistake was noted, the inner one
    /// that the key is absent.
    pub(super) fn may<T>(
        &mut self,
        key: &'static str,
        read: impl FnOnce(&Item<'a>) -> Option<T>,
    ) -> Option<Option<T>> {
        self.known.push(key);
        let Some(value) = self.left.remove(key) else { return Some(None) };
        let item = Item { key: self.key(key), value, context: self.context };
        read(&item).map(Some)
    }

    /// The same with a value for an absent key.
    pub(super) fn or<T>(
        &mut self,
        key: &'static str,
        absent: T,
        read: impl FnOnce(&Item<'a>) -> Option<T>,
    ) -> Option<T> {
        Some(self.may(key, read)?.unwrap_or(absent))
    }

    /// The same, where an absent key is a mistake.
    pub(super) fn need<T>(
        &mut self,
        key: &'static str,
        read: impl FnOnce(&Item<'a>) -> Option<T>,
    ) -> Option<T> {
        self.may(key, read)?.or_else(|| self.wrong(key, "it is missing, and there is no default"))
    }

    /// The rest as items under names that the keeper chose.
    pub(super) fn named(&mut self) -> Vec<(String, Item<'a>)> {
        let mut rest: Vec<_> = std::mem::take(&mut self.left).into_iter().collect();
        rest.sort_by(|(a, _), (b, _)| a.cmp(b));
        rest.into_iter()
            .map(|(name, value)| {
                let item = Item { key: self.key(&name), value, context: self.context };
                (name, item)
            })
            .collect()
    }

    /// Notes what is wrong about a key of this table, present or not.
    pub(super) fn wrong<T>(&self, key: &str, what: impl Into<String>) -> Option<T> {
        self.context.note(None, &self.key(key), what.into());
        None
    }

    /// Keys that were not asked for are no mistake this time.
    pub(super) fn leave_the_rest(&mut self) {
        self.left.clear();
    }

    pub(super) fn environment(&self) -> &'a Environment {
        self.context.environment
    }
}

impl Drop for Table<'_> {
    fn drop(&mut self) {
        let mut unknown: Vec<_> = self.left.iter().collect();
        unknown.sort_by_key(|(key, _)| *key);
        for (key, value) in unknown {
            let hint = match nearest(key, &self.known) {
                Some(near) => format!("the nearest is `{near}`"),
                None => format!("there are {}", listed(&self.known)),
            };
            let origin = value_origin(value);
            let hint = match origin {
                Some(_) if self.path.is_empty() => {
                    format!("{hint}; section and key have two underscores between them")
                }
                _ => hint,
            };
            self.context.note(origin, &self.key(key), format!("no such key; {hint}"));
        }
    }
}

/// A table that came together from several places has no place of its own; what is in it has.
fn value_origin(value: &Value) -> Option<&str> {
    match &value.kind {
        ValueKind::Table(table) => table.values().find_map(value_origin),
        _ => value.origin(),
    }
}

/// One value with its place.
pub(super) struct Item<'a> {
    key: String,
    value: Value,
    pub(super) context: &'a Context<'a>,
}

impl<'a> Item<'a> {
    pub(super) fn root(value: Value, context: &'a Context<'a>) -> Self {
        Self { key: String::new(), value, context }
    }

    /// Notes what is wrong here.
    pub(super) fn wrong<T>(&self, what: impl Into<String>) -> Option<T> {
        self.context.note(value_origin(&self.value), &self.key, what.into());
        None
    }

    fn wanted<T>(&self, wanted: &str) -> Option<T> {
        self.wrong(format!("{} stands here, but {wanted} is expected", self.shown()))
    }

    fn shown(&self) -> String {
        match &self.value.kind {
            ValueKind::Nil => "nothing".to_owned(),
            ValueKind::Boolean(flag) => format!("`{flag}`"),
            ValueKind::I64(number) => format!("`{number}`"),
            ValueKind::I128(number) => format!("`{number}`"),
            ValueKind::U64(number) => format!("`{number}`"),
            ValueKind::U128(number) => format!("`{number}`"),
            ValueKind::Float(number) => format!("`{number}`"),
            ValueKind::String(text) => format!("\"{text}\""),
            ValueKind::Table(_) => "a table".to_owned(),
            ValueKind::Array(_) => "a list".to_owned(),
        }
    }

    /// Variables are always texts, whatever they stand for.
    fn variable(&self) -> Option<&str> {
        match &self.value.kind {
            ValueKind::String(text) if self.value.origin().is_some() => Some(text.trim()),
            _ => None,
        }
    }

    pub(super) fn is_table(&self) -> bool {
        matches!(self.value.kind, ValueKind::Table(_))
    }

    pub(super) fn table(&self) -> Option<Table<'a>> {
        match &self.value.kind {
            ValueKind::Table(left) => Some(Table {
                path: self.key.clone(),
                left: left.clone(),
                known: Vec::new(),
                context: self.context,
            }),
            _ => self.wanted("a table"),
        }
    }

    /// The items of a list; a variable holds one with commas between.
    pub(super) fn list(&self) -> Option<Vec<Item<'a>>> {
        let values: Vec<Value> = match (&self.value.kind, self.variable()) {
            (ValueKind::Array(values), _) => values.clone(),
            (_, Some(text)) => {
                let origin = self.value.origin().map(str::to_owned);
                text.split(',').map(|part| Value::new(origin.as_ref(), part.trim())).collect()
            }
            _ => return self.wanted("a list"),
        };
        let items = values.into_iter().enumerate();
        Some(
            items
                .map(|(n, value)| Item { key: format!("{}[{n}]", self.key), value, context: self.context })
                .collect(),
        )
    }

    /// A text that is not empty and has no control characters.
    pub(super) fn text(&self) -> Option<String> {
        match &self.value.kind {
            ValueKind::String(text) if text.trim().is_empty() => self.wrong("it is empty"),
            ValueKind::String(text)
                if text.contains(|c: char| is_deceptive(c) || c == char::REPLACEMENT_CHARACTER) =>
            {
                self.wrong(
                    "it has control characters, signs that turn the direction of reading, or bytes that are \
                     not UTF-8",
                )
            }
            ValueKind::String(text) => Some(text.clone()),
            _ => self.wanted("a text in quotes"),
        }
    }

    pub(super) fn flag(&self) -> Option<bool> {
        match (&self.value.kind, self.variable()) {
            (ValueKind::Boolean(flag), _) => Some(*flag),
            (_, Some("true")) => Some(true),
            (_, Some("false")) => Some(false),
            _ => self.wanted("`true` or `false`"),
        }
    }

    pub(super) fn port(&self) -> Option<u16> {
        let number = match (&self.value.kind, self.variable()) {
            (ValueKind::I64(number), _) => u16::try_from(*number).ok(),
            (_, Some(text)) => text.parse().ok(),
            _ => None,
        };
        number.filter(|port| *port > 0).or_else(|| self.wanted("a port, a whole number from 1 to 65535,"))
    }

    /// A whole number.
    pub(super) fn count(&self, limits: RangeInclusive<u32>) -> Option<u32> {
        let number = match (&self.value.kind, self.variable()) {
            (ValueKind::I64(number), _) => u32::try_from(*number).ok(),
            (_, Some(text)) => text.parse().ok(),
            _ => None,
        };
        number
            .filter(|number| limits.contains(number))
            .or_else(|| self.wanted(&format!("a whole number from {} to {},", limits.start(), limits.end())))
    }

    /// One of these words.
    pub(super) fn one_of<T: Clone>(&self, words: &[(&'static str, T)]) -> Option<T> {
        let text = self.text()?;
        let names: Vec<_> = words.iter().map(|(name, _)| *name).collect();
        words.iter().find(|(name, _)| *name == text).map(|(_, meaning)| meaning.clone()).or_else(|| {
            let near =
                nearest(&text, &names).map_or(String::new(), |near| format!("; the nearest is `{near}`"));
            self.wrong(format!("`{text}` is not one of {}{near}", listed(&names)))
        })
    }

    /// A length of time with its unit.
    pub(super) fn span(&self, limits: RangeInclusive<Span>) -> Option<Span> {
        let ValueKind::String(text) = &self.value.kind else {
            return self.wanted("a length of time with its unit, like \"45 s\",");
        };
        let span = match Quantity::parse(text).and_then(Quantity::span) {
            Ok(span) => span,
            Err(error) => {
                return self.wrong(format!(
                    "`{text}` is not a length of time ({error}): one like \"45 s\" or \"5 min\" is expected"
                ));
            }
        };
        if limits.contains(&span) {
            return Some(span);
        }
        self.wrong(format!("`{text}` is out of limits: {} to {} is possible", limits.start(), limits.end()))
    }

    /// A number of bytes with its unit.
    pub(super) fn size(&self, limits: RangeInclusive<u64>) -> Option<u64> {
        let ValueKind::String(text) = &self.value.kind else {
            return self.wanted("a size with its unit, like \"64 KiB\",");
        };
        let Some(size) = bytes(text) else {
            return self.wrong(format!(
                "`{text}` is not a size: a whole number of B, KiB, MiB or GiB is expected, like \"64 KiB\""
            ));
        };
        if limits.contains(&size) {
            return Some(size);
        }
        let (low, high) = (shown_size(*limits.start()), shown_size(*limits.end()));
        self.wrong(format!("`{text}` is out of limits: {low} to {high} is possible"))
    }
}

/// Units of size by name and power of two: IEC 80000-13, prefixes for binary multiples.
const SIZES: &[(&str, u32)] = &[("B", 0), ("KiB", 10), ("MiB", 20), ("GiB", 30)];

fn bytes(text: &str) -> Option<u64> {
    let text = text.trim();
    let end = text.find(|c: char| !c.is_ascii_digit())?;
    let number: u64 = text[..end].parse().ok()?;
    let (_, power) = SIZES.iter().find(|(name, _)| *name == text[end..].trim())?;
    number.checked_mul(1 << power)
}

fn shown_size(bytes: u64) -> String {
    let fits = |power: &u32| bytes.is_multiple_of(1 << power) && bytes > 0;
    let (name, power) = SIZES.iter().rev().find(|(_, power)| fits(power)).unwrap_or(&("B", 0));
    format!("{} {name}", bytes >> power)
}

/// The known name that was most likely meant.
fn nearest(name: &str, known: &[&'static str]) -> Option<&'static str> {
    let (distance, near) =
        known.iter().map(|known| (strsim::damerau_levenshtein(name, known), *known)).min()?;
    // A missing ending is no typing mistake, but `password` does mean `password-file`.
    let begins = || known.iter().find(|known| known.starts_with(name)).copied();
    if distance <= name.chars().count().div_ceil(3) { Some(near) } else { begins() }
}

fn listed(names: &[&str]) -> String {
    let quoted: Vec<_> = names.iter().map(|name| format!("`{name}`")).collect();
    match quoted.split_last() {
        None => "none".to_owned(),
        Some((only, [])) => only.clone(),
        Some((last, others)) => format!("{} and {last}", others.join(", ")),
    }
}
