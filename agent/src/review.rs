//! The review: what a keeper reads after a holiday. The journal of a stretch of time flows in;
//! one [`Review`] flows out, which `--json` prints as it is, and which [`render_text`] and
//! [`render_csv`] put into words and into rows.
//!
//! It says what is known and what is not. Times outside limits are "known" plus "up to …
//! unknown"; no value is carried on for longer than the sensor's own time to stale; rejected
//! readings are counted, and are never a lowest or a highest; a time under an untrusted clock
//! says so.

mod coverage;
mod csv;
mod digest;
mod events;
mod form;
mod in_gaps;
mod sensors;
mod text;
mod when;

pub use csv::render_csv;
pub use form::*;
pub use text::render_text;
pub use when::{WhenError, parse_when};

use crate::journal::{JournalError, JournalLog};
use jiff::tz::TimeZone;
use slackwater_rules::plan::Plan;
use slackwater_rules::record::Body;
use slackwater_rules::time::Wall;

/// A stretch of time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ReviewSpan {
    /// Begins.
    pub since: Wall,
    /// Ends; not after the present.
    pub until: Wall,
}

impl ReviewSpan {
    /// From one to the other, if it goes forward.
    ///
    /// # Errors
    /// If it ends before it begins, with both in words.
    pub fn new(since: Wall, until: Wall, zone: &TimeZone) -> Result<Self, String> {
        if since < until {
            return Ok(Self { since, until });
        }
        let at = |wall: Wall| wall.civil(zone).strftime("%Y-%m-%d %H:%M").to_string();
        Err(format!(
            "the stretch ends before it begins: from {} to {}. The earlier time comes first (--since)",
            at(since),
            at(until)
        ))
    }
}

/// Reviews a stretch of time. Without a plan, numbers are in base units and there are no limits.
pub fn review(
    log: &JournalLog,
    plan: Option<&Plan>,
    window: ReviewSpan,
    zone: &TimeZone,
) -> Result<Review, JournalError> {
    let mut events = events::Events::new(window, zone, plan);
    let mut gaps = coverage::Gaps::new(window, zone, log.alive()?, log.has_pulse());
    let mut beyond = false;
    let newest = log.newest_until(window.until)?;
    let unreadable = log.walk(0, |record| {
        // Dated after what follows it: by a clock that was wrong, or in a row that is. What follows
        // is not to be left out for it.
        if !beyond && record.at.wall > window.until && record.seq < newest {
            if matches!(record.body, Body::Marked { .. }) {
                events.take(record);
            }
            return true;
        }
        // What happened later is another review's, but for marks: those are made afterwards.
        if beyond || record.at.wall > window.until {
            if !std::mem::replace(&mut beyond, true) {
                gaps.take_beyond(&record);
            }
            if matches!(record.body, Body::Marked { .. }) {
                events.take(record);
            }
            return true;
        }
        gaps.take(&record);
        events.take(record);
        true
    })?;
    let coverage = gaps.finish(&unreadable);
    let mut sensors = sensors::SensorTallies::new(plan, window, zone, &coverage.gaps);
    log.walk_readings(window.since, window.until, |name, minute| sensors.take(name, &minute))?;
    let site = match plan {
        Some(plan) => plan.site.clone(),
        None => log.site()?,
    };
    let mut events = events.finish();
    let (sensors, in_gaps) = sensors.finish();
    events.notes.extend(in_gaps);
    events.notes.sort_by_key(|note| note.at.unix_ms);
    let mut review = Review {
        version: VERSION,
        titles: plan.map(Titles::of).unwrap_or_default(),
        digest: Vec::new(),
        site,
        zone: zone.iana_name().map_or_else(|| "local time".to_owned(), str::to_owned),
        since: Stamp::new(window.since, true, zone),
        until: Stamp::new(window.until, true, zone),
        coverage,
        episodes: events.episodes,
        call_outs: events.call_outs,
        asides: events.asides,
        sensors,
        blips: events.blips,
        notes: events.notes,
        proofs: events.proofs,
        unreadable,
    };
    review.digest = digest::lines(&review, plan, zone);
    Ok(review)
}

#[cfg(test)]
mod tests;
