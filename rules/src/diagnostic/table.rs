//! The keys under one heading. A [`Table`] is asked for the keys it may have; those that must be
//! there and are not, and those that nobody asked for, are noted when it is finished.

use super::item::moved;
use super::{At, Finding, Item, NamedTable, Sheet, TextPieces, did_you_mean, listed};
use crate::signs::is_deceptive;
use std::cell::{Cell, RefCell};
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Why some signs are refused.
pub(super) const SIGNS: &str =
    "control signs, and signs that turn the direction of reading, make a text look like another one";

/// So many keys are looked through one by one.
const FEW: usize = 16;

/// The keys under one heading, in the order of the file.
pub struct Table<'t> {
    /// The heading as people know it, `sensor.mains`; empty for the file as a whole.
    pub name: String,
    /// Where the heading stands.
    pub span: Range<usize>,
    sheet: &'t Sheet<'t>,
    /// Where the text begins that places in the tree are counted from.
    base: usize,
    /// In the order of their keys.
    entries: Vec<TableEntry<'t>>,
    /// Their places there, in the order of the file.
    in_file: Vec<usize>,
    /// Where keys are looked up that this table doesn't have.
    beneath: Option<Box<Table<'t>>>,
    asked: RefCell<Vec<&'static str>>,
    missing: RefCell<Vec<(&'static str, &'static str)>>,
}

struct TableEntry<'t> {
    key: At<&'t str>,
    value: &'t Spanned<DeValue<'t>>,
    asked: Cell<bool>,
}

impl<'t> Table<'t> {
    /// A file's keys at its root.
    pub fn root(sheet: &'t Sheet<'t>, table: &'t DeTable<'t>) -> Self {
        Self::new(String::new(), 0..0, sheet, 0, table)
    }

    pub(super) fn new(
        name: String,
        span: Range<usize>,
        sheet: &'t Sheet<'t>,
        base: usize,
        table: &'t DeTable<'t>,
    ) -> Self {
        let entry = |(key, value): (&'t Spanned<std::borrow::Cow<'t, str>>, _)| TableEntry {
            key: At::new(key.get_ref().as_ref(), moved(key.span(), base)),
            value,
            asked: Cell::new(false),
        };
        let mut entries: Vec<_> = table.iter().map(entry).collect();
        entries.sort_by_key(|entry| entry.key.it);
        let mut in_file: Vec<usize> = (0..entries.len()).collect();
        in_file.sort_by_key(|at| entries.get(*at).map(|entry| entry.key.span.start));
        Self {
            name,
            span,
            sheet,
            base,
            entries,
            in_file,
            beneath: None,
            asked: RefCell::default(),
            missing: RefCell::default(),
        }
    }

    /// With another table beneath, for the keys that this one doesn't have.
    pub(crate) fn over(self, beneath: Table<'t>) -> Self {
        Self { beneath: Some(Box::new(beneath)), ..self }
    }

    fn find(&self, key: &str) -> Option<&TableEntry<'t>> {
        // Few keys are compared sooner than searched.
        if self.entries.len() <= FEW {
            return self.entries.iter().find(|entry| entry.key.it == key);
        }
        let place = self.entries.binary_search_by(|entry| entry.key.it.cmp(key)).ok()?;
        self.entries.get(place)
    }

    fn in_file(&self) -> impl Iterator<Item = &TableEntry<'t>> {
        self.in_file.iter().filter_map(|at| self.entries.get(*at))
    }

    /// The text of a key, if it is text at all; nothing is noted and the key not asked for.
    pub fn peek(&self, key: &str) -> Option<&'t str> {
        self.item(self.find(key)?).as_text()
    }

    /// Adds a finding.
    pub fn note(&self, finding: Finding) {
        self.sheet.findings.push(finding);
    }

    /// How many mistakes have been noted so far, anywhere in the file.
    pub fn errors(&self) -> usize {
        self.sheet.findings.errors()
    }

    /// Whether the key is there, rightly or wrongly filled.
    pub fn has(&self, key: &str) -> bool {
        self.find(key).is_some()
    }

    /// Where the key stands; the heading if it isn't there.
    pub fn key_span(&self, key: &str) -> Range<usize> {
        self.find(key).map_or_else(|| self.span.clone(), |entry| entry.key.span.clone())
    }

    /// The value of a key that may be missing.
    pub fn get(&self, key: &'static str) -> Option<Item<'t>> {
        self.asked.borrow_mut().push(key);
        let Some(entry) = self.find(key) else {
            return self.beneath.as_ref()?.get(key);
        };
        entry.asked.set(true);
        Some(self.item(entry))
    }

    /// The value of a key that must be there; `example` is what it could be.
    pub fn need(&self, key: &'static str, example: &'static str) -> Option<Item<'t>> {
        let found = self.get(key);
        if found.is_none() {
            self.missing.borrow_mut().push((key, example));
        }
        found
    }

    /// The tables under a key of the file's root, each by its own name and not yet opened, in the
    /// order of the file: from the tree, or from the pieces that were cut out of it.
    pub fn named_tables(&self, key: &'static str, pieces: &TextPieces<'t>) -> Vec<NamedTable<'t>> {
        let Some(under) = self.get(key).and_then(Item::table) else { return pieces.named(key, self.sheet) };
        let part = |entry: &TableEntry<'t>| {
            under.check_name(entry)?;
            let name = At::new(entry.key.it.to_owned(), entry.key.span.clone());
            let keys = under.item(entry).keys()?;
            Some(NamedTable::tree(name, key, self.sheet, keys))
        };
        under.in_file().filter_map(part).collect()
    }

    /// The tables under a key, each by its own name, in the order of the file.
    pub fn tables(&self, key: &'static str) -> Vec<(At<String>, Table<'t>)> {
        let Some(under) = self.get(key).and_then(Item::table) else { return Vec::new() };
        let part = |entry: &TableEntry<'t>| {
            under.check_name(entry)?;
            let name = At::new(entry.key.it.to_owned(), entry.key.span.clone());
            let mut table = under.item(entry).table()?;
            let within = if self.name.is_empty() { String::new() } else { format!("{}.", self.name) };
            table.name = format!("{within}{key}.{}", entry.key.it);
            table.span = entry.key.span.clone();
            Some((name, table))
        };
        under.in_file().filter_map(part).collect()
    }

    /// Every key with its value, for tables whose keys are the keeper's own.
    pub fn all(&self) -> Vec<(At<String>, Item<'t>)> {
        let pair = |entry: &TableEntry<'t>| {
            entry.asked.set(true);
            self.check_name(entry)?;
            Some((At::new(entry.key.it.to_owned(), entry.key.span.clone()), self.item(entry)))
        };
        self.in_file().filter_map(pair).collect()
    }

    /// Notes a name of the keeper's own that can't be one; it is left out.
    fn check_name(&self, entry: &TableEntry<'t>) -> Option<()> {
        let Some(sign) = entry.key.it.chars().find(|c| is_deceptive(*c)) else { return Some(()) };
        let title = format!("a name has the sign U+{:04X}, which can't be seen", u32::from(sign));
        self.note(Finding::error(entry.key.span.clone(), title, "not a name").help(SIGNS));
        None
    }

    /// Notes the keys that are missing and those that nobody asked for. Comes last.
    pub fn finish(self) {
        self.note_missing();
        let asked = self.asked.borrow();
        for entry in self.in_file().filter(|entry| !entry.asked.get()) {
            let place = match self.name.as_str() {
                "" => self.sheet.kind.to_owned(),
                name => format!("`{name}`"),
            };
            let title = format!("`{}` is not known in {place}", entry.key.it);
            let finding = Finding::error(entry.key.span.clone(), title, "unknown key");
            let help = self.sheet.findings.has_room().then(|| self.meant(entry.key.it, &asked));
            self.note(finding.maybe_help(help));
        }
    }

    /// Notes the keys that are missing, and lets those pass that nobody asked for.
    pub fn leave_the_rest(self) {
        self.note_missing();
    }

    fn note_missing(&self) {
        let missing = self.missing.borrow();
        if missing.is_empty() {
            return;
        }
        let keys: Vec<_> = missing.iter().map(|(key, _)| *key).collect();
        let name = if self.name.is_empty() { self.sheet.kind.to_owned() } else { format!("`{}`", self.name) };
        let title = format!("{name} lacks {}", listed(&keys));
        let examples: Vec<_> = missing.iter().map(|(key, example)| format!("`{key} = {example}`")).collect();
        let help = format!("for instance {}", examples.join(", "));
        self.note(Finding::error(self.span.clone(), title, "not complete").help(help));
    }

    /// What may have been meant by a key that nobody asked for.
    fn meant(&self, key: &str, asked: &[&'static str]) -> String {
        let free = asked.iter().copied().filter(|known| !self.has(known));
        let renamed = self.sheet.renamed.iter().find(|(before, _)| *before == key);
        let renamed = renamed.map(|(_, now)| format!("this key is called `{now}` now"));
        // `password` is no typing mistake for `password-file`, and yet is meant so.
        let begun = || {
            let mut longer = asked.iter().filter(|known| {
                known.strip_prefix(key).is_some_and(|rest| rest.starts_with('-')) && !self.has(known)
            });
            let only = longer.next().filter(|_| longer.next().is_none())?;
            Some(format!("did you mean `{only}`?"))
        };
        renamed
            .or_else(|| did_you_mean(key, free))
            .or_else(begun)
            .unwrap_or_else(|| format!("known here are {}", listed(asked)))
    }

    fn item(&self, entry: &TableEntry<'t>) -> Item<'t> {
        Item::new(self.sheet, self.base, entry.key.it, entry.value)
    }
}
