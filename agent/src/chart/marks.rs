//! Marks: the shape says how bad, filled says that nobody has it. Each stands beside its word,
//! never alone, and is hidden from readers of screens.

use slackwater_rules::alarm::Priority;

/// What drawings refer to: once a document.
pub(crate) const DEFS: &str = concat!(
    r##"<svg width="0" height="0" class="vh" aria-hidden="true"><defs>"##,
    r##"<pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><line class="hl" x1="0" x2="0" y1="0" y2="6"/></pattern>"##,
    r##"<symbol id="critical" viewBox="0 0 16 16"><path d="M8 1l7 7-7 7-7-7z"/></symbol>"##,
    r##"<symbol id="high" viewBox="0 0 16 16"><path d="M8 2l7 12H1z"/></symbol>"##,
    r##"<symbol id="medium" viewBox="0 0 16 16"><path d="M2 2h12v12H2z"/></symbol>"##,
    r##"<symbol id="low" viewBox="0 0 16 16"><circle cx="8" cy="8" r="6"/></symbol>"##,
    r##"<symbol id="stale" viewBox="0 0 16 16"><circle cx="8" cy="8" r="7" stroke-dasharray="3 2.5"/><path d="M8 4v4.5l3 2"/></symbol>"##,
    r##"<symbol id="unknown" viewBox="0 0 16 16"><path d="M5 5.5C5 2 11 2 11 5.5 11 8 8 7.5 8 10.5M8 13.5v.5"/></symbol>"##,
    r##"<symbol id="did" viewBox="0 0 16 16"><path d="M2 8.5l4 4 8-9"/></symbol>"##,
    r##"<symbol id="told" viewBox="0 0 16 16"><path d="M1 8h13M9 3l5 5-5 5"/></symbol>"##,
    r##"<symbol id="next" viewBox="0 0 16 16"><path d="M1 8h13M9 3l5 5-5 5" stroke-dasharray="2.5 2"/></symbol>"##,
    r##"<symbol id="not" viewBox="0 0 16 16"><circle cx="8" cy="8" r="6.5"/><path d="M3.5 12.5l9-9"/></symbol>"##,
    r##"<symbol id="work" viewBox="0 0 16 16"><path d="M5 2v12M11 2v12"/></symbol>"##,
    r##"<symbol id="end" viewBox="0 0 16 16"><path d="M1 8h14"/></symbol>"##,
    "</defs></svg>"
);

/// What a mark means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Mark {
    /// It is wrong, and nobody has it.
    Open(Priority),
    /// It is wrong, and somebody has it.
    Held(Priority),
    /// It is over.
    Over,
    Stale,
    Unknown,
    Done,
    Told,
    Next,
    NotTold,
    Work,
}

/// The mark. What is low or medium stays in the ink of what is normal.
pub(crate) fn mark(mark: Mark) -> String {
    let grave = |priority: Priority| matches!(priority, Priority::Critical | Priority::High);
    let (name, class) = match mark {
        Mark::Open(priority) => (shape(priority), if grave(priority) { "m" } else { "m solid" }),
        Mark::Held(priority) => (shape(priority), if grave(priority) { "m held" } else { "m plain" }),
        Mark::Over => ("end", "m plain"),
        Mark::Stale => ("stale", "m plain"),
        Mark::Unknown => ("unknown", "m plain"),
        Mark::Done => ("did", "m plain"),
        Mark::Told => ("told", "m plain"),
        Mark::Next => ("next", "m plain"),
        Mark::NotTold => ("not", "m plain"),
        Mark::Work => ("work", "m plain"),
    };
    format!("<svg class=\"{class}\" aria-hidden=\"true\"><use href=\"#{name}\"/></svg>")
}

fn shape(priority: Priority) -> &'static str {
    match priority {
        Priority::Critical => "critical",
        Priority::High => "high",
        Priority::Medium => "medium",
        Priority::Low => "low",
    }
}
