//! A file cut where headings like `[alarm.lagoon-cold]` stand, so that of ten thousand tables one
//! at a time is a tree in memory: a tree takes ten times the room of its text, and a board has
//! little. A text flows in, the places of such tables flow out, with the rest of the text. What
//! can't be cut without a doubt, or does not come to one file when put together, is read as a
//! whole, which then says what is wrong.

use super::document::refused;
use super::{At, NamedTable, Sheet};
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use toml_parser::Source;
use toml_parser::lexer::{Token, TokenKind};

/// The tables that were cut out, by the first part of their headings, each in the order of the
/// file.
#[derive(Debug, Default)]
pub struct TextPieces<'t> {
    by_kind: BTreeMap<&'t str, Vec<TextPiece<'t>>>,
}

/// One table: its heading, all below it, and the tables that stand in it.
#[derive(Clone, Debug)]
pub(super) struct TextPiece<'t> {
    /// The second part of its heading.
    name: At<&'t str>,
    /// Where it is in the text.
    pub(super) range: Range<usize>,
}

impl<'t> TextPieces<'t> {
    /// The tables `[kind.name]` of these kinds; none at all if any of them is written in another
    /// way.
    pub fn cut(text: &'t str, kinds: &[&'static str]) -> Self {
        if refused("", text).is_some() {
            return Self::default();
        }
        Cutter::new(text, kinds).all().unwrap_or_default()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.by_kind.is_empty()
    }

    /// Their kinds.
    pub fn kinds(&self) -> impl Iterator<Item = &'t str> {
        self.by_kind.keys().copied()
    }

    /// The text with spaces instead of them, as far as something is left: that stands where it
    /// stood.
    pub fn blanked(&self, text: &str) -> String {
        let mut ranges: Vec<_> = self.by_kind.values().flatten().map(|piece| piece.range.clone()).collect();
        ranges.sort_by_key(|range| range.start);
        let mut rest = String::new();
        let mut at = 0;
        for range in ranges {
            let kept = text.get(at..range.start).unwrap_or_default();
            if !kept.is_empty() {
                rest.extend(std::iter::repeat_n(' ', at - rest.len()));
                rest.push_str(kept);
            }
            at = range.end;
        }
        let kept = text.get(at..).unwrap_or_default();
        if !kept.is_empty() {
            rest.extend(std::iter::repeat_n(' ', at - rest.len()));
            rest.push_str(kept);
        }
        rest
    }

    /// Those of a kind.
    pub(super) fn named(&self, kind: &'static str, sheet: &'t Sheet<'t>) -> Vec<NamedTable<'t>> {
        let named = |piece: &TextPiece<'t>| {
            let name = At::new(piece.name.it.to_owned(), piece.name.span.clone());
            NamedTable::piece(name, kind, sheet, piece.range.clone())
        };
        self.by_kind.get(kind).into_iter().flatten().map(named).collect()
    }
}

/// Walks through a text from heading to heading.
struct Cutter<'a, 't> {
    text: &'t str,
    kinds: &'a [&'static str],
    pieces: BTreeMap<&'t str, Vec<TextPiece<'t>>>,
    seen: BTreeSet<(&'t str, &'t str)>,
    /// The piece that goes on: kind and name.
    current: Option<(&'t str, &'t str)>,
}

impl<'a, 't> Cutter<'a, 't> {
    fn new(text: &'t str, kinds: &'a [&'static str]) -> Self {
        Self { text, kinds, pieces: BTreeMap::new(), seen: BTreeSet::new(), current: None }
    }

    /// Nothing if some heading leaves a doubt.
    fn all(mut self) -> Option<TextPieces<'t>> {
        let mut tokens = Source::new(self.text).lex();
        // Brackets and braces of values that are open, and whether only spaces precede on this
        // line.
        let (mut open, mut fresh) = (0_usize, true);
        let mut line = 0;
        while let Some(token) = tokens.next() {
            let was_fresh = std::mem::replace(&mut fresh, false);
            match token.kind() {
                TokenKind::LeftSquareBracket if was_fresh && open == 0 => {
                    let heading = self.heading(&mut tokens)?;
                    self.take(heading, line)?;
                }
                TokenKind::LeftSquareBracket | TokenKind::LeftCurlyBracket => open += 1,
                TokenKind::RightSquareBracket | TokenKind::RightCurlyBracket => open = open.checked_sub(1)?,
                TokenKind::Newline => (fresh, line) = (true, token.span().end()),
                TokenKind::Whitespace => fresh = was_fresh,
                TokenKind::Dot
                | TokenKind::Equals
                | TokenKind::Comma
                | TokenKind::Comment
                | TokenKind::LiteralString
                | TokenKind::BasicString
                | TokenKind::MlLiteralString
                | TokenKind::MlBasicString
                | TokenKind::Atom
                | TokenKind::Eof => {}
            }
        }
        self.end(self.text.len());
        Some(TextPieces { by_kind: self.pieces })
    }

    /// The first two parts of a heading whose first bracket has been read.
    fn heading(&self, tokens: &mut impl Iterator<Item = Token>) -> Option<Vec<At<&'t str>>> {
        let mut parts = Vec::new();
        // Of an array of tables.
        let mut twice = false;
        for token in tokens {
            let place = token.span().start()..token.span().end();
            match token.kind() {
                TokenKind::LeftSquareBracket if parts.is_empty() && !twice => twice = true,
                TokenKind::RightSquareBracket if twice => twice = false,
                TokenKind::RightSquareBracket => return Some(parts),
                TokenKind::Whitespace | TokenKind::Dot => {}
                TokenKind::Atom => {
                    let part = self.text.get(place.clone())?;
                    let is_bare = part.bytes().all(|b| b.is_ascii_alphanumeric() || b"-_".contains(&b));
                    is_bare.then(|| parts.push(At::new(part, place)))?;
                }
                TokenKind::LeftSquareBracket
                | TokenKind::LeftCurlyBracket
                | TokenKind::RightCurlyBracket
                | TokenKind::Equals
                | TokenKind::Comma
                | TokenKind::Newline
                | TokenKind::Comment
                | TokenKind::LiteralString
                | TokenKind::BasicString
                | TokenKind::MlLiteralString
                | TokenKind::MlBasicString
                | TokenKind::Eof => return None,
            }
        }
        None
    }

    /// A heading on the line that begins at `line`.
    fn take(&mut self, heading: Vec<At<&'t str>>, line: usize) -> Option<()> {
        let mut parts = heading.into_iter();
        let (kind, name) = (parts.next()?, parts.next());
        if !self.kinds.contains(&kind.it) {
            self.end(line);
            return Some(());
        }
        // Tables that stand in a table without a heading of its own are a matter for the whole.
        let name = name?;
        let this = (kind.it, name.it);
        if self.current == Some(this) {
            return Some(());
        }
        self.end(line);
        self.seen.insert(this).then_some(())?;
        self.current = Some(this);
        self.pieces.entry(kind.it).or_default().push(TextPiece { name, range: line..line });
        Some(())
    }

    /// What goes on ends here.
    fn end(&mut self, at: usize) {
        if let Some((kind, _)) = self.current.take()
            && let Some(piece) = self.pieces.get_mut(kind).and_then(|pieces| pieces.last_mut())
        {
            piece.range.end = at;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = "# first\n[site]\nname = \"a\"\n  [alarm.b]\nx = [ 1,\n[ 2 ],\n]\n[ alarm . b . more ]\ny = '''\n[alarm.z]\n'''\n[drill]\nz = 1\n[alarm.c]\n";

    fn cut(text: &str) -> Vec<(&str, &str)> {
        let pieces = TextPieces::cut(text, &["alarm", "tank"]);
        let all = pieces.by_kind.into_values().flatten();
        all.map(|piece| (piece.name.it, &text[piece.range])).collect()
    }

    #[test]
    fn a_table_is_cut_out_with_all_that_stands_in_it() {
        let cut = cut(TEXT);
        let names: Vec<_> = cut.iter().map(|(name, _)| *name).collect();
        assert_eq!(names, ["b", "c"]);
        assert!(cut[0].1.starts_with("  [alarm.b]\n") && cut[0].1.ends_with("[alarm.z]\n'''\n"), "{cut:?}");
        assert_eq!(cut[1].1, "[alarm.c]\n");
    }

    #[test]
    fn what_is_left_stands_where_it_stood() {
        let rest = TextPieces::cut(TEXT, &["alarm"]).blanked(TEXT);
        assert!(rest.ends_with("z = 1\n"), "nothing stands for what is last");
        for left in ["# first\n[site]\nname = \"a\"\n", "[drill]\nz = 1\n"] {
            assert_eq!(rest.find(left), TEXT.find(left), "{rest:?}");
        }
        assert!(!rest.contains("alarm") && !rest.contains('y'));
    }

    #[test]
    fn what_leaves_a_doubt_is_not_cut() {
        for text in [
            "[alarm]\n[alarm.b]\n",
            "[alarm.b]\n[alarm.c]\n[alarm.b]\n",
            "[alarm.b]\n[alarm.c]\n[alarm.b.more]\n",
            "[alarm.\"b\"]\n",
            "[alarm.b\n",
            "[alarm.b]\nx = 1]\n",
            "[alarm.ä]\n",
            "[alarm.b]\n\u{0}",
        ] {
            assert_eq!(cut(text), [], "{text:?}");
        }
    }
}
