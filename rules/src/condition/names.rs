//! A condition as it was written, for people: the keys of tanks, sensors, relays and batteries
//! give way to what people call them, and units to their signs. The words of the language stay.

use super::lexer::{Token, tokens};
use crate::site::Site;
use crate::words;

/// `lagoon-temp < 22 degC` as `lagoon water < 22 °C`.
pub(crate) fn in_words(written: &str, site: &dyn Site) -> String {
    let mut out = String::new();
    let mut at = 0;
    for token in tokens(written) {
        let span = token.span;
        out.push_str(written.get(at..span.start).unwrap_or_default());
        let as_written = written.get(span.clone()).unwrap_or_default();
        at = span.end;
        match token.it {
            Token::Word(word) => match site.spoken(word) {
                Some(spoken) => out.push_str(&spoken),
                None => out.push_str(word),
            },
            Token::Quantity { .. } => out.push_str(&words::for_people_in(as_written)),
            Token::Clock(_) | Token::Sign(_) => out.push_str(as_written),
        }
    }
    out + written.get(at..).unwrap_or_default()
}
