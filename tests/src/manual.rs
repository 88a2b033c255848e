//! The manual as man pages: Markdown of `deploy/manual` and what the command line says of itself go
//! in, the text of `slackwater(1)`, `slackwater-rules(5)` and `slackwater-agent(5)` comes out, as
//! man(7) has it.
//!
//! Only that Markdown is understood which the manual uses: headings, paragraphs, lists, tables,
//! blocks of text, and code, bold and links within a line.

use clap::CommandFactory;
use slackwater::command::Cli;
use std::fmt::Write;
use std::fs;
use std::path::Path;

/// Pages of section 5: name, one line about it, the chapters it is made of.
const FILES: [(&str, &str, &[&str]); 2] = [
    (
        "slackwater-rules",
        "what the watch watches, when it rings and what it does",
        &["rule-file", "conditions", "relays", "forecasts"],
    ),
    (
        "slackwater-agent",
        "who is told and how, and where things are on this machine",
        &["channels", "witness", "service"],
    ),
];

/// All pages: file name and text. `date` is that of the release, as `2026-11-29`.
pub fn pages(root: &Path, date: &str) -> Result<Vec<(String, String)>, String> {
    let mut pages = vec![("slackwater.1".to_owned(), tidied(&program(root, date)?))];
    for (name, about, chapters) in FILES {
        let mut page = head(name, 5, date, about);
        for chapter in chapters {
            page += &roff(&chapter_text(root, chapter)?);
        }
        page += &see_also(name);
        pages.push((format!("{name}.5"), tidied(&page)));
    }
    Ok(pages)
}

fn chapter_text(root: &Path, chapter: &str) -> Result<String, String> {
    let path = root.join("deploy/manual").join(chapter).with_extension("md");
    fs::read_to_string(&path).map_err(|error| format!("{}: {error}", path.display()))
}

fn head(name: &str, section: u8, date: &str, about: &str) -> String {
    format!(
        ".TH {} {section} {date} \"Slackwater {}\" \"Slackwater\"\n.SH NAME\n{} \\- {about}\n",
        name.to_uppercase().replace('-', "\\-"),
        env!("CARGO_PKG_VERSION"),
        name.replace('-', "\\-"),
    )
}

fn see_also(but: &str) -> String {
    let others = [("slackwater", 1), ("slackwater-rules", 5), ("slackwater-agent", 5)];
    let others = others.iter().filter(|(name, _)| *name != but);
    let names: Vec<_> =
        others.map(|(name, section)| format!(".BR {} ({section})", name.replace('-', "\\-"))).collect();
    format!(
        ".SH SEE ALSO\n{} ,\n{}\n",
        names.first().cloned().unwrap_or_default(),
        names.get(1).cloned().unwrap_or_default()
    )
}

/// `slackwater(1)`: the verbs with their options from the command line itself, then the chapters
/// that are about using it.
fn program(root: &Path, date: &str) -> Result<String, String> {
    let mut command = Cli::command();
    command.build();
    let about = command.get_about().map(ToString::to_string).unwrap_or_default();
    let mut page = head("slackwater", 1, date, about.trim_end_matches('.'));
    page += ".SH SYNOPSIS\n.B slackwater\n.I COMMAND\n[\\fIOPTION\\fR ...]\n.SH DESCRIPTION\n";
    page += &inline(&command.get_long_about().map(ToString::to_string).unwrap_or_default());
    page += "\n.SH COMMANDS\n";
    for verb in command.get_subcommands().filter(|verb| verb.get_name() != "help") {
        verb_text(&mut page, "slackwater", verb)?;
    }
    page += &roff(&chapter_text(root, "rehearsals")?);
    page += ".SH EXIT STATUS\n.TP\n.B 0\ndone\n.TP\n.B 1\nrefused or failed\n.TP\n.B 2\nasked wrongly\n";
    page += ".TP\n.B 78\nthe configuration is wrong\n";
    Ok(page + &see_also("slackwater"))
}

fn verb_text(page: &mut String, above: &str, verb: &clap::Command) -> Result<(), String> {
    let name = format!("{above} {}", verb.get_name());
    let about = verb.get_about().map(ToString::to_string).unwrap_or_default();
    let _ = writeln!(page, ".SS \"{}\"\n{}", code(&name), inline(&about));
    let mut options = Vec::new();
    let shown = clap_mangen::Man::new(verb.clone().mut_arg("help", |flag| flag.hide(true)));
    shown.render_options_section(&mut options).map_err(|error| error.to_string())?;
    // Each verb's options stand under its own heading, not under one of the page.
    for line in String::from_utf8_lossy(&options)
        .lines()
        .filter(|line| !line.starts_with(".SH") && !line.starts_with(".ie") && !line.starts_with(".el"))
    {
        page.push_str(line);
        page.push('\n');
    }
    if let Some(example) = verb.get_after_help() {
        block(page, &example.to_string());
    }
    for inner in verb.get_subcommands().filter(|inner| inner.get_name() != "help") {
        verb_text(page, &name, inner)?;
    }
    Ok(())
}

/// Lines as they stand.
fn block(page: &mut String, text: &str) {
    page.push_str(".PP\n.RS 4\n.nf\n");
    for line in text.lines() {
        let line = if line.is_empty() { "\\&".to_owned() } else { guarded(&code(line)) };
        let _ = writeln!(page, "{line}");
    }
    page.push_str(".fi\n.RE\n");
}

/// Markdown as man(7).
fn roff(markdown: &str) -> String {
    let mut page = String::new();
    let mut lines = markdown.lines().peekable();
    while let Some(line) = lines.next() {
        let trimmed = line.trim_start();
        if trimmed.starts_with("```") {
            let mut inside = String::new();
            for line in lines.by_ref().take_while(|line| !line.trim_start().starts_with("```")) {
                inside.push_str(line);
                inside.push('\n');
            }
            block(&mut page, &inside);
        } else if let Some(title) = line.strip_prefix("### ") {
            let _ = writeln!(page, ".PP\n\\fB{}\\fR", inline(title));
        } else if let Some(title) = line.strip_prefix("## ") {
            let _ = writeln!(page, ".SS \"{}\"", inline(title).replace('"', "\\(dq"));
        } else if let Some(title) = line.strip_prefix("# ") {
            let _ = writeln!(page, ".SH \"{}\"", inline(&title.to_uppercase()).replace('"', "\\(dq"));
        } else if line.starts_with('|') {
            let rule = |line: &str| line.starts_with("| ---");
            // The first row is the heading of its columns, which a list of terms does not have.
            if lines.peek().is_some_and(|next| rule(next)) || rule(line) {
                continue;
            }
            let cells: Vec<_> = line.trim_matches('|').split(" | ").map(|cell| inline(cell.trim())).collect();
            let rest = cells.get(1..).unwrap_or_default().join("; ");
            let _ = writeln!(
                page,
                ".TP\n{}\n{}",
                guarded(cells.first().map_or("", String::as_str)),
                guarded(&rest)
            );
        } else if let Some((mark, first)) = item(trimmed) {
            let _ = writeln!(page, ".IP {mark} 4\n{}", guarded(&inline(&paragraph(first, &mut lines))));
        } else if !trimmed.is_empty() {
            let _ = writeln!(page, ".PP\n{}", guarded(&inline(&paragraph(line, &mut lines))));
        }
    }
    page
}

/// What begins an item of a list, and its first line.
fn item(line: &str) -> Option<(String, &str)> {
    if let Some(rest) = line.strip_prefix("- ").or_else(|| line.strip_prefix("* ")) {
        return Some(("\\(bu".to_owned(), rest));
    }
    let (number, rest) = line.split_once(". ")?;
    number.parse::<u8>().is_ok().then(|| (format!("{number}."), rest))
}

/// This line and those that go on with it.
fn paragraph<'a>(first: &str, lines: &mut std::iter::Peekable<impl Iterator<Item = &'a str>>) -> String {
    let mut text = first.trim().to_owned();
    let ends = |line: &str| {
        line.trim().is_empty()
            || line.starts_with(['#', '|'])
            || line.trim_start().starts_with("```")
            || item(line.trim_start()).is_some()
    };
    while let Some(line) = lines.next_if(|line| !ends(line)) {
        text.push(' ');
        text.push_str(line.trim());
    }
    text
}

/// A line's code, bold and links; everything else as letters.
fn inline(text: &str) -> String {
    let mut out = String::new();
    for (nth, part) in text.split('`').enumerate() {
        if nth % 2 == 1 {
            let _ = write!(out, "\\fB{}\\fR", code(part));
            continue;
        }
        for (nth, part) in unlinked(part).split("**").enumerate() {
            match nth % 2 {
                1 => drop(write!(out, "\\fB{}\\fR", letters(part))),
                _ => out.push_str(&letters(part)),
            }
        }
    }
    out
}

/// `[words](address)` as its words.
fn unlinked(text: &str) -> String {
    let mut out = String::new();
    let mut rest = text;
    while let Some((before, after)) = rest.split_once('[') {
        let Some((words, (_, then))) =
            after.split_once("](").and_then(|(words, then)| Some((words, then.split_once(')')?)))
        else {
            break;
        };
        out.push_str(before);
        out.push_str(words);
        rest = then;
    }
    out + rest
}

/// Letters that man(7) would take for its own are spelled otherwise.
fn letters(text: &str) -> String {
    let mut out = String::new();
    for letter in text.chars() {
        match letter {
            '\\' => out.push_str("\\e"),
            letter if letter.is_ascii() => out.push(letter),
            letter => drop(write!(out, "\\[u{:04X}]", u32::from(letter))),
        }
    }
    out
}

/// The same for what is typed: a hyphen stays one that can be copied.
fn code(text: &str) -> String {
    letters(text).replace('-', "\\-")
}

/// Without requests that do nothing where they stand, which mandoc warns of.
fn tidied(page: &str) -> String {
    let page = page.replace("\\*(Aq", "\\(aq");
    let mut out: Vec<&str> = Vec::new();
    for line in page.lines().filter(|line| !line.is_empty()) {
        let last = out.last().copied().unwrap_or_default();
        let heading = last.starts_with(".SH") || last.starts_with(".SS");
        match line {
            ".PP" if heading => {}
            ".br" if last == ".sp" || last == ".br" || heading => {}
            ".sp" if last == ".br" => {
                out.pop();
                out.push(line);
            }
            _ => out.push(line),
        }
    }
    out.join("\n") + "\n"
}

/// A line that begins like a request does not become one.
fn guarded(line: &str) -> String {
    if line.starts_with(['.', '\'']) { format!("\\&{line}") } else { line.to_owned() }
}
