//! A file's text on its way to a tree of values with their places. What can't be a file of ours is
//! refused here, before it costs memory: too large, not text, too many values. What is wrong as
//! TOML becomes findings like all others.

use super::{Finding, Findings};
use std::cell::{Cell, RefCell};
use std::collections::BTreeSet;
use toml::de::DeTable;

/// The largest file that is read, bytes: three times what ten thousand alarms take.
pub const LARGEST: usize = 4 << 20;

/// The most signs that begin a value (`=`, `,`, `[`, `{`), wherever they stand: each value takes
/// up to 360 bytes of memory while the file is read, and a board has few.
const MOST_VALUES: usize = 150_000;

/// In a larger file only the first thing that is no TOML is told: after it there could be one for
/// each byte.
const ALL_ERRORS: usize = 256 << 10;

/// The text that values stand in, and all that those who read them share.
#[derive(Debug)]
pub struct Sheet<'t> {
    /// As texts call it: `a rule file`.
    pub(super) kind: &'static str,
    pub(super) text: &'t str,
    /// What comes after this many bytes are variables of the environment, which are always text,
    /// whatever they stand for.
    pub(super) file_end: usize,
    /// Keys that were called otherwise: the old name, the new one.
    pub(super) renamed: &'static [(&'static str, &'static str)],
    pub(super) findings: Findings,
    /// A piece of it was no TOML: only the whole tells what is wrong.
    pub(super) is_in_doubt: Cell<bool>,
    /// Where the values begin that may be shown; none if all of them may.
    pub(super) shown: Option<RefCell<BTreeSet<usize>>>,
}

impl<'t> Sheet<'t> {
    /// A file's text; `kind` is what texts call it.
    pub fn new(kind: &'static str, text: &'t str, renamed: &'static [(&'static str, &'static str)]) -> Self {
        Self {
            kind,
            text,
            file_end: text.len(),
            renamed,
            findings: Findings::default(),
            is_in_doubt: Cell::new(false),
            shown: None,
        }
    }

    /// The same, where the file ends at `file_end` and variables of the environment follow.
    pub fn with_variables_from(self, file_end: usize) -> Self {
        Self { file_end, ..self }
    }

    /// The same, where findings show no value that has not been read as one that may be seen: a
    /// password at the wrong place stays unseen.
    pub fn hiding(self) -> Self {
        Self { shown: Some(RefCell::default()), ..self }
    }

    /// Where findings gather.
    pub fn findings(&self) -> &Findings {
        &self.findings
    }

    /// Whether a table that was opened turned out to be no TOML.
    pub fn is_in_doubt(&self) -> bool {
        self.is_in_doubt.get()
    }

    /// What was found.
    pub fn into_findings(self) -> Findings {
        self.findings
    }
}

/// The text as TOML, as far as it is, and what is wrong with it. A text that is refused at the door
/// is an empty table.
pub fn parse<'t>(kind: &str, text: &'t str) -> (DeTable<'t>, Vec<Finding>) {
    if let Some(refused) = refused(kind, text) {
        return (DeTable::new(), vec![refused]);
    }
    match DeTable::parse(text) {
        Ok(document) => (document.into_inner(), Vec::new()),
        Err(_) if text.len() <= ALL_ERRORS => {
            let (document, errors) = DeTable::parse_recoverable(text);
            (document.into_inner(), syntax(text, &errors))
        }
        Err(first) => (DeTable::new(), syntax(text, &[first])),
    }
}

/// Why the text is not even looked at.
pub(super) fn refused(kind: &str, text: &str) -> Option<Finding> {
    if text.len() > LARGEST {
        return Some(Finding::error(0..0, too_large(kind, text.len() as u64), "not read"));
    }
    // One pass over the bytes tells whether there may be a control character at all: the first byte
    // of one beyond ASCII is C2.
    let (mut values, mut suspicious) = (0_usize, false);
    for byte in text.bytes() {
        values += usize::from(matches!(byte, b'=' | b',' | b'[' | b'{'));
        suspicious |= (byte < b' ' && !matches!(byte, b'\t' | b'\n' | b'\r')) || matches!(byte, 0x7f | 0xc2);
    }
    let control = |c: char| c.is_control() && !matches!(c, '\t' | '\n' | '\r');
    if suspicious && let Some((at, sign)) = text.char_indices().find(|(_, c)| control(*c)) {
        let title = format!("this is not a text: it has the control character U+{:04X}", u32::from(sign));
        let help = "in a text in quotes it is written as an escape, like \\u0007";
        return Some(Finding::error(at..at + sign.len_utf8(), title, "here is the first").help(help));
    }
    let title = || format!("{kind} holds {MOST_VALUES} values at most, and this one may have {values}");
    (values > MOST_VALUES).then(|| Finding::error(0..0, title(), "not read"))
}

/// What is said of a file that is larger than [`LARGEST`].
pub fn too_large(kind: &str, bytes: u64) -> String {
    format!("{kind} has {} MiB at most, and this one has {bytes} bytes", LARGEST >> 20)
}

/// What is wrong with the text as TOML.
fn syntax(text: &str, errors: &[toml::de::Error]) -> Vec<Finding> {
    let mut findings = Vec::new();
    // A heading written twice makes every key under it a second one too: said once.
    let mut repeated = 0..0;
    for error in errors {
        let span = error.span().unwrap_or(0..0);
        if error.message().starts_with("duplicate key") {
            if repeated.contains(&span.start) {
                continue;
            }
            let before = text.get(..span.start).unwrap_or_default();
            let line = &before[before.rfind('\n').map_or(0, |end| end + 1)..];
            if line.trim_start().starts_with('[') {
                let after = text.get(span.start..).unwrap_or_default();
                repeated = span.start..after.find("\n[").map_or(text.len(), |length| span.start + length);
            }
            let title = format!("`{}` is written twice", text.get(span.clone()).unwrap_or_default());
            findings.push(Finding::error(span, title, "the second time"));
            continue;
        }
        let (title, label) = match error.message().split_once(", ") {
            Some((title, label)) => (title, label),
            None => (error.message().trim_end(), "here"),
        };
        let title = format!("this is not TOML: {title}");
        findings.push(Finding::error(span, title, label));
    }
    findings
}
