//! Both files as `check` meets them: what is wrong with one hides nothing of the other.

use super::{SiteFiles, WrongConfiguration};
use crate::settings::Environment;
use insta::assert_snapshot;
use std::fs;

const AGENT: &str = r#"[site]
rules = "rules.toml"
zone = "Europe/Lisbon"

[broker]
host = "localhost"

[contact.ines.channel.pages]
kind = "folder"
folder = "pages"
to = "ines@example.org"
"#;

const RULES: &str = r#"[sensor.mains]
topic = "room2/mains"
measures = "presence"
on = ["on"]
off = ["off"]
every = "30 s"

[alarm.dark]
when = "mains is off"
priority = "high"
consequence = "the pumps stand"
response = "Start the battery air pump."

[callout.house]
steps = [{ after = "0 min", to = ["ines.pages"] }]
"#;

fn wrong(agent: &str, rules: Option<&str>) -> (WrongConfiguration, String) {
    let folder = tempfile::tempdir().expect("a folder");
    fs::write(folder.path().join("agent.toml"), agent).expect("written");
    if let Some(rules) = rules {
        fs::write(folder.path().join("rules.toml"), rules).expect("written");
    }
    let read = SiteFiles::load(&folder.path().join("agent.toml"), &Environment::default());
    let wrong = *read.expect_err("something is wrong");
    let text = wrong.text.replace(&folder.path().display().to_string(), "…");
    (wrong, text)
}

#[test]
fn the_two_files_of_these_tests_are_right() {
    let folder = tempfile::tempdir().expect("a folder");
    fs::write(folder.path().join("agent.toml"), AGENT).expect("written");
    fs::write(folder.path().join("rules.toml"), RULES).expect("written");
    let site = SiteFiles::load(&folder.path().join("agent.toml"), &Environment::default());
    let site = site.unwrap_or_else(|wrong| panic!("{}", wrong.text));
    assert!(site.warnings.is_empty() && site.findings.0.findings.is_empty(), "{}", site.warnings);
}

#[test]
fn mistakes_of_both_files_are_told_at_once() {
    let agent = AGENT.replace("host =", "hots =").replace("to = ", "too = ");
    let rules = RULES.replace("is off", "is of").replace("\"high\"", "\"hihg\"");
    let (wrong, text) = wrong(&agent, Some(&rules));
    assert_eq!((wrong.agent.findings.len(), wrong.rules.map(|rules| rules.findings.len())), (4, Some(2)));
    assert_snapshot!(text);
}

#[test]
fn while_the_people_are_unknown_no_call_out_is_blamed_for_naming_them() {
    let agent = AGENT.replace("[contact.ines.channel.pages]", "[contact.ines.channel.pages]\nknid = \"x\"");
    let (wrong, _) = wrong(&agent, Some(RULES));
    assert_eq!(wrong.rules.map(|rules| rules.findings), Some(Vec::new()));
    assert_eq!(wrong.agent.findings.len(), 1);
}

#[test]
fn a_file_of_the_agent_that_is_no_toml_still_lets_the_rule_file_be_checked() {
    let agent = AGENT.replace("\"localhost\"", "localhost");
    let (wrong, text) = wrong(&agent, Some(&RULES.replace("is off", "is of")));
    assert_eq!((wrong.agent.findings.len(), wrong.rules.map(|rules| rules.findings.len())), (1, Some(1)));
    assert_snapshot!(text);
}

#[test]
fn a_rule_file_that_is_no_toml_hides_nothing_of_the_agents_file() {
    let (wrong, _) = wrong(&AGENT.replace("host =", "hots ="), Some("[alarm\n"));
    assert_eq!((wrong.agent.findings.len(), wrong.rules.map(|rules| rules.findings.len())), (2, Some(1)));
}

#[test]
fn a_rule_file_that_can_not_be_read_is_told_where_it_is_named() {
    let (wrong, text) = wrong(AGENT, None);
    assert!(wrong.rules.is_none());
    assert_snapshot!(text);
}

#[test]
fn what_only_both_files_together_show_has_its_place_too() {
    let agent = format!("{AGENT}\n[ups.rakc]\nhost = \"10.0.0.5\"\n");
    let source = "source = { ups = \"rack\", reads = \"mains\" }\n";
    let start = RULES.find("topic").expect("a topic");
    let end = RULES.find("every").expect("an interval");
    let rules = format!("{}{source}{}", &RULES[..start], &RULES[end..]);
    assert_snapshot!(wrong(&agent, Some(&rules)).1);
}

#[test]
fn a_file_too_large_to_be_one_is_refused_before_it_is_read() {
    let nothing = "\0".repeat(20 << 20);
    assert_snapshot!("large_rules", wrong(AGENT, Some(&nothing)).1);
    assert_snapshot!("large_agent", wrong(&nothing, Some(RULES)).1);
}

#[test]
fn a_copy_that_runs_says_the_first_mistake_and_no_warning() {
    let folder = tempfile::tempdir().expect("a folder");
    let (config, rules) = (folder.path().join("agent.toml"), folder.path().join("rules.toml"));
    let journal = folder.path().join("journal.sqlite");
    // A sensor that nothing watches is warned of before the mistake comes.
    let spare = RULES.split("[alarm.dark]").next().expect("sensors").replace("mains", "spare");
    let places = format!("{AGENT}\n[journal]\npath = \"journal.sqlite\"\n");
    let load = || SiteFiles::load_sound(&config, &Environment::default());
    fs::write(&config, &places).expect("written");
    fs::write(&rules, format!("{spare}{RULES}")).expect("written");
    let site = load().unwrap_or_else(|wrong| panic!("{}", wrong.text));
    super::last_good::keep_taken(&config, &journal, site.taken);

    fs::write(&rules, format!("{spare}{RULES}\n[alarm.dark-too]\nwhen = \"moon is off\"\n"))
        .expect("written");
    let site = load().unwrap_or_else(|wrong| panic!("{}", wrong.text));
    let why = &site.unusable["site.rules"];
    assert!(why.contains("dark-too") && !why.contains("spare"), "{why}");

    fs::write(&config, places.replace("[broker]", "[borker]")).expect("written");
    let site = load().unwrap_or_else(|wrong| panic!("{}", wrong.text));
    assert!(site.unusable["agent.toml"].contains("broker"), "{:?}", site.unusable);
    assert!(site.unusable.contains_key("site.rules"), "both are said: {:?}", site.unusable);
    assert!(site.taken.settings.is_none() && site.taken.rules.is_none(), "a copy is no file that was taken");

    fs::remove_file(&config).expect("removed");
    let site = load().unwrap_or_else(|wrong| panic!("{}", wrong.text));
    assert!(site.unusable["agent.toml"].starts_with("the agent's file "), "{:?}", site.unusable);
    fs::remove_file(folder.path().join("last-good-agent.toml")).expect("removed");
    load().expect_err("without a copy there is nothing to run by");
}
