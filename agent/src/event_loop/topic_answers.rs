//! Answers by MQTT. A contact publishes on the subtopic of their name, so that the broker's rights
//! say who speaks; a message flows in, and what came of it goes back on the same contact's reply
//! topic, with what its sender gave to know it by. What is retained, or has waited in the broker,
//! is no answer: nobody can tell how old it is.

use super::EventLoop;
use super::answer_inputs::{AnswerWay, Heeded};
use crate::mqtt::MqttMessage;
use crate::settings::usual_reply_topic;
use serde::{Deserialize, Serialize};
use slackwater_rules::engine::Arrival;
use slackwater_rules::record::By;

/// An answer is short.
const LONGEST: usize = 1_024;

/// What is published beside the plain words of a text: the same in pieces, for programs.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Pieces {
    code: String,
    /// `have it`, `still on it`, `next`.
    #[serde(default)]
    say: String,
    /// A time of day.
    until: Option<String>,
    /// A while.
    #[serde(rename = "for")]
    length: Option<String>,
}

/// What goes back.
#[derive(Serialize)]
struct Receipt<'v> {
    taken: bool,
    words: &'v str,
}

/// The words of a payload.
fn words(payload: &[u8]) -> Result<String, String> {
    if payload.len() > LONGEST {
        return Err(format!("it has more than {LONGEST} bytes"));
    }
    let text = std::str::from_utf8(payload).map_err(|_| "it is not UTF-8".to_owned())?.trim();
    if !text.starts_with('{') {
        return Ok(text.to_owned());
    }
    let pieces: Pieces =
        serde_json::from_str(text).map_err(|error| format!("its JSON is not understood: {error}"))?;
    let piece =
        |word: &str, piece: Option<String>| piece.map_or(String::new(), |piece| format!(" {word} {piece}"));
    let (until, length) = (piece("until", pieces.until), piece("for", pieces.length));
    Ok(format!("{} {}{until}{length}", pieces.say, pieces.code).trim().to_owned())
}

/// Where what came of an answer goes: where its sender asks for, if that lies on the contact's own
/// reply topic. Anywhere else it could be a relay's.
fn reply_topic(usual: String, asked: Option<&str>) -> String {
    match asked {
        Some(asked)
            if asked.strip_prefix(&usual).is_some_and(|rest| rest.is_empty() || rest.starts_with('/')) =>
        {
            asked.to_owned()
        }
        Some(_) | None => usual,
    }
}

impl EventLoop {
    /// Hears a message if it is on the topic of answers.
    pub(super) fn hear_on_topic(&mut self, message: &MqttMessage, arrival: Arrival) -> bool {
        let Some(answers) = self.answers.topic.clone() else { return false };
        let below = message.topic.strip_prefix(&answers).and_then(|rest| rest.strip_prefix('/'));
        let Some(name) = below.filter(|name| !name.is_empty() && !name.contains('/')) else { return false };
        let plan = self.engine.plan();
        let is_contact = plan.directory.contacts.contains_key(name);
        if !is_contact && plan.topics().contains(&message.topic.as_str()) {
            return false;
        }
        let by = By { who: name.to_owned(), via: AnswerWay::Mqtt.name().to_owned() };
        let text = words(&message.payload);
        let old = match arrival {
            Arrival::Live if message.expired => Some("it had expired"),
            Arrival::Live => None,
            Arrival::Retained => Some("it is retained, so nobody knows how old it is"),
            Arrival::Backlog => {
                Some("it waited in the broker, so nobody knows how old it is: publish it again")
            }
        };
        let shown = text.clone().unwrap_or_default();
        let verdict = match (old, text) {
            _ if !is_contact => {
                self.hear_no_answer(by, AnswerWay::Mqtt, &shown, "no contact has this subtopic's name");
                // A reply topic that nobody owns is nobody's.
                return true;
            }
            (Some(old), _) => self.hear_no_answer(by.clone(), AnswerWay::Mqtt, &shown, old),
            (None, Err(why)) => self.hear_no_answer(by.clone(), AnswerWay::Mqtt, "", &why),
            (None, Ok(text)) => self.hear_answer(name, AnswerWay::Mqtt, &text),
        };
        self.reply_on_topic(&by, message, &answers, &verdict);
        true
    }

    fn reply_on_topic(&mut self, by: &By, message: &MqttMessage, answers: &str, verdict: &Heeded) {
        let now = self.clock.now();
        if !self.answers.may_reply(by, now.mono) {
            return tracing::warn!(who = by.who, "too many replies lately: this answer gets none");
        }
        let usual = usual_reply_topic(answers, &by.who);
        let topic = reply_topic(usual, message.response_topic.as_deref());
        let receipt = Receipt { taken: verdict.taken, words: &verdict.words };
        let Ok(payload) = serde_json::to_vec(&receipt) else { return };
        if let Err(why) = self.outlet.answer(&by.who, answers, topic, payload, message.correlation.clone()) {
            tracing::warn!(why, who = by.who, "what came of an answer could not be published");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use slackwater_rules::answer::{Meaning, Which};

    #[test]
    fn a_payload_is_the_words_of_a_text_or_their_pieces() {
        let said = |payload: &str| words(payload.as_bytes());
        assert_eq!(said(" 4QTE \n").as_deref(), Ok("4QTE"));
        assert_eq!(said(r#"{"code":"4QTE"}"#).as_deref(), Ok("4QTE"));
        assert_eq!(said(r#"{"code":"4QTE","say":"next"}"#).as_deref(), Ok("next 4QTE"));
        let until = said(r#"{"code":"4QTE","say":"have it","until":"14:00"}"#).expect("words");
        assert!(
            matches!(Meaning::of(&until), Meaning::Has { which: Which::Code(_), until: Some(_) }),
            "{until}"
        );
        let length = said(r#"{"code":"4QTE","for":"2 h"}"#).expect("words");
        assert!(matches!(Meaning::of(&length), Meaning::Has { until: Some(_), .. }), "{length}");
        assert!(said(r#"{"code":"4QTE","who":"tom"}"#).is_err(), "who it is says the topic");
        assert!(
            said(r#"{"say":"have it"}"#).is_err()
                && words(&[0xff]).is_err()
                && words(&[b' '; 1_025]).is_err()
        );
        let smuggled = said(r#"{"code":"I can't come, 4QTE"}"#).expect("words");
        assert!(matches!(Meaning::of(&smuggled), Meaning::Nothing(_)));
    }

    #[test]
    fn a_reply_goes_nowhere_but_below_the_contacts_own_topic() {
        let usual = || usual_reply_topic("room2/answers", "ines");
        for (asked, goes) in [
            (None, "room2/answers/ines/reply"),
            (Some("room2/answers/ines/reply"), "room2/answers/ines/reply"),
            (Some("room2/answers/ines/reply/phone"), "room2/answers/ines/reply/phone"),
            (Some("room2/heaters/set"), "room2/answers/ines/reply"),
            (Some("room2/answers/ines/replying"), "room2/answers/ines/reply"),
            (Some("room2/answers/tom/reply"), "room2/answers/ines/reply"),
        ] {
            assert_eq!(reply_topic(usual(), asked), goes, "{asked:?}");
        }
    }
}
