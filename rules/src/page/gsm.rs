//! Fitting words into a text message: the default alphabet of 3GPP TS 23.038, in which some
//! signs cost two places and many don't exist. The table is from memory.

/// Signs that cost one place, besides ASCII letters and digits.
const BASIC: &str = "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./:;<=>?¡ÄÖÑÜ§¿äöñüà";
/// Signs that cost two: the escape and themselves.
const EXTENDED: &str = "^{}\\[~]|€";

/// What `sign` costs in the alphabet; none if it isn't there.
fn cost(sign: char) -> Option<usize> {
    if sign.is_ascii_alphanumeric() || BASIC.contains(sign) {
        Some(1)
    } else if EXTENDED.contains(sign) {
        Some(2)
    } else {
        None
    }
}

/// The nearest thing to say for a sign that the alphabet lacks.
fn stand_in(sign: char) -> &'static str {
    match sign {
        '°' => "deg",
        '–' | '—' | '−' => "-",
        '‘' | '’' | '`' => "'",
        '“' | '”' => "\"",
        '…' => "...",
        'á' | 'â' | 'ã' => "a",
        'ê' | 'ë' => "e",
        'í' | 'î' | 'ï' => "i",
        'ó' | 'ô' | 'õ' => "o",
        'ú' | 'û' => "u",
        'ç' => "c",
        'µ' | 'μ' => "u",
        '\t' | '\u{a0}' => " ",
        _ => "?",
    }
}

/// `text` in the alphabet, cut between words to cost at most `places`.
pub(super) fn fit(text: &str, places: usize) -> String {
    let mut out = String::new();
    let mut spent = 0;
    let mut word_end = None;
    for sign in text.chars() {
        let known = cost(sign).is_some();
        let mut buffer = [0; 4];
        let said = if known { &*sign.encode_utf8(&mut buffer) } else { stand_in(sign) };
        let price: usize = said.chars().filter_map(cost).sum();
        if spent + price > places {
            // A cut inside a word goes back to the last blank, unless that loses too much.
            if let Some(end) = word_end.filter(|end| *end * 2 > out.len() && sign != ' ') {
                out.truncate(end);
            }
            return out;
        }
        if sign == ' ' {
            word_end = Some(out.len());
        }
        out.push_str(said);
        spent += price;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::{cost, fit};

    #[test]
    fn the_alphabet_has_no_degree_sign_and_brackets_cost_two() {
        assert_eq!(cost('°'), None);
        assert_eq!(cost('['), Some(2));
        assert_eq!(fit("24 °C", 160), "24 degC");
    }

    #[test]
    fn a_long_text_is_cut_between_words_to_160_places() {
        let long = "pump ".repeat(60);
        let text = fit(&long, 160);
        assert!(text.len() <= 160 && text.ends_with("pump"), "{text}");
        assert_eq!(fit(&"€".repeat(100), 160).chars().count(), 80);
    }

    #[test]
    fn every_sign_of_the_default_alphabet_is_counted_once() {
        // 128 places less the escape, as the tables of TS 23.038 have it (from memory).
        let letters = 26 * 2 + 10;
        assert_eq!(letters + super::BASIC.chars().count(), 127);
    }
}
