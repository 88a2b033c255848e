//! What people answer, by whatever way it comes: a text, a mail, a message on their topic. The
//! words flow in with who said them; what they mean is `rules`' word ([`Meaning`]), what follows is
//! the engine's, and what whoever said it should hear flows out. Here stands only what lies between
//! two messages: how often somebody may be wrong, and which number stands for which code.

use super::EventLoop;
use super::pace::WayPace;
use crate::answers::Mailbox;
use crate::plain_text::tame;
use crate::settings::Settings;
use slackwater_rules::answer::{HoldsUntil, Meaning, Open, Refused, Which, not_taken, receipt};
use slackwater_rules::engine::{Input, OperatorCommand};
use slackwater_rules::record::{Body, By};
use slackwater_rules::time::{Moment, Now, Span};
use std::collections::BTreeMap;

/// So many wrong codes by one way …
pub(super) const MOST_WRONG: usize = 10;
/// … within this time, and no more are looked at.
const WRONG_WITHIN: Span = Span::minutes(10);

/// So many messages of one contact that are no answer are kept within an hour.
const MOST_KEPT: usize = 20;
/// So many replies go to one contact by one way within ten minutes: a machine that answers each
/// of them comes to an end.
const MOST_REPLIES: usize = 6;
/// So many go out by all ways within an hour.
const MOST_REPLIES_IN_ALL: usize = 60;

/// A number stands for its code for so long after the question which one is meant.
const NUMBERS_HOLD: Span = Span::minutes(15);

/// So much of a message is kept.
const SHOWN: usize = 40;

/// The way by which something came, as records have it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum AnswerWay {
    Text,
    Mail,
    Mqtt,
    /// The page in the house.
    Web,
}

impl AnswerWay {
    pub(super) fn name(self) -> &'static str {
        match self {
            Self::Text => "text",
            Self::Mail => "mail",
            Self::Mqtt => "MQTT",
            Self::Web => "web",
        }
    }

    /// What people do to answer by it.
    fn verb(self) -> &'static str {
        match self {
            Self::Text => "text",
            Self::Mail => "reply",
            Self::Mqtt => "publish",
            Self::Web => "press",
        }
    }

    /// Whether open codes may be named: what goes back reaches the contact, whoever wrote.
    fn reaches_only_the_contact(self) -> bool {
        match self {
            Self::Text | Self::Mail | Self::Web => true,
            Self::Mqtt => false,
        }
    }
}

fn mail_from(settings: &Settings) -> Option<lettre::message::Mailbox> {
    settings.mail.as_ref().map(|mail| mail.from.clone())
}

/// What is remembered between two messages.
pub(super) struct AnswerMemory {
    /// Contacts answer by MQTT below it.
    pub(super) topic: Option<String>,
    /// Whose mail is heard, by their addresses.
    pub(super) addresses: BTreeMap<String, String>,
    /// Whom our own mail is from.
    pub(super) mail_from: Option<lettre::message::Mailbox>,
    /// Where it arrives, if anywhere.
    pub(super) mailbox: Option<Mailbox>,
    pub(super) wrong: WayPace,
    kept: WayPace,
    replies: WayPace,
    all_replies: WayPace,
    /// Which codes were listed for a contact, in their order, and when.
    listed: BTreeMap<String, (Moment, Vec<String>)>,
}

impl AnswerMemory {
    pub(super) fn new(settings: &Settings, mailbox: Option<Mailbox>) -> Self {
        let mail_from = mail_from(settings);
        Self { mailbox, mail_from, ..Self::of(settings.answer_topic(), settings.addresses()) }
    }

    fn of(topic: Option<String>, addresses: BTreeMap<String, String>) -> Self {
        Self {
            topic,
            addresses,
            mail_from: None,
            mailbox: None,
            wrong: WayPace::new(MOST_WRONG, WRONG_WITHIN),
            kept: WayPace::new(MOST_KEPT, Span::hours(1)),
            replies: WayPace::new(MOST_REPLIES, WRONG_WITHIN),
            all_replies: WayPace::new(MOST_REPLIES_IN_ALL, Span::hours(1)),
            listed: BTreeMap::new(),
        }
    }

    /// Other people, or another topic, from now on.
    pub(super) fn adopt(&mut self, settings: &Settings) {
        self.topic = settings.answer_topic();
        self.addresses = settings.addresses();
        self.mail_from = mail_from(settings);
        if let Some(mailbox) = &self.mailbox {
            mailbox.listen_to(self.addresses.keys().cloned().collect());
        }
    }

    /// Whether a reply may go to this contact by this way now; if so it does.
    pub(super) fn may_reply(&mut self, by: &By, now: Moment) -> bool {
        self.all_replies.wait("", now).is_none()
            && self.replies.may(&way_of(by), now)
            && self.all_replies.may("", now)
    }

    /// The code that is meant, if that is known.
    fn code(&self, who: &str, which: Which, now: Moment) -> Option<String> {
        match which {
            Which::Code(code) => Some(code),
            Which::Number(number) => {
                let (at, codes) = self.listed.get(who)?;
                let place = usize::from(number).checked_sub(1)?;
                codes.get(place).filter(|_| now - *at < NUMBERS_HOLD).cloned()
            }
        }
    }

    /// What has been listed for a contact just now. Contacts are few: the file bounds them.
    fn list(&mut self, who: &str, open: &[Open], now: Moment) {
        let codes = open.iter().map(|open| open.code.clone()).collect();
        self.listed.retain(|_, (at, _)| now - *at < NUMBERS_HOLD);
        self.listed.insert(who.to_owned(), (now, codes));
    }
}

fn way_of(by: &By) -> String {
    format!("{} of {}", by.via, by.who)
}

/// What came of a message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Heeded {
    /// It was an answer, and it holds.
    pub(super) taken: bool,
    /// What whoever wrote it should hear.
    pub(super) words: String,
}

impl EventLoop {
    /// A contact has written something.
    pub(super) fn hear_answer(&mut self, who: &str, way: AnswerWay, text: &str) -> Heeded {
        let by = By { who: who.to_owned(), via: way.name().to_owned() };
        let now = self.clock.now();
        if let Some(wait) = self.answers.wrong.wait(&way_of(&by), now.mono) {
            // Whoever writes in another's name may guess, so a guess that is right by chance must
            // not count.
            tracing::warn!(who, via = way.name(), %wait, "too many wrong codes: not looked at");
            return self.refusal(&by, way, &Refused::TooMany(wait), &now);
        }
        match Meaning::of(text) {
            Meaning::Has { which, until } => self.hear_code(by, way, which, CodeSaid::Has(until), text),
            Meaning::HandsOn { which } => self.hear_code(by, way, which, CodeSaid::HandsOn, text),
            Meaning::Nothing(why) => self.hear_no_answer(by, way, text, why.words()),
        }
    }

    /// A contact has pressed an answer where nothing has to be read: the code is the page's own.
    pub(super) fn press_answer(&mut self, by: By, which: Which, said: CodeSaid) -> Heeded {
        let now = self.clock.now();
        if let Some(wait) = self.answers.wrong.wait(&way_of(&by), now.mono) {
            return self.refusal(&by, AnswerWay::Web, &Refused::TooMany(wait), &now);
        }
        self.hear_code(by, AnswerWay::Web, which, said, "")
    }

    /// Something came that has no words at all, or that does not count whatever it says.
    pub(super) fn hear_no_answer(&mut self, by: By, way: AnswerWay, text: &str, why: &str) -> Heeded {
        let now = self.clock.now();
        if self.answers.kept.may(&way_of(&by), now.mono) {
            let what = match text.trim() {
                "" => format!("take a {} without words as an answer", way.name()),
                text => format!("take \"{}\" as an answer", tame(text, SHOWN)),
            };
            self.turn(now, Input::Unheeded { what, why: why.to_owned(), by: by.clone() });
        } else {
            tracing::warn!(who = by.who, via = by.via, why, "one more message that is no answer: not kept");
        }
        self.refusal(&by, way, &Refused::Why(why.to_owned()), &now)
    }

    fn hear_code(&mut self, by: By, way: AnswerWay, which: Which, said: CodeSaid, text: &str) -> Heeded {
        let now = self.clock.now();
        let Some(code) = self.answers.code(&by.who, which, now.mono) else {
            return self.hear_no_answer(by, way, text, NO_NUMBER);
        };
        let zone = self.engine.plan().zone.clone();
        let command = match said {
            CodeSaid::Has(until) => {
                // Without a clock the usual time holds, and the receipt says so.
                let length = until.and_then(|until| until.length(&now, &zone).ok());
                OperatorCommand::Acknowledge { code: code.clone(), length }
            }
            CodeSaid::Holds(length) => OperatorCommand::Acknowledge { code: code.clone(), length },
            CodeSaid::HandsOn => OperatorCommand::HandOn { code: code.clone() },
        };
        let is_open = self.engine.answerable().has_code(&code);
        let turn = self.engine.step(now, Input::Said { command, by: by.clone() });
        let (records, heard) = (turn.records.clone(), turn.heard);
        self.gather(&now, turn);
        let refused = records.iter().find_map(|record| match &record.body {
            Body::Refused { why, by: whom, .. } if *whom == by => Some(why.clone()),
            _ => None,
        });
        if !is_open && self.answers.wrong.note(&way_of(&by), now.mono) {
            self.turn(now, Input::Guessed { by: by.clone() });
        }
        match refused {
            // A call-out's own word counts: what it grants less of than was asked for is refused
            // beside.
            Some(why) if heard.is_none() => self.refusal(&by, way, &Refused::Why(why), &now),
            Some(_) | None => {
                let words = receipt(heard.as_ref(), &records, &code, way.verb(), &now, &zone);
                let words = words.unwrap_or_else(|| "Nothing to do: nobody is called any more.".to_owned());
                Heeded { taken: true, words }
            }
        }
    }

    /// What somebody hears whose words were no answer.
    fn refusal(&mut self, by: &By, way: AnswerWay, refused: &Refused, now: &Now) -> Heeded {
        let words = match (refused, way.reaches_only_the_contact()) {
            (Refused::Why(why), false) => format!("Not taken: {why}."),
            (Refused::TooMany(_), _) => not_taken(refused, &[], way.verb()),
            (Refused::Why(_), true) => {
                let open = self.engine.answerable().by(&by.who);
                if open.len() > 1 {
                    self.answers.list(&by.who, &open, now.mono);
                }
                not_taken(refused, &open, way.verb())
            }
        };
        Heeded { taken: false, words }
    }
}

/// A number that was in no list, or in one of too long ago.
const NO_NUMBER: &str = "this number stands for nothing, or does not any more";

/// What is said of a call-out.
pub(super) enum CodeSaid {
    Has(Option<HoldsUntil>),
    /// For so long, or for the usual time.
    Holds(Option<Span>),
    HandsOn,
}

/// Why data are no answer.
pub(super) const NO_WORDS: &str = "there are no words in it";

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minutes: i64) -> Moment {
        Moment(minutes * 60_000)
    }

    fn by(who: &str) -> By {
        By { who: who.to_owned(), via: "text".to_owned() }
    }

    #[test]
    fn a_number_stands_for_its_code_for_a_while_and_for_one_contact() {
        let mut answers = AnswerMemory::of(None, BTreeMap::new());
        let open = |code: &str| Open { code: code.to_owned(), about: String::new() };
        answers.list("ines", &[open("4QTE"), open("K7Q3")], at(0));
        let code = |who: &str, number, minute| answers.code(who, Which::Number(number), at(minute));
        assert_eq!(code("ines", 2, 14).as_deref(), Some("K7Q3"));
        assert_eq!(code("ines", 2, 15), None);
        assert_eq!(code("ines", 3, 1), None);
        assert_eq!(code("tom", 1, 1), None);
        assert_eq!(answers.code("tom", Which::Code("4QTE".to_owned()), at(0)).as_deref(), Some("4QTE"));
    }

    #[test]
    fn replies_are_bounded_for_each_contact_and_in_all() {
        let mut answers = AnswerMemory::of(None, BTreeMap::new());
        let many = (0..40).filter(|_| answers.may_reply(&by("ines"), at(0))).count();
        assert_eq!(many, MOST_REPLIES);
        assert!(answers.may_reply(&by("tom"), at(0)) && answers.may_reply(&by("ines"), at(10)));
        let all = (0..90).filter(|n| answers.may_reply(&by(&format!("contact {n}")), at(11))).count();
        assert_eq!(all, MOST_REPLIES_IN_ALL - MOST_REPLIES - 2);
    }
}
