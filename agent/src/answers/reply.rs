//! What whoever answered by mail hears back: a short mail in the same thread, that says of itself
//! that it is automatic (RFC 3834). Replies wait in a short queue and leave one by one, so that a
//! slow mail server holds up no answer; one that can't leave is only logged, since the ladder does
//! not hang on it.

use super::letter::Letter;
use crate::channels::{MailSettings, header, send_mail};
use crate::clock::Clock;
use lettre::Message;
use lettre::message::Mailbox as Address;
use std::time::{Duration, SystemTime};
use tokio::sync::mpsc;

/// Replies that may wait.
const LONGEST_QUEUE: usize = 16;

/// Below what is said, for whoever is new to it.
const HOW: &str = "Write it as the first line of a reply, above the quoted page.";

/// The way out for replies.
pub(super) struct Replier(mpsc::Sender<(Letter, String)>);

impl Replier {
    pub(super) fn start(mail: MailSettings, clock: Clock) -> Self {
        let (replies, mut waiting) = mpsc::channel::<(Letter, String)>(LONGEST_QUEUE);
        tokio::spawn(async move {
            while let Some((letter, words)) = waiting.recv().await {
                let Some(to) = letter.from.as_ref().and_then(|from| from.parse::<Address>().ok()) else {
                    continue;
                };
                let sent = match compose(&letter, &words, &mail, &to, &clock) {
                    Ok(message) => send_mail(&mail, &to, &message.formatted()).await,
                    Err(why) => Err(why.to_string()),
                };
                if let Err(why) = sent {
                    tracing::warn!(%to, why, "the reply to an answer by mail did not leave");
                }
            }
        });
        Self(replies)
    }

    /// Hands a reply over; one too many is left out.
    pub(super) fn send(&self, letter: &Letter, words: String) {
        if self.0.try_send((letter.clone(), words)).is_err() {
            tracing::warn!("{LONGEST_QUEUE} replies wait for the mail server already: one is left out");
        }
    }
}

fn compose(
    letter: &Letter,
    words: &str,
    mail: &MailSettings,
    to: &Address,
    clock: &Clock,
) -> Result<Message, lettre::error::Error> {
    let subject = match letter.subject.get(..3) {
        Some(prefix) if prefix.eq_ignore_ascii_case("re:") => letter.subject.clone(),
        _ => format!("Re: {}", letter.subject),
    };
    let seconds = u64::try_from(clock.now().wall.0).unwrap_or(0) / 1_000;
    let mut message = Message::builder()
        .message_id(None)
        .date(SystemTime::UNIX_EPOCH + Duration::from_secs(seconds.min(u64::from(u32::MAX))))
        .from(mail.from.clone())
        .to(to.clone())
        .subject(subject)
        .raw_header(header("Auto-Submitted", "auto-replied"));
    if let Some(id) = letter.message_id.as_ref().filter(|id| id.bytes().all(|octet| octet.is_ascii_graphic()))
    {
        message = message.in_reply_to(format!("<{id}>")).references(format!("<{id}>"));
    }
    message.body(format!("{words}\n\n{HOW}\n"))
}

#[cfg(test)]
mod tests {
    use super::HOW;
    use slackwater_rules::answer::Meaning;

    #[test]
    fn no_line_of_it_would_be_an_answer() {
        assert!(matches!(Meaning::of(HOW), Meaning::Nothing(_)));
    }
}
