//! What an honest site does not send: gaps, repeats, forged and garbled packs, another site's name.
//! A client of its own speaks for the site, with the site's key or without it.

use super::{Fleet, IN_TIME, INTRUDER};
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::{AsyncClient, Event, Incoming};
use serde_json::{Value, json};
use slackwater::checkin::{SiteKey, seal, seal_as};
use slackwater_tests::agent::until;
use slackwater_tests::board::client;
use tokio::sync::mpsc;

/// Events with these numbers as a pack.
fn pack(epoch: &str, numbers: &[u64], first: u64, last: u64) -> Value {
    let event = |number: &u64| {
        json!({
            "specversion": "1.0", "id": format!("{epoch}-{number}"), "source": "/slackwater/sites/halyard",
            "type": "example.slackwater.record.v1.settled", "time": "1987-01-01T00:00:00.000Z",
            "datacontenttype": "application/json", "dataschema": "https://slackwater.example/schema/event-1.json",
            "sequence": format!("{number:020}"), "partitionkey": "of a later version",
            "data": {"number": number, "sure": false, "record": {"kind": "settled", "alarm": "a\u{0}b"}}
        })
    };
    json!({
        "version": 1, "site": "halyard", "epoch": epoch, "begins": 1, "first": first, "last": last,
        "digest": format!("{last:032x}"), "events": numbers.iter().map(event).collect::<Vec<_>>()
    })
}

/// Somebody who may write everywhere on the broker.
struct Voice {
    client: AsyncClient,
    receipts: mpsc::UnboundedReceiver<Value>,
}

impl Voice {
    async fn new(fleet: &Fleet) -> Self {
        let (client, mut events) = client(fleet.away.port(), INTRUDER, "voice");
        client.subscribe("slackwater/events/halyard/stored", QoS::AtLeastOnce).await.expect("asked");
        let (tell, receipts) = mpsc::unbounded_channel();
        tokio::spawn(async move {
            while let Ok(event) = events.poll().await {
                if let Event::Incoming(Incoming::Publish(message)) = event {
                    let _ = tell.send(serde_json::from_slice(&message.payload).expect("JSON"));
                }
            }
        });
        Self { client, receipts }
    }

    async fn say(&self, site: &str, payload: impl Into<Vec<u8>>) {
        let topic = format!("slackwater/events/{site}");
        self.client.publish(topic, QoS::AtLeastOnce, false, payload.into()).await.expect("sent");
    }

    async fn tell(&mut self, key: &SiteKey, pack: &Value) -> (u64, bool) {
        self.say("halyard", seal_as(key, "slackwater-events", pack.to_string().as_bytes())).await;
        self.receipt().await
    }

    async fn receipt(&mut self) -> (u64, bool) {
        let receipt =
            tokio::time::timeout(IN_TIME, self.receipts.recv()).await.expect("in time").expect("a receipt");
        (receipt["stored"].as_u64().expect("a number"), receipt["asks"].as_bool().expect("a flag"))
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_gap_is_asked_for_and_filled_and_what_comes_twice_or_late_is_stored_once() {
    let Some(fleet) = Fleet::build() else { return };
    let mut shed = fleet.keep();
    shed.logs("the fleet's journal is open");
    let mut voice = Voice::new(&fleet).await;
    let key = &fleet.key;
    assert_eq!(voice.tell(key, &pack("one", &[1, 2], 1, 2)).await, (2, false));
    assert_eq!(voice.tell(key, &pack("one", &[7, 8, 9], 7, 9)).await, (2, true), "3 to 6 are asked for");
    let gap = fleet.database.query("SELECT site, epoch, first, last FROM fleet.gaps_v1").expect("read");
    assert_eq!(gap, ["halyard|one|3|6"]);
    assert_eq!(voice.tell(key, &pack("one", &[5, 6, 7, 8], 5, 8)).await, (2, true), "some of them twice");
    // 4 was never kept by the site's journal.
    assert_eq!(voice.tell(key, &pack("one", &[3], 3, 4)).await, (9, false));
    assert_eq!(voice.tell(key, &pack("one", &[1, 2], 1, 2)).await, (9, false), "replayed");
    let rows = fleet.database.query("SELECT number, at FROM fleet.events_v1 ORDER BY number").expect("read");
    let numbers: Vec<_> = rows.iter().filter_map(|row| row.split('|').next()).collect();
    assert_eq!(numbers, ["1", "2", "3", "5", "6", "7", "8", "9"]);
    assert!(rows[0].contains("1987-01-01"), "its own time stands beside the time of receipt: {rows:?}");
    let gaps = fleet.database.query("SELECT * FROM fleet.gaps_v1").expect("read");
    assert_eq!(gaps, Vec::<String>::new());
    let log = shed.log();
    assert_eq!(log.matches("events are missing").count(), 1, "{log}");
    assert_eq!(log.matches("have no event").count(), 1, "{log}");
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_forged_garbled_or_another_sites_is_turned_away_and_said_once() {
    let Some(fleet) = Fleet::build() else { return };
    let mut shed = fleet.keep();
    shed.logs("the fleet's journal is open");
    let mut voice = Voice::new(&fleet).await;
    let (other, _) = SiteKey::make().expect("a key");
    let good = pack("one", &[1], 1, 1);
    let text = good.to_string();
    let signed = |body: &str| seal_as(&fleet.key, "slackwater-events", body.as_bytes());
    for _ in 0..20 {
        voice.say("halyard", seal_as(&other, "slackwater-events", text.as_bytes())).await;
        voice.say("halyard", seal(&fleet.key, text.as_bytes())).await;
        voice.say("halyard", &b"\xff\x00{"[..]).await;
        voice.say("halyard", text.clone()).await;
        voice.say("halyard", signed(&text.replace("\"site\":\"halyard\"", "\"site\":\"lantern\""))).await;
        voice.say("halyard", signed(&text.replace("sites/halyard", "sites/lantern"))).await;
        voice.say("halyard", signed("{")).await;
        voice.say("halyard", vec![b'x'; 60_000]).await;
        voice.say("lantern", signed(&text)).await;
        voice.say("lamp [31m", signed(&text)).await;
    }
    assert_eq!(voice.tell(&fleet.key, &good).await, (1, false), "nothing of it counted");
    let said = |shed: &slackwater_tests::agent::Agent| shed.log().matches("are turned away").count();
    until("all causes", IN_TIME, || (said(&shed) >= 5).then_some(()), || fleet.story());
    assert_eq!(said(&shed), 5, "once a site and cause: {}", shed.log());
    assert_eq!(fleet.database.query("SELECT number FROM fleet.events_v1").expect("read"), ["1"]);
}
