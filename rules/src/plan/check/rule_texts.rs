//! The text of a rule file, and those of the files that stand beside it: one a watched site. Each
//! of these holds the table `[watched.NAME]` and nothing else, so that all of them, one after the
//! other, are one text, read by the same code as a file that has those tables itself; a mistake is
//! told with the file and the line that it stands in.

use crate::diagnostic::{Finding, SourceTexts, parse};
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// What texts call such a file.
const KIND: &str = "a site's file";

/// A rule file's text with those of its sites.
#[derive(Clone, Debug)]
pub struct RuleTexts {
    pub(super) sources: SourceTexts,
    /// Where the files of sites begin.
    pub(super) sites: usize,
    /// Mistakes that keep a site's file from being put behind the others.
    pub(super) misfits: Vec<Finding>,
}

impl RuleTexts {
    /// A rule file's text; `file` is the name to report it by.
    pub fn file(file: &str, text: &str) -> Self {
        Self { sources: SourceTexts::file(file, text), sites: text.len(), misfits: Vec::new() }
    }

    /// The same with the file of the site called `name` behind it.
    pub fn and_site(mut self, file: &str, name: &str, text: &str) -> Self {
        self.sources = self.sources.and_file(file, text);
        let start = self.sources.text().len() - text.len();
        let moved = |span: Range<usize>| span.start + start..span.end + start;
        self.misfits.extend(misfits(name, text).into_iter().map(|finding| finding.moved(moved)));
        self
    }

    /// All of it as one text, which is a rule file itself.
    pub fn text(&self) -> &str {
        self.sources.text()
    }
}

/// What keeps the text from being the table of this site and nothing else.
fn misfits(name: &str, text: &str) -> Vec<Finding> {
    let (document, mut found) = parse(KIND, text);
    if !found.is_empty() {
        return found;
    }
    let help = || format!("a site's file holds the table `[watched.{name}]`, as a rule file would");
    let stray =
        |key: &Spanned<_>, what: String| Finding::error(key.span(), what, "not in this file").help(help());
    let mut has_own = false;
    for (key, value) in &document {
        match (key.get_ref().as_ref(), value.get_ref()) {
            ("watched", DeValue::Table(sites)) => {
                has_own |= sites.contains_key(name);
                let others = sites.keys().filter(|key| key.get_ref() != name);
                found.extend(others.map(|key| stray(key, format!("this is the file of `{name}`"))));
            }
            (other, _) => found.push(stray(key, format!("`{other}` belongs into the rule file"))),
        }
    }
    if !has_own && found.is_empty() {
        found.push(Finding::error(0..0, format!("`[watched.{name}]` is not in it"), "").help(help()));
    }
    found
}

/// Where the value of a site's key stands in its file, quotation marks included; nothing if the
/// file has none.
pub fn key_in_site(name: &str, text: &str) -> Option<Range<usize>> {
    let document = DeTable::parse(text).ok()?;
    let DeValue::Table(sites) = document.get_ref().get("watched")?.get_ref() else { return None };
    let DeValue::Table(site) = sites.get(name)?.get_ref() else { return None };
    let key = site.get("key")?;
    matches!(key.get_ref(), DeValue::String(_)).then(|| key.span())
}
