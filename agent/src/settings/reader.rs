//! The agent's file on its way in: the door, the text as TOML, the layers, the sections, and what
//! of it may be shown. The same [`Table`]s and [`Item`]s as the rule file's are asked; this module
//! adds what only settings hold.

use super::report::{Report, places};
use super::source::{self, Environment, Variable};
use crate::plain_text::is_deceptive;
use slackwater_rules::diagnostic::{
    Finding, Item, LARGEST, Sheet, SourceTexts, Table, concealed_by_lines, parse, too_large,
};
use slackwater_rules::time::Span;
use slackwater_rules::units::QuantityItem as _;
use std::fs::{self, File};
use std::io::Read as _;
use std::ops::RangeInclusive;
use std::path::Path;
use toml::de::DeTable;

/// As texts call it.
const KIND: &str = "the agent's file";

/// Keys that were called otherwise: the old name, the new one.
const RENAMED: [(&str, &str); 0] = [];

/// The text of a file that holds settings or rules; why not, in words that name it.
pub fn read_text(file: &Path, kind: &str) -> Result<String, String> {
    let name = file.display();
    let failed = |error: std::io::Error| format!("{kind} {name} can't be read: {error}");
    let about = fs::metadata(file).map_err(failed)?;
    if !about.is_file() {
        return Err(format!("{kind} {name} is not a file"));
    }
    if about.len() > LARGEST as u64 {
        return Err(format!("{name} is not read: {}", too_large(kind, about.len())));
    }
    let mut bytes = Vec::with_capacity(usize::try_from(about.len()).unwrap_or(LARGEST) + 1);
    // It may grow while it is read.
    File::open(file)
        .and_then(|file| file.take(LARGEST as u64 + 1).read_to_end(&mut bytes))
        .map_err(failed)?;
    if bytes.len() > LARGEST {
        return Err(format!("{name} is not read: {}", too_large(kind, bytes.len() as u64)));
    }
    String::from_utf8(bytes).map_err(|_| format!("{kind} {name} is not UTF-8"))
}

/// The text of the agent's file; what is wrong with it, if it can't be had.
pub(super) fn text_of(file: &Path) -> Result<String, Box<Report>> {
    let help = "`slackwater init` writes one to begin with, `--config` names another";
    read_text(file, KIND).map_err(|why| Box::new(Report::unreadable(&file.display().to_string(), why, help)))
}

/// Reads the file's text with the environment over it and hands its root to `check`. What `check`
/// returns is whole only if the report holds no mistake; of a file that is no TOML there may still
/// be parts.
pub(super) fn read<T>(
    file: &Path,
    text: &str,
    environment: &Environment,
    check: impl FnOnce(Table<'_>) -> T,
) -> (T, Report) {
    let name = file.display().to_string();
    let mut sources = SourceTexts::file(&name, text);
    for (variable, value) in environment.settings() {
        sources = sources.and(variable, &format!("{variable}={value}\n"));
    }
    let all = sources.text();
    let ends = sources.start(1).unwrap_or(all.len());
    let sheet = Sheet::new(KIND, all, &RENAMED).with_variables_from(ends).hiding();
    let (document, broken) = parse(KIND, &all[..ends]);
    let is_toml = broken.is_empty();
    let mut wrong = broken;
    let variables = source::variables(environment, ends);
    let merged = source::layered(&sources, &document, &variables, &mut wrong).unwrap_or_else(|error| {
        wrong.push(Finding::error(0..0, format!("the settings can't be put together: {error}"), ""));
        DeTable::new()
    });
    let known = check(Table::root(&sheet, &merged));
    let places = places(&merged);
    let shown = match is_toml {
        true => sheet.concealed(&[&document, &merged], variables.values().map(Variable::value)),
        false => concealed_by_lines(all),
    };
    let findings = match is_toml {
        true => sheet.into_findings(),
        // What could not be read as TOML says nothing about what it means.
        false => Default::default(),
    };
    findings.extend(wrong);
    (known, Report { sources: sources.with_text(shown), findings, places })
}

/// Text on one line, without control characters.
pub(super) fn line(item: Item<'_>) -> Option<String> {
    one_line(item, item.text()?.it)
}

/// The same, where findings must not show it.
pub(super) fn hidden_line(item: Item<'_>) -> Option<String> {
    one_line(item, item.hidden_text()?.it)
}

fn one_line(item: Item<'_>, text: String) -> Option<String> {
    if text.contains(|c: char| is_deceptive(c) || c == char::REPLACEMENT_CHARACTER) {
        let label = "line breaks, or bytes that are not UTF-8";
        return item.wrong(format!("`{}` is one line of text", item.name()), label, None);
    }
    Some(text)
}

/// A TCP port.
pub(super) fn port(item: Item<'_>) -> Option<u16> {
    item.whole(1..=65_535).and_then(|port| u16::try_from(port).ok())
}

/// A whole number.
pub(super) fn count(item: Item<'_>, limits: RangeInclusive<u32>) -> Option<u32> {
    let limits = i64::from(*limits.start())..=i64::from(*limits.end());
    item.whole(limits).and_then(|number| u32::try_from(number).ok())
}

/// A length of time with its unit.
pub(super) fn span(item: Item<'_>, limits: RangeInclusive<Span>) -> Option<Span> {
    let span = item.duration()?;
    if limits.contains(&span) {
        return Some(span);
    }
    let label = format!("{} to {} is possible", limits.start(), limits.end());
    item.wrong(format!("`{}` is out of limits", item.name()), label, None)
}

/// Units of size by name and power of two: IEC 80000-13, prefixes for binary multiples.
const SIZES: &[(&str, u32)] = &[("B", 0), ("KiB", 10), ("MiB", 20), ("GiB", 30)];

/// A number of bytes with its unit.
pub(super) fn size(item: Item<'_>, limits: RangeInclusive<u64>) -> Option<u64> {
    let example = || Some("for instance \"64 KiB\"".to_owned());
    if !item.is_text() {
        return item.wrong_type("a size with its unit, in quotes", example());
    }
    let Some(size) = bytes(&item.text()?.it) else {
        let label = "expected a whole number of B, KiB, MiB or GiB";
        return item.wrong(format!("`{}` must be a size", item.name()), label, example());
    };
    if limits.contains(&size) {
        return Some(size);
    }
    let (low, high) = (shown_size(*limits.start()), shown_size(*limits.end()));
    item.wrong(format!("`{}` is out of limits", item.name()), format!("{low} to {high} is possible"), None)
}

fn bytes(text: &str) -> Option<u64> {
    let text = text.trim();
    let end = text.find(|c: char| !c.is_ascii_digit())?;
    let number: u64 = text[..end].parse().ok()?;
    let (_, power) = SIZES.iter().find(|(name, _)| *name == text[end..].trim())?;
    number.checked_mul(1 << power)
}

fn shown_size(bytes: u64) -> String {
    let fits = |power: &u32| bytes.is_multiple_of(1 << power) && bytes > 0;
    let (name, power) = SIZES.iter().rev().find(|(_, power)| fits(power)).unwrap_or(&("B", 0));
    format!("{} {name}", bytes >> power)
}

/// Notes a table's name that is not made of small letters, digits and hyphens.
pub(super) fn is_name(name: &slackwater_rules::diagnostic::At<String>, table: &Table<'_>) -> bool {
    let good = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-';
    if !name.it.is_empty() && name.it.bytes().all(good) {
        return true;
    }
    let title = format!("`{}` can't be a name", name.it);
    let label = "small letters a to z, digits and hyphens are expected";
    let small: String = name.it.to_lowercase().replace([' ', '_'], "-");
    let remedy = small.bytes().all(good) && !small.is_empty();
    table.note(
        Finding::error(name.span.clone(), title, label)
            .maybe_help(remedy.then(|| format!("for instance `{small}`"))),
    );
    false
}
