//! Files that a person wrote, read so that all that is wrong comes out at once and can be mended:
//! the place in the text, what was expected, and the nearest right name. TOML flows in as a tree of
//! values with their places; readers ask [`Table`]s and [`Item`]s for what they need; [`Finding`]s
//! flow out, as text for people or as a form for programs. The rule file and the agent's own file
//! are read by this; what is asked of an item in units of measure comes from above.

mod conceal;
mod document;
mod finding;
mod findings;
mod item;
mod named;
mod pieces;
mod render;
mod suggest;
mod table;
mod view;

pub use conceal::concealed_by_lines;
pub use document::{LARGEST, Sheet, parse, too_large};
pub use finding::{At, Finding, Severity};
pub use findings::{Findings, LeftOut, MOST};
pub use item::{Item, listed};
pub use named::NamedTable;
pub use pieces::TextPieces;
pub(crate) use render::within;
pub use render::{Position, SourceTexts, render};
pub use suggest::did_you_mean;
pub use table::Table;
pub use view::{FINDINGS_VERSION, FindingView, FindingsView, PlaceView};
