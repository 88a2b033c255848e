//! What can be done at the doors of a running watch, at the local socket, by a device that has gone
//! mad, by servers that never end: it is answered, bounded, and fits into the unit's memory.

use super::many_alarms::{TEXT, UNIT};
use super::{house, is_raised};
use serde_json::json;
use slackwater_rules::record::Body;
use slackwater_tests::agent::{Agent, SOON, until};
use slackwater_tests::board::client;
use slackwater_tests::house::{House, LAGOON, RULES};
use slackwater_tests::http::Answer;
use slackwater_tests::smtp::Fault;
use std::io::{Read, Write};
use std::os::unix::net::UnixStream;
use std::time::Duration;

fn connect(house: &House) -> UnixStream {
    let stream = UnixStream::connect(house.home.path("control.sock")).expect("the socket");
    stream.set_read_timeout(Some(SOON)).expect("a socket");
    stream.set_write_timeout(Some(SOON)).expect("a socket");
    stream
}

/// What comes back to these octets.
fn reply(house: &House, said: &[u8]) -> String {
    let mut stream = connect(house);
    // It may have been enough before the end.
    let _ = stream.write_all(said);
    let mut reply = String::new();
    // What was said and not read makes an end of its own.
    let _ = stream.read_to_string(&mut reply);
    reply
}

fn say(house: &House, request: &serde_json::Value) -> String {
    reply(house, format!("{request}\n").as_bytes())
}

fn acknowledge(code: &str) -> serde_json::Value {
    json!({"ask": "say", "who": "ines", "say": {"say": "acknowledge", "code": code}})
}

fn refused(house: &House) -> usize {
    house.home.records().iter().filter(|record| matches!(record.body, Body::Refused { .. })).count()
}

/// With the text of the program as it ships: what is tested here has three times as much.
fn fits(agent: &Agent, after: &str) {
    let most = agent.kibibytes("VmHWM") - agent.kibibytes("RssFile") + TEXT;
    println!("{after}: at most {most} KiB so far");
    assert!(most < UNIT, "{after}: {most} KiB, and the unit has {UNIT}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn whatever_is_done_at_the_doors_is_answered_and_fits_into_the_units_memory() {
    let Some(house) = house().await else { return };
    let agent = house.watch();
    fits(&agent, "at rest");

    // Requests without an end, and more of them at once than are listened to.
    let endless = reply(&house, &vec![b'x'; 8 << 20]);
    assert!(endless.contains("a line has more than 65536 bytes"), "{endless}");
    let mut talkers: Vec<UnixStream> = (0..16).map(|_| connect(&house)).collect();
    for talker in &mut talkers {
        talker.write_all(&vec![b'x'; 60_000]).expect("it listens");
    }
    let away = until(
        "somebody turned away",
        SOON,
        || Some(house.home.say(&["status"])).filter(|said| said.code == Some(1)),
        || house.home.log(),
    );
    assert!(away.err.contains("16 others are being listened to"), "{away:?}");
    drop(talkers);
    until(
        "room again",
        SOON,
        || Some(house.home.say(&["status"])).filter(|said| said.code == Some(0)),
        || house.home.log(),
    );
    fits(&agent, "after requests without an end");

    // Names and reasons that are long, or hide what stands there.
    let long = "x".repeat(60_000);
    for text in [long.as_str(), "a\u{0}b", "a\nb", "a\u{1b}[2Jb", "a\u{202e}b"] {
        for request in [
            json!({"ask": "explain", "alarm": text, "json": false}),
            json!({"ask": "say", "who": text, "say": {"say": "test-pages"}}),
            json!({"ask": "say", "who": "ines", "say": {"say": "take-out", "alarm": "lagoon-cold", "why": text}}),
            acknowledge(text),
        ] {
            let said = say(&house, &request);
            assert!(said.contains("\"ok\":false") && said.len() < 300, "{said}");
        }
    }
    assert_eq!(refused(&house), 0, "nothing of it is kept");

    // Guesses: the first are kept, the right one is still taken.
    for n in 0..2_000 {
        let said = say(&house, &acknowledge(&format!("{n:04}")));
        assert!(said.contains("no open episode and no test page has this code"), "{said}");
    }
    assert_eq!(refused(&house), 10);
    house.board.set("house/mains", "off");
    let raised = house.home.record("the power cut", 0, |body| is_raised(body, "power-lost"));
    let Body::Raised { code, .. } = &raised.body else { panic!("{}", raised.body) };
    house.home.say(&["ack", code, "--as", "ines"]).well();
    fits(&agent, "after two thousand wrong codes");

    // Files with mistakes without number: `status` shows the first of them.
    let wrong = (0..1_000).map(|n| format!("[alarm.wrong-{n}]\nwhen = \"nothing < {n} degC\"\n"));
    house.home.write("rules.toml", &format!("{RULES}{}", wrong.collect::<String>())).expect("written");
    let said = house.home.say(&["reload"]).failed(1);
    assert!(said.contains("`slackwater check` shows all of it") && said.len() < 40_000, "{}", said.len());
    let status = house.home.say(&["status"]).well();
    let shown = status.split("the last reload was REFUSED").nth(1).expect("it is said");
    assert!(
        shown.contains("more lines: `slackwater check` shows all of it") && shown.len() < 4_000,
        "{shown}"
    );
    fits(&agent, "after a reload of a thousand mistakes");
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn servers_that_never_end_and_a_device_gone_mad_fit_into_the_units_memory() {
    let Some(house) = house().await else { return };
    let agent = house.watch();
    fits(&agent, "at rest");
    let page = |target: &'static str| move |body: &Body| matches!(body, Body::Paged { target: to, .. } if to == target);
    house.mail.set_fault(Fault::EndlessLine("EHLO"));
    house.push.set_answer(Answer::EndlessHead);
    house.board.set("house/mains", "off");
    let push = house.home.record("a push", 0, page("ines.push"));
    let met = house.home.record(
        "what became of it",
        push.seq,
        |body| matches!(body, Body::Delivered { page, .. } if *page == push.seq),
    );
    println!("{}", met.body);
    house.push.set_answer(Answer::EndlessBody);
    house.home.record("the third step", push.seq, page("neighbour.mail"));
    fits(&agent, "after answers without an end");

    // The longest messages that the broker lets through, on a topic that the watch hears.
    let (mad, mut eventloop) = client(house.broker.plain_port(), LAGOON, "mad");
    eventloop.options.set_max_packet_size(Some(1 << 20));
    let _runs = tokio::spawn(async move { while eventloop.poll().await.is_ok() {} });
    let long = "9".repeat(60_000);
    for _ in 0..1_500 {
        let qos = rumqttc::v5::mqttbytes::QoS::AtMostOnce;
        mad.publish("lagoon/temperature", qos, false, long.clone()).await.expect("it runs");
    }
    tokio::time::sleep(Duration::from_secs(2)).await;
    house.status("it still answers", |status| status["status"]["sensors"].as_array().map(drop));
    fits(&agent, "after ninety megabytes of one device");
    house.mail.set_fault(Fault::None);
    house.push.set_answer(Answer::status("202 Accepted"));
    agent.terminate();
}
