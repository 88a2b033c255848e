//! Findings as text for people: the file, the line, the text underlined, what was expected and the
//! nearest right name. A text may be made of several [`SourceTexts`]: the file, others that are
//! read as if they stood in it, the variables of the environment that stand over it; a place in it
//! then names its own.

use super::{Finding, LeftOut, Severity};
use crate::signs::{deceptive_in, is_deceptive};
use annotate_snippets::{AnnotationKind, Element, Group, Level, Origin, Renderer, Snippet};
use std::borrow::Cow;
use std::ops::Range;

/// A text in pieces that have names of their own, one after the other. Places are bytes in the
/// whole.
#[derive(Clone, Debug)]
pub struct SourceTexts {
    text: String,
    /// Where each line begins.
    lines: Vec<usize>,
    /// In order; never empty.
    pieces: Vec<SourcePiece>,
}

#[derive(Clone, Debug)]
struct SourcePiece {
    name: String,
    /// Its first byte in the whole.
    start: usize,
    /// A variable of the environment, which is one line and names itself; a file otherwise.
    is_variable: bool,
}

/// A place for people.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Position {
    /// From 1.
    pub line: usize,
    /// In characters, from 1.
    pub column: usize,
    /// Bytes from the beginning of the piece.
    pub byte: usize,
}

impl SourceTexts {
    /// One file's text under its name.
    pub fn file(name: &str, text: &str) -> Self {
        let lines = std::iter::once(0).chain(text.match_indices('\n').map(|(end, _)| end + 1)).collect();
        let first = SourcePiece { name: name.to_owned(), start: 0, is_variable: false };
        Self { text: text.to_owned(), lines, pieces: vec![first] }
    }

    /// The same with a variable of the environment after it, which begins a line.
    pub fn and(self, name: &str, text: &str) -> Self {
        self.and_piece(name, text, true)
    }

    /// The same with another file after it.
    pub fn and_file(self, name: &str, text: &str) -> Self {
        self.and_piece(name, text, false)
    }

    fn and_piece(mut self, name: &str, text: &str, is_variable: bool) -> Self {
        if !self.text.is_empty() && !self.text.ends_with('\n') {
            self.text.push('\n');
            self.lines.push(self.text.len());
        }
        let start = self.text.len();
        self.pieces.push(SourcePiece { name: name.to_owned(), start, is_variable });
        self.lines.extend(text.match_indices('\n').map(|(end, _)| start + end + 1));
        self.text.push_str(text);
        self
    }

    /// All of it.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// The same pieces with another text of the same length, for what is not to be shown.
    pub fn with_text(&self, text: String) -> Self {
        Self { text, ..self.clone() }
    }

    /// The number of the piece that a place lies in, which is 0 for the file.
    pub fn piece(&self, at: usize) -> usize {
        self.pieces.partition_point(|piece| piece.start <= at).saturating_sub(1)
    }

    /// A piece's name.
    pub fn name(&self, piece: usize) -> &str {
        self.pieces.get(piece).map_or("", |piece| &piece.name)
    }

    /// Whether a piece is a variable of the environment, and no file.
    pub fn is_variable(&self, piece: usize) -> bool {
        self.pieces.get(piece).is_some_and(|piece| piece.is_variable)
    }

    /// Where a piece begins, if there are so many.
    pub fn start(&self, piece: usize) -> Option<usize> {
        self.pieces.get(piece).map(|piece| piece.start)
    }

    fn line(&self, at: usize) -> usize {
        self.lines.partition_point(|start| *start <= at) - 1
    }

    /// Where a byte stands, in its own piece.
    pub fn position(&self, at: usize) -> Position {
        let at = within(&self.text, &(at..at)).start;
        let (first, line) = (self.start(self.piece(at)).unwrap_or_default(), self.line(at));
        let begins = self.lines.get(line).copied().unwrap_or_default();
        let column = self.text.get(begins..at).unwrap_or_default().chars().count() + 1;
        Position { line: line - self.line(first) + 1, column, byte: at - first }
    }

    /// The findings as text for people, in the order given; empty if there are none.
    pub fn render(&self, findings: &[Finding], left: LeftOut) -> String {
        let mut out = String::new();
        for finding in findings {
            self.one(finding, &mut out);
            out.push_str("\n\n");
        }
        if left != LeftOut::default() {
            out.push_str(&left.to_string());
        }
        out.truncate(out.trim_end().len());
        if !out.is_empty() {
            out.push('\n');
        }
        out
    }

    fn one(&self, finding: &Finding, out: &mut String) {
        let level = match finding.severity {
            Severity::Error => Level::ERROR,
            Severity::Warning => Level::WARNING,
        };
        let (title, label) = (plain(&finding.title), plain(&finding.label));
        let help = finding.help.as_deref().map(plain);
        let more: Vec<_> = finding.more.iter().map(|(span, label)| (span, plain(label))).collect();
        let span = within(&self.text, &finding.span);
        let mut group = Group::with_title(level.primary_title(title.as_ref()));
        if self.text.is_empty() {
            // What was not read has no lines.
            group = group.element(Origin::path(self.name(0)));
        } else {
            // The renderer walks through all the text between two places: what is far gets its own
            // lines.
            let piece = self.piece(span.start);
            let here = || more.iter().map(|(span, label)| (within(&self.text, span), label.as_ref()));
            let mut near: Vec<_> = here().filter(|(more, _)| self.are_near(&span, more)).collect();
            let far =
                here().filter(|(more, _)| !self.are_near(&span, more) && self.piece(more.start) == piece);
            near.insert(0, (span.clone(), label.as_ref()));
            group = group.elements(self.lines_of(&near, true));
            for place in far {
                group = group.elements(self.lines_of(&[place], false));
            }
        }
        if let Some(help) = &help {
            group = group.element(Level::HELP.message(help.as_ref()));
        }
        out.push_str(&Renderer::plain().render(&[group]));
    }

    fn are_near(&self, one: &Range<usize>, other: &Range<usize>) -> bool {
        self.piece(one.start) == self.piece(other.start)
            && self.line(one.start).abs_diff(self.line(other.start)) <= NEAR
    }

    /// The lines of places near each other, underlined; if `primary`, the first of them is what it
    /// is about.
    fn lines_of<'s>(&'s self, places: &[(Range<usize>, &'s str)], primary: bool) -> Vec<Element<'s>> {
        let first = places.iter().map(|(span, _)| span.start).min().unwrap_or_default();
        let last = places.iter().map(|(span, _)| span.end).max().unwrap_or_default();
        let (piece, line) = (self.piece(first), self.line(first));
        let start = self.lines.get(line).copied().unwrap_or_default();
        let end = self.lines.get(self.line(last) + 1).copied().unwrap_or(self.text.len());
        let cut = end - start > LONGEST_SHOWN;
        let shown = match cut {
            false => start..end,
            true => {
                let after = (last + AROUND).min(end).min(first + LONGEST_SHOWN);
                within(&self.text, &(first.saturating_sub(AROUND).max(start)..after))
            }
        };
        let moved = |span: &Range<usize>| {
            span.start.saturating_sub(shown.start)..span.end.min(shown.end).saturating_sub(shown.start)
        };
        let annotations = places.iter().enumerate().map(|(index, (span, label))| {
            let kind = if primary && index == 0 { AnnotationKind::Primary } else { AnnotationKind::Context };
            kind.span(moved(span)).label(*label)
        });
        let snippet = Snippet::source(&self.text[shown.clone()]).annotations(annotations);
        let at = self.position(first);
        if self.is_variable(piece) {
            // It names itself.
            return vec![snippet.line_numbering(false).into()];
        }
        if cut {
            let origin = Origin::path(self.name(piece)).line(at.line).char_column(at.column);
            return vec![origin.into(), snippet.line_numbering(false).into()];
        }
        vec![snippet.line_start(at.line).path(self.name(piece)).into()]
    }
}

/// Places no more lines apart than this are shown together.
const NEAR: usize = 100;

/// Of longer lines only what is around a place is shown: bytes.
const LONGEST_SHOWN: usize = 64 << 10;
const AROUND: usize = 60;

/// The findings about a file's text as text for people.
pub fn render(file: &str, text: &str, findings: &[Finding]) -> String {
    SourceTexts::file(file, text).render(findings, LeftOut::default())
}

/// What came from a file has no power over a terminal.
fn plain(text: &str) -> Cow<'_, str> {
    if deceptive_in(text).is_none() {
        return Cow::Borrowed(text);
    }
    Cow::Owned(text.replace(|c: char| is_deceptive(c) && c != '\n', "\u{FFFD}"))
}

/// The span held inside the text and between characters: the renderer trusts it.
pub(crate) fn within(text: &str, span: &Range<usize>) -> Range<usize> {
    let floor = |mut at: usize| {
        at = at.min(text.len());
        while !text.is_char_boundary(at) {
            at -= 1;
        }
        at
    };
    let start = floor(span.start);
    start..floor(span.end).max(start)
}
