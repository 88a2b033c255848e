//! Check-ins over HTTPS, and the settings that are refused.

use super::SLACKWATER;
use slackwater::checkin::open;
use slackwater_rules::checkin::CheckIn;
use slackwater_tests::agent::{Home, SOON, until};
use slackwater_tests::house::House;
use std::os::unix::fs::PermissionsExt;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_web_address_gets_what_anybody_can_prove_with_the_public_half() {
    if !slackwater_tests::mosquitto::available() {
        return;
    }
    let house = House::build(SLACKWATER).await.expect("the house can be set up");
    let public = house.home.say(&["witness", "key", "--out", "check-in-key"]).well();
    let config = std::fs::read_to_string(house.home.path("agent.toml")).expect("written before");
    let port = house.push.port;
    let ca = house.home.path("authority").join("ca.pem");
    let added = format!(
        "\n[check-in]\nname = \"halyard\"\nkey-file = \"check-in-key\"\nevery = \"1 s\"\nmains = \"mains\"\n\n\
         [check-in.post]\nurl = \"https://localhost:{port}/check-ins\"\nca-file = \"{}\"\ntimeout = \"5 s\"\n",
        ca.display()
    );
    house.home.write("agent.toml", &format!("{config}{added}")).expect("written");
    let agent = house.watch();
    let taken = || {
        let requests = house.push.taken();
        let last = requests.iter().rev().find(|request| request.path == "/check-ins")?.clone();
        let body = open(public.trim(), &last.body).expect("signed with the site's key");
        let check_in: CheckIn = serde_json::from_slice(&body).expect("a check-in");
        (check_in.mains.as_deref() == Some("on")).then_some((last, check_in))
    };
    let (request, check_in) = until("a check-in", SOON, taken, || house.home.log());
    assert_eq!(request.method, "POST");
    assert_eq!(request.headers["content-type"], "application/jose");
    assert_eq!((check_in.site.as_str(), check_in.sensors), ("halyard", (3, 3)));
    assert_eq!(check_in.readings.len(), 2, "{:?}", check_in.readings);
    let status = house.home.say(&["status"]).well();
    assert!(status.contains("check-in by request: well"), "{status}");
    agent.terminate();
}

#[test]
fn a_key_is_its_owners_alone_and_is_never_written_over() {
    let home = Home::new(SLACKWATER).expect("a folder");
    let public = home.say(&["witness", "key", "--out", "check-in-key"]).well();
    assert_eq!(public.trim().len(), 43, "{public}");
    let mode = std::fs::metadata(home.path("check-in-key")).expect("made").permissions().mode();
    assert_eq!(mode & 0o777, 0o600);
    assert_eq!(home.say(&["witness", "key", "--of", "check-in-key"]).well(), public);
    let again = home.say(&["witness", "key", "--out", "check-in-key"]).failed(1);
    assert!(again.contains("exists"), "{again}");
    assert!(!std::fs::read_to_string(home.path("check-in-key")).expect("there").contains(public.trim()));
}

#[test]
fn wrong_settings_of_check_ins_are_all_said_at_once() {
    let home = Home::new(SLACKWATER).expect("a folder");
    let config = r#"
[site]
rules = "rules.toml"
zone  = "UTC"

[broker]
host = "localhost"

[check-in]
name     = "Halyard House"
key-file = "check-in-key"
every    = "2 h"

[check-in.broker]
host = "mqtt.example.org"
"#;
    home.write("agent.toml", config).expect("written");
    let rules = "[sensor.ph]\ntopic = \"ph\"\nmeasures = \"ph\"\nunit = \"pH\"\nevery = \"1 min\"\n";
    home.write("rules.toml", rules).expect("written");
    home.write("check-in-key", "no key").expect("written");
    let said = home.say(&["check"]).failed(78);
    for words in [
        "`Halyard House` can't be a site's name",
        "this file holds no check-in key",
        "`every` is out of limits",
        "would go to `mqtt.example.org` in the clear",
    ] {
        assert!(said.contains(words), "{words:?} is not in:\n{said}");
    }
    let witness = config.split("[check-in]").next().expect("the beginning");
    home.write("agent.toml", witness).expect("written");
    let said = home.say(&["witness"]).failed(78);
    assert!(said.contains("it watches no other site"), "{said}");
    let silence = ["witness", "silence", "--for", "2h"];
    assert!(home.say(&silence).failed(1).contains("no agent is running here"));
}
