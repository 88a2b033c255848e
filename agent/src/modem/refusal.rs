//! What a modem says when it will not: `+CMS ERROR` (3GPP TS 27.005, 3.2.5), `+CME ERROR` (TS
//! 27.007, 9.2) and plain `ERROR`, in words, and whether another try could help. The numbers are
//! from memory.

use slackwater_rules::record::Outcome;
use std::fmt;

/// The last line of an answer that is not `OK`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Refusal {
    kind: RefusalKind,
    code: Option<u16>,
    text: String,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum RefusalKind {
    Message,
    Equipment,
    Plain,
}

/// TS 27.007, 9.2.1.
pub(super) const WRONG_PIN: u16 = 16;

impl Refusal {
    /// Reads such a line; none if it is another.
    pub(super) fn read(line: &str) -> Option<Self> {
        let (kind, rest) = if let Some(rest) = line.strip_prefix("+CMS ERROR:") {
            (RefusalKind::Message, rest)
        } else if let Some(rest) = line.strip_prefix("+CME ERROR:") {
            (RefusalKind::Equipment, rest)
        } else if line == "ERROR" || line == "COMMAND NOT SUPPORT" {
            (RefusalKind::Plain, "")
        } else {
            return None;
        };
        let text = rest.trim().chars().take(60).collect::<String>();
        Some(Self { kind, code: text.parse().ok(), text })
    }

    /// A wrong PIN costs one of three tries.
    pub(super) fn is_wrong_pin(&self) -> bool {
        self.kind != RefusalKind::Message && self.code.is_none_or(|code| code == WRONG_PIN)
    }

    /// What it means for a page.
    pub(super) fn outcome(&self) -> Outcome {
        let why = self.to_string();
        if self.is_final() { Outcome::Failed { why } } else { Outcome::deferred(why) }
    }

    /// Whether the same text to the same number would be refused again.
    fn is_final(&self) -> bool {
        match (self.kind, self.code) {
            (RefusalKind::Message, Some(code)) => matches!(
                code,
                1 | 8 | 10 | 21 | 28 | 29 | 30 | 50 | 69 | 81 | 95..=99 | 111 | 128..=175 | 194 | 195 | 208 | 303..=305 | 330
            ),
            _ => false,
        }
    }

    fn meaning(&self) -> Option<&'static str> {
        Some(match (self.kind, self.code?) {
            (RefusalKind::Message, code) => match code {
                1 => "the number is not assigned",
                8 | 10 => "the operator bars it",
                21 => "rejected by the network: a prepaid card may be empty or expired",
                27 => "the phone's network is out of service",
                28 | 30 => "the subscriber is not known",
                29 | 69 => "the network does not offer texts to this card",
                38 => "the network is out of order",
                41 => "a temporary failure of the network",
                42 => "the network is congested",
                47 => "the network has no resources left",
                50 => "texts are not part of this card's contract",
                96..=99 | 111 | 81 | 95 => "the network does not understand it",
                128..=175 => "the service centre can't handle it",
                192 | 193 => "the service centre is busy",
                194 | 195 => "the service centre does not serve this card",
                208 => "the card's memory for texts is full",
                300 => "the modem failed",
                301..=303 => "the modem does not allow it",
                304 | 305 => "the modem does not take this form of text",
                310 => "there is no SIM in it",
                311 | 312 => "the SIM wants its PIN",
                313 | 315 => "the SIM failed",
                314 => "the SIM is busy",
                316..=318 => "the SIM is blocked: it wants its PUK",
                320..=322 => "its memory for texts fails or is full",
                330 => "the SIM does not know its service centre",
                331 => "no network",
                332 => "the network did not answer in time",
                500 => "the modem does not say why",
                _ => return None,
            },
            (RefusalKind::Equipment, code) => match code {
                3 | 4 => "the modem does not allow it",
                5 | 11 => "the SIM wants its PIN",
                10 => "there is no SIM in it",
                12 => "the SIM is blocked: it wants its PUK",
                13 | 15 => "the SIM failed",
                14 => "the SIM is busy",
                WRONG_PIN => "the PIN is wrong",
                30 => "no network",
                31 => "the network did not answer in time",
                32 => "emergency calls only",
                100 => "the modem does not say why",
                _ => return None,
            },
            (RefusalKind::Plain, _) => return None,
        })
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let kind = match self.kind {
            RefusalKind::Message => "+CMS ERROR",
            RefusalKind::Equipment => "+CME ERROR",
            RefusalKind::Plain => return f.write_str("ERROR, without a reason"),
        };
        match self.meaning() {
            Some(meaning) => write!(f, "{meaning} ({kind} {})", self.text),
            None => write!(f, "{kind} {}", self.text),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_refusal_is_told_in_words_and_as_something_to_try_again_or_not() {
        for (line, words, again) in [
            ("+CMS ERROR: 331", "no network (+CMS ERROR 331)", true),
            ("+CMS ERROR: 332", "the network did not answer in time (+CMS ERROR 332)", true),
            ("+CMS ERROR: 1", "the number is not assigned (+CMS ERROR 1)", false),
            ("+CMS ERROR: 330", "the SIM does not know its service centre (+CMS ERROR 330)", false),
            ("+CMS ERROR: 777", "+CMS ERROR 777", true),
            ("+CME ERROR: 16", "the PIN is wrong (+CME ERROR 16)", true),
            ("+CMS ERROR: Network timeout", "+CMS ERROR Network timeout", true),
            ("ERROR", "ERROR, without a reason", true),
        ] {
            let refusal = Refusal::read(line).unwrap();
            assert_eq!(refusal.to_string(), words);
            assert_eq!(matches!(refusal.outcome(), Outcome::Deferred { .. }), again, "{line}");
        }
        for line in ["OK", "+CMGS: 4", "ERRORS", "+CMS", ""] {
            assert_eq!(Refusal::read(line), None);
        }
    }
}
