//! What people text. A code from a number that is known is an answer; anything else is kept as
//! refused, and whoever sent it is told why, now and then. A machine that answers every text must
//! not be kept talking, nor may strangers fill the journal.

use super::EventLoop;
use crate::modem::{self, Number, Sender};
use crate::plain_text::tame;
use slackwater_rules::engine::{Input, OperatorCommand};
use slackwater_rules::record::{Body, By};
use slackwater_rules::time::{Moment, Span};

/// The same sender is told at most once in this time why a text was not taken …
const REPLY_EVERY: Span = Span::minutes(10);
/// … and all together at most so many times within an hour: each costs the keeper money.
const REPLIES: usize = 6;
/// Refused texts of strangers that are kept within an hour: more are only logged.
const STRANGE: usize = 30;
const HOUR: Span = Span::hours(1);

/// So much of a text is kept.
const SHOWN: usize = 40;

/// Who may answer by text, and what has been said to whom.
pub(super) struct Texting {
    /// Numbers, each with the contact's name.
    pub(super) people: Vec<(Number, String)>,
    replies: Vec<(Moment, Number)>,
    strange: Vec<Moment>,
}

impl Texting {
    pub(super) fn new(people: Vec<(Number, String)>) -> Self {
        Self { people, replies: Vec::new(), strange: Vec::new() }
    }

    fn person(&self, from: &Sender) -> Option<&str> {
        self.people.iter().find(|(number, _)| from.is(number)).map(|(_, name)| name.as_str())
    }

    /// What a text comes to.
    fn weigh(&self, from: &Sender, text: Option<&str>) -> Input {
        let person = self.person(from);
        let by = By { who: person.map_or_else(|| from.to_string(), str::to_owned), via: "text".to_owned() };
        let what = match text {
            Some(text) => format!("take the text \"{}\" as an answer", shown(text)),
            None => "take data as an answer".to_owned(),
        };
        match (person, text.and_then(modem::code)) {
            (Some(_), Some(code)) => {
                Input::Said { command: OperatorCommand::Acknowledge { code, length: None }, by }
            }
            (Some(_), None) => Input::Unheeded { what, why: "there is no code in it".to_owned(), by },
            (None, _) => Input::Unheeded { what, why: "the number is no contact's".to_owned(), by },
        }
    }

    /// Whether one more text of a stranger may be kept.
    fn may_keep(&mut self, now: Moment) -> bool {
        self.strange.retain(|at| now - *at < HOUR);
        let may = self.strange.len() < STRANGE;
        if may {
            self.strange.push(now);
        }
        may
    }

    /// Whether this number may be told something now.
    fn may_reply(&mut self, now: Moment, to: &Number) -> bool {
        self.replies.retain(|(at, _)| now - *at < HOUR);
        let lately = |(at, number): &(Moment, Number)| number == to && now - *at < REPLY_EVERY;
        let may = self.replies.len() < REPLIES && !self.replies.iter().any(lately);
        if may {
            self.replies.push((now, to.clone()));
        }
        may
    }

    /// Where to answer to: a contact's own number is sure, a sender's may be written in any way.
    fn number(&self, from: &Sender) -> Option<Number> {
        let person = self.people.iter().find(|(number, _)| from.is(number)).map(|(number, _)| number);
        person.or(from.number()).cloned()
    }
}

/// The beginning of a text, in one line.
fn shown(text: &str) -> String {
    tame(text, SHOWN)
}

impl EventLoop {
    pub(super) fn texted(&mut self, from: &Sender, text: Option<&str>) {
        let now = self.clock.now();
        if self.texting.person(from).is_none() && !self.texting.may_keep(now.mono) {
            return tracing::warn!(%from, "one more text of a stranger within an hour: not kept");
        }
        let person = self.texting.person(from).map(str::to_owned);
        let way = person.map(|name| format!("text of {name}"));
        if let Some(wait) = way.as_ref().and_then(|way| self.wrong_codes.wait(way, now.mono)) {
            // Numbers can be forged, so a guess that is right by chance must not count.
            tracing::warn!(%from, %wait, "too many texts without a right code: not looked at");
            return self.tell_why(
                from,
                &format!("too many texts without a right code; wait {wait}"),
                now.mono,
            );
        }
        let before = self.records.len();
        self.turn(now, self.texting.weigh(from, text));
        let refused = self.records.iter().skip(before).find_map(|record| match &record.body {
            Body::Refused { why, .. } => Some(why.clone()),
            _ => None,
        });
        let Some(why) = refused else { return };
        if let Some(way) = way {
            self.wrong_codes.note(&way, now.mono);
        }
        self.tell_why(from, &why, now.mono);
    }

    /// Tells the sender why nothing came of a text, if that may be told now.
    fn tell_why(&mut self, from: &Sender, why: &str, now: Moment) {
        let (Some(modem), Some(to)) = (&self.context.modem, self.texting.number(from)) else { return };
        if self.texting.may_reply(now, &to) {
            modem.reply(&to, &format!("Not taken: {why}. To answer a page, text ACK and its code."));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn number(text: &str) -> Number {
        Number::parse(text).expect("a number")
    }

    fn halyard() -> Texting {
        Texting::new(vec![(number("+351900000012"), "ines".to_owned())])
    }

    fn words(input: &Input) -> String {
        match input {
            Input::Said { command: OperatorCommand::Acknowledge { code, .. }, by } => {
                format!("{} answers {code} by {}", by.who, by.via)
            }
            Input::Unheeded { what, why, by } => format!("{}: {what}: {why}", by.who),
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn only_a_contact_with_a_code_answers() {
        let ines = Sender::Local("0900000012".into());
        let stranger = Sender::International(number("+351900000099"));
        let texting = halyard();
        let say = |from: &Sender, text| words(&texting.weigh(from, text));
        assert_eq!(say(&ines, Some("ack k7q3")), "ines answers K7Q3 by text");
        assert_eq!(
            say(&ines, Some("who is\nthis?")),
            "ines: take the text \"who is this?\" as an answer: there is no code in it"
        );
        assert_eq!(say(&ines, None), "ines: take data as an answer: there is no code in it");
        let long = "K7Q3 ".repeat(50);
        let strange = say(&stranger, Some(&long));
        assert!(strange.starts_with("number ending in 99: take the text \"K7Q3 K7Q3"), "{strange}");
        assert!(strange.ends_with("…\" as an answer: the number is no contact's"), "{strange}");
    }

    #[test]
    fn replies_are_few_and_begin_again_after_their_time() {
        let mut texting = halyard();
        let at = |minutes: i64| Moment(minutes * 60_000);
        let one = number("+351900000001");
        assert!(texting.may_reply(at(0), &one));
        assert!(!texting.may_reply(at(9), &one), "the same sender within ten minutes");
        assert!(texting.may_reply(at(10), &one));
        for n in 2..=5 {
            assert!(texting.may_reply(at(11), &number(&format!("+35190000000{n}"))));
        }
        assert!(!texting.may_reply(at(12), &number("+351900000006")), "six within an hour");
        assert!(texting.may_reply(at(60), &number("+351900000006")));
    }

    #[test]
    fn strangers_do_not_fill_the_journal() {
        let mut texting = halyard();
        let kept = (0..100).filter(|n| texting.may_keep(Moment(n * 1_000))).count();
        assert_eq!(kept, STRANGE);
        assert!(texting.may_keep(Moment(3_600_000 + 100_000)));
    }
}
