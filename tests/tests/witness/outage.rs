//! A whole outage, from the plug to the all-clear: the mains as a UPS tells them, an air pump on a
//! relay, mail and push that die with the uplink half a minute later, a modem that does not, and a
//! witness elsewhere.

use super::{SITE, SLACKWATER, Shed, check_in, paged};
use slackwater_rules::record::{Body, Outcome, Purpose, Record};
use slackwater_rules::time::Span;
use slackwater_tests::agent::{SOON, until};
use slackwater_tests::certs::Authority;
use slackwater_tests::house::{House, LAGOON, RULES};
use slackwater_tests::modem::{Manner, Modem};
use slackwater_tests::relay::Relay;
use slackwater_tests::uplink::Uplink;
use slackwater_tests::{mosquitto, ups};
use std::fs;
use std::time::Duration;

const INES: &str = "+351900000012";
const STILL: &str = r#"{"flow":{"rate":0}}"#;
const FLOWS: &str = r#"{"flow":{"rate":1830}}"#;
const CURRENT: &str = "lagoon/airpump/current";

const MAINS_BY_TOPIC: &str = r#"topic    = "house/mains"
measures = "presence"
on       = ["on"]
off      = ["off"]"#;

const AIR: &str = r#"
[sensor.air-pump-current]
topic    = "lagoon/airpump/current"
tank     = "lagoon"
measures = "current"
unit     = "A"
every    = "1 s"

[relay.air-pump]
command = { topic = "lagoon/airpump/set", on = "on", off = "off" }
moves   = "air"
proof   = "air-pump-current > 0.05 A within 2 s"
hold    = "until lagoon-return > 200 L/h, at most 2 min"
pause   = "3 s"
longest = "10 min"
"#;

/// The rule file of this night: push at once, mail before the uplink dies, a text after it.
fn rules() -> String {
    let steps = [("after = \"2 s\"", "after = \"20 s\""), ("after = \"4 s\"", "after = \"40 s\"")];
    let rules = steps.iter().fold(RULES.to_owned(), |rules, (is, becomes)| rules.replace(is, becomes));
    let changes = [
        (MAINS_BY_TOPIC, "source   = { ups = \"rack\", reads = \"mains\" }"),
        ("to = [\"ines.mail\", \"tom.mail\"]", "to = [\"ines.mail\"]"),
        ("to = [\"neighbour.mail\"]", "to = [\"ines.text\"]"),
        ("again  = \"3 s\"", "again  = \"15 s\""),
        ("lease  = \"5 s\"", "lease  = \"10 min\""),
        (
            "response        = [\"Open the lid.\"",
            "stopgap = { relay = \"air-pump\", state = \"on\" }\nresponse = [\"Open the lid.\"",
        ),
    ];
    let rules = changes.iter().fold(rules, |rules, (is, becomes)| {
        assert!(rules.contains(is), "{is} is not in the rules");
        rules.replace(is, becomes)
    });
    rules + AIR
}

fn accepted<'r>(records: &'r [Record], to: &str, of: Purpose) -> Option<&'r Record> {
    let page = records.iter().find_map(|record| match &record.body {
        Body::Paged { target, purpose, .. } if target == to && *purpose == of => Some(record.seq),
        _ => None,
    })?;
    records.iter().find(|record| {
        matches!(&record.body, Body::Delivered { page: of, result: Outcome::Accepted { .. } } if *of == page)
    })
}

fn is_raised(body: &Body, name: &str) -> bool {
    matches!(body, Body::Raised { alarm, .. } if alarm == name)
}

fn is_returned(body: &Body, name: &str) -> bool {
    matches!(body, Body::Returned { alarm, .. } if alarm == name)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_whole_outage_from_the_plug_to_the_all_clear() {
    if !mosquitto::available() || !ups::available() {
        return;
    }
    let stick = Modem::start(Manner::default()).expect("a pseudo-terminal");
    let rack = ups::Ups::start(&[("ups.status", "OL"), ("battery.charge", "100")]).expect("a UPS server");
    let house = House::build(SLACKWATER).await.expect("the house can be set up");
    let public = house.home.say(&["witness", "key", "--out", "check-in-key"]).well();
    let authority = Authority::new(house.home.folder(), "elsewhere").expect("an authority");
    let shed = Shed::build(&authority, &[("halyard", public.trim().to_owned())]);

    let mut uplink = Uplink::default();
    let away = uplink.lead_to(shed.away.port()).await.expect("a port");
    let mail = uplink.lead_to(house.mail.port).await.expect("a port");
    let push = uplink.lead_to(house.push.port).await.expect("a port");
    let agent = fs::read_to_string(house.home.path("agent.toml")).expect("written before");
    let agent = agent
        .replace(&format!("= {}\nsecurity", house.mail.port), &format!("= {mail}\nsecurity"))
        .replace(&format!("localhost:{}/", house.push.port), &format!("localhost:{push}/"));
    assert!(agent.contains(&format!("= {mail}\n")) && agent.contains(&format!(":{push}/")), "{agent}");
    let more = format!(
        "\n[ups.rack]\nhost = \"127.0.0.1\"\nport = {}\n\n[modem]\ndevice = \"{}\"\n\n\
         [contact.ines.channel.text]\nkind = \"text\"\nto = \"{INES}\"\n",
        rack.port(),
        stick.device().display()
    );
    let signs = check_in(away, &authority.file().display().to_string());
    house.home.write("agent.toml", &(agent + &more + &signs)).expect("written");
    house.home.write("site-password", SITE.1).expect("written");
    house.home.write("rules.toml", &rules()).expect("written");
    house.board.set(CURRENT, "0");
    let topic = "lagoon/airpump/set";
    let pump = Relay::start(house.broker.plain_port(), LAGOON, topic, &house.board, (CURRENT, "0.21"));
    let site = house.watch();
    shed.hears_halyard();

    // The plug is out.
    let unplugged = std::time::Instant::now();
    rack.says(&[("ups.status", "OB DISCHRG"), ("battery.charge", "97")]).expect("written");
    house.board.set("lagoon/return", STILL);
    let raised = house.home.record("the power cut", 0, |body| is_raised(body, "power-lost"));
    let on = house.home.record("the air", 0, |body| matches!(body, Body::Switched { on: true, .. }));
    house.home.record("its proof", on.seq, |body| matches!(body, Body::Proved { .. }));
    assert_eq!(pump.heard(), ["on"]);
    house.home.until("push", |records| accepted(records, "ines.push", Purpose::Call).map(drop));
    let by_mail = |records: &[Record]| accepted(records, "ines.mail", Purpose::Call).map(drop);
    until("mail", SOON * 2, || by_mail(&house.home.records()), || house.home.log());

    // Half a minute later the router follows.
    tokio::time::sleep(Duration::from_secs(30).saturating_sub(unplugged.elapsed())).await;
    uplink.cut();
    let text = until("the text", SOON * 2, || stick.sent().into_iter().next(), || house.home.log());
    assert!(text.text.starts_with("Lagoon: power lost, since "), "{}", text.text);
    let (_, code) = text.text.split_once("Reply ").expect("how to answer");
    let code = code.strip_suffix(": I take care of it").expect("what it means");
    let out = |records: &[Record]| accepted(records, "ines.text", Purpose::Call).cloned();
    let out = until("its report", SOON, || out(&house.home.records()), || house.home.log());
    let took = out.at.mono - raised.at.mono;
    assert!(took < Span::seconds(60), "the text was out {took} after the alarm");

    // The witness misses the site, and knows what was last known.
    let (silent, because) = shed.rings(0);
    for words in ["mains off", "power-lost (critical, for "] {
        assert!(because.contains(words), "{words:?} is not in: {because}");
    }
    until("the witness's page", SOON, || shed.mail("it is silent, since "), || shed.home.log());

    // Ines answers by text.
    assert!(stick.receive(INES, &format!("ACK {code}")));
    let answered = house.home.record(
        "the answer",
        0,
        |body| matches!(body, Body::Answered { by, .. } if by.who == "ines" && by.via == "text"),
    );

    // Power is back, then the router, then the water moves.
    rack.says(&[("ups.status", "OL CHRG"), ("battery.charge", "81")]).expect("written");
    uplink.mend();
    let back = house.home.record("the power", answered.seq, |body| is_returned(body, "power-lost"));
    house.home.record("the hold", back.seq, |body| matches!(body, Body::Held { .. }));
    house.board.set("lagoon/return", FLOWS);
    let off =
        house.home.record("the undoing", back.seq, |body| matches!(body, Body::Switched { on: false, .. }));
    house.home.record("its proof", off.seq, |body| matches!(body, Body::Proved { .. }));
    assert_eq!(pump.heard(), ["on", "off"]);
    for to in ["ines.push", "ines.mail", "ines.text"] {
        let told = |records: &[Record]| accepted(records, to, Purpose::AllClear).map(drop);
        until(to, SOON * 2, || told(&house.home.records()), || house.home.log());
    }
    shed.home.record("the return", silent, |body| is_returned(body, "halyard-silent"));
    until("the catch-up", SOON, || shed.mail("all clear at "), || shed.home.log());
    assert_eq!(paged(&shed.home.records(), Purpose::AllClear), 1, "one catch-up");

    // The journal tells it all.
    let records = house.home.records();
    assert_eq!(paged(&records, Purpose::AllClear), 3, "one to each way that had been tried");
    let early = records.iter().find(|r| matches!(r.body, Body::Paged { purpose: Purpose::AllClear, .. }));
    assert!(early.is_some_and(|all_clear| all_clear.seq > back.seq), "no false all-clear");
    site.terminate();
    let review = house.home.say(&["review", "--since", "1 h"]).well();
    for words in ["power lost", "Switched: air pump 2 times", "Ines by text", "Ines", "held until"] {
        assert!(review.contains(words), "{words:?} is not in:\n{review}");
    }
    shed.agent.terminate();
}
