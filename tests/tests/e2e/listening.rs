//! `slackwater listen` on a real broker: what it hears, what it proposes, and that it says nothing.

use super::house;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_heard_becomes_a_rule_file_that_passes_and_nothing_is_published() {
    let Some(house) = house().await else { return };
    let home = &house.home;
    let said = home.say(&["listen", "--for", "4 s"]).well();
    assert!(said.contains("temperature, degC (likely: `temperature` names it"), "{said}");
    assert!(said.contains("lagoon/return /flow/rate"), "{said}");
    assert!(said.contains("rules-heard.toml: 3 sensors and 4 alarms are proposed"), "{said}");
    let log = house.broker.log();
    assert!(log.contains("slackwater-halyard-listen-"), "{log}");
    let publishes = |line: &&str| line.contains("Received PUBLISH from slackwater-halyard-listen-");
    assert_eq!(log.lines().find(publishes), None);

    let again = home.say(&["listen", "--for", "1 s"]).failed(1);
    assert!(again.contains("rules-heard.toml is there already"), "{again}");

    std::fs::rename(home.path("rules-heard.toml"), home.path("rules.toml")).expect("renamed");
    home.say(&["check"]).well();
    let mut agent = house.home.start().expect("it starts");
    agent.hears();
    house.status("every sensor is heard", |status| {
        let sensors = status["status"]["sensors"].as_array()?;
        sensors.iter().all(|sensor| sensor["quality"] == "good").then_some(())
    });
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_broker_that_does_not_let_us_in_is_told_with_its_reason() {
    let Some(house) = house().await else { return };
    house.home.write("broker-password", "not this").expect("written");
    let said = house.home.say(&["listen", "--for", "1 s"]).failed(1);
    assert!(said.contains("password"), "{said}");
    assert!(!house.home.path("rules-heard.toml").exists());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_script_gets_what_was_heard_and_no_file_is_written() {
    let Some(house) = house().await else { return };
    let said = house.home.say(&["listen", "--for", "3 s", "--topic", "house/#", "--json"]).well();
    let heard: serde_json::Value = serde_json::from_str(&said).expect("JSON");
    let rows = heard["heard"].as_array().expect("rows");
    assert!(rows.iter().all(|row| row["topic"].as_str().is_some_and(|topic| topic.starts_with("house/"))));
    assert!(rows.iter().any(|row| row["guess"]["measures"] == "presence"), "{said}");
    assert!(!house.home.path("rules-heard.toml").exists());
}
