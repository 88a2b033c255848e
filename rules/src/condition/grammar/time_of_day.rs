//! Times of day: `between 22:00 and 06:00`, `outside 8:00 to 20:00`.

use crate::condition::Written;
use crate::condition::lexer::Token;
use crate::condition::parser::{Parsed, Parser};
use crate::diagnostic::Finding;
use crate::site::Hours;
use jiff::civil::Time;

impl Parser<'_> {
    pub(super) fn hours(&mut self, start: usize) -> Parsed {
        let outside = self.take_word("outside");
        if !outside && !self.take_word("between") {
            return Err(self.unexpected("`between` or `outside`"));
        }
        let from = self.clock()?;
        self.need_word(if outside { "to" } else { "and" })?;
        let place = self.span();
        let until = self.clock()?;
        if from == until {
            let title = "a stretch of the day begins and ends at different times";
            return Err(Finding::error(place, title, "the same time again"));
        }
        Ok(self.from(start, Written::Time { hours: Hours { from, until }, outside }))
    }

    fn clock(&mut self) -> Result<Time, Finding> {
        let Some(Token::Clock(text)) = self.peek() else {
            return Err(self.unexpected("a time of day such as `22:30`"));
        };
        let time = text.split_once(':').and_then(|(hour, minute)| {
            let minute = Some(minute).filter(|minute| minute.len() == 2)?;
            Time::new(hour.parse().ok()?, minute.parse().ok()?, 0, 0).ok()
        });
        let Some(time) = time else {
            let title = format!("`{text}` is not a time of day");
            return Err(Finding::error(self.span(), title, "expected 00:00 to 23:59"));
        };
        self.next += 1;
        Ok(time)
    }
}
