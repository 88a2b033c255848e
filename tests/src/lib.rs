//! Helpers for tests that look from outside.
