//! What people text. What comes from a contact's number is heard as an answer, and each message of
//! theirs gets a reply; anything else is kept as refused, and whoever sent it is told why, now and
//! then. A machine that answers every text must not be kept talking, nor may strangers fill the
//! journal.

use super::EventLoop;
use super::answer_inputs::{AnswerWay, NO_WORDS};
use crate::modem::{Arrived, Number, Sender};
use crate::plain_text::tame;
use slackwater_rules::engine::Input;
use slackwater_rules::record::By;
use slackwater_rules::time::{Moment, Span};

/// The same stranger is told at most once in this time why a text was not taken …
const REPLY_EVERY: Span = Span::minutes(10);
/// … and all together at most so many times within an hour: each costs the keeper money.
const REPLIES: usize = 6;
/// Refused texts of strangers that are kept within an hour: more are only logged.
const STRANGE: usize = 30;
const HOUR: Span = Span::hours(1);

/// So much of a text is kept.
const SHOWN: usize = 40;

/// Who may answer by text, and what has been said to strangers.
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

    /// The contact whose number it is, as the file has it: a sender's may be written in any way.
    fn person(&self, from: &Sender) -> Option<(Number, String)> {
        self.people.iter().find(|(number, _)| from.is(number)).cloned()
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

    /// Whether this stranger may be told something now.
    fn may_reply(&mut self, now: Moment, to: &Number) -> bool {
        self.replies.retain(|(at, _)| now - *at < HOUR);
        let lately = |(at, number): &(Moment, Number)| number == to && now - *at < REPLY_EVERY;
        let may = self.replies.len() < REPLIES && !self.replies.iter().any(lately);
        if may {
            self.replies.push((now, to.clone()));
        }
        may
    }
}

/// Why a stranger's text is none.
const STRANGER: &str = "the number is no contact's";

impl EventLoop {
    /// A text has come.
    pub(super) fn texted(&mut self, Arrived { from, text, taken }: Arrived) {
        self.heed_text(&from, text.as_deref());
        // Only what is kept is deleted from the SIM.
        self.finish();
        // A modem that has gone deletes nothing.
        let _ = taken.send(());
    }

    fn heed_text(&mut self, from: &Sender, text: Option<&str>) {
        let Some((number, who)) = self.texting.person(from) else {
            return self.texted_by_a_stranger(from, text);
        };
        let by = By { who: who.clone(), via: AnswerWay::Text.name().to_owned() };
        let verdict = match text {
            Some(text) => self.hear_answer(&who, AnswerWay::Text, text),
            None => self.hear_no_answer(by.clone(), AnswerWay::Text, "", NO_WORDS),
        };
        let now = self.clock.now();
        let Some(modem) = &self.context.modem else { return };
        if self.answers.may_reply(&by, now.mono) {
            modem.reply(&number, &verdict.words);
        } else {
            tracing::warn!(%from, "too many replies lately: this text gets none");
        }
    }

    fn texted_by_a_stranger(&mut self, from: &Sender, text: Option<&str>) {
        let now = self.clock.now();
        if !self.texting.may_keep(now.mono) {
            return tracing::warn!(%from, "one more text of a stranger within an hour: not kept");
        }
        let what = match text {
            Some(text) => format!("take the text \"{}\" as an answer", tame(text, SHOWN)),
            None => "take data as an answer".to_owned(),
        };
        let by = By { who: from.to_string(), via: AnswerWay::Text.name().to_owned() };
        self.turn(now, Input::Unheeded { what, why: STRANGER.to_owned(), by });
        let (Some(modem), Some(to)) = (&self.context.modem, from.number()) else { return };
        if self.texting.may_reply(now.mono, to) {
            modem.reply(to, &format!("Not taken: {STRANGER}."));
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

    #[test]
    fn a_contact_is_known_by_their_number_however_the_network_writes_it() {
        let who = |from: Sender| halyard().person(&from).map(|(_, who)| who);
        assert_eq!(who(Sender::Local("0900000012".into())).as_deref(), Some("ines"));
        assert_eq!(who(Sender::International(number("+351900000099"))), None);
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
