//! One limit at many values: a range from the command line in, a table out that says of each value
//! what would have rung, and how that meets the episodes that people marked as real or false.

use super::history::{Past, Playing};
use serde::Serialize;
use slackwater_rules::backtest::{Spell, with_limit};
use slackwater_rules::plan::Plan;
use slackwater_rules::record::{Seq, Verdict};
use slackwater_rules::time::Span;
use std::collections::BTreeSet;
use std::fmt::Write;

/// No more values than this: each is a whole watch.
const MOST: usize = 200;

/// `limit=24..26 step 0.25`.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct SweepRange {
    pub(super) name: String,
    pub(super) values: Vec<f64>,
}

/// Reads a range.
pub(super) fn range(text: &str) -> Result<SweepRange, String> {
    let form = || format!("`{text}` is no range: write `limit=24..26 step 0.25`, or the limit's own name");
    let (name, rest) = text.split_once('=').ok_or_else(form)?;
    let (ends, step) = rest.split_once("step").ok_or_else(form)?;
    let (from, to) = ends.split_once("..").ok_or_else(form)?;
    let number = |text: &str| text.trim().parse::<f64>().ok().filter(|n| n.is_finite()).ok_or_else(form);
    let (from, to, step) = (number(from)?, number(to)?, number(step)?);
    if step <= 0.0 || to < from {
        return Err(format!("`{text}`: it goes upwards, in steps larger than 0"));
    }
    let count = ((to - from) / step + 1e-9).floor();
    if count >= MOST as f64 {
        return Err(format!("`{text}` has more than {MOST} values: take larger steps"));
    }
    // What a step adds in the last of 16 digits is nothing a keeper wrote.
    let tidy = |value: f64| (value * 1e9).round() / 1e9;
    let values = (0..=count as u32).map(|nth| tidy(from + f64::from(nth) * step)).collect();
    Ok(SweepRange { name: name.trim().to_owned(), values })
}

impl SweepRange {
    /// The alarm alone, once for each value.
    pub(super) fn plans(&self, plan: &Plan, alarm: &str) -> Result<Vec<Plan>, String> {
        let id = plan.alarm_named(alarm).ok_or_else(|| plan.no_alarm(alarm))?;
        let alone = plan.only(id);
        let with = |value: &f64| {
            let moved = with_limit(plan, plan.alarm(id), &self.name, *value);
            let moved = moved.map_err(|error| format!("{alarm}: {error}"))?;
            Ok(Plan { alarms: vec![moved], ..alone.clone() })
        };
        self.values.iter().map(with).collect()
    }
}

#[derive(Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub(super) struct SweepTable {
    alarm: String,
    limit: String,
    marked_real: usize,
    marked_false: usize,
    rows: Vec<SweepRow>,
}

#[derive(Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
struct SweepRow {
    value: f64,
    rings: usize,
    #[serde(rename = "total-ms")]
    total: Span,
    /// Episodes marked as real in which it rings.
    found: usize,
    /// Those in which it does not.
    missed: usize,
    /// Episodes marked as false in which it rings.
    #[serde(rename = "false")]
    wrong: usize,
    /// Rings that meet no marked episode.
    unmarked: usize,
    /// Why it could not be played to its end: a mistake in the program.
    #[serde(skip_serializing_if = "Option::is_none")]
    stuck: Option<String>,
}

pub(super) fn table(playing: Playing<'_>, past: &Past, alarm: &str, range: &SweepRange) -> SweepTable {
    let then: Vec<&Spell> = past.then.iter().flatten().filter(|spell| spell.alarm == alarm).collect();
    let marked = |verdict: Verdict| -> BTreeSet<Seq> {
        let is = |spell: &&&Spell| past.marks.get(&spell.episode) == Some(&verdict);
        then.iter().filter(is).map(|spell| spell.episode).collect()
    };
    let (real, wrong) = (marked(Verdict::Real), marked(Verdict::False));
    let (outcomes, _) = playing.finish();
    let rows = range.values.iter().zip(outcomes).map(|(value, outcomes)| {
        let rings = outcomes.spells;
        let met: BTreeSet<Seq> = then
            .iter()
            .filter(|spell| rings.iter().any(|ring| ring.overlaps(spell)))
            .map(|spell| spell.episode)
            .collect();
        let judged = |ring: &&Spell| {
            let is = |spell: &&Spell| past.marks.contains_key(&spell.episode) && spell.overlaps(ring);
            then.iter().copied().any(|spell| is(&spell))
        };
        SweepRow {
            value: *value,
            rings: rings.len(),
            total: rings.iter().fold(Span::ZERO, |sum, ring| sum + ring.length()),
            found: real.intersection(&met).count(),
            missed: real.difference(&met).count(),
            wrong: wrong.intersection(&met).count(),
            unmarked: rings.len() - rings.iter().filter(judged).count(),
            stuck: outcomes.stuck.map(|stuck| stuck.to_string()),
        }
    });
    SweepTable {
        alarm: alarm.to_owned(),
        limit: range.name.clone(),
        marked_real: real.len(),
        marked_false: wrong.len(),
        rows: rows.collect(),
    }
}

/// The table in words.
pub(super) fn words(table: &SweepTable) -> String {
    let SweepTable { alarm, limit, marked_real, marked_false, rows } = table;
    let mut out =
        format!("{alarm}, {limit}; episodes marked as real: {marked_real}, as false: {marked_false}\n");
    let heads = ["value", "rings", "total", "found", "missed", "false", "unmarked"];
    let cells = rows.iter().map(|row| {
        let counts = [row.found, row.missed, row.wrong, row.unmarked].map(|count| count.to_string());
        let [found, missed, wrong, unmarked] = counts;
        [row.value.to_string(), row.rings.to_string(), row.total.to_string(), found, missed, wrong, unmarked]
    });
    for row in std::iter::once(heads.map(str::to_owned)).chain(cells) {
        let [value, rings, total, found, missed, wrong, unmarked] = row;
        let _ = writeln!(
            out,
            "{value:>10} {rings:>6} {total:>12} {found:>6} {missed:>7} {wrong:>6} {unmarked:>9}"
        );
    }
    for (value, stuck) in rows.iter().filter_map(|row| Some((row.value, row.stuck.as_ref()?))) {
        let _ =
            writeln!(out, "{value} was NOT PLAYED TO ITS END: {stuck}. This is a mistake in the program.");
    }
    if *marked_real + *marked_false == 0 {
        out.push_str("No episode of it is marked: `slackwater review mark EPISODE real|false` does that.\n");
    }
    out
}
