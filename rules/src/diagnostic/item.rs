//! One value of a file with its place. An [`Item`] is asked for the kind of thing that it must be;
//! what is wrong is noted at its place and comes back as nothing, so that one mistake hides no
//! other.

use super::table::SIGNS;
use super::{At, Finding, Sheet, Table, did_you_mean};
use crate::signs::deceptive_in;
use std::ops::{Range, RangeInclusive};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// One value, and by which name people know it.
#[derive(Clone, Copy)]
pub struct Item<'t> {
    sheet: &'t Sheet<'t>,
    /// Where the text begins that places in the tree are counted from.
    base: usize,
    name: &'t str,
    value: ItemValue<'t>,
    start: usize,
    end: usize,
}

#[derive(Clone, Copy)]
enum ItemValue<'t> {
    /// It says itself of what type it is.
    Typed(&'t DeValue<'t>),
    /// From a variable, or part of one: whatever it is, it is written as text.
    Variable(&'t str),
}

/// A place in a tree, as one in the file whose part from `base` on the tree was made of.
pub(super) fn moved(place: Range<usize>, base: usize) -> Range<usize> {
    place.start + base..place.end + base
}

impl<'t> Item<'t> {
    pub(super) fn new(
        sheet: &'t Sheet<'t>,
        base: usize,
        name: &'t str,
        value: &'t Spanned<DeValue<'t>>,
    ) -> Self {
        let Range { start, end } = moved(value.span(), base);
        let value = match value.get_ref() {
            DeValue::String(text) if start >= sheet.file_end => ItemValue::Variable(text),
            typed => ItemValue::Typed(typed),
        };
        Self { sheet, base, name, value, start, end }
    }

    /// Where the value stands, quotes included.
    pub fn span(self) -> Range<usize> {
        self.start..self.end
    }

    /// By which name people know it: its key.
    pub fn name(self) -> &'t str {
        self.name
    }

    /// Adds a finding, at whatever place.
    pub fn find(self, finding: Finding) {
        self.sheet.findings.push(finding);
    }

    /// How many mistakes have been noted so far, anywhere in the file.
    pub fn errors(self) -> usize {
        self.sheet.findings.errors()
    }

    /// Adds a mistake at the value.
    pub fn note(self, title: impl Into<String>, label: impl Into<String>, help: Option<String>) {
        self.find(Finding::error(self.span(), title, label).maybe_help(help));
    }

    /// Adds a mistake at the value, which then counts as missing.
    pub fn wrong<T>(
        self,
        title: impl Into<String>,
        label: impl Into<String>,
        help: Option<String>,
    ) -> Option<T> {
        self.note(title, label, help);
        None
    }

    /// Adds the mistake that the value is of another type than `wanted`.
    pub fn wrong_type<T>(self, wanted: &str, help: Option<String>) -> Option<T> {
        let found = match self.value {
            ItemValue::Variable(_) => {
                // There are no quotes in the environment.
                let wanted = wanted.trim_end_matches(", in quotes").trim_end_matches(", without quotes");
                return self.wrong(
                    format!("`{}` must be {wanted}", self.name),
                    "this is something else",
                    help,
                );
            }
            ItemValue::Typed(DeValue::String(_)) => "text",
            ItemValue::Typed(DeValue::Integer(_) | DeValue::Float(_)) => "a bare number",
            ItemValue::Typed(DeValue::Boolean(_)) => "true or false",
            ItemValue::Typed(DeValue::Datetime(_)) => "a date or time without quotes",
            ItemValue::Typed(DeValue::Array(_)) => "a list",
            ItemValue::Typed(DeValue::Table(_)) => "a table",
        };
        self.wrong(format!("`{}` must be {wanted}", self.name), format!("this is {found}"), help)
    }

    /// The text as it is, if it is text.
    pub(crate) fn as_text(self) -> Option<&'t str> {
        match self.value {
            ItemValue::Typed(DeValue::String(text)) => Some(text),
            ItemValue::Variable(text) => Some(text),
            ItemValue::Typed(_) => None,
        }
    }

    /// The same; findings may show it.
    pub(crate) fn shown_text(self) -> Option<&'t str> {
        self.open().as_text()
    }

    /// Findings may show the value.
    fn open(self) -> Self {
        if let Some(shown) = &self.sheet.shown {
            shown.borrow_mut().insert(self.start);
        }
        self
    }

    /// Text that isn't empty.
    pub fn text(self) -> Option<At<String>> {
        self.open().hidden_text()
    }

    /// Text that isn't empty and that no finding shows.
    pub fn hidden_text(self) -> Option<At<String>> {
        match self.as_text() {
            Some(text) if text.trim().is_empty() => {
                self.wrong(format!("`{}` is empty", self.name), "nothing here", None)
            }
            Some(text) => match deceptive_in(text) {
                None => Some(At::new(text.to_owned(), self.span())),
                Some(sign) => self.wrong(
                    format!("`{}` has the sign U+{:04X}, which can't be seen", self.name, u32::from(sign)),
                    "not plain text",
                    Some(SIGNS.to_owned()),
                ),
            },
            None => self.wrong_type("text", Some("put it in quotes".to_owned())),
        }
    }

    /// A date or time that stands without quotes, as text.
    pub fn date(self) -> Option<String> {
        match self.value {
            ItemValue::Typed(DeValue::Datetime(date)) => {
                self.open();
                Some(date.to_string())
            }
            ItemValue::Typed(_) | ItemValue::Variable(_) => None,
        }
    }

    /// True or false.
    pub fn flag(self) -> Option<bool> {
        match self.open().value {
            ItemValue::Typed(DeValue::Boolean(flag)) => Some(*flag),
            ItemValue::Variable("true") => Some(true),
            ItemValue::Variable("false") => Some(false),
            ItemValue::Typed(_) | ItemValue::Variable(_) => {
                self.wrong_type("true or false, without quotes", None)
            }
        }
    }

    /// A whole number within limits.
    pub fn whole(self, limits: RangeInclusive<i64>) -> Option<i64> {
        let number = match self.open().value {
            ItemValue::Typed(DeValue::Integer(number)) => {
                // What doesn't fit lies outside of any limits.
                Some(i64::from_str_radix(number.as_str(), number.radix()).unwrap_or(i64::MAX))
            }
            ItemValue::Variable(text) => text.trim().parse().ok(),
            ItemValue::Typed(_) => None,
        };
        match number {
            Some(number) if limits.contains(&number) => Some(number),
            Some(_) => {
                let title = format!("`{}` is out of limits", self.name);
                self.wrong(title, format!("{} to {} is possible", limits.start(), limits.end()), None)
            }
            None => {
                let help = format!("from {} to {}", limits.start(), limits.end());
                self.wrong_type("a whole number, without quotes", Some(help))
            }
        }
    }

    /// A name that a thing may have.
    pub fn one_of<T: Clone>(self, choices: &[(&str, T)]) -> Option<T> {
        let text = self.text()?;
        if let Some((_, choice)) = choices.iter().find(|(name, _)| *name == text.it) {
            return Some(choice.clone());
        }
        let names: Vec<_> = choices.iter().map(|(name, _)| *name).collect();
        let help = did_you_mean(&text.it, names.iter().copied())
            .unwrap_or_else(|| format!("it can be {}", either(&names)));
        self.wrong(format!("`{}` can't be `{}`", self.name, text.it), "not one of its values", Some(help))
    }

    /// The value as it stands in the file.
    pub fn raw(self) -> &'t str {
        self.sheet.text.get(self.span()).unwrap_or_default()
    }

    /// The parts of a list; a variable has commas between them.
    pub fn list(self) -> Option<Vec<Item<'t>>> {
        match self.value {
            ItemValue::Typed(DeValue::Array(parts)) => {
                Some(parts.iter().map(|value| Item::new(self.sheet, self.base, self.name, value)).collect())
            }
            ItemValue::Variable(text) => Some(self.split(text)),
            ItemValue::Typed(_) => {
                self.wrong_type("a list", Some("in square brackets: [\"…\", \"…\"]".to_owned()))
            }
        }
    }

    fn split(self, text: &'t str) -> Vec<Item<'t>> {
        let mut from = self.start;
        let part = |part: &'t str| {
            let start = from + (part.len() - part.trim_start().len());
            from += part.len() + 1;
            let part = part.trim();
            Item { value: ItemValue::Variable(part), start, end: start + part.len(), ..self }
        };
        text.split(',').map(part).collect()
    }

    /// A list of texts. Those that are wrong are left out.
    pub fn texts(self) -> Option<Vec<At<String>>> {
        Some(self.list()?.into_iter().filter_map(Item::text).collect())
    }

    /// A list of two.
    pub fn pair(self) -> Option<[Item<'t>; 2]> {
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
    pub fn table(self) -> Option<Table<'t>> {
        Some(Table::new(self.name.to_owned(), self.span(), self.sheet, self.base, self.keys()?))
    }

    /// The keys of a table.
    pub(super) fn keys(self) -> Option<&'t DeTable<'t>> {
        match self.value {
            ItemValue::Typed(DeValue::Table(table)) => Some(table),
            ItemValue::Typed(_) | ItemValue::Variable(_) => self.wrong_type("a table", None),
        }
    }

    /// Whether the value is text.
    pub fn is_text(self) -> bool {
        self.as_text().is_some()
    }

    /// Whether the value is a table.
    pub fn is_table(self) -> bool {
        matches!(self.value, ItemValue::Typed(DeValue::Table(_)))
    }

    /// Where a part of the value's text stands in the file: the whole value if escapes make
    /// that hard to tell.
    pub fn place(self, part: Range<usize>) -> Range<usize> {
        let whole = self.span();
        let Some(text) = self.as_text() else { return whole };
        match self.raw().find(text) {
            Some(quote) => whole.start + quote + part.start..whole.start + quote + part.end,
            None => whole,
        }
    }
}

/// `` `a`, `b` and `c` ``
pub fn listed(names: &[&str]) -> String {
    joined(names, "and")
}

/// `` `a`, `b` or `c` ``
fn either(names: &[&str]) -> String {
    joined(names, "or")
}

fn joined(names: &[&str], word: &str) -> String {
    let quoted: Vec<_> = names.iter().map(|name| format!("`{name}`")).collect();
    match quoted.split_last() {
        Some((last, [])) => last.clone(),
        Some((last, rest)) => format!("{} {word} {last}", rest.join(", ")),
        None => String::new(),
    }
}
