//! The demo, as somebody plays it who has just cloned the repository: no broker, no account, no
//! root; a second terminal answers.

#![cfg(test)]

use slackwater_tests::agent::{Home, until};
use std::fs;
use std::io::{BufRead, BufReader, Read};
use std::process::Stdio;
use std::time::Duration;

const SLACKWATER: &str = env!("CARGO_BIN_EXE_slackwater-under-test");

/// The night takes 22 s at this speed, and is a little late on a busy machine.
const NIGHT: [&str; 6] = ["demo", "--speed", "1500", "--for", "9 h", "--unanswered"];
const BOUND: Duration = Duration::from_secs(60);

#[test]
fn the_demo_plays_a_night_that_a_second_terminal_takes_part_in() {
    let home = Home::new(SLACKWATER).expect("a folder");
    let out = fs::File::create(home.path("out")).expect("a file");
    let mut demo = home.command(&NIGHT).stdout(out).stderr(Stdio::inherit()).spawn().expect("it starts");
    let shown = || fs::read_to_string(home.path("out")).unwrap_or_default();
    let second = |words: &[&str]| home.say(&[words, &["--config", "demo/agent.toml"]].concat());
    let line = |beginning: &'static str| {
        let find = || shown().lines().find(|line| line.contains(beginning)).map(str::to_owned);
        until(beginning, BOUND, find, shown)
    };

    let page = line("PAGE to Ines by push: Lagoon: the spare heater holds the tank");
    let code = page.rsplit("code ").next().expect("a code").trim().to_owned();
    let status = second(&["status"]).well();
    assert!(status.contains("Medium: Lagoon: the spare heater holds the tank"), "{status}");
    assert!(status.contains("what may be behind it: the first heater has failed"), "{status}");
    let answer = second(&["ack", &code, "--as", "ines"]).well();
    assert!(answer.contains("Lagoon: the spare heater holds the tank, acknowledged by Ines"), "{answer}");

    line("*** the street goes dark ***");
    let page = line("PAGE to Ines by push: Halyard House: the power is out");
    line("the siren sounds");
    // Whether it is proved within 20 s is a matter of 13 ms here: on a busy machine it may not be.
    line("air pump switched on, attempt 1");
    let code = page.rsplit("code ").next().expect("a code").trim().to_owned();
    second(&["ack", &code, "--as", "ines"]).well();
    let ended = until("the end of the night", BOUND, || demo.try_wait().transpose(), shown);
    assert!(ended.expect("a child").success(), "{}", shown());

    let shown = shown();
    let (_, review) = shown.split_once("======== The night in short").expect("a digest at the end");
    for words in ["the power is out", "Switched: air pump", "Ines after"] {
        assert!(review.contains(words), "{words:?} is not in:\n{review}");
    }
    let pages = fs::read_dir(home.path("demo/pages")).expect("the pages").flatten();
    let mails = pages.filter(|entry| entry.path().extension().is_some_and(|is| is == "eml")).count();
    assert!(mails >= 2, "{mails} mails");
    second(&["status"]).failed(1);
}

/// A browser that closes a connection in the middle, or a broker's bridge, raises the signal of a
/// broken pipe: nothing that holds sockets may die of it.
#[test]
fn a_peer_that_hangs_up_does_not_end_the_program() {
    let home = Home::new(SLACKWATER).expect("a folder");
    let mut demo = home.command(&["demo", "--speed", "1", "--for", "10 min", "--page-port", "0"]);
    let mut demo = demo.stdout(Stdio::piped()).spawn().expect("it starts");
    let mut first = String::new();
    BufReader::new(demo.stdout.as_mut().expect("piped")).read_line(&mut first).expect("a line");
    let status = fs::read_to_string(format!("/proc/{}/status", demo.id())).expect("a process");
    demo.kill().and_then(|()| demo.wait()).expect("killed");
    let ignored = status.lines().find_map(|line| line.strip_prefix("SigIgn:")).expect("the mask");
    let ignored = u64::from_str_radix(ignored.trim(), 16).expect("hexadecimal");
    const SIGPIPE: u32 = 13;
    assert_eq!(ignored >> (SIGPIPE - 1) & 1, 1, "{status}");
}

#[test]
fn a_reader_who_has_seen_enough_ends_a_command_quietly() {
    let home = Home::new(SLACKWATER).expect("a folder");
    for command in [&["check", "--schema"][..], &["hazards"], &["hazards", "defaults"]] {
        let mut said =
            home.command(command).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("it starts");
        let mut first = [0];
        said.stdout.take().expect("piped").read_exact(&mut first).expect("it says something");
        let ended = said.wait_with_output().expect("it ends");
        assert_eq!(String::from_utf8_lossy(&ended.stderr), "", "{command:?}");
    }
}

#[test]
fn the_folder_of_an_earlier_demo_is_taken_again() {
    let home = Home::new(SLACKWATER).expect("a folder");
    for _ in 0..2 {
        let shown = home.say(&["demo", "--speed", "2000", "--for", "10 min"]).well();
        assert!(shown.contains("======== The night in short"), "{shown}");
    }
}

#[test]
fn a_folder_with_something_else_in_it_is_left_alone() {
    let home = Home::new(SLACKWATER).expect("a folder");
    fs::create_dir(home.path("demo")).expect("made");
    home.write("demo/thesis.txt", "chapter 1").expect("written");
    let said = home.say(&["demo", "--for", "1 min"]).failed(1);
    assert!(said.contains("thesis.txt is not the demo's"), "{said}");
    assert!(home.path("demo/thesis.txt").exists());
}

/// What a newcomer reads of a night, and of the review that follows: it has to fit.
#[test]
fn the_nights_words_fit_a_screen_or_three_and_nobody_gets_two_pages_at_once() {
    let home = Home::new(SLACKWATER).expect("a folder");
    let night = home.say(&["demo", "--speed", "500", "--for", "11 h"]).well();
    let lines: Vec<&str> = night.lines().collect();
    assert!(lines.len() <= 150, "{} lines:\n{night}", lines.len());
    assert!(!night.contains("can't be relied on") && !night.contains("not heard"), "a false loss:\n{night}");
    // Nobody gets more than one page an event, by whatever way.
    let pages: Vec<(&str, &str)> = lines
        .iter()
        .filter_map(|line| line.split_once("  PAGE to "))
        .flat_map(|(at, page)| page.split_once(": ").map(|(to, _)| (at, to)))
        .flat_map(|(at, to)| to.split(", ").map(move |to| (at, to)))
        .map(|(at, to)| (at, to.split(" by ").next().unwrap_or(to)))
        .collect();
    for (nth, page) in pages.iter().enumerate() {
        assert!(!pages[..nth].contains(page), "{page:?} twice:\n{night}");
    }
    assert!(pages.len() <= 24, "{} pages:\n{night}", pages.len());
    let config = home.path("demo/agent.toml");
    let asked = ["review", "--since", "2026-10-24", "--until", "2026-10-26", "--config"];
    let review = home.say(&[&asked[..], &[config.to_str().expect("a path")]].concat()).well();
    let length = review.lines().count();
    assert!(length <= 60, "{length} lines:\n{review}");
}
