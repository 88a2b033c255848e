//! What is wrong with a file that a person wrote, said so that it can be mended: the place in its
//! text, what was expected, and the nearest right name. All findings of a file are shown at once.

mod finding;
mod suggest;

pub(crate) use finding::within;
pub use finding::{At, Finding, Severity, render};
pub(crate) use suggest::did_you_mean;
