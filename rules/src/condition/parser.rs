//! The parser's hand on the text: which piece comes next, whether it is what is wanted, and what
//! is said if it is not.

use super::grammar::DEEPEST;
use super::lexer::Token;
use super::{Comparison, Written};
use crate::diagnostic::{At, Finding};

/// What is left of a condition's text.
pub(super) struct Parser<'t> {
    pub(super) tokens: Vec<At<Token<'t>>>,
    pub(super) next: usize,
    pub(super) end: usize,
}

pub(super) type Parsed = Result<At<Written>, Finding>;

/// A quantity as written.
pub(super) type Amount = Box<At<Written>>;

impl<'t> Parser<'t> {
    pub(super) fn quantity(&mut self, wanted: &str) -> Result<Amount, Finding> {
        let span = self.span();
        let Some(Token::Quantity { number, unit }) = self.peek() else {
            return Err(self.unexpected(wanted));
        };
        let Some(number) = number.parse::<f64>().ok().filter(|value| value.is_finite()) else {
            return Err(Finding::error(span, format!("`{number}` is not a number"), "not a number"));
        };
        self.next += 1;
        Ok(Box::new(At::new(Written::Quantity { number, unit: unit.to_owned() }, span)))
    }

    pub(super) fn word(&mut self, wanted: &str) -> Result<At<String>, Finding> {
        let Some(Token::Word(word)) = self.peek() else { return Err(self.unexpected(wanted)) };
        let word = At::new(word.to_owned(), self.span());
        self.next += 1;
        Ok(word)
    }

    pub(super) fn negated(&self, start: usize, negated: bool, written: Written) -> At<Written> {
        let it = self.from(start, written);
        if negated { self.from(start, Written::Not(Box::new(it))) } else { it }
    }

    pub(super) fn bounded(&self, depth: usize) -> Result<(), Finding> {
        if depth <= DEEPEST {
            return Ok(());
        }
        let title = format!("parts stand inside parts more than {DEEPEST} deep");
        Err(Finding::error(self.span(), title, "too deep from here"))
    }

    pub(super) fn peek(&self) -> Option<Token<'t>> {
        self.tokens.get(self.next).map(|token| token.it)
    }

    /// Where the next token stands, or the end of the text.
    pub(super) fn span(&self) -> std::ops::Range<usize> {
        self.tokens.get(self.next).map_or(self.end..self.end, |token| token.span.clone())
    }

    pub(super) fn place(&self) -> usize {
        self.span().start
    }

    /// What was read since `start`.
    pub(super) fn from(&self, start: usize, written: Written) -> At<Written> {
        let end = self.tokens.iter().take(self.next).next_back().map_or(self.end, |token| token.span.end);
        At::new(written, start..end)
    }

    pub(super) fn at_word(&self, word: &str) -> bool {
        self.peek() == Some(Token::Word(word))
    }

    pub(super) fn word_follows(&self, word: &str) -> bool {
        self.tokens.get(self.next + 1).map(|token| token.it) == Some(Token::Word(word))
    }

    pub(super) fn take_word(&mut self, word: &str) -> bool {
        let found = self.at_word(word);
        self.next += usize::from(found);
        found
    }

    pub(super) fn need_word(&mut self, word: &str) -> Result<(), Finding> {
        if self.take_word(word) { Ok(()) } else { Err(self.unexpected(&format!("`{word}`"))) }
    }

    pub(super) fn take_order(&mut self) -> Option<Comparison> {
        let order = match self.peek()? {
            Token::Sign("<") => Comparison::Less,
            Token::Sign("<=") => Comparison::AtMost,
            Token::Sign(">") => Comparison::Greater,
            Token::Sign(">=") => Comparison::AtLeast,
            _ => return None,
        };
        self.next += 1;
        Some(order)
    }

    pub(super) fn unexpected(&self, expected: &str) -> Finding {
        let label = format!("expected {expected}");
        let Some(token) = self.peek() else {
            return Finding::error(self.span(), "the condition ends too early", label);
        };
        let finding = Finding::error(self.span(), format!("`{}` can't stand here", token.text()), label);
        finding.maybe_help(habit(token).map(str::to_owned))
    }
}

/// What to write for what other languages write.
fn habit(token: Token<'_>) -> Option<&'static str> {
    Some(match token {
        Token::Quantity { number, .. } if number.starts_with('-') => "a minus needs blanks: `a - 5 K`",
        Token::Quantity { number, .. } if number.starts_with('+') => "a plus needs blanks: `a + 5 K`",
        Token::Sign("=<" | "≤") => "write `<=`",
        Token::Sign("=>" | "≥") => "write `>=`",
        Token::Sign("=" | "==") => {
            "words are compared with `is` (`mains is on`), numbers with `<`, `<=`, `>` or `>=`"
        }
        Token::Sign("!=" | "<>") => "write `is not` (`mains is not on`)",
        Token::Sign("&" | "&&") => "write `and`",
        Token::Sign("|" | "||") => "write `or`",
        Token::Sign("!") => "write `not`",
        Token::Sign("−" | "–") => "write the minus as `-`",
        Token::Sign("*") => "values can be added, subtracted and divided, but not multiplied",
        _ => return None,
    })
}
