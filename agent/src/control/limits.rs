//! What a request at the control socket may hold. Whoever may open the socket may speak, but what
//! is said there goes into the journal, onto terminals and onto pages that others read: so names
//! and reasons are short, of one line, and without signs that hide or turn what stands there.

use super::{Request, WitnessCommand};
use crate::plain_text::is_deceptive;
use crate::web::ask::WebCommand;
use slackwater_rules::engine::OperatorCommand;

/// Names of people, alarms, tanks, kinds of work and call-outs, and codes.
const LONGEST_NAME: usize = 120;

/// Reasons and notes: a few sentences.
const LONGEST_REASON: usize = 500;

/// What is wrong with a request, without showing it.
pub(super) fn check(request: &Request) -> Result<(), String> {
    match request {
        Request::Status { json: _ } | Request::Reload { insists: _ } => Ok(()),
        Request::Explain { alarm, json: _ } => name("the alarm", alarm),
        Request::Course { alarm } => alarm.as_ref().map_or(Ok(()), |alarm| name("the alarm", alarm)),
        Request::Web(WebCommand::Sessions) => Ok(()),
        Request::Web(WebCommand::Invite { who: text } | WebCommand::Withdraw { which: text }) => {
            name("the name", text)
        }
        Request::Witness { who, witness } => name("who asks", who).and_then(|()| match witness {
            WitnessCommand::Enrol { site, title, callout, again: _ } => {
                let texts = [("the site's title", title), ("the call-out", callout)];
                let texts = texts.into_iter().filter_map(|(what, text)| Some((what, text.as_ref()?)));
                name("the site", site)
                    .and_then(|()| texts.into_iter().try_for_each(|(what, text)| name(what, text)))
            }
            WitnessCommand::Withdraw { site } => name("the site", site),
            WitnessCommand::Sites => Ok(()),
        }),
        Request::Say { who, say } => name("who says it", who).and_then(|()| words(say)),
    }
}

/// What is wrong with what somebody says, by whatever door.
pub(crate) fn words(say: &OperatorCommand) -> Result<(), String> {
    match say {
        OperatorCommand::Hush { siren } => name("the siren", siren),
        OperatorCommand::Acknowledge { code, .. } | OperatorCommand::HandOn { code } => {
            name("the code", code)
        }
        OperatorCommand::Tick { code, step, done: _ } => {
            name("the code", code).and_then(|()| reason("the step", step))
        }
        OperatorCommand::Reset { alarm }
        | OperatorCommand::Unshelve { alarm }
        | OperatorCommand::PutBack { alarm } => name("the alarm", alarm),
        OperatorCommand::Shelve { alarm, why, length: _ } | OperatorCommand::TakeOut { alarm, why } => {
            name("the alarm", alarm).and_then(|()| reason("the reason", why))
        }
        OperatorCommand::BeginWork { tank, work, length: _ } => {
            name("the tank", tank).and_then(|()| name("the work", work))
        }
        OperatorCommand::EndWork { tank } => name("the tank", tank),
        OperatorCommand::Mark { note, episode: _, verdict: _ } => reason("the note", note),
        OperatorCommand::Drill { callout } => name("the call-out", callout),
        OperatorCommand::TestPages
        | OperatorCommand::EndSilence
        | OperatorCommand::PlugOut
        | OperatorCommand::PlugBack => Ok(()),
        OperatorCommand::BeginOutage { alarm } => {
            alarm.as_ref().map_or(Ok(()), |alarm| name("the alarm", alarm))
        }
        OperatorCommand::PlanSilence { why, length: _ } => reason("the reason", why),
    }
}

fn name(what: &str, text: &str) -> Result<(), String> {
    within(what, text, LONGEST_NAME)
}

fn reason(what: &str, text: &str) -> Result<(), String> {
    within(what, text, LONGEST_REASON)
}

fn within(what: &str, text: &str, most: usize) -> Result<(), String> {
    let length = text.chars().count();
    if length > most {
        return Err(format!("{what} has {length} characters: at most {most} are taken"));
    }
    match text.chars().find(|c| is_deceptive(*c)) {
        None => Ok(()),
        Some(sign) => Err(format!(
            "{what} has the sign U+{:04X}, which can't be seen: control signs and signs that turn the direction \
             of reading are not taken",
            u32::from(sign)
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use slackwater_rules::time::Span;

    fn shelve(alarm: &str, why: &str) -> Result<(), String> {
        let say = OperatorCommand::Shelve { alarm: alarm.to_owned(), length: Span(1), why: why.to_owned() };
        check(&Request::Say { who: "ines".to_owned(), say })
    }

    #[test]
    fn names_and_reasons_have_their_longest_length() {
        assert_eq!(shelve(&"a".repeat(120), &"ü".repeat(500)), Ok(()));
        assert_eq!(
            shelve(&"a".repeat(121), ""),
            Err("the alarm has 121 characters: at most 120 are taken".to_owned())
        );
        let long = shelve("lagoon-cold", &"x".repeat(60_000)).expect_err("too long");
        assert_eq!(long, "the reason has 60000 characters: at most 500 are taken");
    }

    #[test]
    fn signs_that_hide_or_turn_what_stands_there_are_refused_wherever_they_are() {
        for sign in ['\0', '\n', '\u{1b}', '\u{7f}', '\u{85}', '\u{202e}', '\u{2066}', '\u{2028}', '\u{feff}']
        {
            let text = format!("a{sign}b");
            for request in [
                Request::Explain { alarm: text.clone(), json: false },
                Request::Course { alarm: Some(text.clone()) },
                Request::Say { who: text.clone(), say: OperatorCommand::TestPages },
                Request::Say {
                    who: "ines".to_owned(),
                    say: OperatorCommand::Acknowledge { code: text.clone(), length: None },
                },
                Request::Say {
                    who: "ines".to_owned(),
                    say: OperatorCommand::PlanSilence { length: Span(1), why: text.clone() },
                },
            ] {
                let refused = check(&request).expect_err("it has such a sign");
                assert!(refused.contains(&format!("U+{:04X}", u32::from(sign))), "{refused}");
                assert!(!refused.contains(sign), "it is not shown");
            }
        }
        assert_eq!(shelve("lagoon-cold", "a new heater, 家 עוגן"), Ok(()));
    }
}
