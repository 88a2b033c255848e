//! From the text of a condition to a tree. One grammar covers conditions and formulas, so that a
//! parenthesis needs no guessing; which is wanted where is checked afterwards.
//!
//! ```text
//! any       = all { "or" all }
//! all       = not { ( "and" | "but" "no" ) not }
//! not       = "not" not | sequence
//! sequence  = relation [ "then" relation "within" quantity ]
//! relation  = "within" quantity "after" relation
//!           | "time" "is" hours | "day" "is" word
//!           | "time" "until" coming { supposed } "is" ( "under" | "over" ) quantity
//!           | name "shows" word
//!           | name "can" "hold" quantity room [ "on" "its" ( "heater" | "spare" ) ]
//!           | sum [ order sum | "is" [ "not" ] said | "has" "been" [ "not" ] held "for" quantity
//!                 | ( "rises" | "falls" ) "faster" "than" quantity "over" quantity ]
//! coming    = name order quantity | name "is" "empty" | "oxygen" "of" name "<" quantity
//! supposed  = "without" ( "heat" | "power" | "circulation" | "air" ) | "with" "air" | room
//!           | "with" "the" "heater" "stuck" "on"
//! room      = "in" "a" "room" "of" quantity
//! said      = word | range | ( "silent" | "frozen" | "good" ) "for" quantity | "commanded" word
//!           | "in" "its" "photoperiod"
//!           | quantity ( "below" | "above" ) "its" aggregate "over" quantity [ lag ]
//! held      = word | "true" | order sum | range | "commanded" word | "in" "its" "photoperiod"
//! range     = "between" sum "and" sum | "outside" sum "to" sum
//! hours     = "between" clock "and" clock | "outside" clock "to" clock
//! sum       = ratio { ( "+" | "-" ) ratio }
//! ratio     = part { "/" part }
//! part      = name | quantity | "(" any ")" | "volume" "of" name
//!           | aggregate "of" relation "over" quantity [ lag ]
//! aggregate = "mean" | "median" | "lowest" | "highest" | "swing" | "slope" | "total" | "duty"
//!           | "count" "of" ( "changes" | "spells" ) | "longest" "spell"
//! lag       = [ "," ] "lagged" quantity
//! order     = "<" | "<=" | ">" | ">="
//! ```

mod time_of_day;

use super::lexer::{Token, is_reserved, tokens};
use super::parser::{Amount, Parsed, Parser};
use super::{Aggregate, Comparison, Lapse, Written};
use crate::diagnostic::{At, Finding};

/// The longest text of a condition, in bytes.
pub const LONGEST: usize = 4_096;
/// How deep parts may stand inside parts. Everything that walks a condition recurses, so this
/// is what keeps a rule file from exhausting the stack.
pub const DEEPEST: usize = 32;

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
}

impl<'t> Parser<'t> {
    fn any(&mut self, depth: usize) -> Parsed {
        let first = self.all(depth)?;
        let start = first.span.start;
        let mut parts = vec![first];
        while self.take_word("or") {
            parts.push(self.all(depth)?);
        }
        Ok(self.joined(start, parts, Written::Any))
    }

    fn all(&mut self, depth: usize) -> Parsed {
        let first = self.not(depth)?;
        let start = first.span.start;
        let mut parts = vec![first];
        loop {
            let place = self.place();
            if self.take_word("and") {
                parts.push(self.not(depth)?);
            } else if self.take_word("but") {
                self.need_word("no")?;
                let inner = Box::new(self.not(depth + 1)?);
                parts.push(self.from(place, Written::Not(inner)));
            } else {
                return Ok(self.joined(start, parts, Written::All));
            }
        }
    }

    /// One part stands for itself.
    fn joined(
        &self,
        start: usize,
        mut parts: Vec<At<Written>>,
        join: fn(Vec<At<Written>>) -> Written,
    ) -> At<Written> {
        match parts.pop() {
            Some(only) if parts.is_empty() => only,
            last => {
                parts.extend(last);
                self.from(start, join(parts))
            }
        }
    }

    fn not(&mut self, depth: usize) -> Parsed {
        self.bounded(depth)?;
        let start = self.place();
        if self.take_word("not") {
            let inner = self.not(depth + 1)?;
            return Ok(self.from(start, Written::Not(Box::new(inner))));
        }
        let first = self.relation(depth)?;
        if !self.take_word("then") {
            return Ok(first);
        }
        let (first, second) = (Box::new(first), Box::new(self.relation(depth + 1)?));
        self.need_word("within")?;
        let within = self.quantity(DURATION)?;
        Ok(self.from(start, Written::Then { first, second, within }))
    }

    fn relation(&mut self, depth: usize) -> Parsed {
        self.bounded(depth)?;
        let start = self.place();
        if self.take_word("within") {
            let within = self.quantity(DURATION)?;
            self.need_word("after")?;
            let what = Box::new(self.relation(depth + 1)?);
            return Ok(self.from(start, Written::After { within, what }));
        }
        if self.take_word("time") {
            if self.take_word("until") {
                return self.until(start);
            }
            self.need_word("is")?;
            return self.hours(start);
        }
        if self.take_word("day") {
            self.need_word("is")?;
            let negated = self.take_word("not");
            let day = Written::Day(self.word("a day such as `saturday`, or `weekend`")?);
            return Ok(self.negated(start, negated, day));
        }
        let left = self.sum(depth)?;
        if let Some(order) = self.take_order() {
            return self.compare(depth, left, order);
        }
        if self.take_word("is") {
            return self.said(depth, left);
        }
        if self.take_word("has") {
            return self.has_been(depth, left);
        }
        if self.take_word("shows") {
            return self.shows(left);
        }
        if self.take_word("can") {
            return self.can_hold(left);
        }
        let rises = self.at_word("rises");
        if rises || self.at_word("falls") {
            self.next += 1;
            self.need_word("faster")?;
            self.need_word("than")?;
            let subject = Box::new(left);
            let rate = self.quantity("a rate such as `1 K/h`")?;
            self.need_word("over")?;
            let over = self.quantity(DURATION)?;
            return Ok(self.from(start, Written::Moves { subject, rises, rate, over }));
        }
        Ok(left)
    }

    fn compare(&mut self, depth: usize, left: At<Written>, order: Comparison) -> Parsed {
        let start = left.span.start;
        let right = Box::new(self.sum(depth)?);
        if matches!(self.peek(), Some(Token::Sign("<" | "<=" | ">" | ">="))) {
            return Err(self
                .unexpected("`and`, `or` or the end of the condition")
                .help("a range is written `… is between … and …`"));
        }
        Ok(self.from(start, Written::Compare { left: Box::new(left), order, right }))
    }

    /// What follows `is`.
    fn said(&mut self, depth: usize, left: At<Written>) -> Parsed {
        let start = left.span.start;
        let negated = self.take_word("not");
        if matches!(self.peek(), Some(Token::Quantity { .. })) {
            let baseline = self.baseline(left)?;
            return Ok(self.negated(start, negated, baseline));
        }
        let lapse = match (self.peek(), negated) {
            (Some(Token::Word("silent")), _) => Some((Lapse::Silent, negated)),
            (Some(Token::Word("frozen")), _) => Some((Lapse::Frozen, negated)),
            (Some(Token::Word("good")), true) => Some((Lapse::NotGood, false)),
            _ => None,
        };
        if let Some((lapse, negated)) = lapse.filter(|_| self.word_follows("for")) {
            self.next += 2;
            let (subject, length) = (Box::new(left), self.quantity(DURATION)?);
            return Ok(self.negated(start, negated, Written::Lapse { lapse, subject, length }));
        }
        let said = self.predicate(depth, left, "a word such as `on`, `off` or `silent for`")?;
        Ok(self.negated(start, negated, said))
    }

    /// What follows `has`.
    fn has_been(&mut self, depth: usize, left: At<Written>) -> Parsed {
        self.need_word("been")?;
        let start = left.span.start;
        let negated = self.take_word("not");
        let what = if self.at_word("true") && !matches!(left.it, Written::Name(_)) {
            self.next += 1;
            left.it
        } else if let Some(order) = self.take_order() {
            self.compare(depth, left, order)?.it
        } else {
            self.predicate(depth, left, "a word such as `on`, a comparison or a range")?
        };
        let what = Box::new(self.negated(start, negated, what));
        self.need_word("for")?;
        let length = self.quantity(DURATION)?;
        Ok(self.from(start, Written::HasBeen { what, length }))
    }

    /// What can be said of a thing both by `is` and by `has been`.
    fn predicate(&mut self, depth: usize, left: At<Written>, wanted: &str) -> Result<Written, Finding> {
        let subject = Box::new(left);
        let outside = self.at_word("outside");
        if outside || self.at_word("between") {
            self.next += 1;
            let low = Box::new(self.sum(depth)?);
            self.need_word(if outside { "to" } else { "and" })?;
            let high = Box::new(self.sum(depth)?);
            return Ok(Written::Range { subject, low, high, outside });
        }
        if self.at_word("in") && self.word_follows("its") {
            self.next += 2;
            self.need_word("photoperiod")?;
            return Ok(Written::Photoperiod(subject));
        }
        let commands = ["on", "off"].iter().any(|word| self.word_follows(word));
        if self.at_word("commanded") && commands {
            self.next += 1;
            return Ok(Written::Commanded { subject, word: self.word("`on` or `off`")? });
        }
        Ok(Written::Is { subject, word: self.word(wanted)? })
    }

    /// `30 % below its median over 14 d, lagged 1 week`
    fn baseline(&mut self, subject: At<Written>) -> Result<Written, Finding> {
        let subject = Box::new(subject);
        let by = self.quantity("by how much")?;
        let above = self.take_word("above");
        if !above && !self.take_word("below") {
            let title = format!("`is {}` says nothing", by.it);
            let label = "expected a word, or `… below its …`, or `… above its …`";
            return Err(Finding::error(by.span.clone(), title, label)
                .help("a number is compared with a limit by `<`, `<=`, `>` or `>=`"));
        }
        self.need_word("its")?;
        let Some((what, length)) = self.aggregate_ahead() else {
            return Err(self.unexpected("`mean`, `median`, `lowest` or `highest`"));
        };
        self.next += length;
        let (over, lag) = self.window()?;
        Ok(Written::Baseline { subject, by, above, what, over, lag })
    }

    /// `over 14 d, lagged 1 week`
    fn window(&mut self) -> Result<(Amount, Option<Amount>), Finding> {
        if !self.take_word("over") {
            return Err(self.unexpected("`over`").help("a window says how long it is: `mean of … over 1 h`"));
        }
        let over = self.quantity(DURATION)?;
        let comma = usize::from(self.peek() == Some(Token::Sign(",")));
        if self.tokens.get(self.next + comma).map(|token| token.it) != Some(Token::Word("lagged")) {
            return Ok((over, None));
        }
        self.next += comma + 1;
        Ok((over, Some(self.quantity(DURATION)?)))
    }

    fn sum(&mut self, depth: usize) -> Parsed {
        let mut left = self.ratio(depth)?;
        let mut parts = depth;
        loop {
            let join = match self.peek() {
                Some(Token::Sign("-")) => Written::Difference,
                Some(Token::Sign("+")) => Written::Sum,
                _ => return Ok(left),
            };
            parts += 1;
            self.bounded(parts)?;
            self.next += 1;
            let right = self.ratio(depth)?;
            let start = left.span.start;
            left = self.from(start, join(Box::new(left), Box::new(right)));
        }
    }

    fn ratio(&mut self, depth: usize) -> Parsed {
        let mut left = self.part(depth)?;
        let mut parts = depth;
        while self.peek() == Some(Token::Sign("/")) {
            parts += 1;
            self.bounded(parts)?;
            self.next += 1;
            let right = self.part(depth)?;
            let start = left.span.start;
            left = self.from(start, Written::Ratio(Box::new(left), Box::new(right)));
        }
        Ok(left)
    }

    fn part(&mut self, depth: usize) -> Parsed {
        self.bounded(depth)?;
        let span = self.span();
        if self.at_word("volume") && self.word_follows("of") {
            self.next += 2;
            let tank = self.word("a tank's name")?;
            return Ok(self.from(span.start, Written::Volume(tank)));
        }
        if let Some((what, length)) = self.aggregate_ahead()
            && self.tokens.get(self.next + length).map(|token| token.it) == Some(Token::Word("of"))
        {
            self.next += length + 1;
            let of = Box::new(self.relation(depth + 1)?);
            let (over, lag) = self.window()?;
            return Ok(self.from(span.start, Written::Aggregate { what, of, over, lag }));
        }
        match self.peek() {
            Some(Token::Word(name)) if !is_reserved(name) => {
                self.next += 1;
                Ok(At::new(Written::Name(name.to_owned()), span))
            }
            Some(Token::Quantity { .. }) => Ok(*self.quantity("")?),
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

    /// The aggregate that stands here, and of how many words its name is.
    fn aggregate_ahead(&self) -> Option<(Aggregate, usize)> {
        let word = |at: usize| self.tokens.get(self.next + at).map(|token| token.it);
        let Token::Word(first) = word(0)? else { return None };
        Some(match first {
            "mean" => (Aggregate::Mean, 1),
            "median" => (Aggregate::Median, 1),
            "lowest" => (Aggregate::Lowest, 1),
            "highest" => (Aggregate::Highest, 1),
            "swing" => (Aggregate::Swing, 1),
            "slope" => (Aggregate::Slope, 1),
            "total" => (Aggregate::Total, 1),
            "duty" => (Aggregate::Duty, 1),
            "count" if word(1) == Some(Token::Word("of")) => match word(2)? {
                Token::Word("changes") => (Aggregate::Changes, 3),
                Token::Word("spells") => (Aggregate::Spells, 3),
                _ => return None,
            },
            "longest" if word(1) == Some(Token::Word("spell")) => (Aggregate::Longest, 2),
            _ => return None,
        })
    }
}

const DURATION: &str = "a duration such as `5 min`";
