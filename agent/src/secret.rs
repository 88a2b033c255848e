//! Text that must never be seen: passwords and access tokens. It has no `Display`, its `Debug`
//! shows nothing, nothing can serialise it, and whoever needs it has to say [`Secret::expose`].

use std::fmt;

/// A password or token.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    /// Hides `text`.
    pub fn new(text: impl Into<String>) -> Self {
        Self(text.into())
    }

    /// The text itself, for the one place that sends it.
    pub fn expose(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("(secret)")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_secret_is_not_shown_by_debug() {
        assert_eq!(format!("{:?}", Secret::new("hunter2")), "(secret)");
    }
}
