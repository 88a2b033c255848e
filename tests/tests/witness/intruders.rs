//! What anybody with access to the broker can send: it is turned away, said once a cause, and no
//! sign of life.

use super::{INTRUDER, SLACKWATER, Shed, key};
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::{AsyncClient, Event, Incoming, MqttOptions};
use slackwater::checkin::{SiteKey, seal};
use slackwater_rules::checkin::{CheckIn, VERSION};
use slackwater_rules::record::{Body, Record};
use slackwater_rules::time::{Span, Wall};
use slackwater_tests::agent::Home;
use slackwater_tests::certs::Authority;
use slackwater_tests::mosquitto::available;
use std::time::{SystemTime, UNIX_EPOCH};

const TOPIC: &str = "slackwater/check-in/halyard";

/// So many of each kind.
const FLOOD: usize = 40;

fn sealed(key: &SiteKey, site: &str, count: u64) -> String {
    let at = SystemTime::now().duration_since(UNIX_EPOCH).expect("after 1970");
    let check_in = CheckIn {
        version: VERSION,
        site: site.to_owned(),
        journal: "aaaa".to_owned(),
        start: 1,
        count,
        at: Wall(at.as_millis() as i64),
        at_trusted: true,
        boot: "boot".to_owned(),
        next: Span::seconds(1),
        software: "0.1.0".to_owned(),
        mains: None,
        open: Vec::new(),
        more: 0,
        asks: false,
        sensors: (0, 0),
        readings: Vec::new(),
        troubles: Vec::new(),
        silence: None,
        dark: None,
    };
    seal(key, &serde_json::to_vec(&check_in).expect("JSON"))
}

/// Publishes all of them, and waits until the broker has taken them.
pub(super) async fn flood(port: u16, messages: &[(String, String, bool)]) {
    let mut options = MqttOptions::new("intruder", "127.0.0.1", port);
    options.set_credentials(INTRUDER.0, INTRUDER.1);
    let (client, mut eventloop) = AsyncClient::new(options, messages.len() + 1);
    for (topic, payload, retain) in messages {
        client.try_publish(topic.clone(), QoS::AtLeastOnce, *retain, payload.clone()).expect("room");
    }
    let mut taken = 0;
    while taken < messages.len() {
        if let Event::Incoming(Incoming::PubAck(_)) = eventloop.poll().await.expect("the broker is there") {
            taken += 1;
        }
    }
    client.try_disconnect().expect("room");
    // The goodbye goes out with the next poll, whatever that returns.
    let _ = eventloop.poll().await;
}

fn refusals(records: &[Record]) -> Vec<&str> {
    let why = |record| match record {
        &Record { body: Body::Refused { ref why, ref by, .. }, .. } if by.via == "check-in" => {
            Some(why.as_str())
        }
        _ => None,
    };
    records.iter().filter_map(why).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_flood_of_false_check_ins_is_said_once_a_cause_and_keeps_no_dead_house_alive() {
    if !available() {
        return;
    }
    let folder = Home::new(SLACKWATER).expect("a folder");
    let authority = Authority::new(folder.folder(), "elsewhere").expect("an authority");
    let (own, other) = (key(), key());
    let shed = Shed::build(&authority, &[("halyard", own.public())]);
    let port = shed.away.plain_port();
    let message = |topic: &str, payload: String| (topic.to_owned(), payload, false);
    let genuine = sealed(&own, "halyard", 7);
    flood(port, &[message(TOPIC, genuine.clone())]).await;
    shed.hears_halyard();

    let mut lies = Vec::new();
    for n in 0..FLOOD {
        lies.push(message(TOPIC, genuine.clone()));
        lies.push(message(TOPIC, sealed(&other, "halyard", 100)));
        lies.push(message(TOPIC, sealed(&own, "nursery", 100)));
        lies.push(message(TOPIC, format!("{n}")));
        lies.push(message(TOPIC, "A".repeat(20_000)));
        lies.push(message(&format!("slackwater/check-in/house-{n}"), genuine.clone()));
    }
    flood(port, &lies).await;
    let (raised, _) = shed.rings(0);
    // It goes on while the alarm stands, and moves nothing.
    flood(port, &lies).await;
    let total = (2 * FLOOD) as u64;
    shed.sees("all of them, turned away", |status| {
        let refused = &status["health"]["watched"]["refused"];
        let causes = ["replayed", "forged", "for another site", "garbled", "too large", "unknown site"];
        causes.iter().all(|cause| refused[cause] == total)
    });
    let records = shed.home.records();
    assert_eq!(refusals(&records).len(), 6, "one record a cause: {:#?}", refusals(&records));
    let back = |record: &Record| matches!(record.body, Body::Returned { .. }) && record.seq > raised;
    assert!(!records.iter().any(back), "{}", shed.home.log());

    // The house itself still gets through.
    flood(port, &[message(TOPIC, sealed(&own, "halyard", 8))]).await;
    shed.home.record("the return", raised, |body| matches!(body, Body::Returned { .. }));
}
