//! A mail as an answer: octets flow in; who wrote it, whether a machine did, and the one line that
//! decides flow out. Headers are read by a parser that is kept well and fuzzed; what they mean for
//! an answer stands here and in `rules`.

use super::returned::ReturnedMail;
use mail_parser::{HeaderName, HeaderValue, Message, MessageParser, MimeHeaders, PartType};
use slackwater_rules::answer::{Flow, first_own_line, machine_made, readable};
use slackwater_rules::time::Wall;

/// Headers that are looked at: those of a mail that came through many hands.
const MOST_HEADERS: usize = 200;

/// So much of a name, a subject or an address is kept.
const LONGEST: usize = 300;

/// A mail, as far as an answer needs it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Letter {
    /// The one address that it says it is from, in small letters; none if it says none or several.
    pub from: Option<String>,
    /// What shows that a machine wrote it.
    pub machine: Option<&'static str>,
    /// The first line of the writer's own.
    pub line: Option<String>,
    /// When it says it was written.
    pub written: Option<Wall>,
    /// Its name, for the reply.
    pub message_id: Option<String>,
    /// For the reply.
    pub subject: String,
    /// It tells of a mail that did not arrive.
    pub returned: Option<ReturnedMail>,
}

impl Letter {
    /// Reads a mail, of which the end may be missing.
    pub(super) fn read(octets: &[u8]) -> Self {
        let Some(message) = MessageParser::default().parse(octets) else { return Self::default() };
        let machine = {
            let headers = message.headers().iter().take(MOST_HEADERS);
            let raw = headers.filter_map(|header| {
                let value = octets.get(header.offset_start as usize..header.offset_end as usize)?;
                Some((header.name().to_owned(), String::from_utf8_lossy(value).trim().to_owned()))
            });
            let raw: Vec<(String, String)> = raw.collect();
            machine_made(raw.iter().map(|(name, value)| (name.as_str(), value.as_str())))
        };
        let written = message.date().map(|date| Wall(date.to_timestamp().saturating_mul(1_000)));
        Self {
            from: only_sender(&message),
            machine,
            line: own_line(&message),
            written,
            message_id: message.message_id().map(clipped),
            subject: message.subject().map(clipped).unwrap_or_default(),
            returned: ReturnedMail::read(&message),
        }
    }
}

pub(super) fn clipped(text: &str) -> String {
    text.chars().filter(|sign| !sign.is_control()).take(LONGEST).collect()
}

/// Two `From` headers, or two addresses in one, show each reader another sender.
fn only_sender(message: &Message<'_>) -> Option<String> {
    let mut headers = message.headers().iter().filter(|header| header.name == HeaderName::From);
    let HeaderValue::Address(from) = &headers.next()?.value else { return None };
    let mut addresses = from.iter();
    let only = addresses.next()?.address()?;
    let one = addresses.next().is_none() && headers.next().is_none();
    one.then(|| clipped(only).to_lowercase())
}

/// Of a mail in both forms the plain text counts.
fn own_line(message: &Message<'_>) -> Option<String> {
    let bodies = message.text_body.iter().filter_map(|part| message.parts.get(*part as usize));
    let body = bodies.into_iter().find(|part| matches!(part.body, PartType::Text(_) | PartType::Html(_)))?;
    match &body.body {
        PartType::Text(text) => {
            let kind = body.content_type();
            let attribute = |name| kind.and_then(|kind| kind.attribute(name));
            let flows = attribute("format").is_some_and(|format| format.eq_ignore_ascii_case("flowed"));
            let delete_blank = attribute("delsp").is_some_and(|deletes| deletes.eq_ignore_ascii_case("yes"));
            first_own_line(text, if flows { Flow::Flowed { delete_blank } } else { Flow::Fixed })
        }
        PartType::Html(html) => first_own_line(&readable(html), Flow::Fixed),
        _ => None,
    }
}

#[cfg(any(test, feature = "fuzzing"))]
/// Whatever a mail says, what is kept of it is short and can be shown.
pub(super) fn promise(octets: &[u8]) {
    let letter = Letter::read(octets);
    let kept = [Some(&letter.subject), letter.message_id.as_ref(), letter.from.as_ref()];
    for text in kept.into_iter().flatten() {
        // Small letters of one sign may be several.
        assert!(text.chars().count() <= 3 * LONGEST && !text.contains(char::is_control), "{text:?}");
    }
}
