//! Files that would make the watch publish "on" to a heater: the real program refuses each, at the
//! start, in `check` and at a reload, and goes on by the old plan.

use super::{SLACKWATER, house};
use slackwater_tests::agent::Home;
use slackwater_tests::board::hear;
use slackwater_tests::house::{LAGOON, RULES};
use std::time::Duration;

const CONFIG: &str = r#"
[site]
rules = "rules.toml"
zone  = "UTC"

[broker]
host = "localhost"
tls  = false

[contact.ines.channel.push]
kind   = "folder"
folder = "pages"
to     = "ines@example.org"

[contact.ines.channel.mail]
kind   = "folder"
folder = "pages"
to     = "ines@example.org"

[contact.tom.channel.mail]
kind   = "folder"
folder = "pages"
to     = "tom@example.org"

[contact.neighbour.channel.mail]
kind   = "folder"
folder = "pages"
to     = "neighbour@example.org"
"#;

const HEATERS: &str = "lagoon/heaters/set";

/// The house's rules with heaters and an air pump that are commanded so.
fn rules(heaters: &str, pump: &str) -> String {
    let stopgap = "response        = [\"Open the lid.\"";
    assert!(RULES.contains(stopgap));
    let rules = RULES
        .replacen(stopgap, &format!("stopgap = {{ relay = \"air-pump\", state = \"on\" }}\n{stopgap}"), 1)
        .replacen(
            "when     = \"lagoon-temp < 24 degC\"",
            "when     = \"lagoon-temp < 24 degC\"\nstopgap = { relay = \"heaters\", state = \"off\" }",
            1,
        );
    format!(
        "{rules}\n[relay.heaters]\ncommand = {heaters}\nmoves = \"heat\"\nlongest = \"1 h\"\n\
         \n[relay.air-pump]\ncommand = {pump}\nmoves = \"air\"\nlongest = \"1 h\"\n"
    )
}

const RIGHT_HEATERS: &str = "{ topic = \"lagoon/heaters/set\", on = \"on\", off = \"off\" }";
const RIGHT_PUMP: &str = "{ topic = \"lagoon/airpump/set\", on = \"on\", off = \"off\" }";

const SIREN: &str = "\n[channel.siren]\nkind = \"siren\"\ntopic = \"lagoon/heaters/set\"\n";

#[test]
fn three_files_that_would_switch_a_heater_on_are_refused() {
    let home = Home::new(SLACKWATER).expect("a folder");
    let shared = rules(RIGHT_HEATERS, &RIGHT_PUMP.replace("airpump", "heaters"));
    let turned = rules("{ topic = \"lagoon/heaters/set\", on = \"off\", off = \"on\" }", RIGHT_PUMP);
    let right = rules(RIGHT_HEATERS, RIGHT_PUMP);
    for (config, rules, words) in [
        (CONFIG.to_owned(), &shared, ["relay `heaters` and relay `air-pump`", "one topic"]),
        (CONFIG.to_owned(), &turned, ["`on = \"off\"` and `off = \"on\"`", "mean the opposite"]),
        (format!("{CONFIG}{SIREN}"), &right, ["siren `siren` and relay `heaters`", "`channel.siren.topic`"]),
    ] {
        home.write("agent.toml", &config).expect("written");
        home.write("rules.toml", rules).expect("written");
        for verb in ["check", "run"] {
            let said = home.say(&[verb]).failed(78);
            for words in words {
                assert!(said.contains(words), "{verb}: {words:?} is not in:\n{said}");
            }
        }
    }
    let status = CONFIG.replace("tls  = false", "tls  = false\nstatus-topic = \"lagoon/Heaters/set\"");
    home.write("agent.toml", &status).expect("written");
    let said = home.say(&["check"]).failed(78);
    assert!(said.contains("the agent's status and relay `heaters` differ only in"), "{said}");
    home.write("agent.toml", CONFIG).expect("written");
    home.write("rules.toml", &right).expect("written");
    home.say(&["check"]).well();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_reload_that_gives_a_heater_the_status_topic_of_the_running_watch_is_refused() {
    let Some(house) = house().await else { return };
    let agent = house.watch();
    let running = "slackwater/slackwater-halyard/status";
    let config = std::fs::read_to_string(house.home.path("agent.toml")).expect("written");
    // In the new files the status has another topic; the connection that runs still has the old.
    let moved = config.replacen("[broker]", "[broker]\nstatus-topic = \"slackwater/elsewhere/status\"", 1);
    house.home.write("agent.toml", &moved).expect("written");
    house
        .home
        .write("rules.toml", &rules(&RIGHT_HEATERS.replace(HEATERS, running), RIGHT_PUMP))
        .expect("written");
    house.home.say(&["check"]).well();
    let said = house.home.say(&["reload"]);
    assert_ne!(said.code, Some(0), "{said:?}");
    let text = format!("{}{}", said.out, said.err);
    assert!(text.contains("`relay.heaters`") && text.contains("the agent's status too"), "{text}");
    let heard = hear(house.broker.plain_port(), LAGOON, HEATERS, Duration::from_secs(1), || async {}).await;
    assert_eq!(heard, None);
    agent.terminate();
}
