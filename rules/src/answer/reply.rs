//! What people hear back. The records that their words led to flow in, or why the words came to
//! nothing; a short text flows out that says what holds now, and what to do next. None of these
//! texts would be an answer if a machine sent it back.

use super::Until;
use crate::record::{Body, Drilled, Record};
use crate::time::{Now, Span};
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

/// How a call-out is answered: by the words that follow `verb`, as in "text 4QTE".
pub fn how_to_answer(code: &str, verb: &str) -> String {
    format!("Have it: {verb} {code}. Can't: {verb} NEXT {code}")
}

/// What somebody hears whose words were no answer. `verb` is what they do to answer: "text".
pub fn not_taken(refused: &Refused, open: &[Open], verb: &str) -> String {
    match (refused, open) {
        (Refused::TooMany(wait), _) => format!("Not taken: too many wrong codes. Wait {wait}, or ask somebody else."),
        (Refused::Why(why), []) => format!("Not taken: {why}. Nothing is open now."),
        (Refused::Why(_), [one]) => format!("Not taken. {}", how_to_answer(&one.code, verb)),
        (Refused::Why(_), all) => format!("Not taken. {}", which(all, verb)),
    }
}

/// Asks which of several call-outs is meant. As many are named as one text carries.
pub fn which(open: &[Open], verb: &str) -> String {
    let end = format!(". Have it: {verb} its number. Can't: NEXT and its number");
    let mut list = "Which? ".to_owned();
    let mut named = 0;
    for Open { code, about } in open.iter().take(LISTED) {
        let about: String = about.chars().take(ABOUT).collect();
        let one = format!("{}{} = {code} {about}", if named == 0 { "" } else { ", " }, named + 1);
        if named > 0 && "Not taken. ".len() + list.len() + one.len() + end.len() > TEXT {
            break;
        }
        list += &one;
        named += 1;
    }
    list + &end
}

/// What somebody hears whose answer was taken: what holds, for how long, what to do next. Nothing if
/// these records hold no answer.
pub fn receipt(
    records: &[Record],
    code: &str,
    until: Option<Until>,
    verb: &str,
    now: &Now,
    zone: &TimeZone,
) -> Option<String> {
    let mut told = None;
    for record in records {
        let said = match &record.body {
            Body::Answered { lease: Span(0), .. } => "Taken, the drill is answered. Thank you.".to_owned(),
            Body::Answered { lease, .. } => held(*lease, code, until, verb, now, zone),
            Body::Drill(Drilled::TestAnswered { .. }) => "Taken: this way works. Thank you.".to_owned(),
            Body::HandedOn { .. } => {
                format!("The next one is called now. If you have it after all: {verb} {code}")
            }
            Body::Acknowledged { .. } if told.is_none() => "Taken. Nothing of it calls anybody now.".to_owned(),
            _ => continue,
        };
        told = Some(said);
    }
    told
}

fn held(lease: Span, code: &str, until: Option<Until>, verb: &str, now: &Now, zone: &TimeZone) -> String {
    let ends = match now.wall_trusted {
        true => format!("until {} ({lease})", (now.wall + lease).civil(zone).strftime("%H:%M")),
        false => format!("for {lease}"),
    };
    let named = until.and_then(|until| until.length(now, zone).ok());
    let shorter = if named.is_some_and(|named| named > lease + Span::minutes(1)) {
        " No answer to this may last longer."
    } else {
        ""
    };
    format!(
        "Yours {ends}. Nobody else is called till then.{shorter} Longer: {verb} {code} UNTIL and a time. Can't: {verb} NEXT {code}"
    )
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

    fn said(until: Option<Until>, trusted: bool, lease: Span) -> String {
        let by = By { who: "ines".to_owned(), via: "text".to_owned() };
        let at = now(trusted);
        let body = |body| Record { seq: 1, at, body };
        let records = [
            body(Body::Acknowledged { alarm: "power-lost".to_owned(), episode: 1, by: by.clone() }),
            body(Body::Answered { call: 2, by, lease }),
        ];
        receipt(&records, "4QTE", until, "text", &at, &TimeZone::UTC).expect("taken")
    }

    #[test]
    fn a_receipt_says_for_how_long_and_what_to_do_next() {
        assert_eq!(
            said(None, true, Span::hours(1)),
            "Yours until 03:20 (1 h). Nobody else is called till then. Longer: text 4QTE UNTIL and a time. Can't: text NEXT 4QTE"
        );
        let long = said(Some(Until::For(Span::hours(20))), false, Span::hours(12));
        assert!(long.starts_with("Yours for 12 h. Nobody else is called till then. No answer to this may last longer."));
        assert!(long.len() <= TEXT, "{}", long.len());
        assert!(said(None, true, Span::ZERO).contains("drill"));
    }

    #[test]
    fn what_is_not_taken_says_how_it_would_be() {
        let why = Refused::Why("there is no code in it".to_owned());
        let say = |open: &[Open]| not_taken(&why, open, "text");
        assert_eq!(say(&[]), "Not taken: there is no code in it. Nothing is open now.");
        assert_eq!(
            say(&[open("4QTE", "lagoon power-lost")]),
            "Not taken. Have it: text 4QTE. Can't: text NEXT 4QTE"
        );
        assert_eq!(
            say(&[open("4QTE", "lagoon power-lost"), open("K7Q3", "nursery too-warm")]),
            "Not taken. Which? 1 = 4QTE lagoon power-lost, 2 = K7Q3 nursery too-warm. Have it: text its number. \
             Can't: NEXT and its number"
        );
        let many: Vec<Open> = (0..30).map(|n| open("4QTE", &format!("a tank with a long name number {n}"))).collect();
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
            said(None, true, Span::hours(1)),
            said(None, true, Span::ZERO),
        ] {
            for line in text.lines() {
                assert!(matches!(Meaning::of(line), Meaning::Nothing(_)), "{line}");
            }
        }
    }
}
