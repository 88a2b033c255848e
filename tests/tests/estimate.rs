//! `slackwater estimate` as a keeper and a script meet it: the real binary, its exit codes, its
//! files.

#![cfg(test)]

use std::path::Path;
use std::process::{Command, Output};

const SLACKWATER: &str = env!("CARGO_BIN_EXE_slackwater-under-test");

fn slackwater(folder: &Path, words: &[&str]) -> Output {
    Command::new(SLACKWATER)
        .args(words)
        .current_dir(folder)
        .env_remove("SLACKWATER_CONFIG")
        .output()
        .expect("the binary was built")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("what it prints is text")
}

#[test]
fn a_tank_on_paper_is_answered_in_words_in_numbers_and_in_a_picture() {
    let folder = tempfile::tempdir().expect("a folder");
    let tank =
        ["estimate", "--volume", "420 L", "--water", "25.5 degC", "--room", "16 degC", "--heater", "300 W"];
    let words = slackwater(folder.path(), &tank);
    assert!(words.status.success(), "{words:?}");
    let words = text(&words.stdout);
    assert!(words.contains("heater for the coldest room") && words.contains("fumes kill"), "{words}");

    let numbers = slackwater(folder.path(), &[&tank[..], &["--json", "--plot", "outage.svg"]].concat());
    assert!(numbers.status.success(), "{numbers:?}");
    let form: serde_json::Value = serde_json::from_slice(&numbers.stdout).expect("JSON");
    let outage = &form["topics"][0]["answers"][0];
    let ends = ["low", "likely", "high"].map(|end| outage["range"][end].as_f64().expect("a number"));
    assert!(0.0 < ends[0] && ends[0] <= ends[1] && ends[1] <= ends[2], "{outage}");
    let picture = std::fs::read_to_string(folder.path().join("outage.svg")).expect("a picture");
    assert!(picture.starts_with("<svg ") && picture.ends_with("</svg>\n"));
}

#[test]
fn exit_codes_tell_an_answer_from_none_from_a_wrong_question_and_from_a_wrong_configuration() {
    let folder = tempfile::tempdir().expect("a folder");
    let code = |words: &[&str]| slackwater(folder.path(), words).status.code();
    assert_eq!(code(&["estimate"]), Some(1), "nothing is known");
    assert_eq!(code(&["estimate", "--volume", "420 degC"]), Some(2), "no volume");
    assert_eq!(code(&["estimate", "--battery", "7 Ah", "--kind", "agm"]), Some(2), "of how many volts");
    assert_eq!(code(&["estimate", "--tank", "lagoon", "--config", "nowhere.toml"]), Some(78));
    assert_eq!(code(&["init"]), Some(0));
    let site = ["--tank", "lagoon", "--config", "agent.toml"];
    assert_eq!(code(&[&["estimate", "--water", "25 degC"][..], &site].concat()), Some(0));
    assert_eq!(code(&["estimate", "--tank", "lagun", "--config", "agent.toml"]), Some(2));
    // Nothing was recorded yet: there is no past to draw.
    let past = [&["estimate", "--since", "1 d", "--plot", "past.svg"][..], &site].concat();
    assert_eq!(code(&past), Some(1));
}
