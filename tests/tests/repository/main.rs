//! The repository's own rules.

#![cfg(test)]

mod docs;
mod fleet;
mod layers;
mod map;
mod structure;

use slackwater_tests::agent::Said;
use slackwater_tests::house::sample;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

const SLACKWATER: &str = env!("CARGO_BIN_EXE_slackwater-under-test");

/// A file fits in a head: so many lines at most without its tests.
const LONGEST: usize = 450;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the workspace").to_owned()
}

fn text(name: &str) -> String {
    fs::read_to_string(root().join(name)).unwrap_or_else(|error| panic!("{name}: {error}"))
}

/// All files below a folder of the repository, by their names in it.
fn files(folder: &str) -> Vec<String> {
    let mut found = Vec::new();
    let mut folders = vec![root().join(folder)];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).expect("a folder").flatten() {
            let path = entry.path();
            match path.is_dir() {
                true => folders.push(path),
                false => found.push(path.strip_prefix(root()).expect("below").display().to_string()),
            }
        }
    }
    found.sort();
    found
}

/// Rust files that ship: what is only compiled for tests stays out.
fn sources() -> Vec<String> {
    let ships =
        |name: &String| name.ends_with(".rs") && !name.ends_with("/tests.rs") && !name.contains("/tests/");
    let found: Vec<_> = ["rules/time/src", "rules/forecast/src", "rules/src", "agent/fleet/src", "agent/src"]
        .into_iter()
        .flat_map(files)
        .filter(ships)
        .collect();
    assert!(found.len() > 50, "{found:?}");
    found
}

/// The lines of a file before its test module, each with its number.
fn shipped(text: &str) -> Vec<(usize, &str)> {
    let end = text.find("#[cfg(test)]\nmod tests").unwrap_or(text.len());
    text[..end].lines().enumerate().map(|(index, line)| (index + 1, line)).collect()
}

#[test]
fn every_example_passes_check() {
    let home = sample(SLACKWATER).expect("a folder");
    let said = home.say(&["check"]).well();
    assert!(said.contains("\nHalyard House: 3 tanks") && said.ends_with("it can run\n"), "{said}");
    let warnings: Vec<_> = said.lines().filter(|line| line.starts_with("warning")).collect();
    assert_eq!(warnings, Vec::<&str>::new(), "{said}");
    // Nothing else is an example of these files; a new one has to be added here.
    let others: Vec<_> =
        ["deploy", "systemd"].into_iter().flat_map(files).filter(|f| f.ends_with(".toml")).collect();
    let witness = ["deploy/witness/rules.toml", "deploy/witness/witness.toml"];
    assert_eq!(others, [&["deploy/sample/agent.toml", "deploy/sample/rules.toml"], &witness[..]].concat());
    for name in witness {
        home.write(name.rsplit('/').next().unwrap_or(name), &text(name)).expect("written");
    }
    home.write("sites-password", "4711").expect("written");
    let bare = home
        .command(&["check", "--config", "witness.toml"])
        .env_remove("SLACKWATER_BROKER__TLS__CA_FILE")
        .output();
    let said = Said::from(bare.expect("it runs")).well();
    assert!(said.ends_with("it is the witness of 1 other site\n") && !said.contains("warning"), "{said}");
}

#[test]
fn no_source_file_outgrows_its_room() {
    let long: Vec<_> = sources()
        .into_iter()
        .map(|name| (shipped(&text(&name)).len(), name))
        .filter(|(lines, _)| *lines > LONGEST)
        .collect();
    assert_eq!(long, Vec::<(usize, String)>::new(), "more than {LONGEST} lines without tests");
}

/// Prose is read in narrower lines than code: so wide at most, but for tables, examples and what
/// can't be broken.
const COMMENT: usize = 100;

#[test]
fn comments_are_wrapped_at_one_width() {
    let crates =
        ["rules/time", "rules/forecast", "rules/src", "rules/tests", "rules/benches", "agent", "tests"];
    let mut wide = Vec::new();
    for name in crates.into_iter().flat_map(files).filter(|name| name.ends_with(".rs")) {
        let mut example = false;
        for (number, line) in (1..).zip(text(&name).lines()) {
            let Some(words) = line.trim_start().strip_prefix("//") else { continue };
            let words = words.trim_start_matches(['/', '!']).trim_start();
            example ^= words.starts_with("```");
            let breaks = !example && !words.starts_with('|') && words.contains(' ');
            if breaks && line.chars().count() > COMMENT {
                wide.push(format!("{name}:{number}"));
            }
        }
    }
    assert_eq!(wide, Vec::<String>::new(), "comments wider than {COMMENT}");
}

#[test]
fn every_source_file_begins_with_what_it_is_for() {
    let silent: Vec<_> = sources().into_iter().filter(|name| !text(name).starts_with("//! ")).collect();
    assert_eq!(silent, Vec::<String>::new());
}

/// Clippy refuses what panics, in every package alike.
#[test]
fn every_package_has_the_lints_of_the_workspace() {
    for package in ["rules/time", "rules/forecast", "rules", "agent/fleet", "agent", "tests"] {
        let manifest: toml::Table = text(&format!("{package}/Cargo.toml")).parse().expect("TOML");
        assert_eq!(manifest["lints"]["workspace"].as_bool(), Some(true), "{package}");
    }
}

/// rules/ decides and never looks: clippy holds the calls, this holds the crates.
#[test]
fn the_core_depends_on_nothing_that_could_act() {
    let allowed = [
        "annotate-snippets",
        "jiff",
        "serde",
        "serde_json",
        "slackwater-forecast",
        "slackwater-time",
        "strsim",
        "toml",
        "toml_parser",
    ];
    for krate in ["rules/time", "rules/forecast", "rules"] {
        let manifest: toml::Table = text(&format!("{krate}/Cargo.toml")).parse().expect("TOML");
        let dependencies = manifest["dependencies"].as_table().expect("a table");
        let others: Vec<_> = dependencies.keys().filter(|name| !allowed.contains(&name.as_str())).collect();
        assert_eq!(others, Vec::<&String>::new(), "each new dependency of the core is a decision");
        assert_eq!(text("rules/clippy.toml"), text(&format!("{krate}/clippy.toml")), "one ban list for all");
    }
}

#[test]
fn the_changelog_has_an_unreleased_section_that_says_something() {
    let changelog = text("CHANGELOG.md");
    let (_, after) = changelog.split_once("\n## Unreleased\n").expect("an unreleased section");
    let section = after.split("\n## ").next().unwrap_or_default();
    assert!(section.lines().any(|line| line.starts_with("- ")), "it is empty");
}

#[test]
fn the_lock_file_is_committed_and_nothing_unfinished_is() {
    assert!(root().join("Cargo.lock").exists());
    let listed = Command::new("git").arg("-C").arg(root()).args(["ls-files"]).output();
    let Some(listed) = listed.ok().filter(|listed| listed.status.success()) else {
        eprintln!("SKIPPED: no git, or not a clone: what is committed can't be told");
        return;
    };
    let listed = String::from_utf8_lossy(&listed.stdout).into_owned();
    assert!(listed.lines().any(|name| name == "Cargo.lock"), "Cargo.lock is not committed");
    let unfinished = |name: &&str| {
        [".snap.new", ".pending-snap", ".orig", ".rej"].iter().any(|end| name.ends_with(end))
            || name.starts_with("target")
    };
    assert_eq!(listed.lines().filter(unfinished).collect::<Vec<_>>(), Vec::<&str>::new());
}
