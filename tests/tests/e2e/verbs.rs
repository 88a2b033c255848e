//! What a keeper says to the running agent, and what it answers.

use super::{house, is_raised, is_returned, paged, raised};
use slackwater_rules::record::{Body, Purpose};
use slackwater_tests::agent::{SOON, until};
use std::time::{Duration, Instant};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_shelf_keeps_an_alarm_quiet_and_its_end_rings_if_the_condition_still_holds() {
    let Some(house) = house().await else { return };
    let agent = house.watch();
    let say = |words: &[&str]| house.home.say(words);
    let shelf = ["shelve", "lagoon-cold", "--for", "2h", "--why", "probe out of the water", "--as", "tom"];
    let said = say(&shelf).well();
    assert_eq!(
        said,
        "Lagoon: cold, shelved for 2 h by Tom (at the watch's computer): probe out of the water\n"
    );
    house.board.set("lagoon/temperature", "20");
    let shelved = house.status("a shelved alarm whose condition holds", |status| {
        let alarms = status["status"]["alarms"].as_array()?;
        alarms.iter().find(|alarm| alarm["name"] == "lagoon-cold" && alarm["truth"] == "true").cloned()
    });
    assert_eq!(shelved["state"], "shelved", "{shelved}");
    assert!(shelved["aside"].as_str().is_some_and(|aside| aside.contains("probe out of the water")));
    let why = say(&["explain", "lagoon-cold"]).well();
    assert!(why.contains("shelved") && why.contains("lagoon temp < 24 °C"), "{why}");
    assert_eq!(raised(&house.home.records()), Vec::<&str>::new());

    let said = say(&["shelve", "lagoon-cold", "--end", "--as", "tom"]).well();
    assert!(said.starts_with("shelf of Lagoon: cold ended by Tom\n"), "{said}");
    house.home.record("the alarm after its shelf", 0, |body| is_raised(body, "lagoon-cold"));
    let refused = say(&["shelve", "lagoon-cold", "--for", "3 d"]).failed(1);
    assert!(refused.contains("at most 24 h") || refused.contains("at most 1 d"), "{refused}");
    let near = say(&["shelve", "lagoon-clod", "--for", "1 h"]).failed(1);
    assert!(near.contains("did you mean `lagoon-cold`?"), "{near}");
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn feeding_pauses_what_it_disturbs_and_its_end_gives_the_pump_half_a_minute() {
    let Some(house) = house().await else { return };
    let agent = house.watch();
    let say = |words: &[&str]| house.home.say(words);
    let said = say(&["work", "lagoon", "feeding", "--for", "10 min", "--as", "ines"]).well();
    assert!(
        said.starts_with("feeding on lagoon began, for 10 min, by Ines (at the watch's computer)"),
        "{said}"
    );
    assert!(said.contains("Lagoon: return stopped, suppressed by work"), "{said}");
    house.board.set("lagoon/return", r#"{"flow":{"rate":0}}"#);
    house.board.set("lagoon/temperature", "20");
    // Feeding does not disturb the temperature; the flow was said before it.
    house.home.record("the cold", 0, |body| is_raised(body, "lagoon-cold"));
    let status = say(&["status"]).well();
    assert!(status.contains("Work on lagoon: feeding, ends in 9 min"), "{status}");
    assert_eq!(raised(&house.home.records()), ["lagoon-cold"]);
    say(&["work", "lagoon", "--end", "--as", "ines"]).well();
    let ended = Instant::now();
    let pump = || raised(&house.home.records()).contains(&"lagoon-return-stopped").then_some(());
    until("the pump", Duration::from_secs(60), pump, || house.home.log());
    assert!(ended.elapsed() > Duration::from_secs(25), "{:?}", ended.elapsed());
    let unknown = say(&["work", "lagoon", "gardening"]).failed(1);
    assert!(unknown.contains("there is no work `gardening`; there is: feeding"), "{unknown}");
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_drill_reaches_people_as_a_test_and_is_kept_apart_from_the_real_thing() {
    let Some(house) = house().await else { return };
    let agent = house.watch();
    let said = house.home.say(&["drill", "callout", "household", "--as", "tom"]).well();
    assert!(said.starts_with("call-out household began (drill), code "), "{said}");
    let code = said.lines().next().and_then(|line| line.rsplit(' ').next()).expect("a code").to_owned();
    house.board.set("lagoon/temperature", "20");
    house.home.record("the real thing beside it", 0, |body| is_raised(body, "lagoon-cold"));
    // From then on the drill waits: what it has told by then is a test, and nothing else is.
    let push = || {
        let pushes = house.push.taken();
        let mut bodies = pushes.iter().map(|push| String::from_utf8_lossy(&push.body).into_owned());
        bodies.find(|body| body.contains("TEST Halyard House"))
    };
    let drill = until("the drill's push", SOON, push, || house.home.log());
    assert!(drill.contains("nothing is wrong"), "{drill}");
    assert!(!drill.contains("lagoon-cold") && !drill.contains("too cold"), "{drill}");
    let answer = house.home.say(&["ack", &code, "--as", "ines"]).well();
    assert!(!answer.contains("lagoon-cold"), "{answer}");
    house.home.record("the drill's end", 0, |body| matches!(body, Body::CallEnded { .. }));
    let status = house.home.say(&["status"]).well();
    assert!(status.contains("High: Lagoon: cold (20 °C, should be at least 24 °C)"), "{status}");
    let unknown = house.home.say(&["drill", "callout", "nobody"]).failed(1);
    assert!(unknown.contains("there are: household"), "{unknown}");
    assert!(!paged(&house.home.records(), Purpose::Drill).is_empty());
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn status_and_explain_say_what_is_seen_and_what_would_change_it() {
    let Some(house) = house().await else { return };
    let agent = house.watch();
    let status = house.home.say(&["status"]).well();
    for words in [
        "Halyard House: all is well: 1 tank, ",
        ", all heard within a minute\n",
        "\nLagoon\n",
        "  temp ",
        "25.5 °C",
        "1,830 L/h",
        "\nThe house\n  mains",
        "alarms watched, and quiet.",
        "broker heard, our own message came back in",
        "journal kept, clock trusted",
        "not used yet: ",
        "looks again in ",
    ] {
        assert!(status.contains(words), "{words:?} is not in:\n{status}");
    }
    house.status("the versioned form", |status| {
        assert_eq!(status["version"], 1);
        assert_eq!(status["health"]["broker"]["deaf"], serde_json::Value::Null);
        Some(())
    });
    let why = house.home.say(&["explain", "lagoon-return-stopped"]).well();
    assert!(why.contains("rings while: lagoon return < 200 L/h"), "{why}");
    assert!(why.contains("Lagoon: return stopped (high): normal"), "{why}");
    let json = house.home.say(&["explain", "lagoon-cold", "--json"]).well();
    let json: serde_json::Value = serde_json::from_str(&json).expect("JSON");
    assert_eq!(json["alarm"]["name"], "lagoon-cold");
    let unknown = house.home.say(&["explain", "everything"]).failed(1);
    assert!(unknown.contains("power-lost, lagoon-return-stopped, lagoon-cold"), "{unknown}");
    let reset = house.home.say(&["reset", "lagoon-cold"]).failed(1);
    assert!(reset.contains("only a latched alarm is reset"), "{reset}");
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn out_of_service_lasts_over_a_restart_and_needs_a_reason() {
    let Some(house) = house().await else { return };
    let agent = house.watch();
    house.home.say(&["service", "lagoon-cold", "--out"]).failed(2);
    let out = ["service", "lagoon-cold", "--out", "--why", "probe away for repair", "--as", "tom"];
    house.home.say(&out).well();
    agent.kill();
    let agent = house.watch();
    house.board.set("lagoon/temperature", "20");
    let state = house.status("the cold, seen", |status| {
        let alarms = status["status"]["alarms"].as_array()?;
        let cold = alarms.iter().find(|alarm| alarm["name"] == "lagoon-cold" && alarm["truth"] == "true")?;
        Some(cold["state"].clone())
    });
    assert_eq!(state, "out of service");
    house.home.say(&["service", "lagoon-cold", "--back", "--as", "tom"]).well();
    house.home.record("the alarm, back", 0, |body| is_raised(body, "lagoon-cold"));
    house.board.set("lagoon/temperature", "25.5");
    house.home.record("its return", 0, |body| is_returned(body, "lagoon-cold"));
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_person_marks_an_episode_and_the_review_shows_it() {
    let Some(house) = house().await else { return };
    let agent = house.watch();
    house.board.set("lagoon/temperature", "20");
    let record = house.home.record("the cold", 0, |body| is_raised(body, "lagoon-cold"));
    let Body::Raised { code, episode, .. } = record.body else { panic!("{record:?}") };
    let mark = |name: &str| {
        house.home.say(&["review", "mark", name, "false", "--note", "probe in the air", "--as", "ines"])
    };
    let said =
        format!("episode {episode} marked as false by Ines (at the watch's computer): probe in the air\n");
    assert_eq!(mark(&code.to_lowercase()).well(), said);
    assert_eq!(mark(&episode.to_string()).well(), said);
    let unknown = mark("nobody").failed(1);
    assert!(unknown.contains("the journal has no episode `nobody`"), "{unknown}");
    let review = house.home.say(&["review", "--since", "1 h"]).well();
    assert!(review.contains("  marked as false by Ines: probe in the air\n"), "{review}");
    let tried = house.home.say(&["backtest", "--since", "1 h"]).well();
    assert!(tried.contains("\nlagoon-cold: "), "{tried}");
    agent.terminate();
}
