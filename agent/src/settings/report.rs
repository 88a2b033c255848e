//! The agent's file as it was read, with all that is wrong with it. Those who look at a whole site
//! later add what they find by the path of a key; so mistakes that need the rule file, a
//! certificate or the broker's limits have a line and a caret too.

use slackwater_rules::diagnostic::{Finding, Findings, FindingsView, SourceTexts};
use std::collections::BTreeMap;
use std::fmt;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// What is wrong with the agent's file, and where its keys stand.
#[derive(Debug)]
pub struct Report {
    /// With what must not be seen starred out.
    pub(super) sources: SourceTexts,
    pub(super) findings: Findings,
    /// Where each key's value stands, by the path of the key with points between.
    pub(super) places: BTreeMap<String, Range<usize>>,
}

/// All that was found, for people and for programs.
#[derive(Clone, Debug)]
pub struct Found {
    /// In words; empty if nothing is wrong.
    pub text: String,
    /// With places.
    pub view: FindingsView,
}

impl Report {
    /// A file that could not even be read.
    pub(super) fn unreadable(file: &str, why: String, help: &str) -> Self {
        let findings = Findings::default();
        findings.push(Finding::error(0..0, why, "").help(help));
        Self { sources: SourceTexts::file(file, ""), findings, places: BTreeMap::new() }
    }

    /// Whether anything is wrong.
    pub fn is_wrong(&self) -> bool {
        self.findings.errors() > 0
    }

    /// Adds a mistake about the value at this path, or about the nearest table above it.
    pub fn note(&self, path: &str, title: impl Into<String>, label: &str, help: Option<String>) {
        self.findings.push(Finding::error(self.place(path), title, label).maybe_help(help));
    }

    /// The same for what runs all the same, but should be known.
    pub fn warn(&self, path: &str, title: impl Into<String>) {
        self.findings.push(Finding::warning(self.place(path), title, ""));
    }

    fn place(&self, mut path: &str) -> Range<usize> {
        loop {
            match (self.places.get(path), path.rsplit_once('.')) {
                (Some(place), _) => return place.clone(),
                (None, Some((above, _))) => path = above,
                (None, None) => return 0..0,
            }
        }
    }

    /// Everything in its two forms.
    pub fn conclude(self) -> Found {
        let (findings, left) = self.findings.conclude();
        Found {
            text: self.sources.render(&findings, left),
            view: FindingsView::of(&self.sources, &findings, left),
        }
    }
}

impl fmt::Display for Found {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.text.trim_end())
    }
}

impl std::error::Error for Found {}

/// Where each value of a tree stands, by its path.
pub(super) fn places(table: &DeTable<'_>) -> BTreeMap<String, Range<usize>> {
    let mut found = BTreeMap::new();
    add_places(table, "", &mut found);
    found
}

fn add_places(table: &DeTable<'_>, above: &str, found: &mut BTreeMap<String, Range<usize>>) {
    for (key, value) in table {
        let value: &Spanned<DeValue<'_>> = value;
        let dot = if above.is_empty() { "" } else { "." };
        let path = format!("{above}{dot}{}", key.get_ref());
        if let DeValue::Table(table) = value.get_ref() {
            add_places(table, &path, found);
        }
        // A table under a heading of its own is known by that.
        let place = match value.get_ref() {
            DeValue::Table(_) => key.span(),
            _ => value.span(),
        };
        found.insert(path, place);
    }
}
