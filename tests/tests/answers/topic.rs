//! Answers by MQTT, on a real broker with the rights that the sample ships.

use crate::{SLACKWATER, answers, code_of, refusals};
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{PubAckReason, PublishProperties, SubscribeReasonCode};
use rumqttc::v5::{Event, Incoming};
use slackwater_rules::record::{Body, Purpose};
use slackwater_rules::time::Span;
use slackwater_tests::agent::{SOON, until};
use slackwater_tests::board::{client, publish};
use slackwater_tests::house::{House, INES, LAGOON, RULES, TOM};
use slackwater_tests::mosquitto;
use std::time::Instant;

const ANSWERS: &str = "house/answers";

async fn house() -> Option<House> {
    if !mosquitto::available() {
        return None;
    }
    let house = House::build(SLACKWATER).await.expect("the house can be set up");
    house.configure(&format!("\n[answers]\ntopic = \"{ANSWERS}\"\n")).expect("written");
    house
        .home
        .write("rules.toml", &RULES.replace("lease  = \"5 s\"", "lease  = \"10 min\""))
        .expect("written");
    Some(house)
}

/// Says something as Ines, and waits for what came of it: words, the topic, what it is known by.
async fn ask(house: &House, payload: &str, response: Option<&str>) -> (String, String, Option<Vec<u8>>) {
    let (client, mut eventloop) = client(house.broker.plain_port(), INES, "ines-asks");
    client.subscribe(format!("{ANSWERS}/ines/reply/#"), QoS::AtLeastOnce).await.expect("room");
    let asked = async {
        loop {
            match eventloop.poll().await.expect("the broker is there") {
                Event::Incoming(Incoming::SubAck(answer)) => {
                    assert!(matches!(answer.return_codes.as_slice(), [SubscribeReasonCode::Success(_)]));
                    let properties = PublishProperties {
                        response_topic: response.map(str::to_owned),
                        correlation_data: response.map(|_| b"phone 7".to_vec().into()),
                        ..PublishProperties::default()
                    };
                    let topic = format!("{ANSWERS}/ines");
                    let said = client.publish_with_properties(
                        topic,
                        QoS::AtLeastOnce,
                        false,
                        payload.to_owned(),
                        properties,
                    );
                    said.await.expect("room");
                }
                Event::Incoming(Incoming::Publish(message)) => {
                    let known_by = message.properties.and_then(|properties| properties.correlation_data);
                    let text = String::from_utf8_lossy(&message.payload).into_owned();
                    let topic = String::from_utf8_lossy(&message.topic).into_owned();
                    return (text, topic, known_by.map(|data| data.to_vec()));
                }
                _ => {}
            }
        }
    };
    tokio::time::timeout(SOON, asked).await.expect("what came of it is said soon")
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_contact_answers_on_the_topic_of_their_name_and_hears_what_came_of_it() {
    let Some(house) = house().await else { return };
    let _agent = house.watch();
    house.board.set("house/mains", "off");
    let code = code_of(&house, "power-lost");
    let (said, topic, _) = ask(&house, &format!("I can't come, {code}"), None).await;
    assert!(said.contains("\"taken\":false") && !said.contains(&format!("publish {code}")), "{said}");
    assert_eq!(topic, format!("{ANSWERS}/ines/reply"));
    assert!(answers(&house).is_empty());

    let elsewhere = ask(&house, "yes", Some("lagoon/heaters/set")).await;
    assert_eq!(elsewhere.1, format!("{ANSWERS}/ines/reply"), "a reply switches nothing");

    house.home.record(
        "Tom is told",
        0,
        |body| matches!(body, Body::Paged { target, .. } if target == "tom.mail"),
    );
    let began = Instant::now();
    let own = format!("{ANSWERS}/ines/reply/phone");
    let payload = format!(r#"{{"code":"{code}","say":"have it","for":"75 min"}}"#);
    let (said, topic, known_by) = ask(&house, &payload, Some(&own)).await;
    println!("publication to receipt, connecting included: {:?}", began.elapsed());
    assert!(said.contains("\"taken\":true") && said.contains("Yours until"), "{said}");
    assert_eq!((topic, known_by.as_deref()), (own, Some(&b"phone 7"[..])));
    assert_eq!(answers(&house), [("ines".to_owned(), "MQTT".to_owned(), Span::minutes(75))]);
    house.home.record("the others learn of it", 0, |body| {
        matches!(body, Body::Paged { purpose: Purpose::Taken, target, .. } if !target.starts_with("ines"))
    });
    let status = house.home.say(&["status"]).well();
    assert!(status.contains("Ines answered by a message to the broker"), "{status}");
    let review = house.home.say(&["review", "--since", "1 h"]).well();
    assert!(review.contains("by Ines (by a message to the broker)"), "{review}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_retained_foreign_or_waited_never_counts() {
    let Some(house) = house().await else { return };
    let port = house.broker.plain_port();
    let own = format!("{ANSWERS}/ines");
    for device in [LAGOON, TOM] {
        let answer = publish(port, device, &own, "4QTE", false).await;
        assert_eq!(answer, PubAckReason::NotAuthorized, "{} must not answer for Ines", device.0);
    }
    let answer = publish(port, INES, "lagoon/heaters/set", "on", false).await;
    assert_eq!(answer, PubAckReason::NotAuthorized, "who answers switches nothing");

    let agent = house.watch();
    house.board.set("house/mains", "off");
    let code = code_of(&house, "power-lost");
    agent.terminate();
    // Retained, and waiting in the broker's session for the watch.
    assert_eq!(publish(port, INES, &own, &code, true).await, PubAckReason::Success);
    assert_eq!(publish(port, INES, &own, &format!("ok {code}"), false).await, PubAckReason::Success);
    say_for_a_second(port, &format!("{code} for 3 h")).await;
    tokio::time::sleep(std::time::Duration::from_secs(2)).await;
    let _agent = house.watch();
    let old = || {
        let said = refusals(&house);
        let counts = |why: &str| said.iter().filter(|said| said.contains(why)).count();
        (counts("how old it is") >= 2).then_some(())
    };
    until("both to be refused", SOON, old, || format!("{:?}\n{}", refusals(&house), house.home.log()));
    assert!(answers(&house).is_empty(), "{:?}", answers(&house));
    assert!(
        !refusals(&house).iter().any(|said| said.contains("3 h")),
        "the broker keeps nothing that has expired"
    );
    publish(port, INES, &own, "", true).await;
    assert_eq!(publish(port, INES, &own, &code, false).await, PubAckReason::Success);
    until("a live one", SOON, || (!answers(&house).is_empty()).then_some(()), || house.home.log());
}

/// Publishes what is good for a second only.
async fn say_for_a_second(port: u16, payload: &str) {
    let (client, mut eventloop) = client(port, INES, "ines-says");
    let properties = PublishProperties { message_expiry_interval: Some(1), ..PublishProperties::default() };
    let topic = format!("{ANSWERS}/ines");
    let said = client.publish_with_properties(topic, QoS::AtLeastOnce, false, payload.to_owned(), properties);
    said.await.expect("room");
    let taken = async {
        while !matches!(
            eventloop.poll().await.expect("the broker is there"),
            Event::Incoming(Incoming::PubAck(_))
        ) {}
    };
    tokio::time::timeout(SOON, taken).await.expect("the broker takes it soon");
}
