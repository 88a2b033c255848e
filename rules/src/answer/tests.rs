use super::{HoldsUntil, Meaning, NoAnswer, Which};
use crate::time::{Moment, Now, Span, Wall};
use jiff::tz::TimeZone;
use proptest::prelude::*;

fn code() -> Which {
    Which::Code("4QTE".to_owned())
}

fn has(until: Option<HoldsUntil>) -> Meaning {
    Meaning::Has { which: code(), until }
}

fn clock(hour: i8, minute: i8) -> Option<HoldsUntil> {
    Some(HoldsUntil::Clock { hour, minute })
}

#[test]
fn the_code_alone_or_with_a_word_of_assent_is_an_answer() {
    for text in [
        "4QTE",
        "4qte",
        " 4Qte. ",
        "\n4QTE\n",
        "4QTE!",
        "4QTE 4QTE",
        "(4QTE)",
        "yes 4QTE",
        "Yes, 4qte",
        "4QTE yes",
        "ok 4QTE",
        "OK: 4QTE",
        "Okay 4QTE please",
        "have it 4QTE",
        "Have it: 4QTE",
        "I have it, 4QTE",
        "I've got it 4QTE",
        "I’ve got it – 4QTE",
        "4QTE got it",
        "on it 4QTE",
        "I'm on it. 4QTE",
        "still on it 4QTE",
        "4QTE still on it",
        "still have it, 4QTE",
        "4QTE, on my way!",
        "ACK 4QTE",
        "ack: 4qte, on my way",
        "acknowledge 4QTE",
        "Hi, 4QTE, thanks",
        "text 4QTE",
        "Have it: text 4QTE",
        "Text 4QTE: I take care of it",
        "code 4QTE",
        "4QTE 👍",
        "👍🏽 4QTE",
        "taken 4QTE",
        "4QTE mine",
        "I'll take it, 4QTE",
        "I take care of it. 4QTE",
        "coming! 4QTE",
    ] {
        assert_eq!(Meaning::of(text), has(None), "{text}");
    }
}

#[test]
fn a_time_says_until_when() {
    for (text, until) in [
        ("4QTE until 14:00", clock(14, 0)),
        ("4QTE till 9:30", clock(9, 30)),
        ("4QTE 14:00", clock(14, 0)),
        ("14:00 4QTE", clock(14, 0)),
        ("have it until 14.00 4QTE", clock(14, 0)),
        ("I have it until 14h, 4QTE", clock(14, 0)),
        ("4QTE until 14h30", clock(14, 30)),
        ("4QTE until 14", clock(14, 0)),
        ("4QTE until 2pm", clock(14, 0)),
        ("4QTE 2:15 pm", clock(14, 15)),
        ("4QTE until 12 am", clock(0, 0)),
        ("4QTE until noon", clock(12, 0)),
        ("4QTE until midnight", clock(0, 0)),
        ("4QTE at least until 7:05", clock(7, 5)),
        ("4QTE for 2 h", Some(HoldsUntil::For(Span::hours(2)))),
        ("4QTE 2h", Some(HoldsUntil::For(Span::hours(2)))),
        ("4QTE 90 min", Some(HoldsUntil::For(Span::minutes(90)))),
        ("4QTE for 180 minutes", Some(HoldsUntil::For(Span::hours(3)))),
        ("4QTE for an hour", Some(HoldsUntil::For(Span::hours(1)))),
        ("4QTE for half an hour", Some(HoldsUntil::For(Span::minutes(30)))),
        ("4QTE for 1 h 30 min", Some(HoldsUntil::For(Span::minutes(90)))),
        ("still on it 4QTE for 1 hour", Some(HoldsUntil::For(Span::hours(1)))),
    ] {
        assert_eq!(Meaning::of(text), has(until), "{text}");
    }
}

#[test]
fn next_and_the_code_hands_on() {
    for text in [
        "next 4QTE",
        "NEXT 4QTE",
        "4QTE next",
        "4QTE, next please",
        "next person 4QTE",
        "4QTE call the next",
        "hand on 4QTE",
        "4QTE hand on to the next now",
        "ok next 4QTE",
        "text NEXT 4QTE",
    ] {
        assert_eq!(Meaning::of(text), Meaning::HandsOn { which: code() }, "{text}");
    }
}

#[test]
fn a_number_may_stand_for_a_code() {
    assert_eq!(Meaning::of("1"), Meaning::Has { which: Which::Number(1), until: None });
    assert_eq!(Meaning::of("ok 2"), Meaning::Has { which: Which::Number(2), until: None });
    assert_eq!(Meaning::of("2 until 14:00"), Meaning::Has { which: Which::Number(2), until: clock(14, 0) });
    assert_eq!(
        Meaning::of("1 for 2 h"),
        Meaning::Has { which: Which::Number(1), until: Some(HoldsUntil::For(Span::hours(2))) }
    );
    assert_eq!(Meaning::of("next 2"), Meaning::HandsOn { which: Which::Number(2) });
    for text in ["0", "12", "1 2", "4QTE 1"] {
        assert!(matches!(Meaning::of(text), Meaning::Nothing(_)), "{text}");
    }
}

#[test]
fn anything_else_is_no_answer() {
    for (why, texts) in [
        (NoAnswer::Empty, &["", " \n "][..]),
        (NoAnswer::NoCode, &["yes", "ok", "next", "have it", "until 14:00", "👍", "..."][..]),
        (NoAnswer::SeveralCodes, &["4QTE K7Q3", "ok 4QTE and K7Q3"][..1]),
        (
            NoAnswer::Quotes,
            &[
                "Liked “Lagoon: the return pump moves no water, code 4QTE”",
                "👍 to \"4QTE\"",
                "> 4QTE",
                "Reacted 👍 to «4QTE»",
                "\"4QTE\"",
            ][..],
        ),
        (NoAnswer::Asks, &["4QTE?", "what is 4QTE?", "4QTE until 14:00?"][..]),
        (
            NoAnswer::Sentence,
            &[
                "I can't come, 4QTE",
                "can't 4QTE",
                "no 4QTE",
                "not 4QTE",
                "4QTE no",
                "4QTE I am in Faro until 14:00",
                "not me, next 4QTE",
                "have it, next 4QTE",
                "next 4QTE until 14:00",
                "ACK 4QTE but I am away",
                "is 4QTE still on",
                "👎 4QTE",
                "4QTE 🚗",
                "4QTE until",
                "4QTE until 25:00",
                "4QTE until 14:60",
                "4QTE 14",
                "4QTE for 0 h",
                "4QTE until 14:00 until 15:00",
                "4QTE until 13pm",
                "ÄÖÜ1",
                "4QT",
                "4QTES",
                "BOIL",
                "I'm driving with notifications silenced. I'll see your message when I get where I'm going.",
                "I am driving. You wrote: lagoon: power-lost, critical, since 02:14, code 4QTE. Reply 4QTE",
                "Sorry, I can't talk right now.",
                "Not taken. Text 4QTE: I take care of it. Text NEXT 4QTE: I can't",
                "Disliked 4QTE",
            ][..],
        ),
    ] {
        for text in texts {
            assert_eq!(Meaning::of(text), Meaning::Nothing(why), "{text}");
        }
    }
    assert_eq!(Meaning::of(&"ok ".repeat(50)), Meaning::Nothing(NoAnswer::Sentence), "too long");
}

#[test]
fn a_time_of_day_is_the_next_one_on_the_clock_of_the_site() {
    let zone = TimeZone::fixed(jiff::tz::offset(1));
    // 2026-11-29 02:20 there.
    let now = Now { mono: Moment(0), wall: Wall(1_795_915_200_000), wall_trusted: true };
    let length =
        |hour, minute| HoldsUntil::Clock { hour, minute }.length(&now, &zone).expect("the clock is set");
    let here = now.wall.civil(&zone);
    let (hour, minute) = (here.hour(), here.minute());
    assert_eq!(length(hour, minute), Span::hours(24), "now is not ahead");
    assert_eq!(length((hour + 1) % 24, minute), Span::hours(1));
    assert_eq!(HoldsUntil::For(Span::hours(3)).length(&now, &zone), Ok(Span::hours(3)));
    let unset = Now { wall_trusted: false, ..now };
    assert!(HoldsUntil::Clock { hour: 1, minute: 0 }.length(&unset, &zone).is_err());
    assert_eq!(HoldsUntil::For(Span::hours(3)).length(&unset, &zone), Ok(Span::hours(3)));
}

#[test]
fn what_waited_counts_while_it_is_fresh() {
    let now = Now { mono: Moment(0), wall: Wall(100 * 3_600_000), wall_trusted: true };
    let ago = |minutes: i64| Some(now.wall - Span::minutes(minutes));
    for (live, arrived, written, counts) in [
        (true, ago(0), ago(0), true),
        (true, None, None, true),
        (true, ago(0), ago(45), false),
        (false, ago(29), ago(29), true),
        (false, ago(31), ago(31), false),
        (false, ago(5), ago(120), false),
        (false, None, ago(5), false),
        (false, ago(5), None, true),
    ] {
        assert_eq!(super::is_fresh(&now, live, arrived, written), counts, "{live} {arrived:?} {written:?}");
    }
    let unset = Now { wall_trusted: false, ..now };
    assert!(
        super::is_fresh(&unset, true, ago(900), ago(900)) && !super::is_fresh(&unset, false, ago(1), ago(1))
    );
}

#[test]
fn no_code_is_a_word_of_an_answer() {
    for word in ["NEXT", "HAVE", "TAKE", "47HR", "ACK"] {
        assert!(super::is_a_word(word), "{word}");
    }
    for word in ["4QTE", "K7Q3", "CATE", "33AM"] {
        assert!(!super::is_a_word(word), "{word}");
        assert!(matches!(Meaning::of(word), Meaning::Has { .. }), "{word}");
    }
}

proptest! {
    #[test]
    fn whatever_comes_is_read_and_an_answer_has_its_code(text in "(\\PC{0,12} ?){0,8}") {
        match Meaning::of(&text) {
            Meaning::Has { which: Which::Code(code), .. } | Meaning::HandsOn { which: Which::Code(code) } => {
                prop_assert!(text.to_uppercase().contains(&code));
            }
            Meaning::Has { .. } | Meaning::HandsOn { .. } | Meaning::Nothing(_) => {}
        }
    }

    #[test]
    fn a_negation_is_never_an_answer(
        before in "(ok |yes |4QTE |I |have it ){0,3}",
        no in "(not|no|can't|cannot|won't|never|nobody|don't|unable|sorry|away)",
        after in "( 4QTE| have it| until 14:00| next){0,3}",
    ) {
        let text = format!("{before}{no}{after} 4QTE");
        prop_assert!(matches!(Meaning::of(&text), Meaning::Nothing(_)), "{}", text);
    }
}
