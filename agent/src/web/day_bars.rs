//! A year of a sensor, day by day: the lowest and highest of each local day, and the days of which
//! nothing was seen.

use crate::chart::{DayBar, Stretch};
use crate::journal::{JournalError, JournalLog};
use crate::seen;
use slackwater_rules::plan::{Plan, SensorId};
use slackwater_rules::time::{Span, Wall};
use std::collections::BTreeMap;

/// From midnight to midnight: a day's bar stands in its own day.
pub(super) fn whole_days(span: Stretch, plan: &Plan) -> Stretch {
    let midnight = |date: jiff::civil::Date| {
        let at = plan.zone.to_timestamp(date.at(0, 0, 0, 0)).ok()?;
        Some(Wall(at.as_millisecond()))
    };
    let date = |at: Wall| at.civil(&plan.zone).date();
    let to = date(span.to).tomorrow().ok().and_then(midnight);
    Stretch { from: midnight(date(span.from)).unwrap_or(span.from), to: to.unwrap_or(span.to) }
}

/// Days of which nothing was seen, neighbours put together.
pub(super) fn unseen_days(bars: &[DayBar], past: Stretch, plan: &Plan) -> Vec<Stretch> {
    let mut gaps: Vec<Stretch> = Vec::new();
    let mut from = past.from;
    let next = |at: Wall| whole_days(Stretch { from: at, to: at }, plan);
    for day in bars.iter().map(|bar| next(bar.at)) {
        if day.from > from {
            gaps.push(Stretch { from, to: day.from });
        }
        from = day.to;
    }
    if from < past.to {
        gaps.push(Stretch { from, to: past.to });
    }
    gaps
}

/// The hours of each local day, put together.
pub(super) fn by_day(
    log: &JournalLog,
    plan: &Plan,
    id: SensorId,
    span: Stretch,
) -> Result<Vec<DayBar>, JournalError> {
    let sensor = plan.sensor(id);
    let said = log.bars(&sensor.name, span.from, span.to, Span::hours(1))?;
    let mut days: BTreeMap<jiff::civil::Date, (f64, f64)> = BTreeMap::new();
    for point in seen::points(sensor, &said, Span::hours(1)) {
        let (low, high) = days.entry(point.at.civil(&plan.zone).date()).or_insert((point.low, point.high));
        (*low, *high) = (low.min(point.low), high.max(point.high));
    }
    let noon = |date: jiff::civil::Date| plan.zone.to_timestamp(date.at(12, 0, 0, 0)).ok();
    Ok(days
        .into_iter()
        .filter_map(|(date, (low, high))| Some(DayBar { at: Wall(noon(date)?.as_millisecond()), low, high }))
        .collect())
}
