//! What a backtest found, as plain data for `--json` and in words: of each alarm how often, how
//! long and at which hours it would have rung, and how that compares with what did ring.

use super::history::{Past, Playing};
use crate::review::{ReviewSpan, Stamp};
use jiff::tz::TimeZone;
use serde::Serialize;
use slackwater_rules::backtest::{Outcomes, Spell};
use slackwater_rules::plan::{Plan, Sight};
use slackwater_rules::time::{Span, Wall};
use std::collections::BTreeSet;
use std::fmt::Write;

/// The version of the form. Additions keep it.
const VERSION: u32 = 1;

#[derive(Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub(super) struct BacktestReport {
    version: u32,
    site: String,
    since: Stamp,
    until: Stamp,
    readings: u64,
    holes: usize,
    /// When the watch was away, or is taken to have been.
    away: Vec<Ringing>,
    caution: &'static str,
    notes: Vec<String>,
    alarms: Vec<RungAlarm>,
    /// Alarms that would not have rung, and did not.
    quiet: Vec<String>,
}

#[derive(Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
struct RungAlarm {
    alarm: String,
    rings: usize,
    #[serde(rename = "total-ms")]
    total: Span,
    #[serde(rename = "longest-ms")]
    longest: Span,
    pages: u64,
    /// How often it began to ring in each hour of the local day.
    hours: [u32; 24],
    /// Each time, in order.
    spells: Vec<Ringing>,
    /// Beside what rang then, if that is known.
    compared: Option<Compared>,
}

#[derive(Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
struct Compared {
    then_and_now: usize,
    only_then: Vec<Ringing>,
    only_now: Vec<Ringing>,
}

#[derive(Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
struct Ringing {
    from: Stamp,
    #[serde(rename = "length-ms")]
    length: Span,
    /// What a person found of it.
    #[serde(skip_serializing_if = "Option::is_none")]
    marked: Option<String>,
}

pub(super) fn of(
    mut playing: Playing<'_>,
    past: &Past,
    plan: &Plan,
    window: ReviewSpan,
    zone: &TimeZone,
) -> BacktestReport {
    let unknown = std::mem::take(&mut playing.unknown);
    let (outcomes, silent) = playing.finish();
    let mut outcomes = outcomes.into_iter().next().unwrap_or_default();
    // Of what was never heard it is not known whether it was silent.
    let never = plan
        .alarms
        .iter()
        .filter(|alarm| matches!(&alarm.sight, Some(Sight::Sensor(id)) if silent.contains(id)));
    let never: BTreeSet<_> = never.map(|alarm| alarm.name.as_str()).collect();
    outcomes.spells.retain(|spell| !never.contains(spell.alarm.as_str()));

    let mut notes = past.notes.clone();
    let silent: Vec<_> = silent.into_iter().map(|id| plan.sensor(id).name.as_str()).collect();
    if !silent.is_empty() {
        notes.push(format!("never heard in that time: {}", silent.join(", ")));
    }
    if !unknown.is_empty() {
        let names = unknown.into_iter().collect::<Vec<_>>().join(", ");
        notes.push(format!("in the journal, but not in the rule file: {names}"));
    }
    if plan.alarms.iter().any(|alarm| alarm.stopgap.is_some()) {
        notes.push("stopgaps were not run: what they would have changed is not in the readings".to_owned());
    }
    if let Some(stuck) = &outcomes.stuck {
        notes.push(format!("NOT PLAYED TO ITS END: {stuck}. This is a mistake in the program"));
    }

    let mut names: Vec<&str> = plan.alarms.iter().map(|alarm| alarm.name.as_str()).collect();
    for spell in past.then.iter().flatten() {
        if !names.contains(&spell.alarm.as_str()) {
            names.push(&spell.alarm);
        }
    }
    let (mut alarms, mut quiet) = (Vec::new(), Vec::new());
    for name in names {
        match rung(name, &outcomes, past, zone) {
            Some(rung) => alarms.push(rung),
            None => quiet.push(name.to_owned()),
        }
    }
    BacktestReport {
        version: VERSION,
        site: plan.site.clone(),
        since: Stamp::new(window.since, true, zone),
        until: Stamp::new(window.until, true, zone),
        readings: outcomes.readings,
        holes: outcomes.away.len(),
        away: outcomes.away.iter().map(|(from, to)| stretch((*from, *to), zone)).collect(),
        caution: past.caution(),
        notes,
        alarms,
        quiet,
    }
}

/// None if it was quiet, then and now.
fn rung(name: &str, outcomes: &Outcomes, past: &Past, zone: &TimeZone) -> Option<RungAlarm> {
    let now: Vec<&Spell> = outcomes.spells.iter().filter(|spell| spell.alarm == name).collect();
    let then: Option<Vec<&Spell>> =
        past.then.as_ref().map(|then| then.iter().filter(|spell| spell.alarm == name).collect());
    if now.is_empty() && then.as_ref().is_none_or(Vec::is_empty) {
        return None;
    }
    let mut hours = [0; 24];
    for spell in &now {
        let hour = spell.from.civil(zone).hour();
        if let Some(count) = hours.get_mut(usize::from(hour.unsigned_abs())) {
            *count += 1;
        }
    }
    let rang = |spell: &Spell, marked| Ringing { marked, ..stretch((spell.from, spell.to), zone) };
    let compared = then.map(|then| {
        let meets = |spell: &Spell, others: &[&Spell]| others.iter().any(|other| other.overlaps(spell));
        let mark = |spell: &Spell| past.marks.get(&spell.episode).map(ToString::to_string);
        let only_now: Vec<_> = now.iter().filter(|spell| !meets(spell, &then)).collect();
        Compared {
            then_and_now: now.len() - only_now.len(),
            only_then: then
                .iter()
                .filter(|spell| !meets(spell, &now))
                .map(|spell| rang(spell, mark(spell)))
                .collect(),
            only_now: only_now.into_iter().map(|spell| rang(spell, None)).collect(),
        }
    });
    Some(RungAlarm {
        alarm: name.to_owned(),
        rings: now.len(),
        total: now.iter().fold(Span::ZERO, |sum, spell| sum + spell.length()),
        longest: now.iter().map(|spell| spell.length()).max().unwrap_or(Span::ZERO),
        pages: outcomes.pages.get(name).copied().unwrap_or_default(),
        hours,
        spells: now.iter().map(|spell| rang(spell, None)).collect(),
        compared,
    })
}

fn stretch((from, to): (Wall, Wall), zone: &TimeZone) -> Ringing {
    Ringing { from: Stamp::new(from, true, zone), length: to - from, marked: None }
}

/// How often, in a word that fits the number.
pub(super) fn times(count: usize) -> String {
    match count {
        1 => "once".to_owned(),
        count => format!("{count} times"),
    }
}

/// So many stretches are listed; `--json` has all.
const MOST_LISTED: usize = 50;

/// As people read a time.
const DATE_AND_TIME: &str = "%Y-%m-%d %H:%M";

fn list(out: &mut String, zone: &TimeZone, what: &str, stretches: &[Ringing]) {
    for Ringing { from, length, marked } in stretches.iter().take(MOST_LISTED) {
        let marked = marked.as_ref().map_or(String::new(), |mark| format!(", marked as {mark}"));
        let from = from.for_people(zone, DATE_AND_TIME);
        let _ = writeln!(out, "    {what} {from} for {length}{marked}");
    }
    let more = stretches.len().saturating_sub(MOST_LISTED);
    if more > 0 {
        let _ = writeln!(out, "    and {more} more: `--json` has all");
    }
}

/// The report in words, with the times of this zone.
pub(super) fn words(report: &BacktestReport, zone: &TimeZone) -> String {
    let BacktestReport { site, since, until, readings, away, caution, notes, alarms, quiet, .. } = report;
    let (since, until) = (since.for_people(zone, DATE_AND_TIME), until.for_people(zone, DATE_AND_TIME));
    let mut out = format!("{site}\n{since} to {until}, {readings} readings\n{caution}\n");
    if !away.is_empty() {
        let _ = writeln!(out, "Played as a watch that was away, {}:", times(away.len()));
        list(&mut out, zone, "from", away);
    }
    for note in notes {
        let _ = writeln!(out, "Note: {note}");
    }
    for rung in alarms {
        let RungAlarm { alarm, rings, total, longest, pages, hours, spells, compared } = rung;
        let _ = match rings {
            0 => writeln!(out, "\n{alarm}: would not have rung"),
            _ => writeln!(
                out,
                "\n{alarm}: would have rung {}, {total} in all, at longest {longest}; calls sent: {pages}",
                times(*rings)
            ),
        };
        if *rings > 0 {
            let quarters =
                hours.chunks(6).map(|six| six.iter().map(ToString::to_string).collect::<Vec<_>>().join(" "));
            let quarters = quarters.collect::<Vec<_>>().join(" | ");
            let _ = writeln!(out, "  began by hour, from 00: {quarters}");
            list(&mut out, zone, "rings", spells);
        }
        if let Some(Compared { then_and_now, only_then, only_now }) = compared {
            let (then, now) = (only_then.len(), only_now.len());
            let _ = writeln!(out, "  rang then and now: {then_and_now}; only then: {then}; only now: {now}");
            for (what, stretches) in [("only then", only_then), ("only now", only_now)] {
                list(&mut out, zone, what, stretches);
            }
        }
    }
    if !quiet.is_empty() {
        let _ = writeln!(out, "\nQuiet throughout: {}", quiet.join(", "));
    }
    let _ =
        writeln!(out, "\nNothing was sent. Calls are counted with the answers that were given then, if any.");
    out
}
