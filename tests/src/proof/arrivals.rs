//! Pages as they arrived, by whatever way: what a person would have in hand.

use crate::http::Request;
use crate::modem;
use crate::smtp::Taken;
use mail_parser::MessageParser;
use slackwater_rules::record::Seq;
use std::time::Instant;

/// A page in somebody's hands.
#[derive(Clone, Debug)]
pub struct Arrival {
    /// `ines.push`.
    pub to: String,
    /// The name that a repeat has too.
    pub name: String,
    /// Its number.
    pub page: Seq,
    /// Its first line.
    pub headline: String,
    /// It says that it may be a repeat.
    pub repeat: bool,
    /// When it was there.
    pub at: Instant,
}

impl Arrival {
    /// It says that something is over.
    pub fn is_all_clear(&self) -> bool {
        self.headline.contains("all clear") || self.headline.contains("came and went")
    }

    /// How many call-outs it says are over, if it is about several that a shut way kept from whom
    /// it is for.
    pub fn came_and_went(&self) -> Option<usize> {
        let (before, _) = self.headline.split_once(" call-outs came and went")?;
        before.rsplit(' ').next()?.parse().ok()
    }

    /// # Panics
    /// If it is no page.
    pub fn of_mail(mail: &Taken) -> Self {
        let parsed = MessageParser::default().parse(&mail.data).expect("a mail");
        let name = parsed.message_id().expect("a Message-ID").to_owned();
        let subject = parsed.subject().unwrap_or_default();
        let person = mail.to.first().and_then(|to| to.split('@').next()).unwrap_or_default();
        Self {
            to: format!("{person}.mail"),
            page: number(&name),
            name,
            repeat: subject.starts_with("(possible repeat)"),
            headline: subject.to_owned(),
            at: mail.at,
        }
    }

    /// A text has no name: each stands for itself. It was there by `at`.
    pub fn of_text(nth: usize, text: &modem::Sent, at: Instant) -> Self {
        let repeated = text.text.strip_prefix("May be a repeat: ");
        Self {
            to: "neighbour.text".to_owned(),
            name: format!("text-{nth}"),
            page: 0,
            headline: repeated.unwrap_or(&text.text).to_owned(),
            repeat: repeated.is_some(),
            at,
        }
    }

    /// # Panics
    /// If it is no page.
    pub fn of_push(request: &Request, to: &str) -> Self {
        let event: serde_json::Value = serde_json::from_slice(&request.body).expect("an event");
        let name = event["id"].as_str().expect("an id").to_owned();
        Self {
            to: to.to_owned(),
            page: number(&name),
            name,
            repeat: event["data"]["maybe_repeat"].as_bool().expect("a flag"),
            headline: event["data"]["headline"].as_str().expect("a headline").to_owned(),
            at: request.at,
        }
    }
}

/// `page-123.k3f9` is page 123.
fn number(name: &str) -> Seq {
    let number = name.strip_prefix("page-").and_then(|rest| rest.split('.').next());
    number.and_then(|number| number.parse().ok()).expect("a page's number")
}
