//! What a modem writes, line by line. Octets flow in as they come, in pieces of any size; lines
//! flow out, and the prompt for a text, which is no line. Garbage has its bounds here: a line that
//! never ends is thrown away, and octets that are no text become marks.

use super::refusal::Refusal;

/// The longest line with a meaning is a PDU: 176 octets in hexadecimal.
const LONGEST: usize = 1024;

/// One thing that a modem says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum LineSaid {
    /// The command was carried out.
    Ok,
    /// It was not.
    Refused(Refusal),
    /// It waits for a text: TS 27.005, 4.3.
    Prompt,
    /// A text has come and lies in the memory: `+CMTI`.
    TextCame,
    /// The next PDU is a delivery report, this long: `+CDS`.
    ReportComes(usize),
    /// Octets in hexadecimal.
    Pdu(String),
    /// Anything else: an echo, an information, the modem's own news.
    Line(String),
}

/// Puts pieces together.
#[derive(Debug, Default)]
pub(super) struct Lines {
    pending: Vec<u8>,
    /// What comes up to the next line break belongs to a line that was thrown away.
    skipping: bool,
}

impl Lines {
    pub(super) fn push(&mut self, octets: &[u8]) {
        self.pending.extend_from_slice(octets);
    }

    /// Forgets what has not been taken yet.
    pub(super) fn clear(&mut self) {
        *self = Self::default();
    }

    pub(super) fn next(&mut self) -> Option<LineSaid> {
        loop {
            let breaks = self.pending.iter().take_while(|octet| matches!(octet, b'\r' | b'\n' | 0)).count();
            if breaks > 0 {
                self.pending.drain(..breaks);
                self.skipping = false;
            }
            if self.pending.first() == Some(&b'>') && !self.skipping {
                self.pending.drain(..1);
                return Some(LineSaid::Prompt);
            }
            let Some(end) = self.pending.iter().position(|octet| matches!(octet, b'\r' | b'\n')) else {
                if self.pending.len() > LONGEST {
                    self.pending.clear();
                    self.skipping = true;
                }
                return None;
            };
            let line: Vec<u8> = self.pending.drain(..end).collect();
            if std::mem::take(&mut self.skipping) || line.len() > LONGEST {
                continue;
            }
            let line = String::from_utf8_lossy(&line);
            if let Some(said) = understood(line.trim()) {
                return Some(said);
            }
        }
    }
}

fn understood(line: &str) -> Option<LineSaid> {
    if line.is_empty() {
        return None;
    }
    let is_pdu = |line: &str| {
        line.len() >= 16
            && line.len().is_multiple_of(2)
            && line.bytes().all(|octet| octet.is_ascii_hexdigit())
    };
    Some(if line == "OK" {
        LineSaid::Ok
    } else if let Some(refusal) = Refusal::read(line) {
        LineSaid::Refused(refusal)
    } else if line.starts_with("+CMTI:") {
        LineSaid::TextCame
    } else if let Some(length) = line.strip_prefix("+CDS:") {
        // A length that can't be read fits no PDU.
        LineSaid::ReportComes(length.trim().parse().unwrap_or(0))
    } else if is_pdu(line) {
        LineSaid::Pdu(line.to_owned())
    } else {
        LineSaid::Line(line.to_owned())
    })
}

/// The fields of `+CREG: 0,1` after its name; none if the line is not of this name.
pub(super) fn fields<'a>(line: &'a str, name: &str) -> Option<Vec<&'a str>> {
    let rest = line.strip_prefix(name)?.strip_prefix(':')?;
    Some(rest.split(',').map(str::trim).collect())
}

#[cfg(any(test, feature = "fuzzing"))]
/// All that is said by these pieces.
pub(super) fn all(pieces: &[&[u8]]) -> Vec<LineSaid> {
    let mut lines = Lines::default();
    let mut said = Vec::new();
    for piece in pieces {
        lines.push(piece);
        said.extend(std::iter::from_fn(|| lines.next()));
    }
    said
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn line(text: &str) -> LineSaid {
        LineSaid::Line(text.to_owned())
    }

    #[test]
    fn lines_come_whole_however_they_are_cut() {
        let whole = b"AT+CSQ\r\r\n+CSQ: 17,99\r\n\r\nOK\r\n".as_slice();
        let expected = [line("AT+CSQ"), line("+CSQ: 17,99"), LineSaid::Ok];
        assert_eq!(all(&[whole]), expected);
        let pieces: Vec<&[u8]> = whole.chunks(1).collect();
        assert_eq!(all(&pieces), expected);
    }

    #[test]
    fn the_prompt_needs_no_end_of_line() {
        assert_eq!(all(&[b"\r\n> "]), [LineSaid::Prompt]);
        assert_eq!(all(&[b"\r\n>", b" \r\n+CMGS: 17\r\n"]), [LineSaid::Prompt, line("+CMGS: 17")]);
    }

    #[test]
    fn news_of_the_modem_are_told_from_answers() {
        let said =
            all(&[b"+CMTI: \"SM\",3\r\n+CDS: 25\r\n00060B0B916407281553\r\nRING\r\n+CMS ERROR: 331\r\n"]);
        assert_eq!(
            said[..4],
            [
                LineSaid::TextCame,
                LineSaid::ReportComes(25),
                LineSaid::Pdu("00060B0B916407281553".into()),
                line("RING")
            ]
        );
        assert!(matches!(said[4], LineSaid::Refused(_)));
    }

    #[test]
    fn a_line_without_end_is_thrown_away_and_the_next_is_heard() {
        let long = vec![b'x'; 5_000];
        assert_eq!(all(&[&long, &long, b"xx\r\nOK\r\n"]), [LineSaid::Ok]);
    }

    proptest! {
        #[test]
        fn nothing_panics_on_garbage_and_nothing_grows(pieces in proptest::collection::vec(proptest::collection::vec(any::<u8>(), 0..300), 0..30)) {
            let mut lines = Lines::default();
            for piece in &pieces {
                lines.push(piece);
                while lines.next().is_some() {}
                prop_assert!(lines.pending.len() <= LONGEST);
            }
        }
    }
}
