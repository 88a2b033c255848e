//! Call-outs on the whole agent: a critical alarm that joins a mild call-out reaches the texts in
//! its own time, two call-outs want one siren, and a board that dies is one page.

use crate::INES;
use crate::watch::{house, modem_is};
use slackwater_rules::record::{Body, Purpose, Record};
use slackwater_tests::agent::SOON;
use slackwater_tests::agent::until;
use slackwater_tests::board::Board;
use slackwater_tests::house::{House, ROOM2};
use slackwater_tests::modem::{Manner, Modem};
use std::fs;

const SIREN: &str = "
[channel.siren]
kind  = \"siren\"
topic = \"house/siren/set\"
";

/// The house with a modem and a siren, its rule file changed.
async fn changed(change: impl Fn(String) -> String) -> Option<(House, Modem)> {
    let (house, stick) = house(Manner::default()).await?;
    let read = |name: &str| fs::read_to_string(house.home.path(name)).expect("written");
    house.home.write("agent.toml", &(read("agent.toml") + SIREN)).expect("written");
    house.home.write("rules.toml", &change(read("rules.toml"))).expect("written");
    Some((house, stick))
}

fn begun(records: &[Record]) -> usize {
    records.iter().filter(|record| matches!(record.body, Body::CallBegan { .. })).count()
}

fn raised(house: &House, alarm: &str) -> Record {
    house.home.record(alarm, 0, |body| matches!(body, Body::Raised { alarm: raised, .. } if raised == alarm))
}

/// The pages to this target that ask for help.
fn paged(house: &House, to: &str) -> Vec<Record> {
    let is = |record: &Record| matches!(&record.body, Body::Paged { target, purpose: Purpose::Call, .. } if target == to);
    house.home.records().into_iter().filter(is).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_critical_alarm_that_joins_a_low_one_reaches_the_texts_in_its_own_time() {
    let low = "
[alarm.lagoon-warm]
tank = \"lagoon\"
when = \"lagoon-temp > 27 degC\"
priority = \"low\"
consequence-of = [\"power-lost\"]
callout = \"mild\"

[callout.mild]
steps = [{ after = \"0 s\", to = [\"ines.mail\"] }]
again = \"1 h\"
";
    let Some((house, stick)) = changed(|rules| rules + low).await else { return };
    let _agent = house.watch();
    modem_is(&house, true);
    house.board.set("lagoon/temperature", "27.5");
    raised(&house, "lagoon-warm");
    house.mail.taken(1).await;
    assert!(stick.sent().is_empty(), "what is low is not texted");
    house.board.set("house/mains", "off");
    let cut = raised(&house, "power-lost");
    let sent = stick.until_sent(1);
    assert_eq!(sent[0].to, INES);
    assert!(sent[0].text.starts_with("Lagoon: power lost"), "{}", sent[0].text);
    let first = until("its page", SOON, || paged(&house, "ines.text").first().cloned(), || house.home.log());
    assert_eq!(first.at.mono, cut.at.mono, "at once, not when the mild ladder comes to it");
    let later = until(
        "its last rung",
        SOON,
        || paged(&house, "neighbour.mail").first().cloned(),
        || house.home.log(),
    );
    // Not before, and not when the mild ladder would come to it; how late is the machine's matter.
    assert!((3_900..3_600_000).contains(&(later.at.mono - cut.at.mono).0), "in its own time");
    assert_eq!(begun(&house.home.records()), 1, "{}", house.home.log());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_call_outs_are_one_siren_and_the_answer_to_one_does_not_silence_it() {
    let loud = |rules: String| {
        rules
            .replace("[\"ines.text\"]", "[\"ines.text\", \"siren\"]")
            .replace("[alarm.lagoon-cold]", "[alarm.leak]\ntank = \"lagoon\"\nwhen = \"lagoon-return > 5000 L/h\"\npriority = \"critical\"\nresponse = [\"Close the tap.\"]\ncallout = \"household\"\n\n[alarm.lagoon-cold]")
            .replace("lease  = \"5 s\"", "lease  = \"60 s\"")
    };
    let Some((house, _stick)) = changed(loud).await else { return };
    let _agent = house.watch();
    modem_is(&house, true);
    house.board.set("house/mains", "off");
    raised(&house, "power-lost");
    until("the siren", SOON, || paged(&house, "siren").first().cloned(), || house.home.log());
    house.board.set("lagoon/return", r#"{"flow":{"rate":6000}}"#);
    raised(&house, "leak");
    let both = |records: &[Record]| (begun(records) == 2).then_some(());
    house.home.until("two call-outs", both);
    assert_eq!(paged(&house, "siren").len(), 1, "one sound for both");
    let code = house.home.until("a code", |records| {
        records.iter().find_map(|record| match &record.body {
            Body::Raised { alarm, code, .. } if alarm == "power-lost" => Some(code.clone()),
            _ => None,
        })
    });
    house.home.say(&["ack", &code]).well();
    let hushed = |record: &Record| matches!(&record.body, Body::Paged { target, purpose: Purpose::Taken, .. } if target == "siren");
    house.home.record("the answer", 0, |body| matches!(body, Body::Answered { .. }));
    tokio::time::sleep(std::time::Duration::from_millis(700)).await;
    assert!(!house.home.records().iter().any(hushed), "the other call-out wants it\n{}", house.home.log());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_board_with_eleven_topics_that_dies_is_one_page() {
    let mut board = String::new();
    for n in 0..11 {
        board.push_str(&format!(
            "[sensor.probe-{n}]\ntopic = \"room2/board/{n}\"\nmeasures = \"level\"\nunit = \"cm\"\nevery = \"1 s\"\n\
             [alarm.low-{n}]\ntank = \"lagoon\"\nwhen = \"probe-{n} < 10 cm\"\npriority = \"high\"\n\
             response = [\"Look.\"]\ncallout = \"household\"\n"
        ));
    }
    let Some((house, stick)) = changed(|rules| format!("{rules}\n{board}")).await else { return };
    let topics: Vec<String> = (0..11).map(|n| format!("room2/board/{n}")).collect();
    let values: Vec<(&str, &str)> = topics.iter().map(|topic| (topic.as_str(), "25")).collect();
    let room2 = Board::start(house.broker.plain_port(), ROOM2, &values);
    let _agent = house.watch();
    modem_is(&house, true);
    topics.iter().for_each(|topic| room2.silence(topic));
    let all = |records: &[Record]| {
        let lost = |record: &&Record| matches!(&record.body, Body::Raised { alarm, .. } if alarm.starts_with("sight-probe"));
        (records.iter().filter(lost).count() == 11).then_some(())
    };
    house.home.until("eleven losses", all);
    stick.until_sent(1);
    let mail = |to: &str| paged(&house, to).len();
    until("the second rung", SOON, || (mail("tom.mail") > 0).then_some(()), || house.home.log());
    assert_eq!(begun(&house.home.records()), 1, "{}", house.home.log());
    assert_eq!((paged(&house, "ines.text").len(), mail("tom.mail")), (1, 1), "{}", house.home.log());
}
