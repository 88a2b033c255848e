//! Telephone numbers: those that the keeper writes, in the international form of ITU-T E.164, and
//! those that the network names as a text's sender. Neither is ever shown in full: logs and
//! records are read by others.

use std::fmt;

/// E.164: country code and number have at most 15 digits together.
const MOST_DIGITS: usize = 15;
/// No subscriber's number is shorter with its country code; what is shorter is a service.
const LEAST_DIGITS: usize = 7;
/// So many last digits tell a number that the network wrote without its country code.
const LOCAL_DIGITS: usize = 8;

/// A number in international form.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Number(String);

impl Number {
    /// Reads `+351 900 000 000`: a plus, then digits, with blanks, hyphens and brackets as one
    /// likes.
    ///
    /// # Errors
    /// What is wrong about it, without the number.
    pub fn parse(text: &str) -> Result<Self, String> {
        let Some(rest) = text.trim().strip_prefix('+') else {
            return Err("it does not begin with `+` and the country code".to_owned());
        };
        let digits: String = rest.chars().filter(|c| !" -()./".contains(*c)).collect();
        if let Some(odd) = digits.chars().find(|c| !c.is_ascii_digit()) {
            return Err(format!("`{odd}` is not a digit"));
        }
        if digits.starts_with('0') {
            return Err("no country code begins with 0".to_owned());
        }
        if !(LEAST_DIGITS..=MOST_DIGITS).contains(&digits.len()) {
            let count = digits.len();
            return Err(format!(
                "it has {count} digits: {LEAST_DIGITS} to {MOST_DIGITS} are possible (E.164)"
            ));
        }
        Ok(Self(digits))
    }

    /// Its digits, for the one place that dials them.
    pub(super) fn digits(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Number {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&masked(&self.0))
    }
}

impl fmt::Debug for Number {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

/// Whom a text is from, as the network says it. It can be forged.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Sender {
    /// A number with its country code.
    International(Number),
    /// Digits as the network writes them at home, or a service's short number.
    Local(String),
    /// A word, as firms and operators have it.
    Name(String),
}

impl Sender {
    /// Whether this is `number`, written in one way or the other.
    pub fn is(&self, number: &Number) -> bool {
        match self {
            Self::International(sender) => sender == number,
            Self::Local(digits) => {
                let digits = digits.trim_start_matches('0');
                digits.len() >= LOCAL_DIGITS && number.0.ends_with(digits)
            }
            Self::Name(_) => false,
        }
    }

    /// The number to answer to, if it has one that can be dialled from anywhere.
    pub fn number(&self) -> Option<&Number> {
        match self {
            Self::International(number) => Some(number),
            Self::Local(_) | Self::Name(_) => None,
        }
    }
}

impl fmt::Display for Sender {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::International(number) => number.fmt(f),
            Self::Local(digits) => f.write_str(&masked(digits)),
            Self::Name(name) => write!(f, "\"{name}\""),
        }
    }
}

impl fmt::Debug for Sender {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

/// Enough to tell two people apart, too little to call one.
fn masked(digits: &str) -> String {
    let last: String = digits.chars().skip(digits.chars().count().saturating_sub(2)).collect();
    format!("number ending in {last}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_is_taken_as_people_write_it_and_never_shown_in_full() {
        let number = Number::parse(" +351 (900) 000-012 ").unwrap();
        assert_eq!(number.digits(), "351900000012");
        assert_eq!(format!("{number} {number:?}"), "number ending in 12 number ending in 12");
        let sender = Sender::Local("0900000012".into());
        assert_eq!(format!("{sender} {sender:?}"), "number ending in 12 number ending in 12");
    }

    #[test]
    fn what_e_164_does_not_have_is_refused_with_the_reason() {
        for (text, saying) in [
            ("0900 000 012", "begin with `+`"),
            ("+0900 000 012", "begins with 0"),
            ("+351 900 OOO 012", "`O` is not a digit"),
            ("+12345", "5 digits"),
            ("+1234567890123456", "16 digits"),
            ("", "begin with `+`"),
        ] {
            let wrong = Number::parse(text).unwrap_err();
            assert!(wrong.contains(saying), "{text}: {wrong}");
        }
    }

    #[test]
    fn a_sender_is_known_with_and_without_its_country_code() {
        let ines = Number::parse("+351900000012").unwrap();
        assert!(Sender::International(ines.clone()).is(&ines));
        assert!(Sender::Local("0900000012".into()).is(&ines));
        assert!(Sender::Local("900000012".into()).is(&ines));
        assert!(!Sender::Local("0000012".into()).is(&ines), "too few digits to be sure");
        assert!(!Sender::Local("0900000013".into()).is(&ines));
        assert!(!Sender::Name("351900000012".into()).is(&ines));
    }
}
