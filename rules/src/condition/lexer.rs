//! The text of a condition in pieces: words, quantities, signs, each with its place. A number
//! takes its unit along, since units (`US gal/h`, `umol/m2/s`) follow no rule that words do;
//! names hold hyphens, so a minus between names needs blanks.

use crate::diagnostic::At;
use crate::units::number_length;

/// One piece.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Token<'t> {
    /// A name or a word of the language.
    Word(&'t str),
    /// A number and the unit after it, which may be empty and may be no unit at all.
    Quantity { number: &'t str, unit: &'t str },
    /// A time of day, `22:30`, which may be none that exists.
    Clock(&'t str),
    /// Anything else: an operator, a parenthesis, or something the language doesn't have.
    Sign(&'t str),
}

impl<'t> Token<'t> {
    /// As written.
    pub(super) fn text(self) -> &'t str {
        match self {
            Self::Word(text) | Self::Clock(text) | Self::Sign(text) => text,
            Self::Quantity { number, .. } => number,
        }
    }
}

/// Words that may follow a quantity: they are never units.
const JOINTS: [&str; 19] = [
    "and", "or", "not", "is", "has", "but", "then", "within", "after", "over", "for", "to", "below", "above",
    "rises", "falls", "without", "with", "on",
];

/// Words that begin something of the language, so that no thing can bear them as its name.
const RESERVED: [&str; 10] = ["and", "or", "not", "is", "has", "then", "within", "over", "time", "day"];

/// Whether a keeper may give this name to a thing: the language can read it as one word.
pub(crate) fn is_name(text: &str) -> bool {
    is_word(text) && !is_reserved(text)
}

/// Whether a sensor may say this word.
pub(crate) fn is_word(text: &str) -> bool {
    text.starts_with(char::is_alphabetic)
        && text.chars().all(is_name_char)
        && !text.ends_with('-')
        && !["and", "or", "not", "is"].contains(&text)
}

pub(super) fn is_reserved(text: &str) -> bool {
    RESERVED.contains(&text)
}

fn is_name_char(c: char) -> bool {
    c.is_alphanumeric() || c == '-' || c == '_'
}

fn is_unit_char(c: char) -> bool {
    !c.is_whitespace() && !"()<>=!&|,+*".contains(c)
}

/// Splits the whole text. Never fails: what it doesn't know becomes a [`Token::Sign`].
pub(super) fn tokens(text: &str) -> Vec<At<Token<'_>>> {
    let mut found = Vec::new();
    let mut at = 0;
    loop {
        at += blanks(&text[at..]);
        let rest = &text[at..];
        let Some(first) = rest.chars().next() else { return found };
        let number = number_length(rest);
        let clock = clock_length(rest);
        let (token, length) = if clock > 0 {
            (Token::Clock(&rest[..clock]), clock)
        } else if rest[..number].trim_start_matches(['+', '-', '.']).starts_with(|c: char| c.is_ascii_digit())
        {
            let (unit_at, unit_length) = unit(rest, number);
            let unit = &rest[unit_at..unit_at + unit_length];
            let length = if unit.is_empty() { number } else { unit_at + unit_length };
            (Token::Quantity { number: &rest[..number], unit }, length)
        } else if first.is_alphabetic() {
            let word = &rest[..length_while(rest, is_name_char)];
            let word = word.trim_end_matches('-');
            (Token::Word(word), word.len())
        } else {
            let length = match rest.get(..2) {
                Some("<=" | ">=" | "==" | "!=" | "=<" | "=>" | "&&" | "||" | "<>") => 2,
                _ => first.len_utf8(),
            };
            (Token::Sign(&rest[..length]), length)
        };
        found.push(At::new(token, at..at + length));
        at += length;
    }
}

/// How many bytes at the start are a time of day: digits, a colon, digits.
fn clock_length(rest: &str) -> usize {
    let hours = length_while(rest, |c| c.is_ascii_digit());
    let Some(after) = rest[hours..].strip_prefix(':').filter(|_| hours > 0) else { return 0 };
    match length_while(after, |c| c.is_ascii_digit()) {
        0 => 0,
        minutes => hours + 1 + minutes,
    }
}

/// Where the unit after a number begins, and how long it is.
fn unit(rest: &str, number: usize) -> (usize, usize) {
    let at = number + blanks(&rest[number..]);
    let length = length_while(&rest[at..], is_unit_char);
    let word = &rest[at..at + length];
    if JOINTS.contains(&word) || word == "-" || word == "/" {
        return (number, 0);
    }
    if word == "US" || word == "imp" {
        let gallon = at + length + blanks(&rest[at + length..]);
        if rest[gallon..].starts_with("gal") {
            return (at, gallon - at + length_while(&rest[gallon..], is_unit_char));
        }
    }
    (at, length)
}

fn blanks(text: &str) -> usize {
    length_while(text, char::is_whitespace)
}

fn length_while(text: &str, holds: impl Fn(char) -> bool) -> usize {
    text.find(|c| !holds(c)).unwrap_or(text.len())
}
