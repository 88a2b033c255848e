//! What an IMAP server says (RFC 3501, section 7), as far as the mailbox needs it. Octets flow in
//! by lines and literals; whole responses flow out, bounded in every way: the common client library
//! takes a server's word for a literal of 512 MiB, and would have a board's memory for it.

use crate::line_stream::{LineStream, NoLine, Stream};
use slackwater_rules::time::Wall;
use std::fmt;

/// A message's part that is read: headers and the first lines are far shorter.
pub(super) const MOST_OF_MESSAGE: usize = 256 << 10;

/// A line of a response without its literals: a search may list some hundred numbers.
pub(super) const LONGEST_LINE: usize = 32 << 10;
/// Literals of one response: the message itself, and what a server may say of it that way.
const MOST_LITERALS: usize = 4;

/// Why a conversation does not go on.
#[derive(Debug)]
pub(super) enum ImapFault {
    /// The server said no to this; the conversation is good.
    Refused(String),
    /// It is of no more use: why.
    Broken(String),
}

impl fmt::Display for ImapFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Refused(why) | Self::Broken(why) => f.write_str(why),
        }
    }
}

impl From<NoLine> for ImapFault {
    fn from(none: NoLine) -> Self {
        Self::Broken(none.to_string())
    }
}

/// One response. In its text each literal is left out.
#[derive(Debug, Default, PartialEq, Eq)]
pub(super) struct ImapSaid {
    pub(super) text: String,
    pub(super) literals: Vec<Vec<u8>>,
}

impl ImapSaid {
    /// The next response.
    pub(super) async fn hear(lines: &mut LineStream<Box<dyn Stream>>) -> Result<Self, ImapFault> {
        let mut said = Self::default();
        loop {
            let line = lines.line().await?;
            if said.text.len() + line.len() > LONGEST_LINE {
                return Err(ImapFault::Broken(format!("a response has more than {LONGEST_LINE} bytes")));
            }
            let Some(length) = literal(&line) else {
                said.text += &line;
                return Ok(said);
            };
            let length =
                length.filter(|length| *length <= MOST_OF_MESSAGE && said.literals.len() < MOST_LITERALS);
            let Some(length) = length else {
                return Err(ImapFault::Broken(format!("it sends more than {MOST_OF_MESSAGE} bytes at once")));
            };
            said.text += line.rsplit_once('{').map_or("", |(text, _)| text);
            said.literals.push(lines.exactly(length).await?);
        }
    }

    /// What stands behind `* `, if it is no answer to a command.
    pub(super) fn untagged(&self) -> Option<&str> {
        self.text.strip_prefix("* ")
    }

    /// The numbers of a search's answer.
    pub(super) fn found(&self) -> Option<Vec<u32>> {
        let numbers = strip_word(self.untagged()?, "SEARCH")?;
        Some(numbers.split_ascii_whitespace().filter_map(|number| number.parse().ok()).collect())
    }

    /// The message in a fetch's answer, if it is that with this number.
    pub(super) fn message(mut self, uid: u32) -> Option<Fetched> {
        let (_, rest) = self.untagged()?.split_once(' ')?;
        let rest = strip_word(rest, "FETCH")?;
        let mut words = rest.split(|sign: char| sign == '(' || sign == ')' || sign.is_whitespace());
        let of = words.find(|word| word.eq_ignore_ascii_case("UID")).and_then(|_| words.next())?;
        if of.parse() != Ok(uid) {
            return None;
        }
        let arrived =
            rest.split_once("INTERNALDATE \"").and_then(|(_, date)| internal_date(date.split('"').next()?));
        let octets = self.literals.pop()?;
        Some(Fetched { arrived, octets })
    }

    /// Whether new messages are told of.
    pub(super) fn tells_of_mail(&self) -> bool {
        let words = self.untagged().and_then(|rest| rest.split_once(' '));
        words.is_some_and(|(number, what)| {
            number.parse::<u32>().is_ok() && what.eq_ignore_ascii_case("EXISTS")
        })
    }

    /// What numbers of messages are good with: others mean other messages (RFC 3501, 2.3.1.1).
    pub(super) fn validity(&self) -> Option<u32> {
        let (_, number) = self.untagged()?.split_once("[UIDVALIDITY ")?;
        number.split(']').next()?.parse().ok()
    }

    /// What the server permits to be marked: its flags, if this says so.
    pub(super) fn permanent_flags(&self) -> Option<&str> {
        let (_, flags) = self.untagged()?.split_once("[PERMANENTFLAGS (")?;
        flags.split(')').next()
    }
}

/// A message as far as it was read.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Fetched {
    /// When the server had it.
    pub(super) arrived: Option<Wall>,
    pub(super) octets: Vec<u8>,
}

/// The length of the literal that a line ends with: none, one, or one that is none of ours.
fn literal(line: &str) -> Option<Option<usize>> {
    let (_, length) = line.strip_suffix('}')?.rsplit_once('{')?;
    let digits = length.trim_end_matches('+');
    digits.bytes().all(|digit| digit.is_ascii_digit()).then(|| digits.parse().ok())
}

/// The rest behind a word, whatever the case of its letters.
fn strip_word<'t>(text: &'t str, word: &str) -> Option<&'t str> {
    let (head, rest) = text.split_at_checked(word.len())?;
    (head.eq_ignore_ascii_case(word) && (rest.is_empty() || rest.starts_with(' ')))
        .then_some(rest.trim_start())
}

/// `29-Nov-2026 02:15:00 +0100`, the day perhaps with a blank for its first digit.
fn internal_date(text: &str) -> Option<Wall> {
    let parsed = jiff::fmt::strtime::parse("%d-%b-%Y %H:%M:%S %z", text.trim()).ok()?;
    Some(Wall(parsed.to_timestamp().ok()?.as_millisecond()))
}

#[cfg(any(test, feature = "fuzzing"))]
/// A server's responses, one after the other.
pub(super) fn promise(octets: &[u8]) {
    let server = tokio::io::join(std::io::Cursor::new(octets.to_vec()), tokio::io::sink());
    let stream: Box<dyn Stream> = Box::new(server);
    let mut lines = LineStream::new(stream, LONGEST_LINE);
    crate::promises::at_once(async move {
        while let Ok(said) = ImapSaid::hear(&mut lines).await {
            assert!(said.text.len() <= LONGEST_LINE && said.literals.len() <= MOST_LITERALS);
            let _ = (said.found(), said.tells_of_mail(), said.validity(), said.permanent_flags());
            if let Some(fetched) = said.message(1) {
                assert!(fetched.octets.len() <= MOST_OF_MESSAGE);
                super::letter::promise(&fetched.octets);
            }
        }
    });
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::io::AsyncWriteExt;

    async fn hear(octets: &[u8]) -> Result<ImapSaid, ImapFault> {
        let (ours, mut theirs) = tokio::io::duplex(1 << 20);
        theirs.write_all(octets).await.expect("room");
        drop(theirs);
        let stream: Box<dyn Stream> = Box::new(ours);
        ImapSaid::hear(&mut LineStream::new(stream, LONGEST_LINE)).await
    }

    #[tokio::test]
    async fn a_message_comes_with_its_number_and_its_time() {
        let said = b"* 3 FETCH (UID 17 INTERNALDATE \"29-Nov-2026 02:15:00 +0100\" BODY[]<0> {11}\r\nFrom: a {3}\r\n)\r\n";
        let said = hear(said).await.expect("heard");
        assert_eq!(said.literals, [b"From: a {3}".to_vec()]);
        let message = said.message(17).expect("a message");
        assert_eq!(message.octets, b"From: a {3}");
        assert_eq!(message.arrived, Some(Wall(1_795_914_900_000)));
        let other = hear(b"* 3 FETCH (FLAGS (\\Seen) UID 18 BODY[] {1}\r\nx)\r\n").await.expect("heard");
        assert_eq!(other.message(17), None);
    }

    #[tokio::test]
    async fn what_is_too_much_is_refused_before_it_comes() {
        for said in ["* 1 FETCH (BODY[] {536870912}\r\n", "* 1 FETCH (BODY[] {99999999999999999999}\r\n"] {
            let fault = hear(said.as_bytes()).await.expect_err("too much");
            assert!(fault.to_string().contains("more than 262144 bytes"), "{fault}");
        }
        let line = format!("* SEARCH{}\r\n", " 1".repeat(LONGEST_LINE));
        assert!(hear(line.as_bytes()).await.is_err());
        let pieces = "* 1 FETCH (X {1}\r\nx".to_owned() + &" Y {1}\r\ny".repeat(5) + ")\r\n";
        assert!(hear(pieces.as_bytes()).await.is_err());
        assert!(hear(b"* 1 FETCH (BODY[] {5}\r\nab").await.is_err(), "it ends in the middle");
    }

    #[tokio::test]
    async fn other_responses_are_told_apart() {
        let said = async |text: &str| hear(format!("{text}\r\n").as_bytes()).await.expect("heard");
        assert_eq!(said("* SEARCH 4 17 x 18").await.found(), Some(vec![4, 17, 18]));
        assert_eq!(said("* search").await.found(), Some(vec![]));
        assert_eq!(said("* SEARCHED 4").await.found(), None);
        assert!(said("* 23 EXISTS").await.tells_of_mail() && !said("* 23 EXPUNGE").await.tells_of_mail());
        let flags = said("* OK [PERMANENTFLAGS (\\Answered \\Seen \\*)] Limited").await;
        assert_eq!(flags.permanent_flags(), Some("\\Answered \\Seen \\*"));
        assert_eq!(said("* OK [UIDVALIDITY 1764374400] valid").await.validity(), Some(1_764_374_400));
        assert_eq!(said("a1 OK done").await.untagged(), None);
    }
}
