//! What is wrong with a file, and where. Every check pushes [`Finding`]s instead of stopping, so
//! that a keeper sees all mistakes at once.

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
