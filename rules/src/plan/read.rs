//! A small reader over TOML that keeps the place of everything. A [`Table`] is asked for the
//! keys it may have, by type; what is wrong is noted with its place and comes back as nothing,
//! so that one mistake hides no other. What nobody asked for is an unknown key.

use crate::diagnostic::did_you_mean;
use crate::diagnostic::{At, Finding};
use crate::signs::{deceptive_in, is_deceptive};
use crate::time::Span;
use crate::units::{Dimension, Quantity, QuantityError, UNITS, Unit, near_unit};
use std::cell::{Cell, RefCell};
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Where findings gather.
pub(super) type Notes = RefCell<Vec<Finding>>;

/// Longer than any delay that means something to a tank.
const LONGEST: Span = Span::hours(366 * 24);

/// Why some signs are refused.
const SIGNS: &str =
    "control signs, and signs that turn the direction of reading, make a text look like another one";

/// Keys that were called otherwise: the old name, the new one.
const RENAMED: [(&str, &str); 1] = [("fallback", "stopgap")];

/// One value, and by which name people know it.
#[derive(Clone, Copy)]
pub(super) struct Item<'t> {
    text: &'t str,
    notes: &'t Notes,
    name: &'t str,
    value: &'t Spanned<DeValue<'t>>,
}

/// The keys under one heading, in the order of the file.
pub(super) struct Table<'t> {
    /// The heading as people know it: `sensor.mains`.
    pub(super) name: String,
    /// Where the heading stands.
    pub(super) span: Range<usize>,
    pub(super) notes: &'t Notes,
    text: &'t str,
    entries: Vec<Entry<'t>>,
    /// Where keys are looked up that this table doesn't have.
    beneath: Option<Box<Table<'t>>>,
    asked: RefCell<Vec<String>>,
    missing: RefCell<Vec<(&'static str, &'static str)>>,
}

struct Entry<'t> {
    key: At<&'t str>,
    value: &'t Spanned<DeValue<'t>>,
    asked: Cell<bool>,
}

impl<'t> Table<'t> {
    pub(super) fn new(
        name: String,
        span: Range<usize>,
        table: &'t DeTable<'t>,
        text: &'t str,
        notes: &'t Notes,
    ) -> Self {
        let entry = |(key, value): (&'t Spanned<_>, _)| {
            let key: (&std::borrow::Cow<'t, str>, _) = (key.get_ref(), key.span());
            Entry { key: At::new(key.0.as_ref(), key.1), value, asked: Cell::new(false) }
        };
        let mut entries: Vec<_> = table.iter().map(entry).collect();
        entries.sort_by_key(|entry| entry.key.span.start);
        Self {
            name,
            span,
            notes,
            text,
            entries,
            beneath: None,
            asked: RefCell::default(),
            missing: RefCell::default(),
        }
    }

    /// With another table beneath, for the keys that this one doesn't have.
    pub(super) fn over(self, beneath: Table<'t>) -> Self {
        Self { beneath: Some(Box::new(beneath)), ..self }
    }

    /// The text of a key, if it is text at all; nothing is noted and the key not asked for.
    pub(super) fn peek(&self, key: &str) -> Option<&'t str> {
        let entry = self.entries.iter().find(|entry| entry.key.it == key)?;
        match entry.value.get_ref() {
            DeValue::String(text) => Some(text.as_ref()),
            _ => None,
        }
    }

    /// Adds a finding.
    pub(super) fn note(&self, finding: Finding) {
        self.notes.borrow_mut().push(finding);
    }

    /// Whether the key is there, rightly or wrongly filled.
    pub(super) fn has(&self, key: &str) -> bool {
        self.entries.iter().any(|entry| entry.key.it == key)
    }

    /// Where the key stands; the heading if it isn't there.
    pub(super) fn key_span(&self, key: &str) -> Range<usize> {
        let found = self.entries.iter().find(|entry| entry.key.it == key);
        found.map_or_else(|| self.span.clone(), |entry| entry.key.span.clone())
    }

    /// The value of a key that may be missing.
    pub(super) fn get(&self, key: &str) -> Option<Item<'t>> {
        self.asked.borrow_mut().push(key.to_owned());
        let Some(entry) = self.entries.iter().find(|entry| entry.key.it == key) else {
            return self.beneath.as_ref()?.get(key);
        };
        entry.asked.set(true);
        Some(self.item(entry))
    }

    /// The value of a key that must be there; `example` is what it could be.
    pub(super) fn need(&self, key: &'static str, example: &'static str) -> Option<Item<'t>> {
        let found = self.get(key);
        if found.is_none() {
            self.missing.borrow_mut().push((key, example));
        }
        found
    }

    /// The tables under a key, each by its own name, in the order of the file.
    pub(super) fn tables(&self, key: &'static str) -> Vec<(At<String>, Table<'t>)> {
        let Some(under) = self.get(key).and_then(Item::table) else { return Vec::new() };
        let part = |entry: &Entry<'t>| {
            under.check_name(entry)?;
            let name = At::new(entry.key.it.to_owned(), entry.key.span.clone());
            let mut table = under.item(entry).table()?;
            table.name = format!("{key}.{}", entry.key.it);
            table.span = entry.key.span.clone();
            Some((name, table))
        };
        under.entries.iter().filter_map(part).collect()
    }

    /// Every key with its value, for tables whose keys are the keeper's own.
    pub(super) fn all(&self) -> Vec<(At<String>, Item<'t>)> {
        let pair = |entry: &Entry<'t>| {
            entry.asked.set(true);
            self.check_name(entry)?;
            Some((At::new(entry.key.it.to_owned(), entry.key.span.clone()), self.item(entry)))
        };
        self.entries.iter().filter_map(pair).collect()
    }

    /// Notes a name of the keeper's own that can't be one; it is left out.
    fn check_name(&self, entry: &Entry<'t>) -> Option<()> {
        let Some(sign) = entry.key.it.chars().find(|c| is_deceptive(*c)) else { return Some(()) };
        let title = format!("a name has the sign U+{:04X}, which can't be seen", u32::from(sign));
        self.note(Finding::error(entry.key.span.clone(), title, "not a name").help(SIGNS));
        None
    }

    /// Notes the keys that are missing and those that nobody asked for. Comes last.
    pub(super) fn finish(self) {
        let missing = self.missing.borrow();
        if !missing.is_empty() {
            let keys: Vec<_> = missing.iter().map(|(key, _)| *key).collect();
            let title = format!("`{}` lacks {}", self.name, listed(&keys));
            let examples: Vec<_> =
                missing.iter().map(|(key, example)| format!("`{key} = {example}`")).collect();
            let help = format!("for instance {}", examples.join(", "));
            self.note(Finding::error(self.span.clone(), title, "not complete").help(help));
        }
        let asked = self.asked.borrow();
        for entry in self.entries.iter().filter(|entry| !entry.asked.get()) {
            let free = asked.iter().map(String::as_str).filter(|key| !self.has(key));
            let renamed = RENAMED.iter().find(|(before, _)| *before == entry.key.it);
            let renamed = renamed.map(|(_, now)| format!("this key is called `{now}` now"));
            let help = renamed.or_else(|| did_you_mean(entry.key.it, free)).unwrap_or_else(|| {
                let asked: Vec<&str> = asked.iter().map(String::as_str).collect();
                format!("known here are {}", listed(&asked))
            });
            let place =
                if self.name.is_empty() { "a rule file".to_owned() } else { format!("`{}`", self.name) };
            let title = format!("`{}` is not known in {place}", entry.key.it);
            self.note(Finding::error(entry.key.span.clone(), title, "unknown key").help(help));
        }
    }

    fn item(&self, entry: &Entry<'t>) -> Item<'t> {
        Item { text: self.text, notes: self.notes, name: entry.key.it, value: entry.value }
    }
}

impl<'t> Item<'t> {
    /// Where the value stands, quotes included.
    pub(super) fn span(self) -> Range<usize> {
        self.value.span()
    }

    /// Where findings about the value gather.
    pub(super) fn notes(self) -> &'t Notes {
        self.notes
    }

    /// Adds a mistake at the value.
    pub(super) fn note(self, title: impl Into<String>, label: impl Into<String>, help: Option<String>) {
        self.notes.borrow_mut().push(Finding::error(self.span(), title, label).maybe_help(help));
    }

    /// Adds a mistake at the value, which then counts as missing.
    pub(super) fn wrong<T>(
        self,
        title: impl Into<String>,
        label: impl Into<String>,
        help: Option<String>,
    ) -> Option<T> {
        self.note(title, label, help);
        None
    }

    fn wrong_type<T>(self, wanted: &str, help: Option<String>) -> Option<T> {
        let found = match self.value.get_ref() {
            DeValue::String(_) => "text",
            DeValue::Integer(_) | DeValue::Float(_) => "a bare number",
            DeValue::Boolean(_) => "true or false",
            DeValue::Datetime(_) => "a date or time without quotes",
            DeValue::Array(_) => "a list",
            DeValue::Table(_) => "a table",
        };
        self.wrong(format!("`{}` must be {wanted}", self.name), format!("this is {found}"), help)
    }

    /// Text that isn't empty.
    pub(super) fn text(self) -> Option<At<String>> {
        match self.value.get_ref() {
            DeValue::String(text) if text.trim().is_empty() => {
                self.wrong(format!("`{}` is empty", self.name), "nothing here", None)
            }
            DeValue::String(text) => match deceptive_in(text) {
                None => Some(At::new(text.clone().into_owned(), self.span())),
                Some(sign) => self.wrong(
                    format!("`{}` has the sign U+{:04X}, which can't be seen", self.name, u32::from(sign)),
                    "not plain text",
                    Some(SIGNS.to_owned()),
                ),
            },
            _ => self.wrong_type("text", Some("put it in quotes".to_owned())),
        }
    }

    /// True or false.
    pub(super) fn flag(self) -> Option<bool> {
        match self.value.get_ref() {
            DeValue::Boolean(flag) => Some(*flag),
            _ => self.wrong_type("true or false, without quotes", None),
        }
    }

    /// A name that a thing may have.
    pub(super) fn one_of<T: Copy>(self, choices: &[(&str, T)]) -> Option<T> {
        let text = self.text()?;
        if let Some((_, choice)) = choices.iter().find(|(name, _)| *name == text.it) {
            return Some(*choice);
        }
        let names: Vec<_> = choices.iter().map(|(name, _)| *name).collect();
        let help = did_you_mean(&text.it, names.iter().copied())
            .unwrap_or_else(|| format!("it can be {}", listed(&names)));
        self.wrong(format!("`{}` can't be `{}`", self.name, text.it), "not one of its values", Some(help))
    }

    /// A quantity of any kind.
    pub(super) fn any_quantity(self) -> Option<Quantity> {
        self.read_quantity(None)
    }

    /// A quantity of this kind, in base units.
    pub(super) fn quantity(self, wanted: Dimension) -> Option<f64> {
        let quantity = self.read_quantity(Some(wanted))?;
        let Ok(base) = quantity.base(wanted) else {
            let found = quantity.unit.dimension;
            let is_bare = found == Dimension::NUMBER && !self.raw().contains('%');
            let label =
                if is_bare { "this has no unit".to_owned() } else { format!("this is {}", found.words()) };
            let help = example(quantity.number, wanted);
            return self.wrong(format!("`{}` must be {}", self.name, wanted.words()), label, help);
        };
        Some(base)
    }

    fn read_quantity(self, wanted: Option<Dimension>) -> Option<Quantity> {
        let DeValue::String(text) = self.value.get_ref() else {
            let number = self.raw().parse::<f64>().ok();
            let help = number.zip(wanted).and_then(|(number, wanted)| example(number, wanted));
            return self.wrong_type("a quantity with its unit, in quotes", help);
        };
        let why = match Quantity::parse(text) {
            Ok(quantity) => return Some(quantity),
            Err(why) => why,
        };
        match &why {
            QuantityError::UnknownUnit(unit) if unit.starts_with(',') => {
                let help = "write the decimal sign as a point".to_owned();
                self.wrong(format!("`{text}` is not a quantity"), "a comma in a number", Some(help))
            }
            QuantityError::UnknownUnit(unit) => {
                let help =
                    near_unit(unit).map(|near| format!("did you mean \"{}\"?", text.replace(unit, &near)));
                self.wrong(format!("`{unit}` is not a unit"), "unknown unit", help)
            }
            QuantityError::NoNumber | QuantityError::NotFinite | QuantityError::WrongDimension { .. } => {
                let help = wanted.and_then(|wanted| example(10.0, wanted));
                self.wrong(format!("`{}` must be a quantity", self.name), why.to_string(), help)
            }
        }
    }

    /// The value as it stands in the file.
    fn raw(self) -> &'t str {
        self.text.get(self.span()).unwrap_or_default()
    }

    /// A length of time, from none to a year.
    pub(super) fn duration(self) -> Option<Span> {
        let seconds = self.quantity(Dimension::TIME)?;
        if seconds < 0.0 {
            return self.wrong(format!("`{}` is less than no time", self.name), "negative", None);
        }
        if seconds > LONGEST.as_seconds() {
            return self.wrong(format!("`{}` is longer than a year", self.name), "too long", None);
        }
        Some(Span((seconds * 1_000.0).round() as i64))
    }

    /// A length of time that is not nothing.
    pub(super) fn some_duration(self) -> Option<Span> {
        match self.duration()? {
            Span::ZERO => {
                self.wrong(format!("`{}` is no time at all", self.name), "must be more than this", None)
            }
            span => Some(span),
        }
    }

    /// The parts of a list.
    pub(super) fn list(self) -> Option<Vec<Item<'t>>> {
        match self.value.get_ref() {
            DeValue::Array(parts) => Some(parts.iter().map(|value| Item { value, ..self }).collect()),
            _ => self.wrong_type("a list", Some("in square brackets: [\"…\", \"…\"]".to_owned())),
        }
    }

    /// A list of texts. Those that are wrong are left out.
    pub(super) fn texts(self) -> Option<Vec<At<String>>> {
        Some(self.list()?.into_iter().filter_map(Item::text).collect())
    }

    /// A list of two.
    pub(super) fn pair(self) -> Option<[Item<'t>; 2]> {
        let parts = self.list()?;
        let count = parts.len();
        match <[Item<'t>; 2]>::try_from(parts) {
            Ok(pair) => Some(pair),
            Err(_) => {
                self.wrong(format!("`{}` has two values", self.name), format!("this has {count}"), None)
            }
        }
    }

    /// A table, known by the key's name until someone names it better.
    pub(super) fn table(self) -> Option<Table<'t>> {
        match self.value.get_ref() {
            DeValue::Table(table) => {
                Some(Table::new(self.name.to_owned(), self.span(), table, self.text, self.notes))
            }
            _ => self.wrong_type("a table", None),
        }
    }

    /// Whether the value is text.
    pub(super) fn is_text(self) -> bool {
        matches!(self.value.get_ref(), DeValue::String(_))
    }

    /// Where a part of the value's text stands in the file: the whole value if escapes make
    /// that hard to tell.
    pub(super) fn place(self, part: Range<usize>) -> Range<usize> {
        let whole = self.span();
        let DeValue::String(text) = self.value.get_ref() else { return whole };
        match self.text.get(whole.clone()).and_then(|raw| raw.find(text.as_ref())) {
            Some(quote) => whole.start + quote + part.start..whole.start + quote + part.end,
            None => whole,
        }
    }
}

/// A quantity of this kind that would do.
fn example(number: f64, wanted: Dimension) -> Option<String> {
    let simple = UNITS.iter().map(|(name, _)| (*name).to_owned());
    let rates = UNITS.iter().flat_map(|(name, _)| ["h", "min"].map(|per| format!("{name}/{per}")));
    let fits = |name: &String| Unit::named(name).is_some_and(|unit| unit.dimension == wanted);
    let unit = simple.chain(rates).filter(|name| !name.is_empty()).find(fits)?;
    Some(format!("for instance \"{number} {unit}\""))
}

/// `` `a`, `b` and `c` ``
pub(super) fn listed(names: &[&str]) -> String {
    let quoted: Vec<_> = names.iter().map(|name| format!("`{name}`")).collect();
    match quoted.split_last() {
        Some((last, [])) => last.clone(),
        Some((last, rest)) => format!("{} and {last}", rest.join(", ")),
        None => String::new(),
    }
}
