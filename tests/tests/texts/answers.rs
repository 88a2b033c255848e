//! Answers by text to the whole agent: each form that counts, what does not count and hears why,
//! two call-outs at once, guesses, and how long it takes until nobody is called any more.

use crate::INES;
use crate::watch::{house, modem_is};
use slackwater_rules::record::{Body, Purpose, Record};
use slackwater_rules::time::Span;
use slackwater_tests::agent::{SOON, until};
use slackwater_tests::house::House;
use slackwater_tests::modem::{Manner, Modem};

fn code_of(alarm: &'static str) -> impl Fn(&Record) -> Option<String> {
    move |record| match &record.body {
        Body::Raised { alarm: raised, code, .. } if raised == alarm => Some(code.clone()),
        _ => None,
    }
}

/// Ines texts; what she is told.
fn say(stick: &Modem, text: &str) -> String {
    let before = to_ines(stick).len();
    assert!(stick.receive(INES, text), "the SIM has room");
    let reply = || to_ines(stick).get(before).filter(|text| is_reply(text)).cloned();
    until("a reply", SOON, reply, || format!("to {text}: {:?}", to_ines(stick)))
}

fn is_reply(text: &str) -> bool {
    ["Not taken", "Yours ", "Taken", "The next one", "Nothing to do"]
        .iter()
        .any(|start| text.starts_with(start))
}

fn to_ines(stick: &Modem) -> Vec<String> {
    let sent = stick.sent().into_iter().filter(|sent| sent.to == INES && is_reply(&sent.text));
    sent.map(|sent| sent.text).collect()
}

fn answers(house: &House) -> Vec<(String, String, Span)> {
    let answer = |record: Record| match record.body {
        Body::Answered { by, lease, .. } => Some((by.who, by.via, lease)),
        _ => None,
    };
    house.home.records().into_iter().filter_map(answer).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_no_answer_hears_how_and_what_is_one_hears_for_how_long() {
    let Some((house, stick)) = house(Manner::default()).await else { return };
    let _agent = house.watch();
    modem_is(&house, true);
    house.board.set("house/mains", "off");
    let code = house.home.until("the power cut", |records| records.iter().find_map(code_of("power-lost")));
    let how = format!("Not taken. Text {code}: I take care of it. Text NEXT {code}: I can't");
    for text in [format!("I can't come, {code}"), format!("Liked “lagoon: power-lost, code {code}”")] {
        assert_eq!(say(&stick, &text), how, "{text}");
    }
    let driving = "I'm driving. I'll see your message when I get there.";
    assert_eq!(say(&stick, driving), how);
    assert!(answers(&house).is_empty(), "the ladder goes on");

    let next = say(&stick, &format!("next {code}"));
    assert!(next.starts_with("The next one is called now."), "{next}");
    house.home.record(
        "handed on",
        0,
        |body| matches!(body, Body::HandedOn { by, .. } if by.who == "ines" && by.via == "text"),
    );
    let receipt = say(&stick, &format!("have it for 75 min {}", code.to_lowercase()));
    assert!(receipt.starts_with("Yours until ") && receipt.contains("(1 h 15 min)"), "{receipt}");
    assert_eq!(answers(&house), [("ines".to_owned(), "text".to_owned(), Span::minutes(75))]);
    let others = house.home.record("the others learn of it", 0, |body| {
        matches!(body, Body::Paged { purpose: Purpose::Taken, target, .. } if !target.starts_with("ines"))
    });
    let status = house.home.say(&["status"]).well();
    assert!(status.contains("Ines answered by text"), "{status}");
    let said = house.home.say(&["review", "--since", "1 h"]).well();
    assert!(said.contains("text") && said.contains("Ines"), "{said}");
    let called = |record: &Record| {
        record.seq > others.seq && matches!(record.body, Body::Paged { purpose: Purpose::Call, .. })
    };
    assert!(!house.home.records().iter().any(called), "nobody is called after it");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn with_two_call_outs_open_a_number_says_which_and_an_old_code_is_none() {
    let Some((house, stick)) = house(Manner::default()).await else { return };
    let _agent = house.watch();
    modem_is(&house, true);
    house.board.set("lagoon/temperature", "22");
    let cold = house.home.until("the cold", |records| records.iter().find_map(code_of("lagoon-cold")));
    house.board.set("house/mains", "off");
    let power = house.home.until("the power cut", |records| records.iter().find_map(code_of("power-lost")));
    let asked = say(&stick, "yes");
    assert!(
        asked.starts_with(&format!(
            "Not taken. Which? 1 = {cold} Lagoon: cold, 2 = {power} Lagoon: power lost"
        )),
        "{asked}"
    );
    let receipt = say(&stick, "2");
    assert!(receipt.starts_with("Yours until "), "{receipt}");
    house.home.record("the answer", 0, |body| {
        matches!(body, Body::Acknowledged { alarm, by, .. } if alarm == "power-lost" && by.via == "text")
    });
    let open =
        |record: &Record| matches!(&record.body, Body::Acknowledged { alarm, .. } if alarm == "lagoon-cold");
    assert!(!house.home.records().iter().any(open), "the other one still calls");
    house.board.set("lagoon/temperature", "25");
    let over = house.home.record("it is over", 0, |body| matches!(body, Body::CallEnded { .. }));
    // What has returned by itself can still be answered, once.
    assert_eq!(say(&stick, &cold), "Taken. Nothing of it calls anybody now.");
    let old = say(&stick, &cold);
    assert!(old.starts_with("Not taken"), "{old}");
    let refused = |record: &Record| record.seq > over.seq && matches!(record.body, Body::Refused { .. });
    assert!(house.home.records().iter().any(refused));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn guesses_end_soon_and_the_others_are_told() {
    let Some((house, stick)) = house(Manner::default()).await else { return };
    let _agent = house.watch();
    modem_is(&house, true);
    house.board.set("house/mains", "off");
    let code = house.home.until("the power cut", |records| records.iter().find_map(code_of("power-lost")));
    for guess in 0..40 {
        let letters = ["A", "C", "D", "E", "F", "G", "H", "J"];
        let text = format!("77{}{}", letters[guess % 8], letters[guess / 8]);
        assert_ne!(text, code);
        until("room in the SIM", SOON, || stick.receive(INES, &text).then_some(()), String::new);
    }
    until("an empty SIM", SOON, || (stick.stored() == 0).then_some(()), String::new);
    // Right by chance, and too late.
    assert!(stick.receive(INES, &code));
    until("an empty SIM", SOON, || (stick.stored() == 0).then_some(()), String::new);
    assert!(answers(&house).is_empty());
    let refused =
        |record: &Record| matches!(&record.body, Body::Refused { what, .. } if what.contains("acknowledge"));
    assert_eq!(house.home.records().into_iter().filter(refused).count(), 10);
    house.home.record("the others are told", 0, |body| {
        let told = body.to_string();
        told.contains("guesses codes, by text in the name of ines") && !told.contains("ines.")
    });
    assert!(to_ines(&stick).len() <= 6, "replies are bounded: {:?}", to_ines(&stick));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn from_a_text_to_silence_it_takes_no_time() {
    let Some((house, stick)) = house(Manner::default()).await else { return };
    let _agent = house.watch();
    modem_is(&house, true);
    house.board.set("house/mains", "off");
    let code = house.home.until("the power cut", |records| records.iter().find_map(code_of("power-lost")));
    let began = std::time::Instant::now();
    assert!(stick.receive(INES, &code));
    until("the answer", SOON, || (!answers(&house).is_empty()).then_some(()), || house.home.log());
    let took = began.elapsed();
    println!("text to silence: {took:?}");
    assert!(took.as_secs() < 5, "{took:?}");
}
