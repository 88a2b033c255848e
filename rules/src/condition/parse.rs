//! A condition as written: its text becomes a tree that keeps the place of every part and says
//! nothing yet about what the names mean. One grammar covers conditions and formulas, so that
//! a parenthesis needs no guessing; which is wanted where is checked afterwards.
//!
//! ```text
//! any      = all { "or" all }
//! all      = not { "and" not }
//! not      = "not" not | relation
//! relation = sum [ order sum | "is" [ "not" ] word | "is" "silent" "for" quantity ]
//! sum      = part { "-" part }
//! part     = name | quantity | "(" any ")"
//! order    = "<" | "<=" | ">" | ">="
//! ```

use super::Order;
use super::token::{Token, tokens};
use crate::plan::{At, Finding};
use std::fmt;

/// The longest text of a condition, in bytes.
pub const LONGEST: usize = 4_096;
/// How deep parts may stand inside parts. Everything that walks a condition recurses, so this
/// is what keeps a rule file from exhausting the stack.
pub const DEEPEST: usize = 32;

/// A condition, or a part of one, as written.
#[derive(Clone, Debug, PartialEq)]
pub enum Written {
    /// `… and …`
    All(Vec<At<Written>>),
    /// `… or …`
    Any(Vec<At<Written>>),
    /// `not …`
    Not(Box<At<Written>>),
    /// `… < …`
    Compare {
        /// Left of the sign.
        left: Box<At<Written>>,
        /// The sign.
        order: Order,
        /// Right of the sign.
        right: Box<At<Written>>,
    },
    /// `… is on`
    Is {
        /// What is said to be so.
        subject: Box<At<Written>>,
        /// The word.
        word: At<String>,
    },
    /// `… is silent for 5 min`
    Silent {
        /// What is silent.
        subject: Box<At<Written>>,
        /// For how long.
        length: Box<At<Written>>,
    },
    /// `… - …`
    Difference(Box<At<Written>>, Box<At<Written>>),
    /// A sensor's name.
    Name(String),
    /// `22 degC`
    Quantity {
        /// The number.
        number: f64,
        /// The unit; may be empty, and may be no unit at all.
        unit: String,
    },
}

impl Written {
    /// Reads a condition's text. Stops at the first part that can't be read, since what
    /// follows it would be guesswork.
    pub fn parse(text: &str) -> Result<At<Written>, Finding> {
        if text.len() > LONGEST {
            return Err(Finding::error(
                0..text.len(),
                format!("a condition has at most {LONGEST} bytes; this one has {}", text.len()),
                "too long",
            ));
        }
        let mut parser = Parser { tokens: tokens(text), next: 0, end: text.trim_end().len() };
        let condition = parser.any(0)?;
        match parser.peek() {
            None => Ok(condition),
            Some(_) => Err(parser.unexpected("`and`, `or` or the end of the condition")),
        }
    }

    /// How tightly the parts hold together, as the grammar's levels.
    fn level(&self) -> u8 {
        match self {
            Self::Any(_) => 0,
            Self::All(_) => 1,
            Self::Not(_) => 2,
            Self::Compare { .. } | Self::Is { .. } | Self::Silent { .. } => 3,
            Self::Difference(..) => 4,
            Self::Name(_) | Self::Quantity { .. } => 5,
        }
    }
}

struct Parser<'t> {
    tokens: Vec<At<Token<'t>>>,
    next: usize,
    end: usize,
}

type Parsed = Result<At<Written>, Finding>;

impl<'t> Parser<'t> {
    fn any(&mut self, depth: usize) -> Parsed {
        self.joined("or", depth, Self::all, Written::Any)
    }

    fn all(&mut self, depth: usize) -> Parsed {
        self.joined("and", depth, Self::not, Written::All)
    }

    fn joined(
        &mut self,
        joint: &str,
        depth: usize,
        part: fn(&mut Self, usize) -> Parsed,
        join: fn(Vec<At<Written>>) -> Written,
    ) -> Parsed {
        let first = part(self, depth)?;
        if !self.at_word(joint) {
            return Ok(first);
        }
        let start = first.span.start;
        let mut parts = vec![first];
        while self.take_word(joint) {
            parts.push(part(self, depth)?);
        }
        Ok(self.from(start, join(parts)))
    }

    fn not(&mut self, depth: usize) -> Parsed {
        self.bounded(depth)?;
        let start = self.place();
        if self.take_word("not") {
            let inner = self.not(depth + 1)?;
            return Ok(self.from(start, Written::Not(Box::new(inner))));
        }
        self.relation(depth)
    }

    fn relation(&mut self, depth: usize) -> Parsed {
        let left = self.sum(depth)?;
        let start = left.span.start;
        if let Some(order) = self.take_order() {
            let right = Box::new(self.sum(depth)?);
            if matches!(self.peek(), Some(Token::Sign("<" | "<=" | ">" | ">="))) {
                return Err(self
                    .unexpected("`and`, `or` or the end of the condition")
                    .help("a range takes two comparisons joined by `and`"));
            }
            return Ok(self.from(start, Written::Compare { left: Box::new(left), order, right }));
        }
        if !self.take_word("is") {
            return Ok(left);
        }
        let negated = self.take_word("not");
        let Some(Token::Word(word)) = self.peek() else {
            return Err(self.unexpected("a word such as `on`, `off` or `silent for`"));
        };
        let word = At::new(word.to_owned(), self.span());
        self.next += 1;
        let subject = Box::new(left);
        let written = if word.it == "silent" && self.take_word("for") {
            let length = match self.peek() {
                Some(Token::Quantity { .. }) => Box::new(self.part(depth)?),
                _ => return Err(self.unexpected("a duration such as `5 min`")),
            };
            Written::Silent { subject, length }
        } else {
            Written::Is { subject, word }
        };
        let relation = self.from(start, written);
        Ok(if negated { self.from(start, Written::Not(Box::new(relation))) } else { relation })
    }

    fn sum(&mut self, depth: usize) -> Parsed {
        let mut left = self.part(depth)?;
        let mut parts = depth;
        while self.peek() == Some(Token::Sign("-")) {
            parts += 1;
            self.bounded(parts)?;
            self.next += 1;
            let right = self.part(depth)?;
            let start = left.span.start;
            left = self.from(start, Written::Difference(Box::new(left), Box::new(right)));
        }
        Ok(left)
    }

    fn part(&mut self, depth: usize) -> Parsed {
        self.bounded(depth)?;
        let span = self.span();
        match self.peek() {
            Some(Token::Word(name)) if !matches!(name, "and" | "or" | "not" | "is") => {
                self.next += 1;
                Ok(At::new(Written::Name(name.to_owned()), span))
            }
            Some(Token::Quantity { number, unit }) => {
                let value = number.parse::<f64>().ok().filter(|value| value.is_finite());
                let Some(number) = value else {
                    return Err(Finding::error(span, format!("`{number}` is not a number"), "not a number"));
                };
                self.next += 1;
                Ok(At::new(Written::Quantity { number, unit: unit.to_owned() }, span))
            }
            Some(Token::Sign("(")) => {
                self.next += 1;
                let inner = self.any(depth + 1)?;
                if self.peek() != Some(Token::Sign(")")) {
                    return Err(self.unexpected("`)`").also(span, "opened here"));
                }
                self.next += 1;
                // The parentheses belong to the part: underlining shows them too.
                Ok(self.from(span.start, inner.it))
            }
            _ => Err(self.unexpected("a sensor's name, a quantity or `(`")),
        }
    }

    fn bounded(&self, depth: usize) -> Result<(), Finding> {
        if depth <= DEEPEST {
            return Ok(());
        }
        let title = format!("parts stand inside parts more than {DEEPEST} deep");
        Err(Finding::error(self.span(), title, "too deep from here"))
    }

    fn peek(&self) -> Option<Token<'t>> {
        self.tokens.get(self.next).map(|token| token.it)
    }

    /// Where the next token stands, or the end of the text.
    fn span(&self) -> std::ops::Range<usize> {
        self.tokens.get(self.next).map_or(self.end..self.end, |token| token.span.clone())
    }

    fn place(&self) -> usize {
        self.span().start
    }

    /// What was read since `start`.
    fn from(&self, start: usize, written: Written) -> At<Written> {
        let end = self.tokens[..self.next].last().map_or(self.end, |token| token.span.end);
        At::new(written, start..end)
    }

    fn at_word(&self, word: &str) -> bool {
        self.peek() == Some(Token::Word(word))
    }

    fn take_word(&mut self, word: &str) -> bool {
        let found = self.at_word(word);
        self.next += usize::from(found);
        found
    }

    fn take_order(&mut self) -> Option<Order> {
        let order = match self.peek()? {
            Token::Sign("<") => Order::Less,
            Token::Sign("<=") => Order::AtMost,
            Token::Sign(">") => Order::Greater,
            Token::Sign(">=") => Order::AtLeast,
            _ => return None,
        };
        self.next += 1;
        Some(order)
    }

    fn unexpected(&self, expected: &str) -> Finding {
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
        Token::Sign("+" | "*" | "/") => "values can be subtracted (`a - b`), and nothing else",
        _ => return None,
    })
}

impl fmt::Display for Order {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Less => "<",
            Self::AtMost => "<=",
            Self::Greater => ">",
            Self::AtLeast => ">=",
        })
    }
}

impl fmt::Display for Written {
    /// Text that reads back as the same tree, with no more parentheses than it takes.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let part = |f: &mut fmt::Formatter<'_>, part: &At<Written>, least: u8| {
            if part.it.level() < least { write!(f, "({})", part.it) } else { write!(f, "{}", part.it) }
        };
        let join = |f: &mut fmt::Formatter<'_>, parts: &[At<Written>], joint: &str, least: u8| {
            for (index, inner) in parts.iter().enumerate() {
                if index > 0 {
                    write!(f, " {joint} ")?;
                }
                part(f, inner, least)?;
            }
            Ok(())
        };
        match self {
            Self::Any(parts) => join(f, parts, "or", 1),
            Self::All(parts) => join(f, parts, "and", 2),
            Self::Not(inner) => {
                f.write_str("not ")?;
                part(f, inner, 2)
            }
            Self::Compare { left, order, right } => {
                part(f, left, 4)?;
                write!(f, " {order} ")?;
                part(f, right, 4)
            }
            Self::Is { subject, word } => {
                part(f, subject, 4)?;
                write!(f, " is {}", word.it)
            }
            Self::Silent { subject, length } => {
                part(f, subject, 4)?;
                f.write_str(" is silent for ")?;
                part(f, length, 5)
            }
            Self::Difference(left, right) => {
                part(f, left, 4)?;
                f.write_str(" - ")?;
                part(f, right, 5)
            }
            Self::Name(name) => f.write_str(name),
            Self::Quantity { number, unit } if unit.is_empty() => write!(f, "{number}"),
            Self::Quantity { number, unit } => write!(f, "{number} {unit}"),
        }
    }
}
