//! How a page says the ways to answer it. Which ways there are for this reader, on this channel,
//! now flows in from [`for_reader`](crate::plan::ways::for_reader); the lines that name them flow
//! out.

use super::said::PageLine;
use crate::plan::ways::Way;

/// Stand for the code and for the reader's name in rule files in a way's words.
const CODE: &str = "{code}";
const READER: &str = "{reader}";

/// The lines of a page.
pub(super) fn lines(ways: &[&Way], code: &str, reader: &str) -> Vec<PageLine> {
    let line = |way: &&Way| {
        let words = way.page.replace(CODE, code).replace(READER, reader);
        match &way.link {
            Some(link) => PageLine::Link { words, address: link.replace(CODE, code) },
            None => PageLine::Plain(words),
        }
    };
    ways.iter().map(line).collect()
}

/// The end of a text: how to answer it and what that says, or else its code alone. What stands
/// behind the colon may be texted too.
pub(super) fn in_short(ways: &[&Way], code: &str, meaning: &str) -> String {
    let short = ways.iter().find_map(|way| way.text.as_deref());
    short.map_or_else(|| format!("Code {code}"), |text| format!("{}: {meaning}", text.replace(CODE, code)))
}
