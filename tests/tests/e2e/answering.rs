//! A power cut, the people who are asked, the one who answers, and the end.

use super::{house, is_raised, paged};
use mail_parser::MessageParser;
use slackwater_rules::record::{Body, Purpose, Record, Seq};
use slackwater_rules::time::Span;
use slackwater_tests::agent::{SOON, until};
use slackwater_tests::house::House;
use std::collections::BTreeSet;

const STILL: &str = r#"{"flow":{"rate":0}}"#;

/// Every page has an outcome.
fn all_delivered(records: &[Record]) -> Option<()> {
    let done: BTreeSet<Seq> = records
        .iter()
        .filter_map(|record| match record.body {
            Body::Delivered { page, .. } => Some(page),
            _ => None,
        })
        .collect();
    let sent = |record: &&Record| matches!(record.body, Body::Paged { .. });
    records.iter().filter(sent).all(|page| done.contains(&page.seq)).then_some(())
}

fn code(record: &Record) -> String {
    match &record.body {
        Body::Raised { code, .. } => code.clone(),
        other => panic!("{other}"),
    }
}

/// The subjects of the mails to an address, and what their text says.
async fn mails(house: &House, count: usize, address: &str) -> Vec<(String, String)> {
    let taken = house.mail.taken(count).await;
    assert!(taken.len() >= count, "{count} mails were to come, but {} did", taken.len());
    let theirs = taken.iter().filter(|mail| mail.to.iter().any(|to| to == address));
    theirs
        .map(|mail| {
            assert!(mail.encrypted && mail.user.as_deref() == Some("watch@example.org"), "{mail:?}");
            let parsed = MessageParser::default().parse(&mail.data).expect("a mail");
            let text = parsed.body_text(0).expect("a text").replace("\r\n", "\n");
            (parsed.subject().expect("a subject").to_owned(), text)
        })
        .collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_power_cut_pages_what_how_bad_since_when_the_code_and_what_to_do() {
    let Some(house) = house().await else { return };
    let agent = house.watch();
    house.board.set("house/mains", "off");
    house.board.set("lagoon/return", STILL);
    let raised = house.home.record("the power cut", 0, |body| is_raised(body, "power-lost"));
    let code = code(&raised);

    let push = until("a push", SOON, || house.push.taken().first().cloned(), || house.home.log());
    assert_eq!((push.method.as_str(), push.path.as_str()), ("POST", "/halyard-house"));
    assert_eq!(push.headers["authorization"], "Bearer spring-tide");
    let event: serde_json::Value = serde_json::from_slice(&push.body).expect("a JSON event");
    assert_eq!(event["type"], "slackwater.page.call");
    let data = &event["data"];
    assert_eq!((&data["place"], &data["alarm"]), (&"lagoon".into(), &"power-lost".into()), "{data}");
    assert_eq!((&data["priority"], &data["code"]), (&"critical".into(), &code.clone().into()), "{data}");

    let mails = mails(&house, 2, "tom@example.org").await;
    let (subject, text) = &mails[0];
    let minute = raised.at.wall.0 / 60_000 % (24 * 60);
    let since = format!("{:02}:{:02}", minute / 60, minute % 60);
    let headline = format!("Lagoon: power lost (and 1 more, same cause), since {since}, code {code}");
    assert_eq!(*subject, headline);
    for words in [
        headline.as_str(),
        "If nobody acts: no heat, no flow: oxygen falls first",
        // The consequence stands on the same page.
        "High: Lagoon: return stopped (0 L/h, should be at least 200 L/h)",
        "First: Open the lid.\n",
        "2. Start the battery air pump.",
        "Ines by push: sent",
        &format!("On the watch's own computer: slackwater ack {code}"),
        "never the only safeguard",
    ] {
        assert!(text.contains(words), "{words:?} is not in:\n{text}");
    }
    assert!(!text.contains("Look at the pump"), "one list at night is enough:\n{text}");
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_answer_holds_for_its_lease_and_the_end_is_told_once_to_everyone_asked() {
    let Some(house) = house().await else { return };
    let agent = house.watch();
    house.board.set("house/mains", "off");
    let raised = house.home.record("the power cut", 0, |body| is_raised(body, "power-lost"));
    let code = code(&raised);
    let neighbour = |body: &Body| matches!(body, Body::Paged { target, .. } if target == "neighbour.mail");
    house.home.record("the last rung", 0, neighbour);
    // A page that an answer overtakes is withdrawn, and whoever it was for needs no all-clear.
    house.home.until("the fate of every page", all_delivered);

    let wrong = house.home.say(&["ack", "XXXX", "--as", "ines"]).failed(1);
    assert!(wrong.contains("no open episode and no test page has this code"), "{wrong}");
    let answer = house.home.say(&["ack", &code.to_lowercase(), "--as", "ines"]).well();
    assert!(answer.contains("power lost, acknowledged by Ines (at the watch's computer)"), "{answer}");
    assert!(answer.contains("answered by Ines (at the watch's computer), holds for 5 s"), "{answer}");
    let answered = house.home.record("the answer", 0, |body| matches!(body, Body::Answered { .. }));
    let status = house.home.say(&["status"]).well();
    assert!(status.contains("Critical: Lagoon: power lost"), "{status}");

    let resumed = house.home.record("the lease's end", 0, |body| matches!(body, Body::Resumed { .. }));
    assert!(resumed.body.to_string().contains("the answer of Ines has run out"), "{}", resumed.body);
    let held = resumed.at.mono - answered.at.mono;
    assert!((6_000..8_000).contains(&held.0), "5 s, and 1 s to say that it goes on: {held}");
    let records = house.home.records();
    let holds = |record: &&Record| {
        record.seq > answered.seq && (record.at.mono - answered.at.mono) < Span::seconds(5)
    };
    let quiet: Vec<Record> = records.iter().filter(holds).cloned().collect();
    assert_eq!(paged(&quiet, Purpose::Call), Vec::<&str>::new(), "nobody is asked while the answer holds");
    assert_eq!(paged(&quiet, Purpose::Taken), ["neighbour.mail", "tom.mail"], "the others are told once");

    let again = |body: &Body| matches!(body, Body::Paged { target, purpose: Purpose::Call, .. } if target == "ines.push");
    house.home.record("the first rung again", resumed.seq, again);
    house.home.say(&["ack", &code, "--as", "tom"]).well();
    house.board.set("house/mains", "on");
    house.home.record("the end", 0, |body| matches!(body, Body::CallEnded { .. }));
    house.home.until("the fate of every page", all_delivered);
    agent.terminate();

    let records = house.home.records();
    let mut asked = paged(&records, Purpose::Call);
    asked.sort_unstable();
    asked.dedup();
    assert_eq!(paged(&records, Purpose::AllClear), asked, "one all-clear to each who was asked");
    for address in ["ines@example.org", "tom@example.org", "neighbour@example.org"] {
        let mails = mails(&house, 1, address).await;
        let clear: Vec<_> = mails.iter().filter(|(subject, _)| subject.contains("all clear")).collect();
        assert_eq!(clear.len(), 1, "{mails:#?}");
        assert!(clear[0].1.contains("Ines at the watch"), "{}", clear[0].1);
    }
    let clear = house.push.taken().iter().filter(|push| has(push, "slackwater.page.all-clear")).count();
    assert_eq!(clear, 1);
    look_back(&house, &code);
}

fn has(push: &slackwater_tests::http::Request, words: &str) -> bool {
    String::from_utf8_lossy(&push.body).contains(words)
}

/// The review tells the same story as text, JSON and rows.
fn look_back(house: &House, code: &str) {
    let text = house.home.say(&["review", "--since", "1 h"]).well();
    for words in
        ["Halyard House", "Lagoon: power lost", &format!("critical, code {code}"), "Ines", "Tom", "neighbour"]
    {
        assert!(text.contains(words), "{words:?} is not in:\n{text}");
    }
    assert!(!text.contains("STILL WRONG"), "{text}");
    let json = house.home.say(&["review", "--json"]).well();
    let json: serde_json::Value = serde_json::from_str(&json).expect("JSON");
    let episodes = json["episodes"].as_array().expect("episodes");
    assert_eq!(episodes.len(), 1, "{json:#}");
    assert_eq!(episodes[0]["alarm"], "power-lost");
    let csv = house.home.say(&["review", "--csv"]).well();
    assert!(csv.lines().count() > 10 && csv.contains("power-lost"), "{csv}");
}
