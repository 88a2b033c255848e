//! The units of 3GPP TS 23.040 as a service centre writes and reads them, in the plainest way:
//! strings of bits. Only signs that ASCII and the default alphabet share are known by name; other
//! texts come in UCS-2.

use super::Sent;

/// A service centre in front of what comes from the network.
const CENTRE: &str = "07911356019400F0";

fn bits(septets: impl Iterator<Item = u8>) -> String {
    septets.map(|septet| format!("{septet:07b}").chars().rev().collect::<String>()).collect()
}

fn packed(text: &str) -> String {
    let mut bits = bits(text.bytes());
    while !bits.len().is_multiple_of(8) {
        bits.push('0');
    }
    let octets: Vec<String> = bits
        .as_bytes()
        .chunks(8)
        .map(|octet| octet.iter().rev().map(|bit| char::from(*bit)).collect::<String>())
        .collect();
    octets.iter().map(|octet| format!("{:02X}", u8::from_str_radix(octet, 2).unwrap_or(0))).collect()
}

fn swapped(digits: &str) -> String {
    let padded = if digits.len().is_multiple_of(2) { digits.to_owned() } else { format!("{digits}F") };
    padded.as_bytes().chunks(2).flat_map(|pair| [char::from(pair[1]), char::from(pair[0])]).collect()
}

/// `+` and digits, digits alone, or a word.
fn address(of: &str) -> String {
    match of.strip_prefix('+') {
        Some(digits) => format!("{:02X}91{}", digits.len(), swapped(digits)),
        None if of.bytes().all(|c| c.is_ascii_digit()) => format!("{:02X}81{}", of.len(), swapped(of)),
        None => {
            let packed = packed(of);
            format!("{:02X}D0{packed}", (of.len() * 7).div_ceil(4))
        }
    }
}

/// A SMS-DELIVER from somebody, at a second of a minute.
pub fn deliver(from: &str, text: &str, second: u8) -> String {
    let second = swapped(&format!("{second:02}"));
    let head = format!("{CENTRE}04{}", address(from));
    let stamp = format!("6211522031{second}00");
    let plain = text.chars().all(|c| c.is_ascii_alphanumeric() || " .,:;!?'()+-/\n".contains(c));
    match plain {
        true => format!("{head}0000{stamp}{:02X}{}", text.len(), packed(text)),
        false => {
            let units: Vec<u16> = text.encode_utf16().collect();
            let words: String = units.iter().map(|unit| format!("{unit:04X}")).collect();
            format!("{head}0008{stamp}{:02X}{words}", units.len() * 2)
        }
    }
}

/// A SMS-STATUS-REPORT about the text with this number.
pub fn report(reference: u8, to: &str, status: u8) -> String {
    format!("{CENTRE}06{reference:02X}{}6211522031550062115220315600{status:02X}", address(to))
}

/// The octets of a unit without its service centre.
pub fn octets(unit: &str) -> usize {
    let centre = unit.get(..2).and_then(|octet| usize::from_str_radix(octet, 16).ok()).unwrap_or(0);
    (unit.len() / 2).saturating_sub(centre + 1)
}

/// Reads a SMS-SUBMIT with a relative validity; none if it is none.
pub fn submit(unit: &str) -> Option<Sent> {
    let octet = |at: usize| unit.get(at * 2..at * 2 + 2).and_then(|hex| u8::from_str_radix(hex, 16).ok());
    let begin = usize::from(octet(0)?) + 1;
    let first = octet(begin)?;
    let digits = usize::from(octet(begin + 2)?);
    let words = begin + 4 + digits.div_ceil(2);
    if first & 0x03 != 1 || first & 0x18 != 0x10 || octet(begin + 3)? != 0x91 || octet(words + 1)? != 0 {
        return None;
    }
    let number = swapped(unit.get((begin + 4) * 2..words * 2)?);
    let length = usize::from(octet(words + 3)?);
    let mut bits = String::new();
    for at in words + 4..unit.len() / 2 {
        bits.extend(format!("{:08b}", octet(at)?).chars().rev());
    }
    let septets = bits.as_bytes().chunks_exact(7).take(length);
    let text: String = septets
        .map(|septet| septet.iter().rev().fold(0, |value, bit| value * 2 + (bit - b'0')))
        .map(|septet| match septet {
            0 => '@',
            2 => '$',
            b' '..=b'?' | b'A'..=b'Z' | b'a'..=b'z' | b'\n' => char::from(septet),
            _ => '\u{fffd}',
        })
        .collect();
    (text.chars().count() == length).then(|| Sent {
        to: format!("+{}", number.trim_end_matches('F')),
        text,
        report: first & 0x20 != 0,
        unit: unit.to_owned(),
    })
}
