//! Text from elsewhere (site names, servers' replies, alarm names) made harmless for the places
//! it goes to: one header line, one word of an identifier, one line of the journal.

use std::fmt::Write;

/// One line without control characters, so that nothing can begin a header of its own.
pub(super) fn one_line(text: &str) -> String {
    let spaced: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    spaced.split(' ').filter(|word| !word.is_empty()).collect::<Vec<_>>().join(" ")
}

/// Lines of text: line feeds stay, other control characters go.
pub(super) fn lines(text: &str) -> String {
    text.replace("\r\n", "\n").chars().filter(|c| !c.is_control() || *c == '\n').collect()
}

/// At most `most` characters, with an ellipsis where something is left out.
pub(super) fn clip(text: &str, most: usize) -> String {
    match text.char_indices().nth(most) {
        Some((end, _)) => format!("{}…", &text[..end]),
        None => text.to_owned(),
    }
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
    fn a_line_break_cannot_survive_in_one_line() {
        assert_eq!(one_line("Halyard\r\nBcc: all@example.org\u{0}\u{85}x"), "Halyard Bcc: all@example.org x");
    }

    #[test]
    fn site_names_become_words_that_differ() {
        assert_eq!(slug("Halyard House"), "halyard-house");
        assert_eq!(slug("  --- "), "");
        assert_ne!(slug("Хата"), slug("Дача"));
        assert!(slug("Хата").is_ascii());
    }

    #[test]
    fn clipping_counts_characters_and_not_bytes() {
        assert_eq!(clip("äöü", 3), "äöü");
        assert_eq!(clip("äöüß", 3), "äöü…");
    }

    #[test]
    fn percent_encoding_follows_rfc_3986() {
        assert_eq!(percent("a b&c=ü~"), "a%20b%26c%3D%C3%BC~");
    }
}
