//! Sites that join by a link, over a broker with TLS, passwords and the rights that are shipped.

use super::intruders::flood;
use super::{SITES, SLACKWATER, Shed, key};
use slackwater::joining::link::JoinLink;
use slackwater::joining::proof;
use slackwater_rules::record::{Body, Record, SiteChange};
use slackwater_tests::agent::{Agent, Home, SOON, until};
use slackwater_tests::certs::Authority;
use slackwater_tests::house::House;
use slackwater_tests::mosquitto::available;
use std::fs;
use std::os::unix::fs::PermissionsExt as _;

/// What the witness's configuration says in addition.
fn witness(authority: &Authority, port: &str) -> String {
    format!(
        "\n[witness.broker]\nhost = \"localhost\"\nport = {port}\ntls = {{ ca-file = \"{}\" }}\nuser = \"{}\"\n\
         password-file = \"sites-password\"\n",
        authority.file().display(),
        SITES.0
    )
}

impl Shed {
    /// A witness without any site, that sites can join.
    fn open_to_all(authority: &Authority) -> Self {
        // The broker's port is known when it runs.
        let mut shed = Self::build_with(authority, &[], "\n[witness]\n");
        let config = fs::read_to_string(shed.home.path("agent.toml")).expect("written before");
        let port = shed.away.port().to_string();
        shed.home.write("agent.toml", &format!("{config}{}", witness(authority, &port))).expect("written");
        shed.restart();
        shed
    }

    fn restart(&mut self) {
        let again = self.home.start_as(&["witness"]).expect("it starts");
        std::mem::replace(&mut self.agent, again).terminate();
        self.agent = self.home.start_as(&["witness"]).expect("it starts");
        self.agent.hears();
    }

    /// The link of an invitation.
    #[track_caller]
    fn enrol(&self, arguments: &[&str]) -> String {
        let said = self.home.say(&[&["witness", "enrol"], arguments].concat()).well();
        said.lines().next().expect("a link").to_owned()
    }

    fn changed(&self, is: impl Fn(&SiteChange) -> bool) -> Record {
        let is = |body: &Body| matches!(body, Body::SiteChanged { change, .. } if is(change));
        self.home.record("a site that changed", 0, is)
    }

    /// The records of requests to join that were turned away.
    fn turned_away(&self) -> Vec<String> {
        let records = self.home.records().into_iter();
        let of = |record: Record| match record.body {
            Body::Refused { why, by, .. } if by.via == "link" => Some(why),
            _ => None,
        };
        records.filter_map(of).collect()
    }
}

/// A house that sends no check-ins yet, and a witness that has not heard of it.
async fn house_and_open_shed() -> Option<(House, Shed)> {
    if !available() {
        return None;
    }
    let house = House::build(SLACKWATER).await.expect("the house can be set up");
    let authority = Authority::new(house.home.folder(), "elsewhere").expect("an authority");
    let shed = Shed::open_to_all(&authority);
    Some((house, shed))
}

/// Check-ins of a second are the tests' own.
fn hurry(house: &House) {
    let config = fs::read_to_string(house.home.path("agent.toml")).expect("written before");
    let config = config.replacen("[check-in]\n", "[check-in]\nevery = \"1 s\"\n", 1);
    house.home.write("agent.toml", &config).expect("written");
}

fn heard_after(shed: &Shed, house: &House) -> Agent {
    let site = house.watch();
    shed.sees("a live check-in", |status| status["status"]["sensors"][0]["quality"] == "good");
    site
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_site_joins_by_a_link_changes_its_key_and_is_withdrawn_without_a_key_being_copied() {
    let Some((house, mut shed)) = house_and_open_shed().await else { return };
    let before = fs::read_to_string(house.home.path("agent.toml")).expect("written before");
    let link = shed.enrol(&["halyard", "--for", "Halyard \"House\"", "--as", "tom"]);
    let by = |record: &Record| matches!(&record.body, Body::SiteChanged { site, by, .. } if site == "halyard" && by.who == "tom");
    assert!(by(&shed.changed(|change| matches!(change, SiteChange::Invited { .. }))));
    shed.restart();

    let joined = house.home.say(&["witness", "join", &link]).well();
    assert!(joined.contains("`halyard` has joined"), "{joined}");
    let after = fs::read_to_string(house.home.path("agent.toml")).expect("written");
    assert!(after.starts_with(&before) && after.contains("[check-in.broker]"), "{after}");
    for secret in ["check-in-key", "check-in-password"] {
        let beside = [house.home.path(secret), house.home.path("secrets").join(secret)];
        let mode =
            beside.iter().find_map(|file| fs::metadata(file).ok()).expect("there").permissions().mode();
        assert_eq!(mode & 0o777, 0o600, "{secret}");
    }
    shed.changed(|change| matches!(change, SiteChange::Joined { .. }));
    hurry(&house);
    let site = heard_after(&shed, &house);
    let sites = shed.home.say(&["witness", "sites"]).well();
    assert!(sites.starts_with("halyard  Halyard \"House\"  key ") && sites.contains("last heard"), "{sites}");

    // Once is once.
    let twice = house.home.say(&["witness", "join", &link]).failed(1);
    assert!(twice.contains("`--again` gives it another key"), "{twice}");
    let other = house.home.say(&["witness", "join", &link, "--again"]).failed(1);
    assert!(other.contains("the link has been used"), "{other}");
    let taken = shed.home.say(&["witness", "enrol", "halyard"]).failed(1);
    assert!(taken.contains("`halyard` is watched already"), "{taken}");

    // Another key: the old one is good until the new one is used.
    let link = shed.enrol(&["halyard", "--again"]);
    let changed = house.home.say(&["witness", "join", &link, "--again"]).well();
    assert!(changed.contains("has another key"), "{changed}");
    let proved = shed.changed(|change| matches!(change, SiteChange::KeyProved { .. }));
    let taken = |status: &serde_json::Value| status["health"]["watched"]["taken"].as_u64();
    let count = {
        let said = shed.home.say(&["status", "--json"]);
        let status: serde_json::Value = serde_json::from_str(&said.out).expect("JSON");
        taken(&status).expect("a count")
    };
    shed.sees("check-ins by the old key", |status| taken(status).is_some_and(|now| now >= count + 2));
    site.terminate();
    let site = house.watch();
    let used = shed.changed(|change| matches!(change, SiteChange::KeyChanged { .. }));
    assert!(used.seq > proved.seq, "{}", shed.home.log());
    shed.sees("a check-in by the new key", |status| status["status"]["sensors"][0]["quality"] == "good");

    let gone = shed.home.say(&["witness", "withdraw", "halyard"]).well();
    assert!(gone.contains("is watched no more"), "{gone}");
    shed.changed(|change| *change == SiteChange::Withdrawn);
    let is = |body: &Body| matches!(body, Body::Refused { why, by, .. } if by.via == "check-in" && why.contains("no site of this name"));
    shed.home.record("its check-ins turned away", used.seq, is);
    assert_eq!(
        shed.home.say(&["witness", "sites"]).well().trim(),
        "no site is watched here, and none is invited"
    );
    site.terminate();
    shed.agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_link_that_is_over_garbled_or_of_another_witness_changes_nothing() {
    let Some((house, mut shed)) = house_and_open_shed().await else { return };
    let before = fs::read_to_string(house.home.path("agent.toml")).expect("written before");
    let link = shed.enrol(&["halyard"]);
    let join = |link: &str| house.home.say(&["witness", "join", link]).failed(1);
    assert!(join(&link[..link.len() - 7]).contains("the link is damaged"));
    assert!(join("https://halyard.home.arpa/in/x").contains("this is no link"));

    // Its day is over.
    shed.agent.kill();
    let file = shed.home.path("invitations.json");
    let kept: serde_json::Value =
        serde_json::from_str(&fs::read_to_string(&file).expect("kept")).expect("JSON");
    let mut over = kept.clone();
    over[0]["until"] = 1_000.into();
    fs::write(&file, over.to_string()).expect("written");
    shed.agent = shed.home.start_as(&["witness"]).expect("it starts");
    shed.agent.hears();
    let said = join(&link);
    assert!(said.contains("the witness says no: the link is over"), "{said}");

    // Another one was made meanwhile, and then the witness's own state was lost.
    shed.enrol(&["halyard"]);
    let said = join(&link);
    assert!(said.contains("it was not made with the link that is open"), "{said}");
    shed.agent.kill();
    fs::remove_file(shed.home.path("witness-key")).expect("there");
    shed.agent = shed.home.start_as(&["witness"]).expect("it starts");
    shed.agent.hears();
    shed.enrol(&["halyard"]);
    let said = join(&link);
    assert!(said.contains("another witness answers there"), "{said}");

    assert_eq!(fs::read_to_string(house.home.path("agent.toml")).expect("there"), before);
    assert!(!house.home.path("check-in-key").exists() && !house.home.path("secrets/check-in-key").exists());
    shed.agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn forged_replayed_and_oversized_requests_let_nobody_in_and_are_said_once_a_cause() {
    let Some((house, mut shed)) = house_and_open_shed().await else { return };
    let link = JoinLink::read(&shed.enrol(&["halyard"])).expect("a link");
    let topic = "slackwater/check-in/halyard/join".to_owned();
    let invitation = link.invitation().expect("a key");
    let genuine = proof::request("halyard", &link.witness, &invitation, &key());
    let mut lies = Vec::new();
    for n in 0..20 {
        lies.push((topic.clone(), "A".repeat(9_000), false));
        lies.push((topic.clone(), format!("{n}"), false));
        lies.push((topic.clone(), proof::request("halyard", &link.witness, &key(), &key()), false));
        lies.push((format!("slackwater/check-in/house-{n}/join"), genuine.clone(), false));
        lies.push(("slackwater/check-in/nursery/join".to_owned(), genuine.clone(), false));
    }
    let port = shed.away.plain_port();
    flood(port, &lies).await;
    let four = || (shed.turned_away().len() == 4).then_some(());
    until("each cause said", SOON, four, || format!("{:?}\n{}", shed.turned_away(), shed.home.log()));
    assert_eq!(shed.home.say(&["witness", "sites"]).well().matches('\n').count(), 1, "one is invited");

    // A right one, and the same again after the site was withdrawn.
    flood(port, &[(topic.clone(), genuine.clone(), false)]).await;
    shed.changed(|change| matches!(change, SiteChange::Joined { .. }));
    shed.home.say(&["witness", "withdraw", "halyard"]).well();
    flood(port, &[(topic, genuine, false)]).await;
    shed.restart();
    let joined = shed.home.records();
    let joined = joined
        .iter()
        .filter(|record| matches!(&record.body, Body::SiteChanged { change: SiteChange::Joined { .. }, .. }));
    assert_eq!(joined.count(), 1, "{}", shed.home.log());
    drop(house);
    shed.agent.terminate();
}

#[test]
fn a_mistake_in_a_site_s_file_is_told_with_the_file_and_the_line() {
    let home = Home::new(SLACKWATER).expect("a folder");
    let config = "[site]\nrules = \"rules.toml\"\n[broker]\nhost = \"localhost\"\n[witness]\n\
                  [contact.tom.channel.pages]\nkind = \"folder\"\nfolder = \"pages\"\nto = \"tom@example.org\"\n";
    home.write("agent.toml", config).expect("written");
    home.write("rules.toml", "[callout.tom]\nsteps = [{ after = \"0 s\", to = [\"tom.pages\"] }]\n")
        .expect("written");
    fs::create_dir(home.path("sites.d")).expect("made");
    let public = key().public();
    home.write("sites.d/nursery.toml", &format!("# Ours\n[watched.nursery]\nkey = \"{public}\"\n"))
        .expect("written");
    let wrong = |text: &str| {
        home.write("sites.d/halyard.toml", text).expect("written");
        home.say(&["check"]).failed(78)
    };
    for (text, words) in [
        (
            format!("\n[watched.halyard]\nkey = \"{public}\"\nsilentafter = \"5 min\"\n"),
            ["halyard.toml:4:1", "silent-after"],
        ),
        ("[watched.halyard]\nkey = \"short\"\n".to_owned(), ["halyard.toml:2:7", "not the public half"]),
        (
            format!("[watched.reef]\nkey = \"{public}\"\n"),
            ["halyard.toml:1:10", "this is the file of `halyard`"],
        ),
        (
            format!("[watched.halyard]\nkey = \"{public}\"\n[alarm.x]\n"),
            ["halyard.toml:3:2", "belongs into the rule file"],
        ),
        ("[watched.halyard\n".to_owned(), ["halyard.toml:1:", "this is not TOML"]),
        ("# nothing\n".to_owned(), ["halyard.toml:1:1", "`[watched.halyard]` is not in it"]),
    ] {
        let said = wrong(&text);
        assert!(words.iter().all(|word| said.contains(word)), "{words:?}: {said}");
    }
    home.write("sites.d/halyard.toml", &format!("[watched.halyard]\nkey = \"{public}\"\n")).expect("written");
    let said = home.say(&["check"]).well();
    assert!(said.contains("it is the witness of 2 other sites"), "{said}");
}
