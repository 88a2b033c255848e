//! Histories that once went wrong, each with what was wrong.
