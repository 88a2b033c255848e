//! The code in a text that answers a page. Wrongly taken it would end a call-out that nobody heard,
//! so only two forms count: `ACK` and the code, with anything after it, or the code alone. A page
//! that is quoted back by a machine has its code further down, and is no answer.

/// What may stand before the code.
const ACK: &[&str] = &["ACK", "ACKNOWLEDGE"];

/// Codes have four letters or digits.
const LENGTH: usize = 4;

/// The code that a text answers with, in capitals; none if it is no answer.
pub fn code(text: &str) -> Option<String> {
    let mut words = text.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty());
    let first = words.next()?.to_uppercase();
    let code = match ACK.contains(&first.as_str()) {
        true => words.next()?.to_uppercase(),
        false if words.next().is_none() => first,
        false => return None,
    };
    (code.len() == LENGTH && code.bytes().all(|c| c.is_ascii_alphanumeric())).then_some(code)
}

#[cfg(test)]
mod tests {
    use super::code;

    #[test]
    fn an_answer_is_ack_and_the_code_or_the_code_alone() {
        for text in [
            "ACK K7Q3",
            "ack k7q3",
            " Ack: k7q3, on my way!",
            "K7Q3",
            "k7q3.",
            "\nK7Q3\n",
            "acknowledge K7Q3",
        ] {
            assert_eq!(code(text).as_deref(), Some("K7Q3"), "{text}");
        }
    }

    #[test]
    fn what_is_quoted_doubtful_or_empty_is_no_answer() {
        for text in [
            "",
            "ACK",
            "ok",
            "ACK now please",
            "I can't come, K7Q3",
            "K7Q3 no",
            "I am driving. You wrote: lagoon: power-lost, critical, since 02:14, code K7Q3. Reply ACK K7Q3",
            "ÄÖÜ1",
            "ACK K7Q",
        ] {
            assert_eq!(code(text), None, "{text}");
        }
    }
}
