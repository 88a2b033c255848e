//! Outputs that would switch each other: every topic that the agent publishes on is one output's
//! alone, and no word means the opposite of what it is declared for.

use crate::site::{HALYARD, check, surroundings};
use insta::assert_snapshot;
use slackwater_rules::plan::{
    Checked, Output, Payloads, Plan, Publisher, Register, RuleTexts, clashes_in_words, means_the_opposite,
    output_topic_fault,
};

const AIR: &str = "{ topic = \"room2/airpump/set\", on = \"on\", off = \"off\" }";

/// The sample's air pump, commanded so.
fn commanded(command: &str) -> Checked {
    assert!(HALYARD.contains(AIR));
    check(&HALYARD.replacen(AIR, command, 1))
}

#[track_caller]
fn refused(checked: &Checked, words: &[&str]) {
    assert!(checked.plan.is_none(), "it can run:\n{}", checked.report);
    for words in words {
        assert!(checked.report.contains(words), "{words:?} is not in:\n{}", checked.report);
    }
}

fn siren(topic: &str, on: &str, off: &str) -> Output {
    let words = Payloads { on: on.into(), off: off.into(), may_switch_on: true, inverted: false };
    Output {
        publisher: Publisher::Siren("siren".into()),
        topic: topic.into(),
        payloads: Some(words),
        place: "`channel.siren.topic` in the agent's configuration".into(),
    }
}

fn agents(publisher: Publisher, topic: &str) -> Output {
    Output { publisher, topic: topic.into(), payloads: None, place: "`broker` in agent.toml".into() }
}

#[test]
fn two_relays_on_one_topic_are_refused_with_both_places() {
    let checked = commanded("{ topic = \"room2/heater/set\", on = \"on\", off = \"off\" }");
    assert!(checked.plan.is_none());
    assert_snapshot!(checked.report);
    assert_eq!(checked.findings.iter().map(|finding| finding.more.len()).collect::<Vec<_>>(), [1]);
}

#[test]
fn topics_that_differ_only_in_the_case_of_letters_are_refused() {
    let checked = commanded("{ topic = \"room2/Heater/set\", on = \"on\", off = \"off\" }");
    refused(&checked, &["differ only in the case of letters", "`room2/Heater/set`", "`room2/heater/set`"]);
}

#[test]
fn words_that_mean_the_opposite_are_refused() {
    for (on, off) in [
        ("off", "on"),
        ("0", "1"),
        ("OFF", "1"),
        ("false", "true"),
        ("turnOff", "turnOn"),
        ("{'state':'OFF'}", "{'state':'ON'}"),
        ("off 3", "on 3"),
        ("stop", "go"),
        ("0", "255"),
    ] {
        let checked = commanded(&format!("{{ topic = \"a/b\", on = \"{on}\", off = \"{off}\" }}"));
        refused(&checked, &["mean the opposite", "the wrong way round"]);
    }
    let checked = commanded("{ topic = \"room2/airpump/set\", on = \"off\", off = \"on\" }");
    assert_snapshot!(checked.report);
}

#[test]
fn words_that_mean_what_they_say_or_nothing_known_are_taken() {
    for (on, off) in [
        ("on", "off"),
        ("1", "0"),
        ("{'on':true,'for':0}", "{'on':false,'for':60}"),
        ("2", "1"),
        ("open", "closed"),
        ("closed", "open"),
        ("relay off-board on", "relay off-board off"),
        ("active", "inactive"),
    ] {
        assert!(!means_the_opposite(on, off), "{on}, {off}");
        let checked = commanded(&format!("{{ topic = \"a/b\", on = \"{on}\", off = \"{off}\" }}"));
        assert!(checked.plan.is_some(), "{}", checked.report);
    }
}

#[test]
fn a_device_that_looks_at_no_case_would_never_switch_off() {
    let checked = commanded("{ topic = \"a/b\", on = \"ein\", off = \"EIN \" }");
    refused(&checked, &["differ only in blanks or the case of letters"]);
}

#[test]
fn of_two_relays_with_the_same_words_the_other_way_round_one_is_wrong() {
    let heater = "{ topic = \"room2/heater/set\", on = \"on\", off = \"off\" }";
    let rules = HALYARD
        .replacen(AIR, "{ topic = \"room2/airpump/set\", on = \"auf\", off = \"zu\" }", 1)
        .replacen(heater, "{ topic = \"room2/heater/set\", on = \"Zu\", off = \"Auf\" }", 1);
    refused(
        &check(&rules),
        &["switches relay `air-pump` on switches relay `heater` off", "`relay.air-pump`"],
    );
}

#[test]
fn a_load_that_is_cut_by_switching_on_says_so_and_has_a_proof() {
    let command = "{ topic = \"room2/airpump/set\", on = \"off\", off = \"on\", inverted = true }";
    let checked = commanded(command);
    let plan = checked.plan.unwrap_or_else(|| panic!("{}", checked.report));
    assert!(plan.relays.iter().any(|relay| relay.inverted && relay.on == "off"));
    let proof = "proof   = \"air-pump-current > 0.05 A within 20 s\"\n";
    let bare = HALYARD.replacen(AIR, command, 1).replacen(proof, "", 1);
    refused(&check(&bare), &["are inverted, and it has no proof"]);
    let idle = commanded("{ topic = \"a/b\", on = \"on\", off = \"off\", inverted = true }");
    refused(&idle, &["these words are not inverted"]);
}

#[test]
fn topics_that_nobody_can_publish_on_are_refused() {
    for topic in [
        "room2/+/set",
        "room2/#",
        "$SYS/broker/load",
        "/room2/set",
        "room2/set/",
        "room2//set",
        "room2/ /set",
        "room2/set ",
        "room2/\\u200Bset",
    ] {
        let checked = commanded(&format!("{{ topic = \"{topic}\", on = \"on\", off = \"off\" }}"));
        refused(&checked, &["commands can't be published on this topic"]);
    }
    for sign in ["0000", "202E"] {
        let checked = commanded(&format!("{{ topic = \"room2/\\u{sign}set\", on = \"on\", off = \"off\" }}"));
        refused(&checked, &[&format!("`topic` has the sign U+{sign}, which can't be seen")]);
    }
    let long = "x".repeat(70_000);
    assert_eq!(output_topic_fault(&long), Some("it is longer than 65535 bytes"));
    assert_eq!(output_topic_fault("room 2/tank/Ölwanne"), None);
    let below = commanded("{ topic = \"slackwater/check-in/harbour\", on = \"on\", off = \"off\" }");
    refused(&below, &["commanded where check-ins come in"]);
}

#[test]
fn a_sensor_or_button_on_what_the_watch_publishes_would_hear_the_watch_itself() {
    let deaf = HALYARD.replacen("\"room2/airpump/current\"", "\"room2/airpump/set\"", 1);
    let checked = check(&deaf);
    assert!(checked.plan.is_none());
    assert_snapshot!(checked.report);

    let cased = HALYARD.replacen("\"room2/heater/power\"", "\"room2/heater/SET\"", 1);
    refused(&check(&cased), &["sensor `heater-power` would hear the watch itself"]);
    let button = "\n[work.rinsing]\npauses = [\"flow\"]\nlongest = \"1 h\"\nbuttons = [{ topic = \"room2/heater/set\", press = \"on\", tank = \"lagoon\" }]\n";
    refused(
        &check(&format!("{HALYARD}{button}")),
        &["a button of work `rinsing` would hear the watch itself"],
    );
    let lost = HALYARD.replacen("\"room2/mains\"", "\"slackwater/check-in/mains\"", 1);
    refused(&check(&lost), &["sensor `mains` would hear nothing on a topic of check-ins"]);
}

#[test]
fn the_agents_own_topics_are_in_the_same_register() {
    for (output, words) in [
        (
            siren("room2/heater/set", "on", "off"),
            "siren `siren` and relay `heater` would be published on one",
        ),
        (siren("Room2/Heater/Set", "on", "off"), "differ only in the case of letters"),
        (siren("hall/siren", "off", "on"), "what switches siren `siren` on switches relay `air-pump` off"),
        (agents(Publisher::Status, "room2/heater/set"), "the agent's status and relay `heater`"),
        (agents(Publisher::Loopback, "room2/airpump/set"), "the agent's loop-back and relay `air-pump`"),
        (agents(Publisher::Status, "room2/mains"), "sensor `mains` would hear the watch itself"),
        (siren("room2/mains", "on", "off"), "`channel.siren.topic` in the agent's configuration"),
    ] {
        let checked = Plan::check_beside(RuleTexts::file("site.toml", HALYARD), &surroundings(), &[output]);
        refused(&checked, &[words]);
    }
    let siren = siren("hall/siren", "on", "off");
    let checked = Plan::check_beside(
        RuleTexts::file("site.toml", HALYARD),
        &surroundings(),
        std::slice::from_ref(&siren),
    );
    assert!(checked.plan.is_some(), "{}", checked.report);
    let said = clashes_in_words(&[agents(Publisher::Status, "hall/siren"), siren]);
    assert_eq!(
        said,
        [
            "`channel.siren.topic` in the agent's configuration: `hall/siren` is the topic of the agent's status too \
          (`broker` in agent.toml)"
        ]
    );
}

#[test]
fn nobody_is_its_own_witness() {
    let rules = format!(
        "{HALYARD}\n[watched.halyard]\nkey = \"11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo\"\ncallout = \"household\"\n"
    );
    let own = agents(Publisher::CheckIns, "slackwater/check-in/halyard");
    let checked = Plan::check_beside(RuleTexts::file("site.toml", &rules), &surroundings(), &[own]);
    refused(&checked, &["`halyard` is this very site"]);
    let other = agents(Publisher::CheckIns, "slackwater/check-in/harbour");
    let checked = Plan::check_beside(RuleTexts::file("site.toml", &rules), &surroundings(), &[other]);
    assert!(checked.plan.is_some(), "{}", checked.report);
}

#[test]
fn nothing_is_published_but_by_whom_the_register_gives_the_topic() {
    let plan = check(HALYARD).plan.expect("the sample is right");
    let outputs: Vec<_> = plan
        .relays
        .iter()
        .map(|relay| relay.output())
        .chain([siren("hall/siren", "on", "off"), agents(Publisher::Status, "slackwater/halyard/status")])
        .collect();
    let (register, clashes) = Register::new(&outputs);
    assert_eq!(clashes, []);
    let relay = |name: &str| Publisher::Relay(name.to_owned());
    let says = |name: &str, topic: &str, payload: &str| {
        register.permits(&relay(name), topic, payload.as_bytes()).err().unwrap_or_default()
    };
    assert_eq!(says("air-pump", "room2/airpump/set", "on"), "");
    assert_eq!(says("air-pump", "room2/airpump/set", "off"), "");
    assert_eq!(says("heater", "room2/heater/set", "off"), "");
    assert!(says("heater", "room2/heater/set", "on").contains("it is never switched on"));
    assert!(says("air-pump", "room2/heater/set", "on").contains("belongs to relay `heater`"));
    assert!(says("air-pump", "room2/Airpump/set", "on").contains("has no right"));
    assert!(says("air-pump", "room2/airpump/set", "loud").contains("neither its word for on"));
    assert!(says("air-pump", "room2/elsewhere", "on").contains("nobody is registered"));
    assert_eq!(register.permits_siren("hall/siren", b"on"), Ok(()));
    for topic in ["room2/heater/set", "room2/airpump/set", "slackwater/halyard/status"] {
        assert!(register.permits_siren(topic, b"on").is_err(), "{topic}");
    }
}
