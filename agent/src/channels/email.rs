//! A page as a mail. The same words go out twice, as plain text and as HTML, both rendered from
//! what the page says; nothing in it is fetched from elsewhere. All mails of one call-out make one
//! thread (RFC 5322, section 3.6.4), whose root is the call-out itself.

use super::enclosed::WithReport;
use super::{SharedParts, plain};
use lettre::Message;
use lettre::message::header::ContentType;
use lettre::message::header::{HeaderName, HeaderValue};
use lettre::message::{Attachment, Mailbox, MultiPart};
use slackwater_rules::alarm::Priority;
use slackwater_rules::record::Seq;
use slackwater_rules::time::Wall;
use std::time::{Duration, SystemTime};

/// So many earlier pages are named in References: readers need the root and the last few, and
/// a header must not grow all night.
const MOST_REFERENCES: usize = 10;

/// A headline is made to fit a text; a subject much longer than that is a mistake elsewhere.
const LONGEST_SUBJECT: usize = 250;

/// 9999-12-31T23:59:59Z: the last second that a Date header can say.
const LAST_DATE: u64 = 253_402_300_799;

/// Composes the mail that carries a page.
pub(super) fn compose(
    WithReport { page, file }: &WithReport<'_>,
    from: &Mailbox,
    to: &Mailbox,
    context: &SharedParts,
) -> Result<Message, lettre::error::Error> {
    let site = plain::one_line(&page.site);
    let sender = match &from.name {
        None if !site.is_empty() => Mailbox::new(Some(site), from.email.clone()),
        name => Mailbox::new(name.as_deref().map(plain::one_line), from.email.clone()),
    };
    let id = |name: String| format!("<{}>", message_id(&name, &page.site, from));
    let root = id(context.names.name("call", page.call));
    let skipped = page.after.len().saturating_sub(MOST_REFERENCES);
    let earlier = page.after.iter().skip(skipped).map(|seq| id(context.names.name("page", *seq)));
    let references: Vec<String> = std::iter::once(root).chain(earlier).collect();
    let parent = references.last().cloned().unwrap_or_default();

    let subject = match page.maybe_repeat {
        true => format!("(possible repeat) {}", page.headline),
        false => page.headline.clone(),
    };
    let mut message = Message::builder()
        .message_id(Some(id(context.names.name("page", page.id))))
        .in_reply_to(parent)
        .references(references.join(" "))
        .date(date((context.clock)()))
        .from(sender)
        .to(to.clone())
        .subject(plain::clip(&plain::one_line(&subject), LONGEST_SUBJECT))
        // RFC 3834, section 5.2: keeps vacation notices away.
        .raw_header(header("Auto-Submitted", "auto-generated"))
        // For mail systems that answer absences without looking at the line above.
        .raw_header(header("X-Auto-Response-Suppress", "All"));
    if let Some(reply_to) = &context.reply_to {
        message = message.reply_to(reply_to.clone());
    }
    if page.priority == Priority::Critical {
        // RFC 2156, registered for mail by RFC 4021, section 2.1.54.
        message = message.raw_header(header("Importance", "high"));
    }
    let plain = plain::lines(&page.body);
    let words = MultiPart::alternative_plain_html(plain, page.html());
    match file {
        None => message.multipart(words),
        Some((name, html)) => {
            let file = Attachment::new(name.clone()).body(html.clone(), ContentType::TEXT_HTML);
            message.multipart(MultiPart::mixed().multipart(words).singlepart(file))
        }
    }
}

/// The Message-ID, without its brackets, of what has this name.
fn message_id(name: &str, site: &str, from: &Mailbox) -> String {
    match plain::slug(site) {
        site if site.is_empty() => format!("{name}@{}", from.email.domain()),
        site => format!("{name}.{site}@{}", from.email.domain()),
    }
}

/// Which page of this site and this journal the mail with this Message-ID was.
pub(crate) fn page_of_mail(id: &str, site: &str, from: &Mailbox, context: &SharedParts) -> Option<Seq> {
    let number = id.strip_prefix("page-")?.split(['.', '@']).next()?;
    let page = number.parse().ok()?;
    (message_id(&context.names.name("page", page), site, from) == id).then_some(page)
}

pub(crate) fn header(name: &'static str, value: &str) -> HeaderValue {
    HeaderValue::new(HeaderName::new_from_ascii_str(name), value.to_owned())
}

fn date(now: Wall) -> SystemTime {
    let seconds = u64::try_from(now.0).unwrap_or(0) / 1_000;
    SystemTime::UNIX_EPOCH + Duration::from_secs(seconds.min(LAST_DATE))
}
