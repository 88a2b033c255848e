//! Every way of saying a value that the manual names, on a real broker: told by `listen`, tried by
//! `check --live`, read by the watch.

use super::SLACKWATER;
use serde_json::Value as Json;
use slackwater_tests::agent::{Home, SOON, until};
use slackwater_tests::board::Board;
use slackwater_tests::mosquitto::{self, Mosquitto, Options};
use std::fmt::Write as _;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// The shapes, each of which says 25.4 degC now: the payload, and the keys that read it.
fn shapes() -> Vec<(String, &'static str)> {
    let now = SystemTime::now().duration_since(UNIX_EPOCH).expect("after 1970").as_secs();
    let iso = jiff::Timestamp::from_second(now.cast_signed()).expect("today");
    let same = |payload: &str| payload.to_owned();
    vec![
        (same("25.4"), ""),
        (same("25,4"), ""),
        (same("77.72 degF"), ""),
        (same("\"25.4\""), "pointer = \"\""),
        (same("{\"t\": 25.4}"), "pointer = \"/t\""),
        (same("{\"t\": 77.72, \"unit\": \"°F\"}"), "pointer = \"/t\"\nunit-at = \"/unit\""),
        (
            same("{\"probes\": [{\"id\": \"p0\", \"c\": 3}, {\"id\": \"p1\", \"c\": 25.4}]}"),
            "field = { in = \"/probes\", key = \"id\", is = \"p1\", value = \"c\" }",
        ),
        (
            same("[{\"name\": \"lagoon\", \"c\": 77.72, \"units\": \"°F\"}]"),
            "field = { key = \"name\", is = \"lagoon\", value = \"c\" }\nunit-at = \"units\"",
        ),
        (same("1;25,4;8.2"), "field = 2"),
        (same("temp=25.4 ph=8.2"), "field = \"temp\""),
        (same("temp: 25,4; ph: 8,2"), "field = \"temp\""),
        (same("254"), "scale = 0.1"),
        (same("{\"raw\": 654}"), "pointer = \"/raw\"\nscale = 0.1\noffset = -40"),
        (format!("{{\"t\": 25.4, \"at\": \"{iso}\"}}"), "pointer = \"/t\"\nmeasured-at = \"/at\""),
        (format!("{{\"t\": 25.4, \"ts\": {now}}}"), "pointer = \"/t\"\nmeasured-at = \"/ts\""),
        (format!("{{\"t\": 25.4, \"ts\": {now}000}}"), "pointer = \"/t\"\nmeasured-at = \"/ts\""),
        (format!("temp=25.4 time={now}"), "field = \"temp\"\nmeasured-at = \"time\""),
        (format!("{now};25,4"), "field = 2\nmeasured-at = 1"),
    ]
}

/// A folder and a broker on which everybody may say everything; nothing where there is none.
fn home() -> Option<(Home, Mosquitto)> {
    if !mosquitto::available() {
        return None;
    }
    let broker = Mosquitto::start(&Options::default()).expect("mosquitto starts");
    let home = Home::new(SLACKWATER).expect("a folder");
    let agent = format!(
        "[site]\nrules = \"rules.toml\"\nzone = \"UTC\"\n[broker]\nhost = \"127.0.0.1\"\nport = {}\n\
         client-id = \"shapes\"\n[contact.ines]\nname = \"Ines\"\n[contact.ines.channel.pages]\n\
         kind = \"folder\"\nfolder = \"pages\"\nto = \"ines@example.org\"\n[journal]\n\
         path = \"journal.sqlite\"\n[control]\nsocket = \"control.sock\"\n[clock]\ntrust = \"always\"\n",
        broker.port()
    );
    home.write("agent.toml", &agent).expect("written");
    Some((home, broker))
}

const SITE: &str = "[site]\nname = \"Halyard House\"\n[tank.lagoon]\nvolume = \"420 L\"\n\
                    [callout.household]\nsteps = [{ after = \"0 s\", to = [\"ines.pages\"] }]\n\
                    [alarm.lagoon-cold]\ntank = \"lagoon\"\nwhen = \"s-0 < 20 degC\"\npriority = \"high\"\n\
                    response = \"Look.\"\ncallout = \"household\"\n";

fn sensor(name: &str, topic: &str, keys: &str) -> String {
    format!(
        "[sensor.{name}]\ntopic = \"{topic}\"\ntank = \"lagoon\"\nmeasures = \"temperature\"\nunit = \"degC\"\n\
         every = \"1 min\"\n{keys}\n"
    )
}

/// What `check --live` says of each sensor.
fn tried(home: &Home) -> Vec<Json> {
    let said = home.say(&["check", "--live", "--for", "6 s", "--json"]);
    let form: Json = serde_json::from_str(&said.out).unwrap_or_else(|_| panic!("{said:#?}"));
    let rows = form["rows"].as_array().cloned().unwrap_or_default();
    rows.into_iter()
        .filter(|row| row["what"].as_str().is_some_and(|what| what.starts_with("sensor ")))
        .collect()
}

/// What the watch makes of each sensor, once all have been heard.
fn watched(home: &Home) -> Vec<Json> {
    let mut agent = home.start().expect("it starts");
    agent.hears();
    let look = || {
        let status: Json = serde_json::from_str(&home.say(&["status", "--json"]).out).ok()?;
        let sensors = status["status"]["sensors"].as_array()?.clone();
        let heard = |sensor: &Json| sensor["quality"] != "absent";
        sensors.iter().all(heard).then_some(sensors)
    };
    let sensors = until("every sensor", SOON, look, || home.log());
    agent.terminate();
    sensors
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn each_shape_of_payload_is_tried_by_check_live_and_read_by_the_watch() {
    let Some((home, broker)) = home() else { return };
    let shapes = shapes();
    let mut rules = SITE.to_owned();
    let mut says = Vec::new();
    for (nth, (payload, keys)) in shapes.iter().enumerate() {
        let topic = format!("reef/s{nth}/temperature");
        let _ = write!(rules, "{}", sensor(&format!("s-{nth}"), &topic, keys));
        says.push((topic, payload.clone()));
    }
    home.write("rules.toml", &rules).expect("written");
    let says: Vec<(&str, &str)> = says.iter().map(|(topic, said)| (topic.as_str(), said.as_str())).collect();
    let _board = Board::start(broker.port(), ("board", "any"), &says);
    let rows = tried(&home);
    assert_eq!(rows.len(), shapes.len(), "{rows:#?}");
    for (row, (payload, keys)) in rows.iter().zip(&shapes) {
        let found = row["found"].as_str().unwrap_or_default();
        assert!(row["went"] == "ok" && found.starts_with("25.4"), "{payload} by {keys}: {row}");
    }
    for (sensor, (payload, keys)) in watched(&home).iter().zip(&shapes) {
        let value = sensor["value"].as_str().unwrap_or_default();
        assert!(sensor["quality"] == "good" && value.starts_with("25.4"), "{payload} by {keys}: {sensor}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_listen_proposes_for_each_shape_is_good_for_check_live() {
    let Some((home, broker)) = home() else { return };
    let says = named_shapes();
    let pairs: Vec<(&str, &str)> = says.iter().map(|(topic, said)| (topic.as_str(), said.as_str())).collect();
    let board = Board::start(broker.port(), ("board", "any"), &pairs);
    // Those with a time say the time at which they speak.
    let say = board.sayer();
    let telling = tokio::spawn(async move {
        loop {
            tokio::time::sleep(Duration::from_millis(500)).await;
            named_shapes().iter().for_each(|(topic, said)| say(topic, said));
        }
    });
    let said = home.say(&["listen", "--for", "4 s"]).well();
    // The board speaks four times a second, and a busy machine may hear it later than devices' own
    // pace allows: that is looked at elsewhere.
    let heard = std::fs::read_to_string(home.path("rules-heard.toml")).expect("it is there");
    let patient = |line: &str| if line.starts_with("every ") { "every = \"1 min\"" } else { line }.to_owned();
    let rules = heard.lines().map(patient).collect::<Vec<_>>().join("\n");
    home.write("rules.toml", &rules).expect("written");
    for (topic, payload) in &says {
        let beginning = format!("topic     = \"{topic}\"");
        assert!(rules.contains(&beginning), "{payload}: {beginning} is not in\n{said}\n{rules}");
    }
    for row in tried(&home) {
        assert_eq!(row["went"], "ok", "{row}\n{rules}");
    }
    telling.abort();
}

/// Shapes that name what they are, on topics that do: a bare 254, or the second of three columns,
/// nobody can guess.
fn named_shapes() -> Vec<(String, String)> {
    let told = |keys: &str| !keys.contains("scale") && keys != "field = 2";
    let shapes = shapes().into_iter().filter(|(_, keys)| told(keys)).enumerate();
    let named = |(nth, (payload, _)): (usize, (String, &str))| {
        let named = payload.replace("\"t\"", "\"temp\"").replace("\"c\"", "\"temp\"");
        (format!("reef/s{nth}/temperature"), named)
    };
    shapes.map(named).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_value_of_long_ago_and_one_in_a_unit_of_something_else_are_told_by_check_live_and_by_the_watch() {
    let Some((home, broker)) = home() else { return };
    let wrong = [
        (
            "s-0",
            "{\"t\": 25.4, \"at\": \"2020-01-01T00:00:00Z\"}",
            "pointer = \"/t\"\nmeasured-at = \"/at\"",
            "measured",
        ),
        ("s-1", "{\"t\": 25.4, \"unit\": \"psi\"}", "pointer = \"/t\"\nunit-at = \"/unit\"", "psi"),
        ("s-2", "{\"t\": 25.4}", "pointer = \"/t\"\nunit-at = \"/unit\"", "/unit"),
    ];
    let mut rules = SITE.to_owned();
    let mut says = Vec::new();
    for (name, payload, keys, _) in wrong {
        let _ = write!(rules, "{}", sensor(name, name, keys));
        says.push((name, payload));
    }
    home.write("rules.toml", &rules).expect("written");
    let _board = Board::start(broker.port(), ("board", "any"), &says);
    let rows = tried(&home);
    for (row, (name, payload, _, why)) in rows.iter().zip(wrong) {
        let found = row["found"].as_str().unwrap_or_default();
        assert!(row["went"] == "bad" && found.contains(why), "{name}, {payload}: {row}");
    }
    let watched = watched(&home);
    for (sensor, (name, payload, _, why)) in watched.iter().zip(wrong) {
        let said = sensor["why"].as_str().unwrap_or_default();
        assert!(sensor["quality"] != "good" && said.contains(why), "{name}, {payload}: {sensor}");
    }
}
