//! Signs of a text that act instead of being seen. A name that holds one looks like another name,
//! in the file, on a page and in the log; so names have none, in either file and in what people say.

/// Control characters (Unicode category Cc), separators of lines and paragraphs, signs that set the
/// direction of reading (Unicode Standard Annex 9, table 4), the byte order mark, and tags.
pub fn is_deceptive(c: char) -> bool {
    c.is_control()
        || matches!(
            c,
            '\u{61c}'
                | '\u{200e}'
                | '\u{200f}'
                | '\u{2028}'..='\u{202e}'
                | '\u{2066}'..='\u{2069}'
                | '\u{feff}'
                | '\u{e0000}'..='\u{e007f}'
        )
}

/// The first such sign of a text that may have several lines.
pub(crate) fn deceptive_in(text: &str) -> Option<char> {
    text.chars().find(|c| is_deceptive(*c) && !matches!(c, '\n' | '\r' | '\t'))
}
