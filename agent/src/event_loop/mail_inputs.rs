//! What people mail. A message whose one sender is a contact's address is heard as an answer if a
//! person wrote it lately; what a machine wrote is kept as refused and never replied to. The words
//! to reply with flow out, within a bound. A report that a page did not arrive goes to the engine
//! as that.

use super::EventLoop;
use super::answer_inputs::AnswerWay;
use crate::answers::{ArrivedMail, Heeded, Letter, Mailbox, ReturnedMail};
use crate::channels::page_of_mail;
use crate::clock::Clock;
use crate::plain_text::tame;
use crate::settings::Settings;
use slackwater_rules::answer::is_fresh;
use slackwater_rules::engine::Input;
use slackwater_rules::record::By;
use slackwater_rules::time::Wall;
use tokio::sync::mpsc;

/// So much of an address is kept.
const SHOWN: usize = 80;

/// So much is kept of why a mail came back.
const LONGEST_REASON: usize = 300;

/// Opens the mailbox, if there is to be one. Without one nothing ever comes.
pub(super) fn open(settings: &Settings, clock: &Clock) -> (Option<Mailbox>, mpsc::Receiver<ArrivedMail>) {
    let Some((mailbox, mail)) = settings.mailbox().cloned().zip(settings.mail.clone()) else {
        return (None, mpsc::channel(1).1);
    };
    let people = settings.addresses().into_keys().collect();
    let (mailbox, letters) = Mailbox::start(mailbox, mail, people, clock.clone());
    (Some(mailbox), letters)
}

impl EventLoop {
    /// A mail has come.
    pub(super) fn mailed(&mut self, ArrivedMail { letter, at, live, taken }: ArrivedMail) {
        let heeded = match &letter.returned {
            Some(returned) => self.mail_came_back(returned),
            None => self.heed_mail(&letter, at, live).map_or(Heeded::Done, Heeded::Answer),
        };
        // Only what is kept is marked as handled.
        self.finish();
        // A mailbox that has gone marks nothing.
        let _ = taken.send(heeded);
    }

    /// A server could not bring on a mail that it had taken.
    fn mail_came_back(&mut self, returned: &ReturnedMail) -> Heeded {
        let from = self.answers.mail_from.as_ref();
        let site = &self.engine.plan().site;
        let page = from.and_then(|from| page_of_mail(&returned.message_id, site, from, &self.context));
        let Some(page) = page else { return Heeded::NotOurs };
        let why = tame(&returned.why, LONGEST_REASON);
        tracing::warn!(page, why, "a page by mail came back");
        self.channels.returned(page, &why, self.clock.now().wall);
        self.tell_health();
        self.take(Input::Returned { page, why });
        Heeded::Done
    }

    /// A message that the mailbox found in a contact's name; what whoever wrote it should hear.
    fn heed_mail(&mut self, letter: &Letter, at: Option<Wall>, live: bool) -> Option<String> {
        let by = |who: &str| By { who: who.to_owned(), via: AnswerWay::Mail.name().to_owned() };
        let line = letter.line.as_deref().unwrap_or_default();
        let sender = letter.from.as_ref().and_then(|from| self.answers.addresses.get(from)).cloned();
        let Some(who) = sender else {
            let from = tame(letter.from.as_deref().unwrap_or("no one sender"), SHOWN);
            // Nobody is written to whose address is no contact's: it would be somebody else's.
            self.hear_no_answer(by(&from), AnswerWay::Mail, line, "its sender is no contact's address");
            return None;
        };
        if let Some(machine) = letter.machine {
            self.hear_no_answer(by(&who), AnswerWay::Mail, line, machine);
            return None;
        }
        let now = self.clock.now();
        let verdict = if is_fresh(&now, live, at, letter.written) {
            self.hear_answer(&who, AnswerWay::Mail, line)
        } else {
            self.hear_no_answer(by(&who), AnswerWay::Mail, line, "it came too late to count")
        };
        if self.answers.may_reply(&by(&who), now.mono) {
            return Some(verdict.words);
        }
        tracing::warn!(who, "too many replies lately: this mail gets none");
        None
    }
}
