//! The default alphabet of 3GPP TS 23.038, in which some signs cost two places and many don't
//! exist: words fitted into a text, words to septets and back, septets to octets and back. Here,
//! since what a page may say depends on it. The tables are from memory, and are compared with an
//! independent library in `tests/tests/texts`.

/// Table 6.2.1 in the order of its codes.
const BASIC: &str = "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞ\u{1b}ÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?\
                     ¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà";
/// The escape, which says that the next septet stands in the extension table.
const ESCAPE: u8 = 0x1b;
/// Table 6.2.1.1, without its page break.
const EXTENDED: &[(char, u8)] = &[
    ('^', 0x14),
    ('{', 0x28),
    ('}', 0x29),
    ('\\', 0x2f),
    ('[', 0x3c),
    ('~', 0x3d),
    (']', 0x3e),
    ('|', 0x40),
    ('€', 0x65),
];

/// The septets of one sign; none if the alphabet lacks it.
fn septets_of(sign: char) -> Option<(Option<u8>, u8)> {
    // Most of what is said has the places of ASCII.
    if sign.is_ascii_alphanumeric() || sign == ' ' {
        return Some((None, u8::try_from(sign).ok()?));
    }
    if let Some((_, code)) = EXTENDED.iter().find(|(extended, _)| *extended == sign) {
        return Some((Some(ESCAPE), *code));
    }
    let code = BASIC.chars().position(|basic| basic == sign).and_then(|code| u8::try_from(code).ok())?;
    (code != ESCAPE).then_some((None, code))
}

/// What `sign` costs in the alphabet; none if it isn't there.
fn cost(sign: char) -> Option<usize> {
    septets_of(sign).map(|(escape, _)| 1 + usize::from(escape.is_some()))
}

/// How many places a text takes once it is in the alphabet.
pub fn places(text: &str) -> usize {
    let price = |sign: char| cost(sign).unwrap_or_else(|| stand_in(sign).chars().filter_map(cost).sum());
    text.chars().map(price).sum()
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
pub fn fit(text: &str, places: usize) -> String {
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
            // What would have gone on does not end in a comma.
            out.truncate(out.trim_end_matches([' ', ',', ';', ':']).len());
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

/// The septets of a text, each in a byte of its own; none if the alphabet lacks one of its signs.
pub fn septets(text: &str) -> Option<Vec<u8>> {
    let mut out = Vec::with_capacity(text.len());
    for sign in text.chars() {
        let (escape, code) = septets_of(sign)?;
        out.extend(escape);
        out.push(code);
    }
    Some(out)
}

/// The text of septets. What the extension table lacks is read in the default one, as the
/// standard wants it.
pub fn words(septets: &[u8]) -> String {
    let basic: Vec<char> = BASIC.chars().collect();
    let mut out = String::new();
    let mut escaped = false;
    for septet in septets.iter().map(|septet| septet & 0x7f) {
        let extended = EXTENDED.iter().find(|(_, code)| escaped && *code == septet).map(|(sign, _)| *sign);
        match (septet, extended) {
            (ESCAPE, _) => escaped = true,
            (_, sign) => {
                out.extend(sign.or_else(|| basic.get(usize::from(septet)).copied()));
                escaped = false;
            }
        }
    }
    out
}

/// Septets into octets, the first in the lowest bits: TS 23.038, 6.1.2.1.
pub fn pack(septets: &[u8]) -> Vec<u8> {
    let mut octets = vec![0; (septets.len() * 7).div_ceil(8)];
    for (nth, septet) in septets.iter().enumerate() {
        for bit in (0..7).filter(|bit| septet >> bit & 1 == 1) {
            let place = nth * 7 + bit;
            if let Some(octet) = octets.get_mut(place / 8) {
                *octet |= 1 << (place % 8);
            }
        }
    }
    octets
}

/// The first `count` septets out of octets, or as many as there are.
pub fn unpack(octets: &[u8], count: usize) -> Vec<u8> {
    let there = octets.len() * 8 / 7;
    let bit = |place: usize| octets.get(place / 8).map_or(0, |octet| octet >> (place % 8) & 1);
    (0..count.min(there)).map(|nth| (0..7).fold(0, |septet, n| septet | bit(nth * 7 + n) << n)).collect()
}

#[cfg(test)]
mod tests {
    use super::{BASIC, cost, fit, pack, septets, unpack, words};
    use proptest::prelude::*;

    fn hex(octets: &[u8]) -> String {
        octets.iter().map(|octet| format!("{octet:02X}")).collect()
    }

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
    fn every_code_of_the_default_alphabet_has_one_sign() {
        let mut signs: Vec<_> = BASIC.chars().collect();
        assert_eq!(signs.len(), 128);
        // Codes that ASCII has too: TS 23.038, 6.2.1 (from memory).
        for sign in "\n\r !\"#%&'()*+,-./0129:;<=>?AZaz".chars() {
            assert_eq!(septets(&sign.to_string()), Some(vec![sign as u8]));
        }
        assert_eq!(septets("@$_¡¿à€"), Some(vec![0, 2, 0x11, 0x40, 0x60, 0x7f, 0x1b, 0x65]));
        signs.sort_unstable();
        signs.dedup();
        assert_eq!(signs.len(), 128);
    }

    /// The example that nearly every description of the packing shows, `hellohello` (from memory),
    /// and the one in the documentation of smspdudecoder 2.2.0.
    #[test]
    fn known_texts_pack_as_others_show_them() {
        assert_eq!(hex(&pack(&septets("hellohello").unwrap())), "E8329BFD4697D9EC37");
        assert_eq!(hex(&pack(&septets("How are you?").unwrap())), "C8F71D14969741F977FD07");
    }

    #[test]
    fn eight_septets_fill_seven_octets_and_the_spare_bits_of_the_eighth_are_no_sign() {
        assert_eq!(pack(&[0x7f; 8]).len(), 7);
        let seven = pack(&septets("1234567").unwrap());
        assert_eq!((seven.len(), words(&unpack(&seven, 7))), (7, "1234567".to_owned()));
        // Asked for more than there is, the spare bits read as the sign 0.
        assert_eq!(words(&unpack(&seven, 9)), "1234567@");
    }

    proptest! {
        #[test]
        fn what_is_packed_is_unpacked_again(text in "[a-zA-Z0-9 @€\\[\\]äÖß¿Δ_|^]{0,80}") {
            let there = septets(&text).unwrap();
            prop_assert_eq!(words(&unpack(&pack(&there), there.len())), text);
        }

        #[test]
        fn nothing_panics_on_garbage(octets in proptest::collection::vec(any::<u8>(), 0..200), count in 0..400usize) {
            let there = unpack(&octets, count);
            prop_assert!(there.len() <= count && words(&octets).len() <= octets.len() * 3);
        }

        #[test]
        fn what_was_fitted_is_in_the_alphabet_and_within_its_places(text in "\\PC{0,200}", places in 0..200usize) {
            prop_assert!(septets(&fit(&text, places)).is_some_and(|there| there.len() <= places));
        }
    }
}
