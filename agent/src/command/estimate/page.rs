//! The answers in words, for a terminal or a sheet of paper: what can be said first, each topic
//! with what it rests on, then what can't and what would help, then the cautions.

use super::answers::{PaperAnswer, PaperAnswers, Rests, Topic};
use slackwater_rules::words::{capital, for_people_in};
use std::fmt::Write as _;

const WIDTH: usize = 100;

pub(super) fn words(answers: &PaperAnswers) -> String {
    let title = answers.title.as_ref().map(|title| format!("{}, on paper", capital(title)));
    let title = title.unwrap_or_else(|| "On paper".to_owned());
    let mut page = for_people_in(&format!("{title}: {}\n", answers.tank));
    for topic in &answers.topics {
        add_topic(&mut page, topic);
    }
    add_missing(&mut page, answers);
    page.push('\n');
    for caution in &answers.cautions {
        page.push_str(&wrapped(caution, "", ""));
    }
    page
}

fn add_topic(page: &mut String, topic: &Topic) {
    let said: Vec<&PaperAnswer> = topic.answers.iter().filter(|answer| answer.missing.is_none()).collect();
    if said.is_empty() {
        return;
    }
    let mut title = topic.topic.to_owned();
    title[..1].make_ascii_uppercase();
    let _ = writeln!(page, "\n{title}");
    let column = said.iter().map(|answer| for_people_in(&answer.asks).chars().count()).max().unwrap_or(0);
    for answer in &said {
        let first = format!("  {:<column$}  ", for_people_in(&answer.asks));
        page.push_str(&wrapped(&for_people_in(&answer.says), &first, &" ".repeat(column + 4)));
    }
    let mut rests_on: Vec<&Rests> = Vec::new();
    for origin in ["measured", "learned", "given", "assumed"] {
        for basis in said.iter().flat_map(|answer| &answer.rests_on).filter(|basis| basis.origin == origin) {
            if !rests_on.contains(&basis) {
                rests_on.push(basis);
            }
        }
    }
    let mut line = String::new();
    let mut before = None;
    for basis in &rests_on {
        match before.replace(&basis.origin) {
            Some(origin) if *origin == basis.origin => line.push_str(", "),
            Some(_) => drop(write!(line, "; {}: ", basis.origin)),
            None => drop(write!(line, "{}: ", basis.origin)),
        }
        line.push_str(basis.what);
    }
    if !line.is_empty() {
        page.push_str(&wrapped(&line, "  resting on ", "    "));
    }
}

/// What each missing thing would answer.
fn add_missing(page: &mut String, answers: &PaperAnswers) {
    let all: Vec<&PaperAnswer> = answers.topics.iter().flat_map(|topic| &topic.answers).collect();
    let mut missing: Vec<&str> = all.iter().filter_map(|answer| answer.missing).collect();
    missing.sort_unstable();
    missing.dedup();
    if missing.is_empty() {
        return;
    }
    page.push_str("\nCannot say\n");
    for what in missing {
        let would: Vec<&str> = all
            .iter()
            .filter(|answer| answer.missing == Some(what))
            .map(|answer| answer.asks.as_str())
            .collect();
        let first = format!("  for want of {what}{}: ", option(what));
        page.push_str(&wrapped(&for_people_in(&would.join(" · ")), &first, "    "));
    }
}

/// How to say on the command line what is missing.
fn option(what: &str) -> &'static str {
    match what {
        "volume" => " (--volume or --box)",
        "water temperature" => " (--water)",
        "room temperature" => " (--room)",
        "hottest room" => " (--hot-room)",
        "heater" => " (--heater)",
        "air pump" => " (--air)",
        "battery" => " (--battery)",
        "load of the battery" => " (--load)",
        "flow" => " (--flow)",
        "reservoir" => " (--reservoir)",
        "light" => " (--light, --lit)",
        _ => "",
    }
}

/// Words in lines of at most [`WIDTH`], the first behind `first`, the others behind `next`.
fn wrapped(text: &str, first: &str, next: &str) -> String {
    let mut lines = String::new();
    let mut line = first.to_owned();
    let mut empty = true;
    for word in text.split(' ') {
        if !empty && line.chars().count() + 1 + word.chars().count() > WIDTH {
            lines.push_str(line.trim_end());
            lines.push('\n');
            line = next.to_owned();
            empty = true;
        }
        if !empty {
            line.push(' ');
        }
        line.push_str(word);
        empty = false;
    }
    lines.push_str(line.trim_end());
    lines.push('\n');
    lines
}
