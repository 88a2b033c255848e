//! Signs of a text that act instead of being seen. A name that holds one looks like another name,
//! in the file, on a page and in the log; so names have none, in either file and in what people
//! say.

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

/// One line without signs that hide, so that nothing can begin a header or a line of its own.
pub fn one_line(text: &str) -> String {
    let spaced: String = text.chars().map(|c| if is_deceptive(c) { ' ' } else { c }).collect();
    spaced.split(' ').filter(|word| !word.is_empty()).collect::<Vec<_>>().join(" ")
}

/// At most `most` characters, with an ellipsis where something is left out.
pub fn clip(text: &str, most: usize) -> String {
    match text.char_indices().nth(most) {
        Some((end, _)) => format!("{}…", &text[..end]),
        None => text.to_owned(),
    }
}

/// The first such sign of a text that may have several lines.
pub(crate) fn deceptive_in(text: &str) -> Option<char> {
    // Nearly every text is plain, and is read through once for each value of a file.
    if text.bytes().all(|byte| matches!(byte, b' '..=b'~')) {
        return None;
    }
    text.chars().find(|c| is_deceptive(*c) && !matches!(c, '\n' | '\r' | '\t'))
}
