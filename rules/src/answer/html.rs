//! A mail that is HTML only, as lines: what a `blockquote` holds comes out marked as a quote, and
//! what is not shown does not come out. It is no browser: it only has to find the first line that a
//! person has written, and mistakes end in a line that is no answer.

/// So much is looked at.
const LONGEST: usize = 256 << 10;

/// Elements whose content is not shown.
const HIDDEN: &[&str] = &["head", "style", "script", "title", "template"];

/// Elements that begin a line of their own.
const LINES: &[&str] = &[
    "address",
    "article",
    "blockquote",
    "br",
    "dd",
    "div",
    "dl",
    "dt",
    "h1",
    "h2",
    "h3",
    "h4",
    "h5",
    "h6",
    "hr",
    "li",
    "ol",
    "p",
    "pre",
    "section",
    "table",
    "td",
    "tr",
    "ul",
];

/// Characters by name that mail programs write.
const NAMED: &[(&str, char)] = &[
    ("amp", '&'),
    ("lt", '<'),
    ("gt", '>'),
    ("quot", '"'),
    ("apos", '\''),
    ("nbsp", ' '),
    ("ndash", '–'),
    ("mdash", '—'),
    ("rsquo", '’'),
];

/// The lines of a mail in HTML, quotes marked by `> `.
pub fn readable(html: &str) -> String {
    let mut page = HtmlLines::default();
    let mut end = html.len().min(LONGEST);
    while !html.is_char_boundary(end) {
        end -= 1;
    }
    let mut rest = html.get(..end).unwrap_or_default();
    while !rest.is_empty() {
        let (text, tag) = match rest.split_once('<') {
            Some((text, after)) => (text, Some(after)),
            None => (rest, None),
        };
        page.text(text);
        let Some(after) = tag else { break };
        rest = match after.strip_prefix("!--") {
            Some(comment) => comment.split_once("-->").map_or("", |(_, rest)| rest),
            None => match after.split_once('>') {
                Some((tag, rest)) => {
                    page.tag(tag);
                    rest
                }
                None => "",
            },
        };
    }
    page.end_line();
    page.lines
}

#[derive(Default)]
struct HtmlLines {
    lines: String,
    line: String,
    depth: usize,
    hidden: usize,
}

impl HtmlLines {
    fn text(&mut self, text: &str) {
        if self.hidden > 0 {
            return;
        }
        for sign in plain(text).chars() {
            match sign.is_whitespace() {
                true if self.line.is_empty() || self.line.ends_with(' ') => {}
                true => self.line.push(' '),
                false => self.line.push(sign),
            }
        }
    }

    fn tag(&mut self, tag: &str) {
        let name = tag.trim_start_matches('/');
        let name: String = name.chars().take_while(char::is_ascii_alphanumeric).collect();
        let name = name.to_ascii_lowercase();
        let (closes, empty) = (tag.starts_with('/'), tag.ends_with('/'));
        if HIDDEN.contains(&name.as_str()) && !empty {
            self.hidden = if closes { self.hidden.saturating_sub(1) } else { self.hidden + 1 };
        }
        if LINES.contains(&name.as_str()) {
            self.end_line();
        }
        if name == "blockquote" && !empty {
            self.depth = if closes { self.depth.saturating_sub(1) } else { self.depth + 1 };
            self.lines.push('\n');
        }
    }

    fn end_line(&mut self) {
        let line = std::mem::take(&mut self.line);
        if !line.trim().is_empty() {
            let mark = if self.depth > 0 { "> " } else { "" };
            self.lines.push_str(&format!("{mark}{}\n", line.trim()));
        }
    }
}

/// Text with its references to characters replaced.
fn plain(text: &str) -> String {
    let mut plain = String::new();
    let mut rest = text;
    while let Some((before, after)) = rest.split_once('&') {
        plain.push_str(before);
        let named = after.split_once(';').filter(|(name, _)| name.len() <= 8);
        match named.and_then(|(name, rest)| Some((character(name)?, rest))) {
            Some((character, after)) => {
                plain.push(character);
                rest = after;
            }
            None => {
                plain.push('&');
                rest = after;
            }
        }
    }
    plain + rest
}

fn character(name: &str) -> Option<char> {
    let number = match name.strip_prefix('#') {
        Some(number) => match number.strip_prefix(['x', 'X']) {
            Some(hex) => u32::from_str_radix(hex, 16).ok(),
            None => number.parse().ok(),
        },
        None => return NAMED.iter().find(|(known, _)| *known == name).map(|(_, character)| *character),
    };
    number.and_then(char::from_u32)
}

#[cfg(test)]
mod tests {
    use super::super::own_words::{Flow, first_own_line};
    use super::readable;

    #[test]
    fn lines_come_out_as_they_are_shown_and_quotes_are_marked() {
        let html = "<html><head><title>4QTE</title><style>p{}</style></head><body><div>Have&nbsp;it <b>4QTE</b><br></div>\
                    <div>On Sunday Halyard wrote:</div><blockquote type=cite><p>lagoon: power-lost</p><p>K7Q3</p>\
                    </blockquote><p>Ines &amp; Tom</p><!-- 7KAC --></body></html>";
        assert_eq!(
            readable(html),
            "Have it 4QTE\nOn Sunday Halyard wrote:\n\n> lagoon: power-lost\n> K7Q3\n\nInes & Tom\n"
        );
        assert_eq!(first_own_line(&readable(html), Flow::Fixed).as_deref(), Some("Have it 4QTE"));
    }

    #[test]
    fn a_quote_alone_is_no_word_of_ones_own() {
        let html = "<div>&nbsp;</div><div class=\"quote\">On Sunday Halyard wrote:<br><blockquote>4QTE</blockquote></div>";
        assert_eq!(first_own_line(&readable(html), Flow::Fixed), None);
    }

    #[test]
    fn broken_html_ends_in_some_text() {
        for html in
            ["<", "<<<", "&", "&#xFFFFFFFF;", "<!-- ", "<blockquote", "</blockquote>x", "a<b", "<head>4QTE"]
        {
            let _ = readable(html);
        }
        assert_eq!(readable("1 &lt; 2 &#52;QTE &bogus;"), "1 < 2 4QTE &bogus;\n");
        assert_eq!(readable(&"é".repeat(200_000)).chars().filter(|sign| *sign == 'é').count(), 131_072);
    }
}
