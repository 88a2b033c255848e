//! Findings for programs: the form in which `check --json` prints them, made for editors. It is
//! a form of its own, versioned, and changes only by what is added.

use crate::diagnostic::{Finding, Severity, within};
use serde::Serialize;
use std::ops::Range;

/// Of the form below.
pub const FINDINGS_VERSION: u32 = 1;

/// All findings of a file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct FindingsView {
    /// [`FINDINGS_VERSION`].
    pub version: u32,
    /// The file, as it was named.
    pub file: String,
    /// In the order of the file.
    pub findings: Vec<FindingView>,
}

/// One finding.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct FindingView {
    /// `error`: the plan is refused for it. `warning`: it runs all the same.
    pub severity: &'static str,
    /// What is wrong, in one line.
    pub title: String,
    /// What to see at the place; may be empty.
    pub label: String,
    /// What to write instead, or why it is so.
    pub help: Option<String>,
    /// Where.
    pub place: PlaceView,
    /// Other places that have a part in it, each with what to see there.
    pub also: Vec<(PlaceView, String)>,
}

/// A stretch of the text.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct PlaceView {
    /// First line, from 1.
    pub line: usize,
    /// First character in it, from 1.
    pub column: usize,
    /// Last line.
    pub end_line: usize,
    /// The character after the last one.
    pub end_column: usize,
    /// First byte of the file, from 0.
    pub start: usize,
    /// The byte after the last one.
    pub end: usize,
}

impl FindingsView {
    /// The findings about `text`, which came from `file`.
    pub fn of(file: &str, text: &str, findings: &[Finding]) -> Self {
        let view = |finding: &Finding| FindingView {
            severity: match finding.severity {
                Severity::Error => "error",
                Severity::Warning => "warning",
            },
            title: finding.title.clone(),
            label: finding.label.clone(),
            help: finding.help.clone(),
            place: place(text, &finding.span),
            also: finding.more.iter().map(|(span, label)| (place(text, span), label.clone())).collect(),
        };
        Self {
            version: FINDINGS_VERSION,
            file: file.to_owned(),
            findings: findings.iter().map(view).collect(),
        }
    }
}

fn place(text: &str, span: &Range<usize>) -> PlaceView {
    let span = within(text, span);
    let at = |byte: usize| {
        let before = &text[..byte];
        let line = before.rfind('\n').map_or(0, |end| end + 1);
        (before.matches('\n').count() + 1, before[line..].chars().count() + 1)
    };
    let ((line, column), (end_line, end_column)) = (at(span.start), at(span.end));
    PlaceView { line, column, end_line, end_column, start: span.start, end: span.end }
}
