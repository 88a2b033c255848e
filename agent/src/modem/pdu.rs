//! Texts in the form in which a modem takes and gives them: the protocol data units of 3GPP TS
//! 23.040 in hexadecimal, as the PDU mode of TS 27.005 wants them. A number and septets flow in
//! and a SMS-SUBMIT out; what came from the network flows in, and a text or a delivery report
//! flows out.
//!
//! PDU mode and not text mode: every modem has to have it, it knows no character sets and no
//! quoting of their own that differ by maker, and a report in it says beyond doubt which text it
//! is about. Anything can arrive here, so every step is checked.

use super::number::{Number, Sender};
use crate::plain_text::is_deceptive;
use slackwater_rules::page::gsm;
use std::fmt::Write;

/// TP-MTI submit, TP-VPF relative: 9.2.3.1, 9.2.3.3.
const SUBMIT: u8 = 0x11;
/// TP-SRR: 9.2.3.5.
const WITH_REPORT: u8 = 0x20;
/// The network keeps a text for a phone that is off for a day (9.2.3.12.1: 12 h + 24 × 30 min).
/// Long enough for a night, too short for news of the day before yesterday.
const FOR_A_DAY: u8 = 167;
/// TP-UDHI: 9.2.3.23.
const HEADED: u8 = 0x40;

/// One text without parts, ready to be sent.
#[derive(Clone, PartialEq, Eq)]
pub(super) struct Submit {
    /// In hexadecimal, with an empty service centre in front: the SIM knows its own.
    pub(super) hex: String,
    /// Octets without the service centre, as `AT+CMGS` wants to know.
    pub(super) octets: usize,
}

/// What came.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Incoming {
    /// A text.
    Text {
        from: Sender,
        /// None if it carries data instead of words.
        text: Option<String>,
    },
    /// What became of a text that was sent.
    Report(DeliveryReport),
}

/// A delivery report.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct DeliveryReport {
    /// The number that the modem gave the text.
    pub(super) reference: u8,
    pub(super) to: Sender,
    pub(super) fate: TextFate,
}

/// TP-ST: 9.2.3.15.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum TextFate {
    /// The phone has it.
    Delivered,
    /// It has left this network, and nothing more is known.
    Forwarded,
    /// The network goes on trying.
    Trying(u8),
    /// It has given up.
    GivenUp(u8),
}

impl TextFate {
    fn of(status: u8) -> Self {
        match status {
            0x00 => Self::Delivered,
            0x01 | 0x02 => Self::Forwarded,
            0x20..=0x3f => Self::Trying(status),
            // Reserved values are to be taken as errors.
            _ => Self::GivenUp(status),
        }
    }

    /// What the network says, in words: 9.2.3.15.
    pub(crate) fn words(self) -> &'static str {
        match self {
            Self::Delivered => "delivered to the phone",
            Self::Forwarded => "handed on to another network, which does not say more",
            Self::Trying(status) | Self::GivenUp(status) => match status & 0x1f {
                0x00 if status & 0x60 != 0x40 => "congestion",
                0x01 if status & 0x60 != 0x40 => "the phone is busy",
                0x02 if status & 0x60 != 0x40 => "no answer from the phone",
                0x03 if status & 0x60 != 0x40 => "the service rejected it",
                0x04 if status & 0x60 != 0x40 => "quality of service not available",
                0x05 if status & 0x60 != 0x40 => "an error in the phone",
                0x00 => "an error of the procedure",
                0x01 => "not compatible with the phone",
                0x02 => "the connection was rejected by the phone",
                0x03 => "not obtainable",
                0x04 => "quality of service not available",
                0x05 => "no interworking available",
                0x06 => "it was kept for as long as it was wanted",
                0x07 => "deleted by the sender",
                0x08 => "deleted by the service",
                0x09 => "the text does not exist",
                _ => "for a reason of its own",
            },
        }
    }
}

/// A text of at most 160 septets to a number.
pub(super) fn submit(to: &Number, septets: &[u8], report: bool) -> Submit {
    let count = u8::try_from(septets.len().min(160)).unwrap_or(160);
    let digits = to.digits();
    let mut octets = vec![SUBMIT | if report { WITH_REPORT } else { 0 }, 0];
    // 9.1.2.5: the length in digits, international, ISDN numbering plan.
    octets.extend([u8::try_from(digits.len()).unwrap_or(0), 0x91]);
    octets.extend(semi_octets(digits));
    // No interworking, the default alphabet.
    octets.extend([0, 0, FOR_A_DAY, count]);
    octets.extend(gsm::pack(septets.get(..usize::from(count)).unwrap_or(septets)));
    let mut hex = String::from("00");
    for octet in &octets {
        // Writing to a String cannot fail.
        let _ = write!(hex, "{octet:02X}");
    }
    Submit { hex, octets: octets.len() }
}

/// 9.1.2.3: two digits an octet, the first in the lower half, a filler at the end.
fn semi_octets(digits: &str) -> Vec<u8> {
    let digits: Vec<u8> = digits.bytes().map(|digit| digit.wrapping_sub(b'0') & 0x0f).collect();
    let (pairs, odd) = digits.as_chunks::<2>();
    let octets = pairs.iter().map(|[low, high]| low | high << 4);
    octets.chain(odd.iter().map(|low| low | 0x0f << 4)).collect()
}

/// Reads what came. `octets` is the length without the service centre that the modem told of.
///
/// # Errors
/// Why it can't be read: for the log, without what it says.
pub(super) fn incoming(hex: &str, octets: usize) -> Result<Incoming, &'static str> {
    let all = from_hex(hex).ok_or("it is not hexadecimal")?;
    let mut rest = Octets(&all);
    let centre = usize::from(rest.next()?);
    rest.take(centre)?;
    if rest.0.len() != octets {
        return Err("its length is not the one that the modem said");
    }
    let first = rest.next()?;
    match first & 0x03 {
        0 => {
            let from = rest.sender()?;
            rest.next()?;
            let coding = rest.next()?;
            // TP-SCTS: when the service centre got it.
            rest.take(7)?;
            let length = usize::from(rest.next()?);
            Ok(Incoming::Text { from, text: text(rest.0, length, coding, first & HEADED != 0) })
        }
        2 => {
            let reference = rest.next()?;
            let to = rest.sender()?;
            // When the service centre got it, and when this befell it.
            rest.take(14)?;
            Ok(Incoming::Report(DeliveryReport { reference, to, fate: TextFate::of(rest.next()?) }))
        }
        _ => Err("it is neither a text nor a delivery report"),
    }
}

/// TP-UD by TP-DCS (TS 23.038, 4). `length` counts septets in the default alphabet and octets
/// otherwise.
fn text(data: &[u8], length: usize, coding: u8, headed: bool) -> Option<String> {
    let header = if headed { usize::from(*data.first()?) + 1 } else { 0 };
    let alphabet = match coding >> 4 {
        // Groups without compression, and the automatic deletion group.
        0x0 | 0x1 | 0x4 | 0x5 => coding >> 2 & 0x03,
        // Message waiting: the default alphabet, or UCS-2.
        0xc | 0xd => 0,
        0xe => 2,
        0xf => coding >> 2 & 0x01,
        // Compressed, or reserved.
        _ => return None,
    };
    match alphabet {
        0 => {
            let septets = gsm::unpack(data, length);
            Some(gsm::words(septets.get((header * 8).div_ceil(7)..)?))
        }
        2 => {
            let units = data.get(header..length.min(data.len()))?.as_chunks::<2>().0.iter();
            let units: Vec<u16> = units.map(|pair| u16::from_be_bytes(*pair)).collect();
            Some(String::from_utf16_lossy(&units))
        }
        _ => None,
    }
}

fn from_hex(hex: &str) -> Option<Vec<u8>> {
    let digits: Option<Vec<u8>> =
        hex.trim().chars().map(|c| c.to_digit(16).and_then(|digit| u8::try_from(digit).ok())).collect();
    let digits = digits.filter(|digits| digits.len().is_multiple_of(2))?;
    Some(digits.as_chunks::<2>().0.iter().map(|[high, low]| high << 4 | low).collect())
}

/// What is left of a unit.
struct Octets<'a>(&'a [u8]);

impl<'a> Octets<'a> {
    fn take(&mut self, count: usize) -> Result<&'a [u8], &'static str> {
        let (taken, rest) = self.0.split_at_checked(count).ok_or("it is cut short")?;
        self.0 = rest;
        Ok(taken)
    }

    fn next(&mut self) -> Result<u8, &'static str> {
        self.take(1).map(|octets| octets.first().copied().unwrap_or_default())
    }

    /// 9.1.2.5: the length in digits, the type, the digits or packed letters.
    fn sender(&mut self) -> Result<Sender, &'static str> {
        let digits = usize::from(self.next()?);
        let kind = self.next()? >> 4 & 0x07;
        let octets = self.take(digits.div_ceil(2))?;
        if kind == 5 {
            let name = gsm::words(&gsm::unpack(octets, digits * 4 / 7));
            return Ok(Sender::Name(name.chars().filter(|c| !is_deceptive(*c)).collect()));
        }
        let halves = octets.iter().flat_map(|octet| [octet & 0x0f, octet >> 4]).take(digits);
        let written: String = halves.filter(|half| *half < 10).map(|half| char::from(b'0' + half)).collect();
        Ok(match Number::parse(&format!("+{written}")) {
            Ok(number) if kind == 1 => Sender::International(number),
            _ => Sender::Local(written),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn read(hex: &str) -> Result<Incoming, &'static str> {
        let centre = usize::from_str_radix(&hex[..2], 16).unwrap_or(0);
        incoming(hex, hex.len() / 2 - centre - 1)
    }

    /// The example of a SMS-SUBMIT in widely copied descriptions of the PDU mode: `hellohello` to
    /// +46 70 8251358, four days valid (from memory; ours is valid for a day).
    #[test]
    fn a_text_is_written_as_others_write_it() {
        let to = Number::parse("+46708251358").unwrap();
        let septets = gsm::septets("hellohello").unwrap();
        let submit = submit(&to, &septets, false);
        assert_eq!(submit.hex, "0011000B916407281553F80000A70AE8329BFD4697D9EC37");
        assert_eq!(submit.octets, submit.hex.len() / 2 - 1);
        assert!(super::submit(&to, &septets, true).hex.starts_with("003100"));
    }

    /// The example of a SMS-DELIVER in the same descriptions: `hellohello` from +27 838890001
    /// (from memory).
    #[test]
    fn a_text_is_read_as_others_read_it() {
        let hex = "07917283010010F5040BC87238880900F10000993092516195800AE8329BFD4697D9EC37";
        let text = Some("hellohello".to_owned());
        assert_eq!(read(hex), Ok(Incoming::Text { from: Sender::Local("27838890001".into()), text }));
        let hex = hex.replace("0BC8", "0B91");
        let Ok(Incoming::Text { from, .. }) = read(&hex) else { panic!("no text") };
        assert!(from.is(&Number::parse("+27838890001").unwrap()), "{from:?}");
    }

    #[test]
    fn a_report_says_which_text_it_is_about_and_what_became_of_it() {
        let report = |status: &str| {
            read(&format!("0006110B916407281553F8111120000000001111200001000{}", &format!("0{status}")))
        };
        let Ok(Incoming::Report(report_read)) = report("00") else { panic!("{:?}", report("00")) };
        assert_eq!((report_read.reference, report_read.fate), (0x11, TextFate::Delivered));
        assert!(report_read.to.is(&Number::parse("+46708251358").unwrap()));
        for (status, fate, words) in [
            (0x01, TextFate::Forwarded, "handed on"),
            (0x22, TextFate::Trying(0x22), "no answer from the phone"),
            (0x43, TextFate::GivenUp(0x43), "not obtainable"),
            (0x46, TextFate::GivenUp(0x46), "as long as it was wanted"),
            (0x61, TextFate::GivenUp(0x61), "busy"),
            (0xff, TextFate::GivenUp(0xff), "a reason of its own"),
        ] {
            assert_eq!(TextFate::of(status), fate);
            assert!(fate.words().contains(words), "{status:02x}: {}", fate.words());
        }
    }

    #[test]
    fn words_of_other_alphabets_headed_parts_and_named_senders_are_read() {
        // UCS-2 "ACK é", from a word; the header of a concatenated part (IEI 0) before septets.
        let ucs2 = "000409D0CDB27C1E020008111120000000000A00410043004B002000E9";
        let name = gsm::words(&gsm::unpack(&[0xcd, 0xb2, 0x7c, 0x1e, 0x02], 5));
        let text = Some("ACK é".to_owned());
        assert_eq!(read(ucs2), Ok(Incoming::Text { from: Sender::Name(name), text }));
        let septets: Vec<u8> = [0; 7].into_iter().chain(gsm::septets("ACK K7Q3").unwrap()).collect();
        let mut packed = gsm::pack(&septets);
        packed[..6].copy_from_slice(&[5, 0, 3, 1, 2, 1]);
        packed[6] &= 0xfe;
        assert_eq!(super::text(&packed, septets.len(), 0, true).as_deref(), Some("ACK K7Q3"));
        assert_eq!(super::text(&[1, 2, 3], 3, 0x04, false), None, "data are no words");
    }

    #[test]
    fn a_unit_that_is_not_as_long_as_the_modem_said_is_not_believed() {
        let hex = "07917283010010F5040BC87238880900F10000993092516195800AE8329BFD4697D9EC37";
        assert_eq!(incoming(hex, 27), Err("its length is not the one that the modem said"));
        assert_eq!(incoming(&hex[..40], 12), Err("it is cut short"));
        assert_eq!(incoming("0004x", 1), Err("it is not hexadecimal"));
        assert_eq!(incoming("", 0), Err("it is cut short"));
    }

    proptest! {
        #[test]
        fn nothing_panics_on_garbage(octets in proptest::collection::vec(any::<u8>(), 0..200)) {
            let hex: String = octets.iter().map(|octet| format!("{octet:02x}")).collect();
            let centre = octets.first().map_or(0, |first| usize::from(*first));
            let _ = incoming(&hex, octets.len().saturating_sub(centre + 1));
        }

        #[test]
        fn nothing_panics_on_any_words(text in "\\PC{0,80}", octets in 0..200usize) {
            let _ = incoming(&text, octets);
        }

        #[test]
        fn a_text_of_any_length_is_written_within_the_limits(digits in "[1-9][0-9]{6,14}", text in "[a-z€]{0,200}") {
            let to = Number::parse(&format!("+{digits}")).unwrap();
            let submit = submit(&to, &gsm::septets(&text).unwrap(), true);
            // 12 octets of address at most, 140 of words: 9.2.2.2, 9.2.3.24.
            prop_assert!(submit.octets <= 2 + 10 + 4 + 140 && submit.hex.len() == 2 * submit.octets + 2);
        }
    }
}
