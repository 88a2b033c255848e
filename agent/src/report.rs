//! The report: what a keeper reads after a holiday, on a phone, from a file, or on paper. A review
//! and the readings behind it flow in; one HTML document flows out that fetches nothing, runs
//! nothing and works without a network. Its words are the review's, its pictures those of the page
//! in the house.

mod call_outs;
mod names;
mod tables;
mod whole;

use crate::channels::EnclosedReport;
use crate::chart::{DEFS, SHEET, Stretch};
use crate::journal::{JournalError, JournalLog};
use crate::review::{self, Review, ReviewSpan};
use jiff::tz::TimeZone;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use names::ReportNames;
use slackwater_rules::plan::Plan;
use slackwater_rules::words::counted;

/// What the report adds to the sheet.
const OWN_SHEET: &str = include_str!("report/report.css");

/// Nothing may be fetched and nothing run, by the document's own word.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'";

/// The report of a stretch of time.
///
/// # Errors
/// If the journal can't be read.
pub fn report(
    log: &JournalLog,
    plan: &Plan,
    window: ReviewSpan,
    zone: &TimeZone,
) -> Result<String, JournalError> {
    made(log, plan, window, zone).map(|report| report.html)
}

/// The report of a stretch of time, with its digest beside it.
///
/// # Errors
/// If the journal can't be read.
pub fn made(
    log: &JournalLog,
    plan: &Plan,
    window: ReviewSpan,
    zone: &TimeZone,
) -> Result<EnclosedReport, JournalError> {
    let review = review::review(log, Some(plan), window, zone)?;
    let html = render(&ReportParts { log, plan, zone, review: &review })?;
    Ok(EnclosedReport { html, digest: review.digest.into_iter().skip(1).collect() })
}

/// All that it is made of.
struct ReportParts<'r> {
    log: &'r JournalLog,
    plan: &'r Plan,
    zone: &'r TimeZone,
    review: &'r Review,
}

impl ReportParts<'_> {
    fn names(&self) -> ReportNames<'_> {
        ReportNames { plan: self.plan, zone: self.zone, site: &self.review.site }
    }

    fn span(&self) -> Stretch {
        Stretch { from: self.review.since.unix_ms, to: self.review.until.unix_ms }
    }
}

fn render(made: &ReportParts<'_>) -> Result<String, JournalError> {
    let (review, names) = (made.review, made.names());
    let (since, until) = (names.day(&review.since), names.day(&review.until));
    let whole = whole::section(made)?;
    let calls = call_outs::section(made)?;
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { "Report of " (review.site) ", " (since) " to " (until) }
                style { (PreEscaped(sheet())) }
            }
            body.report {
                (PreEscaped(DEFS))
                header.top { p.mast { b { (review.site) } " " span { (since) " to " (until) } } }
                main {
                    (head(made))
                    (whole)
                    (calls)
                    (tables::not_seen(made))
                    (tables::readings(made))
                    (tables::asides(made))
                    (tables::help(made))
                }
                footer { p { "Made by the watch at " (review.site) ". Times are the tank’s (" (review.zone) "). Rejected readings are counted and left out of lowest and highest. A watch is a help, never the only safeguard. Estimates are estimates." } }
            }
        }
    };
    Ok(keep_units(&page.into_string()))
}

/// The truth in one or two sentences, then the digest.
fn head(made: &ReportParts<'_>) -> Markup {
    let review = made.review;
    let called = review.call_outs.iter().filter(|call| !call.episodes.is_empty());
    let (count, open) =
        called.clone().fold((0, 0), |(all, open), call| (all + 1, open + usize::from(call.ended.is_none())));
    let stands = review.episodes.iter().any(|it| it.returned.is_none() && it.put_aside.is_none());
    let unanswered = called.clone().filter(|call| call.answers.is_empty()).count();
    let slowest = called.filter_map(|call| call.answers.first()?.after).max();
    let now = match (open, stands) {
        (0, false) => "Nothing is wrong now.".to_owned(),
        (0, true) => "Something is still wrong.".to_owned(),
        (open, _) => format!("{} still open.", counted(open, "call-out")),
    };
    let past = match (count, unanswered, slowest) {
        (0, ..) => format!("No call-out in {}.", length(review)),
        (count, 0, Some(slowest)) => {
            format!(
                "{} in {}, each answered within {}.",
                counted(count, "call-out"),
                length(review),
                names::minutes(slowest)
            )
        }
        (count, missed, _) => {
            format!("{} in {}, {missed} of them not answered.", counted(count, "call-out"), length(review))
        }
    };
    html! {
        h1 { span { (now) } " " span { (past) } }
        ul.rows.digest {
            @for line in review.digest.iter().skip(1) { li { (line) } }
        }
    }
}

fn length(review: &Review) -> String {
    let length = review.coverage.length;
    let days = (length.0 + 43_200_000) / 86_400_000;
    match days {
        0 => length.to_string(),
        1 if (length.0 - 86_400_000).abs() < 3_600_000 => "a day".to_owned(),
        1 => length.to_string(),
        days => format!("{days} days"),
    }
}

/// The common sheet without what no paper has, and the report's own.
fn sheet() -> String {
    let lines = SHEET.lines().filter(|line| !line.trim_start().starts_with("/*"));
    let unused = [
        ".nav", ".answer", ".btn", ".big", ".steps", "input", "form", ".times", ".tabs", ".two", ".skip",
        ".old", ".ink",
    ];
    let kept = lines.filter(|line| !unused.iter().any(|class| line.starts_with(class)));
    kept.collect::<Vec<_>>().join("\n") + OWN_SHEET
}

/// A number and its unit are not parted.
pub(crate) fn keep_units(html: &str) -> String {
    const UNITS: [&str; 12] = ["°C", "°F", "min", "h", "s", "L/h", "W", "A", "V", "cm", "mg/L", "%"];
    let mut out = String::with_capacity(html.len() + html.len() / 50);
    let mut rest = html;
    while let Some(at) = rest.find(' ') {
        let (before, after) = rest.split_at(at);
        out.push_str(before);
        rest = after.get(1..).unwrap_or_default();
        let follows = before.ends_with(|sign: char| sign.is_ascii_digit()) || before.ends_with("</b>");
        let is_unit = |unit: &&str| {
            rest.strip_prefix(*unit).is_some_and(|behind| {
                !behind.starts_with(|sign: char| sign.is_alphanumeric() || "=\"-/".contains(sign))
            })
        };
        out.push_str(if follows && UNITS.iter().any(is_unit) { "\u{a0}" } else { " " });
    }
    out.push_str(rest);
    out
}

#[cfg(test)]
mod tests;
