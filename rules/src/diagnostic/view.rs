//! Findings for programs: the form in which `check --json` prints them, made for editors. It is
//! a form of its own, versioned, and changes only by what is added.

use super::{Finding, LeftOut, Severity, SourceTexts, within};
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
    /// How many more there are, which are not listed.
    pub more: usize,
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
    /// The variable of the environment that it is about, instead of the file.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub variable: Option<String>,
    /// The other file that it is about, if it is not the first: a site's in the folder of sites.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub other_file: Option<String>,
    /// Where: in the file, or in `VARIABLE=VALUE`.
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
    /// What the first mistake is, in one line; none if there are but warnings.
    pub fn first_mistake(&self) -> Option<&str> {
        let is_mistake = |finding: &&FindingView| finding.severity == "error";
        self.findings.iter().find(is_mistake).map(|finding| finding.title.as_str())
    }

    /// The findings about a text whose first piece is the file.
    pub fn of(sources: &SourceTexts, findings: &[Finding], left: LeftOut) -> Self {
        let view = |finding: &Finding| {
            let piece = sources.piece(finding.span.start);
            let named = |is: bool| (piece > 0 && is).then(|| sources.name(piece).to_owned());
            FindingView {
                severity: match finding.severity {
                    Severity::Error => "error",
                    Severity::Warning => "warning",
                },
                title: finding.title.clone(),
                label: finding.label.clone(),
                help: finding.help.clone(),
                variable: named(sources.is_variable(piece)),
                other_file: named(!sources.is_variable(piece)),
                place: place(sources, &finding.span),
                also: finding
                    .more
                    .iter()
                    .map(|(span, label)| (place(sources, span), label.clone()))
                    .collect(),
            }
        };
        Self {
            version: FINDINGS_VERSION,
            file: sources.name(0).to_owned(),
            findings: findings.iter().map(view).collect(),
            more: left.errors + left.warnings,
        }
    }
}

fn place(sources: &SourceTexts, span: &Range<usize>) -> PlaceView {
    let span = within(sources.text(), span);
    let (start, end) = (sources.position(span.start), sources.position(span.end));
    PlaceView {
        line: start.line,
        column: start.column,
        end_line: end.line,
        end_column: end.column,
        start: start.byte,
        end: end.byte,
    }
}
