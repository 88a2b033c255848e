//! Text from elsewhere (site names, servers' replies, alarm names) made harmless for the places
//! it goes to: one header line, one word of an identifier, one line of the journal.

pub(super) use crate::plain_text::{clip, one_line, tame};

use crate::plain_text::is_deceptive;
use std::fmt::Write;

/// Lines of text: line feeds stay, other control characters go.
pub(super) fn lines(text: &str) -> String {
    text.replace("\r\n", "\n").chars().filter(|c| !is_deceptive(*c) || *c == '\n').collect()
}

/// A word of small ASCII letters, digits and hyphens: `Halyard House` is `halyard-house`. Other
/// letters keep apart by their number, so that two sites never share a word.
pub(super) fn slug(text: &str) -> String {
    let mut slug = String::new();
    for c in text.chars() {
        match c {
            'a'..='z' | '0'..='9' => slug.push(c),
            'A'..='Z' => slug.push(c.to_ascii_lowercase()),
            c if c.is_alphabetic() => {
                // Writing to a String cannot fail.
                let _ = write!(slug, "u{:x}", u32::from(c));
            }
            _ if slug.is_empty() || slug.ends_with('-') => {}
            _ => slug.push('-'),
        }
    }
    slug.trim_end_matches('-').to_owned()
}

/// Percent-encoded but for the unreserved characters of RFC 3986, section 2.3.
pub(super) fn percent(text: &str) -> String {
    let mut out = String::new();
    for byte in text.bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => out.push(char::from(byte)),
            _ => {
                // Writing to a String cannot fail.
                let _ = write!(out, "%{byte:02X}");
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn site_names_become_words_that_differ() {
        assert_eq!(slug("Halyard House"), "halyard-house");
        assert_eq!(slug("  --- "), "");
        assert_ne!(slug("Хата"), slug("Дача"));
        assert!(slug("Хата").is_ascii());
    }

    #[test]
    fn percent_encoding_follows_rfc_3986() {
        assert_eq!(percent("a b&c=ü~"), "a%20b%26c%3D%C3%BC~");
    }
}
