//! The whole agent with a modem: a power cut whose page leaves as a text, and the answer by text
//! that stops the call-out.

use crate::INES;
use slackwater_rules::record::{Body, Outcome, Purpose, Record};
use slackwater_rules::time::Span;
use slackwater_tests::agent::{SOON, until};
use slackwater_tests::house::{House, RULES, sample};
use slackwater_tests::modem::{Manner, Modem};
use slackwater_tests::mosquitto;
use std::fs;

const SLACKWATER: &str = env!("CARGO_BIN_EXE_slackwater-under-test");

const MODEM: &str = r#"
[modem]
device   = "DEVICE"
model    = "slack tide"
pin-file = "sim-pin"

[contact.ines.channel.text]
kind = "text"
to   = "+351 900 000 012"
"#;

/// The house with a modem; the first to be told is Ines, by text. Nothing without a real broker.
pub(crate) async fn house(manner: Manner) -> Option<(House, Modem)> {
    if !mosquitto::available() {
        return None;
    }
    let stick = Modem::start(Manner { pin: Some("4711".into()), ..manner }).expect("a pseudo-terminal");
    let house = House::build(SLACKWATER).await.expect("the house can be set up");
    let agent = fs::read_to_string(house.home.path("agent.toml")).expect("written");
    let modem = MODEM.replace("DEVICE", &stick.device().display().to_string());
    house.home.write("agent.toml", &(agent + &modem)).expect("written");
    house.home.write("sim-pin", "4711\n").expect("written");
    let rules = RULES.replace("\"ines.push\"", "\"ines.text\"").replace("after = \"2 s\"", "after = \"3 s\"");
    house.home.write("rules.toml", &rules).expect("written");
    Some((house, stick))
}

pub(crate) fn modem_is(house: &House, well: bool) {
    house.status("the modem's state", |status| (status["health"]["modem"]["well"] == well).then_some(()));
}

fn code(record: &Record) -> Option<String> {
    match &record.body {
        Body::Raised { alarm, code, .. } if alarm == "power-lost" => Some(code.clone()),
        _ => None,
    }
}

fn refusals(house: &House) -> Vec<String> {
    let said = |record: Record| match record.body {
        Body::Refused { what, why, by } => Some(format!("{} by {}: {what}: {why}", by.who, by.via)),
        _ => None,
    };
    house.home.records().into_iter().filter_map(said).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_power_cut_is_texted_and_an_answer_by_text_stops_the_call_out() {
    let Some((house, stick)) = house(Manner::default()).await else { return };
    let agent = house.watch();
    modem_is(&house, true);
    house.board.set("house/mains", "off");
    let code = house.home.until("the power cut", |records| records.iter().find_map(code));
    let raised = house.home.record("the power cut", 0, |body| matches!(body, Body::Raised { .. }));
    let sent = stick.until_sent(1);
    assert_eq!(sent[0].to, INES);
    let text = &sent[0].text;
    assert!(text.starts_with("Lagoon: power lost, since "), "{text}");
    assert!(
        text.contains("Open the lid") && text.ends_with(&format!("Reply {code}: I take care of it")),
        "{text}"
    );
    assert!(text.len() <= 160, "{text}");
    let delivered = house.home.record("delivery", 0, |body| {
        matches!(body, Body::Delivered { result: Outcome::Accepted { note }, .. } if note.contains("which is no answer"))
    });

    let took = delivered.at.mono - raised.at.mono;
    assert!(took < Span::seconds(10), "a text is out {took} after the alarm");

    assert!(stick.receive(INES, &format!("Ack {}, on my way", code.to_lowercase())));
    let answered = house.home.record(
        "the answer",
        0,
        |body| matches!(body, Body::Answered { by, .. } if by.who == "ines" && by.via == "text"),
    );
    until("an empty SIM", SOON, || (stick.stored() == 0).then_some(()), String::new);

    house.board.set("house/mains", "on");
    let all_clear = house.home.record("the all-clear", answered.seq, |body| {
        matches!(body, Body::Paged { purpose: Purpose::AllClear, target, .. } if target == "ines.text")
    });
    let between = house.home.records().into_iter().filter(|r| answered.seq < r.seq && r.seq < all_clear.seq);
    let called = between.filter(|record| matches!(record.body, Body::Paged { purpose: Purpose::Call, .. }));
    assert_eq!(called.count(), 0, "nobody is called after the answer");
    let texts = stick.until_sent(3);
    let last = texts.last().expect("a text");
    assert!(last.text.contains("all clear") && !last.text.contains("ACK"), "{}", last.text);

    let shown =
        house.home.log() + &format!("{:?}", house.home.records()) + &house.home.say(&["status"]).well();
    for secret in ["900000012", "900 000 012", "4711"] {
        assert!(!shown.contains(secret), "{secret} is shown:\n{shown}");
    }
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn texts_that_are_no_answer_are_refused_on_record_and_replied_to_now_and_then() {
    let Some((house, stick)) = house(Manner::default()).await else { return };
    let _agent = house.watch();
    modem_is(&house, true);
    let stranger = "+351900000099";
    for (from, text) in [
        (stranger, "ACK K7Q3"),
        (INES, "what is it?"),
        (INES, "ACK YYYY"),
        ("BANK", "sale"),
        (stranger, "hello?"),
    ] {
        assert!(stick.receive(from, text));
    }
    let refused = until(
        "five refusals",
        SOON,
        || Some(refusals(&house)).filter(|all| all.len() >= 5),
        || house.home.log(),
    );
    assert_eq!(
        refused,
        [
            "number ending in 99 by text: take the text \"ACK K7Q3\" as an answer: the number is no contact's",
            "ines by text: take \"what is it?\" as an answer: it is a question",
            "ines by text: acknowledge YYYY: no open episode and no test page has this code",
            "\"BANK\" by text: take the text \"sale\" as an answer: the number is no contact's",
            "number ending in 99 by text: take the text \"hello?\" as an answer: the number is no contact's",
        ]
    );
    until("an empty SIM", SOON, || (stick.stored() == 0).then_some(()), String::new);
    let replies: Vec<_> = stick.until_sent(3).into_iter().map(|sent| (sent.to, sent.text)).collect();
    assert_eq!(
        replies,
        [
            (stranger.to_owned(), "Not taken: the number is no contact's.".to_owned()),
            (INES.to_owned(), "Not taken: it is a question. Nothing is open now.".to_owned()),
            (
                INES.to_owned(),
                "Not taken: no open episode and no test page has this code. Nothing is open now.".to_owned()
            ),
        ]
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn without_its_modem_a_power_cut_goes_to_the_next_way_and_status_says_why() {
    let Some((house, mut stick)) = house(Manner::default()).await else { return };
    let _agent = house.watch();
    modem_is(&house, true);
    stick.unplug();
    modem_is(&house, false);
    let words = || {
        Some(house.home.say(&["status"]).well())
            .filter(|said| said.contains("modem NOT READY: nothing is there as "))
    };
    until("the status", SOON, words, || house.home.log());
    house.board.set("house/mains", "off");
    house.home.record("the deferral", 0, |body| {
        matches!(body, Body::Delivered { result: Outcome::Deferred { why, .. }, .. } if why.starts_with("no modem: "))
    });
    assert!(!house.mail.taken(1).await.is_empty(), "the next step's mail");
    stick.plug().expect("a pseudo-terminal");
    modem_is(&house, true);
    let said = house.home.say(&["status"]).well();
    assert!(said.contains("modem SLACK TIDE Stick 3000, in its own network, signal -79 dBm"), "{said}");
}

#[test]
fn check_tells_who_is_cut_off_with_the_router() {
    let home = sample(SLACKWATER).expect("a folder");
    let said = home.say(&["check"]).well();
    assert!(said.contains("note: Ines, the neighbour and Tom are told by mail and push only"), "{said}");
    let said: serde_json::Value = serde_json::from_str(&home.say(&["check", "--json"]).well()).expect("JSON");
    assert_eq!(said["cut_off_without_router"], serde_json::json!(["Ines", "the neighbour", "Tom"]));
}
