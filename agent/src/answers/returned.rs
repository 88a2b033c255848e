//! Mail that came back: a report of delivery (RFC 3464, in the form of RFC 6522) flows in, the name
//! of the mail that it is about and what became of that flow out. Whether that mail was a page of
//! ours is not known here.

use super::letter::clipped;
use mail_parser::{Message, MessageParser, MessagePart, MimeHeaders};

/// A report is about one recipient for each page; more than these are not read.
const MOST_RECIPIENTS: usize = 20;

/// A mail that did not arrive, or does not yet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ReturnedMail {
    /// The Message-ID of the mail that it is about, without its brackets.
    pub message_id: String,
    /// To whom, what became of it, and what the last server said.
    pub why: String,
}

impl ReturnedMail {
    /// Reads a report; none if it is no report, tells of success, or does not say of which mail.
    pub(super) fn read(message: &Message<'_>) -> Option<Self> {
        let parts = || message.parts.iter();
        // Whatever it is wrapped in: a server in wide use says `multipart/mixed`.
        let status = parts().find(|part| {
            is(part, "message", "delivery-status") || is(part, "message", "global-delivery-status")
        })?;
        let status = String::from_utf8_lossy(status.contents()).replace("\r\n", "\n");
        // The first block is about the report itself, each other about one recipient.
        let mut recipients = status.split("\n\n").skip(1).take(MOST_RECIPIENTS);
        let why = recipients.find_map(fate)?;

        let id = |message: &Message<'_>| message.message_id().map(clipped).filter(|id| !id.is_empty());
        let original = parts().find_map(|part| match part.message() {
            Some(message) => id(message),
            None if is(part, "text", "rfc822-headers") || is(part, "message", "global-headers") => {
                id(&MessageParser::default().parse_headers(part.contents())?)
            }
            None => None,
        });
        // Some servers send nothing back of the mail itself, and answer to it.
        let answered = || message.in_reply_to().as_text_list()?.first().map(|id| clipped(id));
        Some(Self { message_id: original.or_else(answered)?, why })
    }
}

fn is(part: &MessagePart<'_>, main: &str, sub: &str) -> bool {
    part.content_type().is_some_and(|kind| {
        kind.ctype().eq_ignore_ascii_case(main)
            && kind.subtype().is_some_and(|subtype| subtype.eq_ignore_ascii_case(sub))
    })
}

/// What a block says of one recipient, if it does not say that all went well: RFC 3464, section
/// 2.3.
fn fate(block: &str) -> Option<String> {
    let fields = MessageParser::default().parse_headers(block.trim_start().as_bytes())?;
    let field = |name: &'static str| {
        let value = fields.header_raw(name)?.split_ascii_whitespace().collect::<Vec<_>>().join(" ");
        Some(clipped(&value)).filter(|value| !value.is_empty())
    };
    // `rfc822; ines@example.org`: the kind of the name is of no interest.
    let plain =
        |value: String| value.split_once(';').map_or(value.clone(), |(_, text)| text.trim().to_owned());
    let action = field("Action")?.to_ascii_lowercase();
    let what = match action.as_str() {
        "failed" => "could not be delivered",
        "delayed" => "is not delivered yet",
        _ => return None,
    };
    let recipient = field("Final-Recipient").or_else(|| field("Original-Recipient")).map(plain);
    let recipient = recipient.map_or(String::new(), |recipient| format!(" to {recipient}"));
    let said = field("Diagnostic-Code").map(plain).or_else(|| field("Status"));
    Some(format!("mail{recipient} {what}{}", said.map_or(String::new(), |said| format!(": {said}"))))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(report: &str) -> Option<ReturnedMail> {
        ReturnedMail::read(&MessageParser::default().parse(report.replace('\n', "\r\n").as_bytes())?)
    }

    fn report(status: &str, original: &str) -> String {
        format!(
            "From: Mail Delivery System <MAILER-DAEMON@relay.example>\nTo: watch@halyard.example\nSubject: Undelivered\n\
             MIME-Version: 1.0\nContent-Type: multipart/report; report-type=delivery-status; boundary=\"b\"\n\n\
             --b\nContent-Type: text/plain\n\nSorry.\n\n--b\nContent-Type: message/delivery-status\n\n\
             Reporting-MTA: dns; relay.example\nArrival-Date: Mon, 30 Nov 2026 01:10:00 +0000\n\n{status}\n--b\n{original}\n--b--\n"
        )
    }

    const FAILED: &str = "Final-Recipient: rfc822; ines@halyard.example\nAction: failed\nStatus: 5.1.1\n\
                          Diagnostic-Code: smtp; 550 5.1.1 <ines@halyard.example>:\n    no such user\n";
    const HEADERS: &str = "Content-Type: text/rfc822-headers\n\nMessage-ID: <page-7.k3f9.halyard@halyard.example>\nSubject: x\n";
    const WHOLE: &str = "Content-Type: message/rfc822\n\nMessage-ID: <page-7.k3f9.halyard@halyard.example>\nSubject: x\n\nThe words.\n";

    #[test]
    fn a_report_says_which_mail_came_back_and_why() {
        for original in [HEADERS, WHOLE] {
            let read = read(&report(FAILED, original)).expect("a report");
            assert_eq!(read.message_id, "page-7.k3f9.halyard@halyard.example");
            assert_eq!(
                read.why,
                "mail to ines@halyard.example could not be delivered: 550 5.1.1 <ines@halyard.example>: no such user"
            );
        }
        let delayed = "Final-Recipient: rfc822;ines@halyard.example\nAction: Delayed\nStatus: 4.4.1\n";
        let why = read(&report(delayed, HEADERS)).expect("a report").why;
        assert_eq!(why, "mail to ines@halyard.example is not delivered yet: 4.4.1");
    }

    /// As OpenSMTPD 7.4 writes it (tried with it: `tests/servers/try`).
    #[test]
    fn a_report_is_known_by_its_part_for_programs_whatever_it_is_wrapped_in() {
        let mixed = report(FAILED, HEADERS)
            .replace("multipart/report; report-type=delivery-status", "multipart/mixed");
        assert_eq!(read(&mixed), read(&report(FAILED, HEADERS)));
    }

    #[test]
    fn only_a_report_of_failure_about_a_mail_counts() {
        for action in ["delivered", "relayed", "expanded", "", "failed-not"] {
            let status = format!("Final-Recipient: rfc822;i@x.example\nAction: {action}\nStatus: 2.0.0\n");
            assert_eq!(read(&report(&status, HEADERS)), None, "{action:?}");
        }
        assert_eq!(read(&report(FAILED, "Content-Type: text/plain\n\nnothing\n")), None, "about nothing");
        let answering = report(FAILED, "Content-Type: text/plain\n\nnothing\n").replacen(
            "Subject: Undelivered",
            "In-Reply-To: <page-9@halyard.example>\nSubject: Undelivered",
            1,
        );
        assert_eq!(read(&answering).map(|read| read.message_id).as_deref(), Some("page-9@halyard.example"));
        let words = report(FAILED, HEADERS).replace("message/delivery-status", "text/plain");
        assert_eq!(read(&words), None, "not a report");
        assert_eq!(read("Subject: hello\n\nWords."), None);
    }

    proptest::proptest! {
        #[test]
        fn nothing_panics_on_garbage(status in "\\PC{0,300}", original in "\\PC{0,300}", cut in 0..900usize) {
            let whole = report(&status, &original);
            let cut = whole.char_indices().nth(cut).map_or(whole.len(), |(at, _)| at);
            let _ = read(&whole[..cut]);
        }
    }
}
