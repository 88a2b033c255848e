//! What is wrong with a rule file, and where. Every check pushes [`Finding`]s instead of
//! stopping, so that a keeper sees all mistakes at once; [`render`] turns them into text with
//! the file, the line, the text underlined, what was expected and the nearest right name.

use annotate_snippets::{AnnotationKind, Level, Renderer, Snippet};
use std::ops::Range;

/// A thing and its place in the text, in bytes. Equal if the things are, wherever they stand.
#[derive(Clone, Debug)]
pub struct At<T> {
    /// The thing.
    pub it: T,
    /// Where it stands.
    pub span: Range<usize>,
}

impl<T> At<T> {
    /// `it`, found at `span`.
    pub fn new(it: T, span: Range<usize>) -> Self {
        Self { it, span }
    }
}

impl<T: PartialEq> PartialEq for At<T> {
    fn eq(&self, other: &Self) -> bool {
        self.it == other.it
    }
}

/// Whether a finding keeps the plan from running.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// The plan is refused.
    Error,
    /// The plan runs, but a keeper should know.
    Warning,
}

/// One thing that is wrong, with its place.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// Whether the plan is refused for it.
    pub severity: Severity,
    /// The place in the text, in bytes.
    pub span: Range<usize>,
    /// What is wrong, in one line.
    pub title: String,
    /// What to see at the place; may be empty.
    pub label: String,
    /// What to write instead, or why it is so.
    pub help: Option<String>,
    /// Other places that have a part in it.
    pub more: Vec<(Range<usize>, String)>,
}

impl Finding {
    /// A mistake: the plan is refused for it.
    pub fn error(span: Range<usize>, title: impl Into<String>, label: impl Into<String>) -> Self {
        Self {
            severity: Severity::Error,
            span,
            title: title.into(),
            label: label.into(),
            help: None,
            more: Vec::new(),
        }
    }

    /// A warning: the plan runs all the same.
    pub fn warning(span: Range<usize>, title: impl Into<String>, label: impl Into<String>) -> Self {
        Self { severity: Severity::Warning, ..Self::error(span, title, label) }
    }

    /// With what to write instead.
    pub fn help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(help.into());
        self
    }

    /// With what to write instead, if that is known.
    pub fn maybe_help(mut self, help: Option<String>) -> Self {
        self.help = help.or(self.help);
        self
    }

    /// With another place that has a part in it.
    pub fn also(mut self, span: Range<usize>, label: impl Into<String>) -> Self {
        self.more.push((span, label.into()));
        self
    }

    /// The same, with each place put through `place`: for a text that stands inside another.
    pub(crate) fn moved(mut self, place: impl Fn(Range<usize>) -> Range<usize>) -> Self {
        self.span = place(self.span);
        for (span, _) in &mut self.more {
            *span = place(span.clone());
        }
        self
    }
}

/// The findings as text for people, in the order given; empty if there are none.
/// `text` is the rule file's text, `file` its name.
pub fn render(file: &str, text: &str, findings: &[Finding]) -> String {
    let lines: Vec<usize> =
        std::iter::once(0).chain(text.match_indices('\n').map(|(end, _)| end + 1)).collect();
    let mut out = String::new();
    for finding in findings {
        let level = match finding.severity {
            Severity::Error => Level::ERROR,
            Severity::Warning => Level::WARNING,
        };
        // The renderer walks through all the text it is given: it is given the lines it needs.
        let span = within(text, &finding.span);
        let more: Vec<_> = finding.more.iter().map(|(span, label)| (within(text, span), label)).collect();
        let spans = || more.iter().map(|(span, _)| span).chain([&span]);
        let first = spans().map(|span| span.start).min().unwrap_or_default();
        let last = spans().map(|span| span.end).max().unwrap_or_default();
        let line = lines.partition_point(|start| *start <= first) - 1;
        let start = lines.get(line).copied().unwrap_or_default();
        let end = lines.get(lines.partition_point(|start| *start <= last)).copied().unwrap_or(text.len());
        let moved = |span: &Range<usize>| span.start - start..span.end - start;

        let primary = AnnotationKind::Primary.span(moved(&span)).label(finding.label.as_str());
        let context =
            more.iter().map(|(span, label)| AnnotationKind::Context.span(moved(span)).label(label.as_str()));
        let snippet = Snippet::source(&text[start..end])
            .line_start(line + 1)
            .path(file)
            .annotation(primary)
            .annotations(context);
        let mut group = level.primary_title(finding.title.as_str()).element(snippet);
        if let Some(help) = &finding.help {
            group = group.element(Level::HELP.message(help.as_str()));
        }
        out.push_str(&Renderer::plain().render(&[group]));
        out.push_str("\n\n");
    }
    out.truncate(out.trim_end().len());
    if !out.is_empty() {
        out.push('\n');
    }
    out
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
