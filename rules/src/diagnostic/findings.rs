//! Where findings gather while a file is read. The number that is kept is bounded, since a file
//! from outside can have as many mistakes as it has bytes; all of them are counted.

use super::{Finding, Severity};
use std::cell::{Cell, RefCell};
use std::ops::Range;

/// So many mistakes, and so many warnings, are kept and shown: more than anyone mends in one go.
pub const MOST: usize = 100;

/// All that is wrong with a file, as it is found.
#[derive(Debug, Default)]
pub struct Findings {
    kept: RefCell<Vec<Finding>>,
    /// Mistakes so far, those that were not kept too.
    errors: Cell<usize>,
    /// The same of warnings.
    warnings: Cell<usize>,
}

impl Findings {
    /// Adds one; it is only counted when enough of its severity are kept.
    pub fn push(&self, finding: Finding) {
        let count = self.count(finding.severity);
        count.set(count.get() + 1);
        if count.get() <= MOST {
            self.kept.borrow_mut().push(finding);
        }
    }

    /// Adds all of them.
    pub fn extend(&self, findings: impl IntoIterator<Item = Finding>) {
        findings.into_iter().for_each(|finding| self.push(finding));
    }

    /// Adds what was found in a text that stands inside this one, each place put through `place`.
    pub(crate) fn absorb(&self, inner: Findings, place: impl Fn(Range<usize>) -> Range<usize>) {
        let kept = inner.kept.into_inner();
        for (severity, all) in [(Severity::Error, &inner.errors), (Severity::Warning, &inner.warnings)] {
            let kept = kept.iter().filter(|finding| finding.severity == severity).count();
            let count = self.count(severity);
            count.set(count.get() + all.get() - kept);
        }
        self.extend(kept.into_iter().map(|finding| finding.moved(&place)));
    }

    fn count(&self, severity: Severity) -> &Cell<usize> {
        match severity {
            Severity::Error => &self.errors,
            Severity::Warning => &self.warnings,
        }
    }

    /// How many mistakes there are so far.
    pub fn errors(&self) -> usize {
        self.errors.get()
    }

    /// Whether the next mistake will be kept: a remedy that is dear to find is looked for only
    /// then.
    pub fn has_room(&self) -> bool {
        self.errors.get() < MOST
    }

    /// What was kept, in the order of the file, and what was only counted.
    pub fn conclude(self) -> (Vec<Finding>, LeftOut) {
        let mut kept = self.kept.into_inner();
        kept.sort_by_key(|finding| (finding.span.start, finding.severity, finding.span.end));
        let left = |all: Cell<usize>| all.into_inner().saturating_sub(MOST);
        (kept, LeftOut { errors: left(self.errors), warnings: left(self.warnings) })
    }
}

/// How many findings are not shown.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LeftOut {
    /// Mistakes.
    pub errors: usize,
    /// Warnings.
    pub warnings: usize,
}

impl std::fmt::Display for LeftOut {
    /// `and 4 more mistakes and 1 more warning`; empty if nothing was left out.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        for (count, what) in [(self.errors, "mistake"), (self.warnings, "warning")] {
            let after = if what == "warning" && self.errors > 0 { " " } else { "" };
            match count {
                0 => {}
                1 => write!(f, "{after}and 1 more {what}")?,
                _ => write!(f, "{after}and {count} more {what}s")?,
            }
        }
        Ok(())
    }
}
