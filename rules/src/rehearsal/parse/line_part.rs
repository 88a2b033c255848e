//! A story's lines taken apart, each part knowing where it stands.

use std::ops::Range;

/// A part of a line, with its place in the text.
#[derive(Clone, Copy)]
pub(super) struct LinePart<'a> {
    pub(super) text: &'a str,
    pub(super) start: usize,
}

impl<'a> LinePart<'a> {
    pub(super) fn trim(self) -> Self {
        let front = self.text.len() - self.text.trim_start().len();
        Self { text: self.text.trim(), start: self.start + front }
    }

    pub(super) fn span(&self) -> Range<usize> {
        self.start..self.start + self.text.len().max(1)
    }

    /// What stands before and behind the first `mark`.
    pub(super) fn split(self, mark: &str) -> Option<(Self, Self)> {
        let at = self.text.find(mark)?;
        let behind = at + mark.len();
        let before = LinePart { text: &self.text[..at], start: self.start };
        let after = LinePart { text: &self.text[behind..], start: self.start + behind };
        Some((before.trim(), after.trim()))
    }

    pub(super) fn strip(self, prefix: &str) -> Option<Self> {
        let rest = self.text.strip_prefix(prefix)?;
        rest.starts_with([' ', '\t'])
            .then(|| LinePart { text: rest, start: self.start + prefix.len() }.trim())
    }

    pub(super) fn strip_end(self, suffix: &str) -> Option<Self> {
        let rest = self.text.strip_suffix(suffix)?;
        rest.ends_with([' ', '\t']).then(|| LinePart { text: rest, start: self.start }.trim())
    }
}
