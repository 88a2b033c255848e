//! `check --live` against the real things: nobody is paged, and what would fail at night is named.

use super::house;
use slackwater_tests::house::{House, RULES};

/// The rows of what was tried, and whether all went well.
fn rows(house: &House) -> (Vec<(String, String, String)>, bool) {
    let said = house.home.say(&["check", "--live", "--for", "6 s", "--json"]);
    let form: serde_json::Value = serde_json::from_str(&said.out).unwrap_or_else(|_| panic!("{said:#?}"));
    let text = |row: &serde_json::Value, key: &str| row[key].as_str().unwrap_or_default().to_owned();
    let rows = form["rows"].as_array().expect("rows");
    let rows = rows.iter().map(|row| (text(row, "what"), text(row, "went"), text(row, "found"))).collect();
    (rows, said.code == Some(0))
}

#[track_caller]
fn has(rows: &[(String, String, String)], what: &str, went: &str, found: &str) {
    let fits =
        |row: &&(String, String, String)| row.0.starts_with(what) && row.1 == went && row.2.contains(found);
    assert!(rows.iter().any(|row| fits(&row)), "{what}, {went}, {found}: not in {rows:#?}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_house_in_which_all_is_well_passes_and_nobody_is_paged() {
    let Some(house) = house().await else { return };
    let (rows, well) = rows(&house);
    assert!(well, "{rows:#?}");
    has(&rows, "broker localhost:", "ok", "our own message came back");
    has(&rows, "sensor lagoon-temp", "ok", "25.5 degC");
    has(&rows, "tom.mail", "ok", "our login taken");
    has(&rows, "ines.push", "ok", "answers");
    has(&rows, "clock", "ok", "trusted");
    has(&rows, "disk", "ok", "MiB free");
    has(&rows, "certificate of localhost", "ok", "holds until");
    assert!(house.push.taken().is_empty() && house.mail.taken(0).await.is_empty());
    assert!(!house.home.path("journal.sqlite").exists(), "a try keeps nothing");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_would_fail_at_night_is_named_with_its_remedy() {
    let Some(house) = house().await else { return };
    house.home.write("mail-password", "not this").expect("written");
    house.board.set("house/mains", "utility");
    house.board.set("lagoon/temperature", "250");
    let gone = RULES.replace("topic    = \"lagoon/return\"", "topic    = \"lagoon/retrun\"");
    let asleep = "\n[sensor.lagoon-level]\ntopic = \"lagoon/sump\"\ntank = \"lagoon\"\nmeasures = \"level\"\n\
                  unit = \"cm\"\nevery = \"1 s\"\navailable = { topic = \"lagoon/floor\" }\n";
    house.board.set("lagoon/floor", "offline");
    house.home.write("rules.toml", &format!("{gone}{asleep}")).expect("written");
    let (rows, well) = rows(&house);
    assert!(!well);
    has(&rows, "sensor lagoon-level", "bad", "its sender has said for");
    has(&rows, "sensor mains", "bad", "`utility` is none of");
    has(&rows, "sensor lagoon-temp", "bad", "plausible");
    has(&rows, "sensor lagoon-return", "bad", "never heard");
    has(&rows, "tom.mail", "bad", "refused our login");
    let said = house.home.say(&["check", "--live", "--for", "3 s"]).failed(1);
    drop(said);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn beside_a_watch_that_runs_it_only_listens_and_takes_its_word() {
    let Some(house) = house().await else { return };
    let agent = house.watch();
    let (rows, well) = rows(&house);
    assert!(well, "{rows:#?}");
    has(&rows, "broker localhost:", "ok", "the watch that runs hears its own message");
    has(&rows, "the watch", "ok", "runs and answers");
    let status = house.home.say(&["status"]).well();
    assert!(status.contains("broker heard"), "{status}");
    assert!(!agent.log().contains("another client"), "{}", agent.log());
    agent.terminate();
}
