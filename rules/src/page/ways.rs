//! How a page says the ways to answer it. Which ways there are for this reader, on this channel, now flows in
//! from [`for_reader`](crate::plan::ways::for_reader); the lines that name them flow out.

use super::said::PageLine;
use crate::ids::By;
use crate::plan::ways::Way;

/// Stands for the code in a way's words.
const CODE: &str = "{code}";

/// The lines of a page.
pub(super) fn lines(ways: &[&Way], code: &str) -> Vec<PageLine> {
    let line = |way: &&Way| {
        let words = way.page.replace(CODE, code);
        match &way.link {
            Some(link) => PageLine::Link { words, address: link.replace(CODE, code) },
            None => PageLine::Plain(words),
        }
    };
    ways.iter().map(line).collect()
}

/// The end of a text: how to answer it, or else its code alone.
pub(super) fn in_short(ways: &[&Way], code: &str) -> String {
    let short = ways.iter().find_map(|way| way.text.as_deref());
    short.map_or_else(|| format!("Code {code}"), |text| text.replace(CODE, code))
}

/// By which way somebody answered, in words.
pub fn by_way(by: &By) -> &str {
    match by.via.as_str() {
        "socket" => "at the watch's computer",
        "text" => "by text",
        "mail" => "by mail",
        "web" => "on the page in the house",
        "button" => "by a button",
        other => other,
    }
}
