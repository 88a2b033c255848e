//! What people hear back. The records that their words led to flow in, or why the words came to
//! nothing; a short text flows out that says what holds now, and what to do next. None of these
//! texts would be an answer if a machine sent it back.

use crate::callout::bounds::{Bound, Lease};
use crate::callout::decide::Reply as CallOutReply;
use crate::record::{Body, Drilled, Record};
use crate::time::{Now, Span};
use crate::words::capital;
use jiff::tz::TimeZone;

/// What one text carries: 3GPP TS 23.040.
const TEXT: usize = 160;

/// Call-outs that are named in one list.
const LISTED: usize = 9;

/// So much is said of what a call-out is about.
const ABOUT: usize = 40;

/// A call-out that can be answered.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Open {
    /// Its code.
    pub code: String,
    /// What it is about, in few words.
    pub about: String,
}

/// Why something that would be an answer was not taken.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Refused {
    /// It can't be taken for an answer, or nothing has this code.
    Why(String),
    /// Too many wrong codes: none is looked at for so long.
    TooMany(Span),
}

/// How a call-out is answered, in the shape that pages have: `Text 4QTE: I take care of it. Text
/// NEXT 4QTE: I can't`. `verb` is what is done with the words: "text".
pub fn how_to_answer(code: &str, verb: &str) -> String {
    format!("{}. {}", take(code, verb), pass(code, verb))
}

fn take(code: &str, verb: &str) -> String {
    format!("{} {code}: I take care of it", capital(verb))
}

fn pass(code: &str, verb: &str) -> String {
    format!("{} NEXT {code}: I can't", capital(verb))
}

/// What somebody hears whose words were no answer. `verb` is what they do to answer: "text".
pub fn not_taken(refused: &Refused, open: &[Open], verb: &str) -> String {
    match (refused, open) {
        (Refused::TooMany(wait), _) => {
            format!("Not taken: too many wrong codes. Wait {wait}, or ask somebody else.")
        }
        (Refused::Why(why), []) => format!("Not taken: {why}. Nothing is open now."),
        (Refused::Why(_), [one]) => format!("Not taken. {}", how_to_answer(&one.code, verb)),
        (Refused::Why(_), all) => format!("Not taken. {}", which(all, verb)),
    }
}

/// Asks which of several call-outs is meant. As many are named as one text carries.
pub fn which(open: &[Open], verb: &str) -> String {
    let end = format!(". {}. {}", take("its number", verb), pass("and its number", verb));
    let mut list = "Which? ".to_owned();
    for (place, Open { code, about }) in open.iter().take(LISTED).enumerate() {
        let about: String = about.chars().take(ABOUT).collect();
        let one = format!("{}{} = {code} {about}", if place == 0 { "" } else { ", " }, place + 1);
        if place > 0 && "Not taken. ".len() + list.len() + one.len() + end.len() > TEXT {
            break;
        }
        list += &one;
    }
    list + &end
}

/// What somebody hears whose answer was taken: what holds, for how long, what to do next. Nothing
/// if there was no answer in the turn. `heard` is the call-out's own word.
pub fn receipt(
    heard: Option<&CallOutReply>,
    records: &[Record],
    code: &str,
    verb: &str,
    now: &Now,
    zone: &TimeZone,
) -> Option<String> {
    let said = match heard {
        Some(CallOutReply::Holds(Lease { length: Span(0), .. })) => {
            "Taken, the drill is answered. Thank you.".to_owned()
        }
        Some(CallOutReply::Holds(lease)) => held(lease, code, verb, now, zone),
        Some(CallOutReply::NextIsCalled) => {
            format!("The next one is called now. {}", take(code, verb))
        }
        Some(CallOutReply::NobodyElse) => {
            format!("There is nobody else: all are called again. {}", take(code, verb))
        }
        Some(CallOutReply::NothingStands | CallOutReply::WouldDrop) => NOBODY.to_owned(),
        None => {
            let is_test = |record: &Record| matches!(record.body, Body::Drill(Drilled::TestAnswered { .. }));
            let is_answer = |record: &Record| matches!(record.body, Body::Acknowledged { .. });
            if records.iter().any(is_test) {
                "Taken: this way works. Thank you.".to_owned()
            } else if records.iter().any(is_answer) {
                NOBODY.to_owned()
            } else {
                return None;
            }
        }
    };
    Some(said)
}

/// What stood has gone.
const NOBODY: &str = "Taken. Nothing of it calls anybody now.";

fn held(lease: &Lease, code: &str, verb: &str, now: &Now, zone: &TimeZone) -> String {
    let length = lease.length;
    let ends = match now.wall_trusted {
        true => format!("until {} ({length})", (now.wall + length).civil(zone).strftime("%H:%M")),
        false => format!("for {length}"),
    };
    let next = match lease.bound {
        None => format!("{} {code} UNTIL and a time: longer.", capital(verb)),
        Some(Bound::Longest) => "No answer holds longer.".to_owned(),
        Some(Bound::Harm) => "No longer: the animals have no longer.".to_owned(),
        Some(Bound::Power) => "No longer: then this watch has no power.".to_owned(),
        Some(Bound::Away) => "No longer: you are away. Who goes?".to_owned(),
    };
    format!("Yours {ends}. Nobody else is called till then. {next} {}", pass(code, verb))
}

#[cfg(test)]
mod tests {
    use super::super::Meaning;
    use super::*;
    use crate::ids::By;
    use crate::time::{Moment, Wall};

    fn open(code: &str, about: &str) -> Open {
        Open { code: code.to_owned(), about: about.to_owned() }
    }

    fn now(wall_trusted: bool) -> Now {
        Now { mono: Moment(0), wall: Wall(1_795_918_800_000), wall_trusted }
    }

    fn said(length: Span, bound: Option<Bound>, trusted: bool) -> String {
        let heard = CallOutReply::Holds(Lease { length, bound });
        receipt(Some(&heard), &[], "4QTE", "text", &now(trusted), &TimeZone::UTC).expect("taken")
    }

    #[test]
    fn a_receipt_says_for_how_long_and_what_to_do_next() {
        assert_eq!(
            said(Span::hours(1), None, true),
            "Yours until 03:20 (1 h). Nobody else is called till then. Text 4QTE UNTIL and a time: longer. Text NEXT 4QTE: I can't"
        );
        let bounds = [Bound::Longest, Bound::Harm, Bound::Power, Bound::Away];
        for bound in bounds {
            let long = said(Span::hours(12), Some(bound), false);
            assert!(long.starts_with("Yours for 12 h. Nobody else is called till then. No"), "{long}");
            assert!(long.len() <= TEXT && matches!(Meaning::of(&long), Meaning::Nothing(_)), "{long}");
        }
        assert!(said(Span::ZERO, None, true).contains("drill"));
        let next = receipt(Some(&CallOutReply::NobodyElse), &[], "4QTE", "text", &now(true), &TimeZone::UTC);
        assert!(next.expect("taken").contains("nobody else"));
    }

    #[test]
    fn what_no_call_out_answers_is_told_by_its_record() {
        let by = By { who: "ines".to_owned(), via: "text".to_owned() };
        let acknowledged = Body::Acknowledged { alarm: "power-lost".to_owned(), episode: 1, by };
        let records = [Record { seq: 1, at: now(true), body: acknowledged }];
        let say = |records: &[Record]| receipt(None, records, "4QTE", "text", &now(true), &TimeZone::UTC);
        assert_eq!(say(&records).as_deref(), Some(NOBODY));
        assert_eq!(say(&[]), None);
    }

    #[test]
    fn what_is_not_taken_says_how_it_would_be() {
        let why = Refused::Why("there is no code in it".to_owned());
        let say = |open: &[Open]| not_taken(&why, open, "text");
        assert_eq!(say(&[]), "Not taken: there is no code in it. Nothing is open now.");
        assert_eq!(
            say(&[open("4QTE", "lagoon power-lost")]),
            "Not taken. Text 4QTE: I take care of it. Text NEXT 4QTE: I can't"
        );
        assert_eq!(
            say(&[open("4QTE", "lagoon power-lost"), open("K7Q3", "nursery too-warm")]),
            "Not taken. Which? 1 = 4QTE lagoon power-lost, 2 = K7Q3 nursery too-warm. Text its number: I take \
             care of it. Text NEXT and its number: I can't"
        );
        let many: Vec<Open> =
            (0..30).map(|n| open("4QTE", &format!("a tank with a long name number {n}"))).collect();
        assert!(say(&many).len() <= TEXT, "{}", say(&many));
        let wait = not_taken(&Refused::TooMany(Span::minutes(9)), &many, "text");
        assert!(wait.contains("9 min") && !wait.contains("4QTE"), "{wait}");
    }

    #[test]
    fn nothing_that_is_said_back_would_be_an_answer() {
        let one = [open("4QTE", "lagoon power-lost")];
        let two = [open("4QTE", ""), open("K7Q3", "")];
        let why = Refused::Why(String::new());
        for text in [
            not_taken(&why, &[], "text"),
            not_taken(&why, &one, "text"),
            not_taken(&why, &two, "text"),
            which(&two, "reply"),
            how_to_answer("4QTE", "reply"),
            said(Span::hours(1), None, true),
            said(Span::ZERO, None, true),
        ] {
            for line in text.lines() {
                assert!(matches!(Meaning::of(line), Meaning::Nothing(_)), "{line}");
            }
        }
    }
}
