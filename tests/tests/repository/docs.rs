//! What the repository says about itself is true: every example passes `check`, every verb and
//! every key is explained, and the examples in `--help` are understood.

use super::{SLACKWATER, files, text};
use slackwater_tests::agent::Home;
use slackwater_tests::house::sample;
use toml::{Table, Value};

/// Files with examples of rule files and configurations.
fn documents() -> Vec<String> {
    let manual = files("deploy/manual").into_iter().filter(|name| name.ends_with(".md"));
    std::iter::once("README.md".to_owned()).chain(manual).collect()
}

/// The blocks of a document that are marked as TOML.
fn blocks(document: &str) -> Vec<&str> {
    document.split("```toml\n").skip(1).filter_map(|rest| rest.split("```").next()).collect()
}

/// Sections of the agent's configuration that no rule file has.
const AGENTS: [&str; 19] = [
    "answers", "broker", "check-in", "contact", "channel", "clock", "control", "journal", "log", "mail",
    "modem", "sources", "ups", "tls", "metrics", "web", "events", "fleet", "witness",
];

/// The sample with what a block says in place of what the sample says there.
fn within(sample: &str, block: &Table) -> String {
    let mut whole: Table = sample.parse().expect("the sample is TOML");
    for (key, value) in block {
        let named = value.as_table().is_some_and(|table| table.values().all(Value::is_table));
        match (key.as_str(), whole.get_mut(key)) {
            ("contact" | "tank", Some(there)) => merge(there, value, 4),
            (_, Some(there)) if named => merge(there, value, 1),
            _ => drop(whole.insert(key.clone(), value.clone())),
        }
    }
    toml::to_string(&whole).expect("it can be written")
}

fn merge(there: &mut Value, value: &Value, depth: usize) {
    match (there, value) {
        (Value::Table(there), Value::Table(value)) if depth > 0 => {
            for (key, value) in value {
                match there.get_mut(key) {
                    Some(there) => merge(there, value, depth - 1),
                    None => drop(there.insert(key.clone(), value.clone())),
                }
            }
        }
        (there, value) => *there = value.clone(),
    }
}

/// Each block stands in the sample house, whose sensors, people and call-outs it may name.
#[test]
fn every_example_of_the_readme_and_the_manual_passes_check() {
    let home = sample(SLACKWATER).expect("a folder");
    for secret in ["ups-password", "site-password", "sim-pin", "imap-password", "fleet-password"] {
        home.write(secret, "4711").expect("written");
    }
    home.say(&["witness", "key", "--out", &home.folder().join("check-in-key").display().to_string()]).well();
    // The one UPS that an example declares is read by a sensor.
    let ups = "\n[sensor.ups]\nsource = { ups = \"rack\", reads = \"mains\" }\nevery = \"10 s\"\n";
    let (rules, agent) = (text("deploy/sample/rules.toml"), text("deploy/sample/agent.toml"));
    let read = format!("{rules}{ups}");
    let mut checked = 0;
    for document in documents() {
        for block in blocks(&text(&document)) {
            let table: Table = block.parse().unwrap_or_else(|error| panic!("{document}: {error}\n{block}"));
            let of_agent = table.keys().any(|key| AGENTS.contains(&key.as_str()));
            let (file, other, whole) = match of_agent {
                true if table.contains_key("ups") => {
                    ("agent.toml", ("rules.toml", &read), within(&agent, &table))
                }
                true => ("agent.toml", ("rules.toml", &rules), within(&agent, &table)),
                false => ("rules.toml", ("agent.toml", &agent), within(&rules, &table)),
            };
            home.write(file, &whole).expect("written");
            home.write(other.0, other.1).expect("written");
            let mut check = home.command(&["check"]);
            if table.contains_key("broker") {
                check.env_remove("SLACKWATER_BROKER__TLS__CA_FILE");
            }
            let said = slackwater_tests::agent::Said::from(check.output().expect("it runs"));
            assert_eq!((said.code, said.err.as_str()), (Some(0), ""), "{document}:\n{block}\n{}", said.out);
            checked += 1;
        }
    }
    assert!(checked > 20, "{checked} examples");
}

/// Every key that a table of the rule file may have, as the schema for editors names them.
#[test]
fn every_key_of_the_rule_file_is_in_the_manual() {
    let home = sample(SLACKWATER).expect("a folder");
    let schema: serde_json::Value =
        serde_json::from_str(&home.say(&["check", "--schema"]).well()).expect("JSON");
    let manual: String = documents().iter().map(|name| text(name)).collect();
    let mut missing = Vec::new();
    for (table, definition) in schema["$defs"].as_object().expect("definitions") {
        let keys = definition["properties"].as_object().into_iter().flatten().map(|(key, _)| key);
        missing.extend(
            keys.filter(|key| !manual.contains(&format!("`{key}`"))).map(|key| format!("{table}.{key}")),
        );
    }
    assert_eq!(missing, Vec::<String>::new());
}

/// The sample shows every key of the agent's configuration, those that are left out as comments.
#[test]
fn every_key_of_the_agents_sample_is_in_the_manual() {
    let manual: String = documents().iter().map(|name| text(name)).collect();
    let sample = text("deploy/sample/agent.toml");
    let keys = sample
        .lines()
        .filter_map(|line| line.trim_start_matches('#').split_once('='))
        .map(|(key, _)| key.trim());
    let is_key = |key: &&str| !key.is_empty() && key.chars().all(|c| c.is_ascii_lowercase() || c == '-');
    let shown = |key: &str| {
        let forms = [format!("`{key}`"), format!("\n{key} "), format!(" {key} = "), format!(".{key}]")];
        forms.iter().any(|form| manual.contains(form))
    };
    let missing: Vec<_> = keys.filter(is_key).filter(|key| !shown(key)).collect();
    assert_eq!(missing, Vec::<&str>::new());
}

/// The verbs of `slackwater --help`.
fn verbs(home: &Home) -> Vec<String> {
    let help = home.say(&["--help"]).well();
    let (_, after) = help.split_once("Commands:\n").expect("a list of commands");
    // What is indented deeper goes on with the line before.
    let lines =
        after.lines().take_while(|line| line.starts_with("  ")).filter(|line| !line.starts_with("   "));
    let verbs = lines.filter_map(|line| line.split_whitespace().next());
    verbs.filter(|verb| *verb != "help").map(str::to_owned).collect()
}

#[test]
fn every_verb_is_in_the_readme_and_has_an_example_in_its_help() {
    let home = Home::new(SLACKWATER).expect("a folder");
    let readme = text("README.md");
    let verbs = verbs(&home);
    assert!(verbs.len() >= 12, "{verbs:?}");
    for verb in verbs {
        assert!(
            readme.contains(&format!("`slackwater {verb}")),
            "README.md does not name `slackwater {verb}`"
        );
        let help = home.say(&[&verb, "--help"]).well();
        let example = format!("Example: slackwater {verb}");
        assert!(help.contains(&example), "{verb} --help has no example:\n{help}");
        assert!(text("CHANGELOG.md").contains(&format!("`{verb}`")), "CHANGELOG.md does not name `{verb}`");
    }
}

/// What is shown must work: the words of an example are words that the command line takes.
#[test]
fn examples_in_help_are_understood() {
    let home = Home::new(SLACKWATER).expect("a folder");
    home.write(
        "agent.toml",
        "[site]\nrules = \"rules.toml\"\nzone = \"UTC\"\n[control]\nsocket = \"none.sock\"\n",
    )
    .expect("written");
    for verb in verbs(&home).iter().filter(|verb| !["demo", "run"].contains(&verb.as_str())) {
        let help = home.say(&[verb, "--help"]).well();
        let examples = help.lines().filter_map(|line| {
            let line = line.trim_start().trim_start_matches("Example: ");
            line.strip_prefix("slackwater ").map(|line| line.split(" >").next().unwrap_or(line).to_owned())
        });
        for example in examples {
            let words = words(&example);
            let said = home.say(&words.iter().map(String::as_str).collect::<Vec<_>>());
            assert_ne!(said.code, Some(2), "{example}: {}", said.err);
        }
    }
}

/// As a shell would split it: blanks, and single quotes around what has blanks.
fn words(line: &str) -> Vec<String> {
    let parts = line.split('\'').enumerate();
    let split = |(nth, part): (usize, &str)| match nth % 2 {
        0 => part.split_whitespace().map(str::to_owned).collect::<Vec<_>>(),
        _ => vec![part.to_owned()],
    };
    parts.flat_map(split).collect()
}

/// Whether a program that a test wants is there; if it must be and is not, that is a failure.
fn there(program: &str) -> bool {
    let found = std::env::var_os("PATH")
        .is_some_and(|path| std::env::split_paths(&path).any(|folder| folder.join(program).is_file()));
    assert!(
        found || std::env::var_os("SLACKWATER_NEED_REAL").is_none_or(|value| value != "1"),
        "{program} is missing, and SLACKWATER_NEED_REAL=1"
    );
    if !found {
        eprintln!("SKIPPED: no {program} here");
    }
    found
}

#[test]
fn the_man_pages_are_made_of_the_manual_and_readers_of_man_pages_find_nothing_wrong() {
    let pages = slackwater_tests::manual::pages(&super::root(), "2026-11-29").expect("they can be made");
    let names: Vec<_> = pages.iter().map(|(name, _)| name.as_str()).collect();
    assert_eq!(names, ["slackwater.1", "slackwater-rules.5", "slackwater-agent.5"]);
    let folder = tempfile::tempdir().expect("a folder");
    for (name, text) in &pages {
        let path = folder.path().join(name);
        std::fs::write(&path, text).expect("written");
        let readers: [(&str, &[&str]); 2] =
            [("mandoc", &["-Tlint", "-Wwarning"]), ("groff", &["-man", "-Tutf8", "-ww", "-z"])];
        for (reader, arguments) in readers.into_iter().filter(|(reader, _)| there(reader)) {
            let read =
                std::process::Command::new(reader).args(arguments).arg(&path).output().expect("it runs");
            let said =
                String::from_utf8_lossy(&read.stderr).into_owned() + &String::from_utf8_lossy(&read.stdout);
            assert!(read.status.success() && said.is_empty(), "{reader}: {said}");
        }
    }
    let program = &pages[0].1;
    for verb in verbs(&Home::new(SLACKWATER).expect("a folder")) {
        assert!(program.contains(&format!("slackwater {verb}")), "slackwater(1) does not name {verb}");
    }
}
