//! Conditions about what is to come, read.

use super::{Supposed, WrittenSubject};
use crate::condition::lexer::Token;
use crate::condition::parser::{Amount, Parsed, Parser};
use crate::condition::{Comparison, Written};
use crate::diagnostic::{At, Finding};

impl Parser<'_> {
    /// What follows `time until`.
    pub(in crate::condition) fn until(&mut self, start: usize) -> Parsed {
        let subject = self.until_what()?;
        let mut supposing = Vec::new();
        while let Some(supposed) = self.supposed()? {
            supposing.push(supposed);
        }
        self.need_word("is")?;
        let over = self.take_word("over");
        if !over && !self.take_word("under") {
            return Err(self.unexpected("`under` or `over` and a duration"));
        }
        let length = self.quantity("a duration such as `6 h`")?;
        Ok(self.from(start, Written::Until { subject, supposing, over, length }))
    }

    fn until_what(&mut self) -> Result<WrittenSubject, Finding> {
        if self.at_word("oxygen") && self.word_follows("of") {
            self.next += 2;
            let tank = self.word("a tank's name")?;
            let place = self.span();
            return match self.take_order() {
                Some(Comparison::Less) => {
                    Ok(WrittenSubject::Oxygen(tank, self.quantity("a limit such as `2.3 mg/L`")?))
                }
                Some(other) => {
                    let title = format!("oxygen runs out: `{other}` is never asked");
                    Err(Finding::error(place, title, "expected `<`"))
                }
                None => Err(self.unexpected("`<` and a limit such as `2.3 mg/L`")),
            };
        }
        let name = self.word("a thermometer or a battery, or `oxygen of` a tank")?;
        if self.take_word("is") {
            self.need_word("empty")?;
            return Ok(WrittenSubject::Empty(name));
        }
        match self.take_order() {
            Some(order) => {
                Ok(WrittenSubject::Water(name, order, self.quantity("a limit such as `22 degC`")?))
            }
            None => Err(self.unexpected("`<`, `>` or `is empty`")),
        }
    }

    fn supposed(&mut self) -> Result<Option<Supposed>, Finding> {
        if self.take_word("without") {
            let things = [
                ("heat", Supposed::NoHeat),
                ("power", Supposed::NoPower),
                ("circulation", Supposed::Still),
                ("air", Supposed::NoAir),
            ];
            for (word, supposed) in things {
                if self.take_word(word) {
                    return Ok(Some(supposed));
                }
            }
            return Err(self.unexpected("`heat`, `power`, `circulation` or `air`"));
        }
        if self.take_word("with") {
            if self.take_word("air") {
                return Ok(Some(Supposed::Air));
            }
            for word in ["the", "heater", "stuck", "on"] {
                self.need_word(word)?;
            }
            return Ok(Some(Supposed::Stuck));
        }
        if self.at_word("in") {
            return self.room().map(|room| Some(Supposed::Room(room)));
        }
        Ok(None)
    }

    /// `in a room of 12 degC`
    fn room(&mut self) -> Result<Amount, Finding> {
        for word in ["in", "a", "room", "of"] {
            self.need_word(word)?;
        }
        self.quantity("a temperature such as `12 degC`")
    }

    /// What follows a tank's name and `shows`.
    pub(in crate::condition) fn shows(&mut self, left: At<Written>) -> Parsed {
        let (start, subject) = (left.span.start, Box::new(left));
        let sign = self.word("a fault such as `no-heat`")?;
        Ok(self.from(start, Written::Shows { subject, sign }))
    }

    /// What follows a tank's name and `can`.
    pub(in crate::condition) fn can_hold(&mut self, left: At<Written>) -> Parsed {
        let (start, subject) = (left.span.start, Box::new(left));
        self.need_word("hold")?;
        let set = self.quantity("a temperature such as `24 degC`")?;
        let room = self.room()?;
        let on = if self.at_word("on")
            && matches!(self.tokens.get(self.next + 1), Some(At { it: Token::Word("its"), .. }))
        {
            self.next += 2;
            Some(self.word("`heater` or `spare`")?)
        } else {
            None
        };
        Ok(self.from(start, Written::Holds { subject, set, room, on }))
    }
}
