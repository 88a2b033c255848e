//! A table that is known by its name and not yet looked into. A file may have ten thousand of them,
//! and each takes far more room open than closed: so they are opened one after the other.

use super::{At, Finding, Sheet, Table};
use std::ops::Range;
use toml::de::{DeTable, DeValue};

/// A table of the keeper's own, `[alarm.lagoon-cold]`, by its name.
pub struct NamedTable<'t> {
    /// The last part of its heading, `lagoon-cold`.
    pub name: At<String>,
    /// The part before it, `alarm`.
    kind: &'static str,
    sheet: &'t Sheet<'t>,
    keys: Keys<'t>,
}

/// Where its keys are.
enum Keys<'t> {
    /// In the tree of the whole file.
    Tree(&'t DeTable<'t>),
    /// In this part of the text, which is read when it is opened.
    Piece(Range<usize>),
}

impl<'t> NamedTable<'t> {
    pub(super) fn tree(
        name: At<String>,
        kind: &'static str,
        sheet: &'t Sheet<'t>,
        keys: &'t DeTable<'t>,
    ) -> Self {
        Self { name, kind, sheet, keys: Keys::Tree(keys) }
    }

    pub(super) fn piece(
        name: At<String>,
        kind: &'static str,
        sheet: &'t Sheet<'t>,
        at: Range<usize>,
    ) -> Self {
        Self { name, kind, sheet, keys: Keys::Piece(at) }
    }

    /// What `read` makes of its keys. Each call begins anew with what has been asked for. If the
    /// text turns out to be no TOML the sheet knows that it has to be read as a whole, and the
    /// table looks empty.
    pub fn open<T>(&self, read: impl FnOnce(Table<'_>) -> T) -> T {
        let heading = || (format!("{}.{}", self.kind, self.name.it), self.name.span.clone());
        let (title, span) = heading();
        let at = match &self.keys {
            Keys::Tree(keys) => return read(Table::new(title, span, self.sheet, 0, keys)),
            Keys::Piece(at) => at,
        };
        let text = self.sheet.text.get(at.clone()).unwrap_or_default();
        let tree = DeTable::parse(text).ok();
        let keys = tree.as_ref().and_then(|tree| keys_of(tree.get_ref(), self.kind, &self.name.it));
        if keys.is_none() {
            self.sheet.is_in_doubt.set(true);
        }
        let nothing = DeTable::new();
        read(Table::new(title, span, self.sheet, at.start, keys.unwrap_or(&nothing)))
    }

    /// Adds a finding.
    pub fn note(&self, finding: Finding) {
        self.sheet.findings.push(finding);
    }
}

fn keys_of<'a, 't>(tree: &'a DeTable<'t>, kind: &str, name: &str) -> Option<&'a DeTable<'t>> {
    let DeValue::Table(under) = tree.get(kind)?.get_ref() else { return None };
    let DeValue::Table(keys) = under.get(name)?.get_ref() else { return None };
    Some(keys)
}
