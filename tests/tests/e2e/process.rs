//! The program as a process: how it begins, what it refuses, how it reloads and how it ends.

use super::{SLACKWATER, house, is_raised, raised};
use rustix::process::Signal;
use slackwater_rules::record::Body;
use slackwater_tests::agent::Home;
use slackwater_tests::board::publish;
use slackwater_tests::house::RULES;
use slackwater_tests::mosquitto::{Mosquitto, Options};
use std::time::{Duration, Instant};

#[test]
fn a_wrong_configuration_ends_with_78_and_says_everything_that_is_wrong() {
    let home = Home::new(SLACKWATER).expect("a folder");
    let config = r#"
[site]
rules = "rules.toml"
zone  = "UTC"

[broker]
hots = "localhost"
keep-alive = "2 s"

[contact.ines.channel.push]
kind = "push"
url  = "http://push.example.org/"
"#;
    home.write("agent.toml", config).expect("written");
    for verb in ["run", "check"] {
        let said = home.say(&[verb]).failed(78);
        for words in [
            "agent.toml:6:1\n",
            "`broker` lacks `host`",
            "`hots` is not known in `broker`",
            "did you mean `host`?",
            "`keep-alive` is out of limits",
            "`http` to `push.example.org` would go unencrypted",
            "rules.toml can't be read",
        ] {
            assert!(said.contains(words), "{verb}: {words:?} is not in:\n{said}");
        }
    }
    assert!(!home.path("journal.sqlite").exists(), "nothing is begun");

    let config = r#"
[site]
rules = "rules.toml"
zone  = "UTC"

[broker]
host = "localhost"

[contact.ines.channel.pages]
kind   = "folder"
folder = "pages"
to     = "ines@example.org"
"#;
    home.write("agent.toml", config).expect("written");
    home.write("rules.toml", RULES).expect("written");
    let said = home.say(&["run"]).failed(78);
    for words in ["rules.toml:", "`ines.push`", "`tom.mail`", "`neighbour.mail`"] {
        assert!(said.contains(words), "{words:?} is not in:\n{said}");
    }
    home.say(&["run", "--config", "nowhere.toml"]).failed(78);
    home.say(&["ack"]).failed(2);
    let alone = home.say(&["status"]).failed(1);
    assert!(alone.contains("no agent is running here"), "{alone}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_reload_keeps_the_old_plan_if_the_new_one_is_wrong_and_takes_it_if_it_is_right() {
    let Some(house) = house().await else { return };
    let mut agent = house.watch();
    let wrong = RULES.replace("lagoon-temp < 24 degC", "lagoon-temp < 24 L");
    house.home.write("rules.toml", &wrong).expect("written");
    agent.signal(Signal::HUP);
    agent.logs("the new files are not taken, the old plan stays in force");
    let status = house.home.say(&["status"]).well();
    assert!(status.contains("the last reload was REFUSED, the old plan is in force"), "{status}");
    assert!(status.contains("24 L"), "{status}");
    house.board.set("lagoon/temperature", "23.5");
    let cold = house.home.record("the old plan's alarm", 0, |body| is_raised(body, "lagoon-cold"));

    house
        .home
        .write("rules.toml", &RULES.replace("lagoon-temp < 24 degC", "lagoon-temp < 22 degC"))
        .expect("written");
    agent.signal(Signal::HUP);
    let adopted = house.home.record("the new plan", cold.seq, |body| matches!(body, Body::Reloaded { .. }));
    assert!(adopted.body.to_string().contains("lagoon-cold"), "{}", adopted.body);
    house.home.record("the new plan's view", adopted.seq, |body| super::is_returned(body, "lagoon-cold"));
    let status = house.home.say(&["status"]).well();
    assert!(!status.contains("REFUSED"), "{status}");
    // The sensors are still heard, through the same connection.
    house.board.set("house/mains", "off");
    house.home.record("a power cut under the new plan", adopted.seq, |body| is_raised(body, "power-lost"));
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_reload_goes_over_to_another_broker_and_the_watch_goes_on() {
    let Some(house) = house().await else { return };
    let mut agent = house.watch();
    let other = Mosquitto::start(&Options::default()).expect("it starts");
    let config = std::fs::read_to_string(house.home.path("agent.toml")).expect("written");
    let (before, rest) = config.split_once("[broker]").expect("there");
    let (_, after) = rest.split_once("[mail]").expect("there");
    let hosts = format!("hosts = [\"127.0.0.1:1\", \"127.0.0.1:{}\"]", other.port());
    let moved = format!("{before}[broker]\n{hosts}\nkeep-alive = \"5 s\"\n[mail]{after}");
    house.home.write("agent.toml", &moved).expect("written");
    let said = house.home.say(&["reload"]).well();
    assert!(!said.contains("restart"), "{said}");
    agent.logs("our own message came back: the broker can be heard");
    let mains = async |value: &str| {
        publish(other.port(), ("ines", "any"), "house/mains", value, false).await;
    };
    mains("on").await;
    mains("off").await;
    house.home.record("the power cut, by the other broker", 0, |body| is_raised(body, "power-lost"));
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_second_watch_of_one_site_is_refused_and_the_first_goes_on() {
    let Some(house) = house().await else { return };
    let agent = house.watch();
    let second = house.home.say(&["run"]).failed(1);
    assert!(second.contains("another agent answers on"), "{second}");
    assert!(second.contains("two may not watch one site"), "{second}");
    let status = house.home.say(&["status"]).well();
    assert!(status.contains("broker heard"), "{status}");
    house.board.set("house/mains", "off");
    house.home.record("the first one's alarm", 0, |body| is_raised(body, "power-lost"));
    let starts = house.home.records().iter().filter(|r| matches!(r.body, Body::Started { .. })).count();
    assert_eq!(starts, 1);
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn asked_to_end_it_ends_soon_says_so_and_goes_on_where_it_was() {
    let Some(house) = house().await else { return };
    let mut agent = house.watch();
    house.board.set("house/mains", "off");
    house.home.record("the power cut", 0, |body| is_raised(body, "power-lost"));
    let asked = Instant::now();
    agent.signal(Signal::TERM);
    let status = agent.ended(Duration::from_secs(15));
    assert!(status.success(), "{status}");
    assert!(asked.elapsed() < Duration::from_secs(13), "a drain of 10 s and 2 s: {:?}", asked.elapsed());
    assert!(agent.log().contains("watch stopped: asked to by the system"), "{}", agent.log());
    assert!(matches!(
        house.home.records().last().map(|record| &record.body),
        Some(Body::Stopped { .. } | Body::Delivered { .. })
    ));
    assert!(!house.home.path("control.sock").exists(), "the socket is taken away");
    drop(agent);

    let agent = house.watch();
    let next = house.home.record(
        "the next step",
        0,
        |body| matches!(body, Body::Paged { target, .. } if target == "neighbour.mail"),
    );
    let starts: Vec<_> =
        house.home.records().into_iter().filter(|r| matches!(r.body, Body::Started { .. })).collect();
    assert_eq!(starts.len(), 2);
    assert!(next.seq > starts[1].seq);
    assert!(starts[1].body.to_string().contains(" away"), "{}", starts[1].body);
    assert_eq!(raised(&house.home.records()), ["power-lost"], "one episode over the restart");
    agent.terminate();
}
